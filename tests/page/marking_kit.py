"""What the tests of the page's marking share: the sample event, served in this process."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from clipmark.page.app import event_app
from clipmark.page.desk import Desk
from clipmark.page.practice import copy_sample_event
from clipmark.sample.media import sample_media_folder

MEDIA = sample_media_folder()
HOMES = ("XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_LOG_HOME")
KEY = "new-0123456789abcdef"


@contextmanager
def sample_page(folder: Path) -> Iterator[TestClient]:
    """A client of the page on a copy of the sample event; ``client.desk`` is its desk.

    Caches and drafts go into `folder` too.
    """
    with pytest.MonkeyPatch.context() as patch:
        for name in HOMES:
            patch.setenv(name, str(folder / name.lower()))
        event = folder / "tarn-hollow"
        if not event.exists():
            copy_sample_event(event)
        desk = Desk(event)
        with TestClient(event_app(desk)) as client:
            client.desk = desk
            yield client


def clip_of(client: TestClient, name: str) -> str:
    """Content hash of a clip by its name."""
    clips = client.get("/api/clips").json()["clips"]
    return next(clip["sha"] for clip in clips if clip["name"] == f"{name}.mp4")


def marks_of(name: str) -> dict[str, Any]:
    """The sample's marks of a clip, as the page sends them."""
    marks = json.loads((MEDIA / "marks" / f"{name}.json").read_text(encoding="utf-8"))
    return {key: value for key, value in marks.items() if key not in ("clip", "measure")}


def draft_of(**more: Any) -> dict[str, Any]:
    """A draft with entry and test, and what else is given."""
    details = {"entry": "Siskin", "test": "creep"} | more.pop("details", {})
    return {"clip": None, "details": details, "marks": {}, "calls": []} | more
