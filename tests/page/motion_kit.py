"""What the tests of climbs and side tilts on the page share: a drawn tilt, the page's marks."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from clipmark.page.app import event_app
from clipmark.page.desk import Desk
from clipmark.record.folder import EventFolder
from tests.measure.tilt_scene import TiltScene, Truth, film_tilt
from tests.page.marking_kit import HOMES

JOB_S = 120.0
SHEET = """[event]
name = "Tarn Hollow Pocket Trials"

[[test]]
id = "side tilt"
kind = "reading"
measure = "tilt_deg"
points = [[30, 0], [60, 100]]

[[test]]
id = "board ladder"
kind = "ladder"
steps_deg = [30, 33, 35, 37, 40]
points = [[30, 0], [40, 100]]

[[entry]]
name = "Siskin"
"""


def film_one(folder: Path, side: str = "left") -> Truth:
    """A truck tilted with one side low, in 44 small frames."""
    scene = TiltScene(
        size=(640, 440), px_per_mm=1.6, fps=30.0, rate_deg_s=4.0, start_deg=40.0, side=side, seed=11
    )
    return film_tilt(scene, folder / f"{side}.mp4")


def make_event(folder: Path) -> Path:
    """An event with a tilt and a ladder on its rule sheet, and no clips."""
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials"):
        pass
    (folder / "event.toml").write_text(SHEET, encoding="utf-8")
    return folder


@contextmanager
def served(event: Path) -> Iterator[TestClient]:
    """A client of the page on an event; ``client.desk`` is its desk."""
    with pytest.MonkeyPatch.context() as patch:
        for name in HOMES:
            patch.setenv(name, str(event.parent / name.lower()))
        desk = Desk(event)
        with TestClient(event_app(desk)) as client:
            client.desk = desk  # type: ignore[attr-defined]
            yield client


def tilt_marks(truth: Truth, **more: Any) -> dict[str, Any]:
    """The marks of a drawn tilt as the page sends them."""
    marks = {name: _plain(value) for name, value in truth.marks.items()}
    return {"frame": truth.frame, "square_within": 0.5, "motion": "tilt"} | marks | more


def _plain(value: Any) -> Any:
    if isinstance(value, (int, float)):
        return float(value)
    return [_plain(item) for item in getattr(value, "as_tuple", lambda: value)()]


def ended(page: TestClient, job: str) -> dict[str, Any]:
    """The last answer of a job."""
    end = time.monotonic() + JOB_S
    while time.monotonic() < end:
        answer: dict[str, Any] = page.get(f"/api/jobs/{job}").json()
        if answer["state"] != "running":
            return answer
        time.sleep(0.02)
    raise AssertionError("the job did not end")


def measured(page: TestClient, motion: str, sha: str, marks: dict[str, Any]) -> dict[str, Any]:
    """A motion measured on the page, to its end."""
    asked = page.post(f"/api/clips/{sha}/{motion}", json={"marks": marks})
    assert asked.status_code == 202, asked.text
    return ended(page, asked.json()["job"])


def signed(page: TestClient, key: str, draft: dict[str, Any]) -> dict[str, Any]:
    """A draft signed by M. Fell."""
    done = page.post("/api/attempts/sign", json={"key": key, "by": "M. Fell", "draft": draft})
    assert done.status_code == 200, done.text
    answer: dict[str, Any] = done.json()
    return answer
