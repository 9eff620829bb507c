"""A side tilt and a climb are marked again blind: what is asked for, what is measured from it."""

from typing import Any

import pytest

from clipmark.audit.blind_task import measure_anew, task_of, with_marks
from clipmark.audit.shared import compare_values, shared_sources
from clipmark.clip import open_clip
from clipmark.measure.tilt import measure_tilt
from clipmark.record.draft import Marks
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading
from tests.page import motion_kit as kit

EVENT_FRAME, MARKED_FRAME = 25, 3
PLATFORM, CHASSIS, LEVEL = (
    [10.0, 90.0, 90.0, 40.0],
    [20.0, 60.0, 60.0, 40.0],
    [5.0, 99.0, 95.0, 99.0],
)
TYRES = [[60.0, 30.0, 12.0, 12.0], [40.0, 40.0, 12.0, 12.0]]
TILT_SETTINGS: dict[str, Any] = {
    "frame": MARKED_FRAME, "span": [0, 43], "platform": PLATFORM, "chassis": CHASSIS,
    "uphill_tyres": TYRES, "level": [LEVEL], "plumb": [], "level_u_deg": 0.05,
    "scale": [20.0, 80.0, 80.0, 45.0], "scale_mm": 200.0, "sheet": None, "gap_mm": 1.0,
}  # fmt: skip
CLIMB_SETTINGS: dict[str, Any] = {
    "span": [0, 40], "patch": [40.0, 30.0, 20.0, 20.0], "ramp": PLATFORM, "hubs": None,
    "wheels": [[40.0, 60.0, 8.0, 8.0, 0.0]], "finish": [80.0, 30.0, 90.0, 60.0], "level": [],
    "plumb": [[5.0, 5.0, 5.0, 60.0]], "scale": None, "scale_mm": None, "sheet": None,
}  # fmt: skip


def reading(measure: str, settings: dict[str, Any], frame: int, **more: Any) -> Reading:
    """A reading of that much, as the journal would hold it."""
    always = {"t_s": 0.5, "clip_sha256": "0" * 64, "fingerprint": "f" * 16, "warnings": []}
    return Reading.from_measured(
        measure, always | {"frame": frame, "settings": settings} | more, versions={"clipmark": "0"}
    )


def attempt_with(*readings: Reading) -> Attempt:
    clip = {"path": "clips/left.mp4", "sha256": "0" * 64}
    return Attempt.model_validate(
        {"entry": "Siskin", "test": "side tilt", "clip": clip, "readings": list(readings)}
    )


@pytest.fixture
def event(tmp_path):
    with EventFolder.open(kit.make_event(tmp_path / "event")) as opened:
        yield opened


def tilt(**settings: Any) -> Reading:
    return reading(
        "tilt", TILT_SETTINGS | settings, EVENT_FRAME, reference_frame=MARKED_FRAME,
        reference_fingerprint="a" * 16,
        budget={
            "tilt_deg": [
                {"source": source, "kind": "A", "u_deg": u, "dof": None, "advice": ""}
                for source, u in (
                    ("square-on promise", 0.3), ("level line itself", 0.05),
                    ("platform line in the picture", 0.02),
                    ("time of the event, times the turning rate", 0.04),
                )
            ]
        },
    )  # fmt: skip


def test_a_tilt_is_marked_again_on_the_frame_that_was_marked_and_not_on_that_of_the_event(event):
    task = task_of(event, attempt_with(tilt()))
    assert (task.frame, task.span) == (MARKED_FRAME, (0, 43))
    wanted = {role.name: (role.count, role.needed) for role in task.roles}
    assert wanted == {
        "level": (1, True), "platform": (1, True), "chassis": (1, True), "scale": (1, False),
        "tyre": (2, True),
    }  # fmt: skip
    half = Marks(platform=PLATFORM, chassis=CHASSIS, level=LEVEL, uphill_tyres=TYRES[:1])
    assert task.missing(half) == ["1 of 2 uphill tyres are marked"]


def test_the_second_marker_s_tyres_are_matched_with_the_first_one_s(event):
    task = task_of(event, attempt_with(tilt()))
    moved = [[tyre[0] + 1, *tyre[1:]] for tyre in reversed(TYRES)]  # marked in the other order
    marks = Marks(platform=CHASSIS, chassis=PLATFORM, level=LEVEL, uphill_tyres=moved)
    told = with_marks(task.readings[0], task, marks).result["settings"]
    assert told["uphill_tyres"] == [moved[1], moved[0]]
    assert (told["platform"], told["chassis"]) == (CHASSIS, PLATFORM)
    assert told["scale"] == TILT_SETTINGS["scale"]  # left out: the first one's
    assert told["gap_mm"] == 1.0  # a term of the test, and no mark


def test_a_climb_asks_for_what_it_was_marked_with(event):
    task = task_of(event, attempt_with(reading("climb", CLIMB_SETTINGS, 0)))
    assert [role.name for role in task.roles] == ["plumb", "ramp", "wheel", "patch", "finish"]
    finish = [70.0, 30.0, 80.0, 60.0]
    marks = Marks(
        plumb=(6, 5, 6, 60), ramp=PLATFORM, wheels=[[41, 60, 8, 8, 0]], patch=(1, 2, 20, 20),
        finish=finish,
    )  # fmt: skip
    told = with_marks(task.readings[0], task, marks).result["settings"]
    assert told["finish"] == finish
    assert told["patch"] == [1, 2, 20, 20]
    assert told["plumb"] == [[6, 5, 6, 60]]


def test_a_reading_that_was_marked_on_another_picture_is_left_as_it_is(event):
    both = attempt_with(reading("climb", CLIMB_SETTINGS, 0), tilt())
    assert [one.measure for one in task_of(event, both).readings] == ["tilt"]


def test_markers_of_one_tilt_share_level_and_promise_but_not_where_they_marked():
    first, second = tilt(), tilt(platform=[11.0, 90.0, 90.0, 41.0])
    scene = {"square-on promise", "level line itself"}
    assert shared_sources(first, second, "tilt_deg") == scene
    assert shared_sources(first, tilt(), "tilt_deg") > scene


@pytest.mark.slow
def test_marks_set_a_little_otherwise_give_a_tilt_that_agrees(event, tmp_path):
    truth = kit.film_one(tmp_path)
    marks = kit.tilt_marks(truth)
    with open_clip(truth.path) as clip:
        found = measure_tilt(clip, 0, **truth.marks, square_within_deg=0.5)
        first = Reading.from_measured("tilt", found.to_dict())
        attempt = attempt_with(first)
        task = task_of(event, attempt)
        moved = {name: [value + 0.7 for value in marks[name]] for name in ("platform", "chassis")}
        tyre = [[marks["uphill_tyres"][0][0] + 1, *marks["uphill_tyres"][0][1:]]]
        again = Marks(level=marks["level"], **moved, uphill_tyres=tyre)
        second = measure_anew(clip, attempt, first, task, again)
    told = compare_values(second, first, "tilt_deg")
    assert second.result["settings"]["platform"] == moved["platform"]
    assert abs(told.e_n) <= 1.0
    assert told.expanded < first.number("tilt_u95_deg")  # what both share is left out of it
