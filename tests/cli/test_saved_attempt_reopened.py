"""An attempt saved by the command line, opened again: it says everything it was measured with."""

import json

import pytest

from clipmark.clip import open_clip
from clipmark.evidence import kept_trace
from clipmark.marks_file import MarksFile, angle_from
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder
from clipmark.signing import draft_from_attempt

MEDIA = sample_media_folder()


def joined(values):
    return ",".join(str(value) for value in values)


@pytest.fixture
def event(tmp_path):
    with EventFolder.create(tmp_path / "event", name="Tarn Hollow Pocket Trials"):
        pass
    return tmp_path / "event"


@pytest.mark.slow
def test_an_angle_saved_with_a_lens_measures_the_same_from_its_record(event, clipmark):
    marks = json.loads((MEDIA / "marks" / "siskin-climb.json").read_text())
    told = clipmark(
        "angle", MEDIA / "siskin-climb.mp4", "--frame", 0, "--ramp", joined(marks["ramp"]),
        "--hubs", joined(marks["hubs"]), "--plumb", joined(marks["plumb"]), "--level-u", 0.03,
        "--rim-px", marks["rim_px"], "--square-within", 1,
        "--lens", MEDIA / "lenses" / marks["lens"],
        "--into", event, "--entry", "Siskin", "--test", "ladder", "--by", "R. Aldous", "--json",
    ).json  # fmt: skip
    with EventFolder.open(event) as folder:
        saved = folder.attempt("a0001")
    draft = draft_from_attempt(saved.attempt, saved.id, saved.revision)
    assert (event / "lenses" / marks["lens"]).is_file()
    again = MarksFile.of(draft.marks.given(), event / "lenses")
    with open_clip(event / saved.attempt.clip.path) as clip:
        reading = angle_from(clip, again).to_dict()
    for name in ("ramp_deg", "ramp_u95_deg", "chassis_deg", "chassis_to_ramp_low95_deg"):
        assert reading[name] == pytest.approx(told[name], abs=1e-12)


def test_a_saved_crawl_keeps_its_trace_for_exactly_that_reading(event, clipmark):
    marks = json.loads((MEDIA / "marks" / "siskin-stall.json").read_text())
    told = clipmark(
        "crawl", MEDIA / "siskin-stall.mp4", "--frame", 0, "--patch", joined(marks["patch"]),
        "--scale", joined(marks["scale"]), "--scale-mm", marks["scale_mm"], "--span", "0:60",
        "--into", event, "--entry", "Siskin", "--test", "creep", "--by", "R. Aldous", "--json",
    ).json  # fmt: skip
    with EventFolder.open(event) as folder:
        saved = folder.attempt("a0001").attempt
    reading = saved.reading("crawl").result
    table = kept_trace(event, "a0001", reading)
    assert list(table["frame"]) == list(range(61))
    moved_mm = table["s_mm"].dropna().iloc[-1] - table["s_mm"].dropna().iloc[0]
    assert moved_mm == pytest.approx(told["distance_mm"], rel=1e-3)
    assert saved.mark("scale").length_mm == marks["scale_mm"]
    assert kept_trace(event, "a0001", reading | {"frame": 1}) is None
