"""Readings that lean on a stand, on the rule sheet, or on the marking page, repeated."""

import json

import pytest

from clipmark.audit.replay import replay_attempt, replay_event
from clipmark.clip import open_clip
from clipmark.marks import Line
from clipmark.marks_file import MarksFile, angle_from
from clipmark.measure.angle import measure_angle
from clipmark.measure.crawl import measure_crawl
from clipmark.record.draft import AttemptDraft
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder
from clipmark.signing import sign_attempt
from clipmark.stands import save_stand, use_stand
from tests.cli.conftest import draw
from tests.cli.test_stand_options import textured, without_string, write

MEDIA = sample_media_folder()
RAMP, PLUMB = (100, 320, 520, 96), (561, 40, 563, 300)
QUICK = {"draws": 600, "budget_draws": 0, "edge_fit": False}


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """A clip with the string, and a later one in which it is taken down."""
    folder = tmp_path_factory.mktemp("stand")
    scene = draw() + textured()
    return write(folder / "marked.mp4", scene, 1), write(
        folder / "later.mp4", without_string(scene), 2
    )


@pytest.fixture
def stood(event, keep, clips):
    """An attempt whose plumb line came from the stand "north"; edges are fitted in its picture."""
    marked, later = clips
    with open_clip(marked) as clip:
        save_stand(
            event, "north", clip, event.add_clip(marked), 2, [(Line(*PLUMB), "plumb")], "Fell",
            said={"level_u_deg": 0.08},
        )  # fmt: skip
    with open_clip(later) as clip:
        used = use_stand(event, "north", clip, 2)
        result = measure_angle(clip, 2, ramp=RAMP, plumb=[used.plumb], **QUICK).to_dict()
    result["stand"] = used.to_dict()
    return keep(event, later, "angle", result, [(Line(*RAMP), "ramp")], stand=used.ref)


def test_a_stand_is_carried_over_again_and_without_its_clip_that_is_said(event, stood):
    item = replay_attempt(event, stood).readings[0]
    assert (item.reading.outcome, item.stand.sameness) == ("equal", "equal")
    assert item.stand.sentence == (
        "The stand north, revision 1, was carried over again from its reference clip: to the last "
        "digit as in the reading."
    )
    (event.path / "clips" / "marked.mp4").unlink()
    item = replay_attempt(event, stood).readings[0]
    assert item.reading.outcome == "equal"  # from the lines that it stored
    assert item.stand.sameness is None
    assert item.stand.sentence.startswith(
        "The stand north cannot be carried over again, since its reference clip is not there as "
        "recorded ("
    )


def test_a_line_that_the_stand_does_not_give_is_told(event, stood):
    reading = stood.attempt.readings[0]
    result = json.loads(json.dumps(reading.result))
    result["lines"]["plumb"]["carried"][0]["points_px"][0][0] += 2.0
    changed = reading.model_copy(update={"result": result})
    body = stood.attempt.model_copy(update={"readings": (changed,)})
    event.save_attempt(body, by="Marsh", id=stood.id, base_revision=1)
    item = replay_attempt(event, event.attempt(stood.id)).readings[0]
    assert item.stand.sameness == "changed"
    assert "up to 2 px away from where the reading has it" in item.stand.sentence
    assert not item.agrees


GRADED = """
[[test]]
id = "creep"
kind = "smoothness"
measure = "mean_speed_mm_s"
grade_above = [[{limit}, 5]]
grade_else = 1
"""


def test_the_grade_is_that_of_the_rule_sheet_as_it_was(tmp_path, keep):
    """The sheet is changed later, and the attempt revised under the new one: the old one counts."""
    folder = tmp_path / "event"
    marks = json.loads((MEDIA / "marks" / "siskin-stall.json").read_text())
    path = MEDIA / "siskin-stall.mp4"
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials"):
        sheet = (folder / "event.toml").read_text()
    (folder / "event.toml").write_text(sheet + GRADED.format(limit=5))
    with EventFolder.open(folder) as event, open_clip(path) as clip:
        result = measure_crawl(
            clip, 0, patch=marks["patch"], scale=marks["scale"], scale_mm=marks["scale_mm"],
            span=(0, 25),
        ).to_dict()  # fmt: skip
        saved = keep(event, path, "crawl", result, test="creep")
        assert saved.attempt.grade == 5
        (folder / "event.toml").write_text(sheet + GRADED.format(limit=500))
        said = saved.attempt.model_copy(update={"note": "seen again", "rules": None})
        event.save_attempt(said, by="Marsh", id=saved.id, base_revision=1)
        later = event.attempt(saved.id)
        assert later.attempt.rules.revision == saved.attempt.rules.revision + 1
        [item] = replay_attempt(event, later).readings
    assert item.grade.agrees
    assert item.grade.sentence == (
        f"Graded once more by revision {saved.attempt.rules.revision} of the rule sheet: grade 5, "
        "as saved."
    )


@pytest.mark.slow
def test_a_draft_signed_on_the_page_comes_back(event):
    name = "siskin-climb"
    told = json.loads((MEDIA / "marks" / f"{name}.json").read_text())
    marks = {key: value for key, value in told.items() if key not in ("clip", "measure")}
    (event.path / "lenses" / marks["lens"]).write_bytes(
        (MEDIA / "lenses" / marks["lens"]).read_bytes()
    )
    ref = event.add_clip(MEDIA / f"{name}.mp4")
    draft = AttemptDraft.model_validate(
        {"clip": ref.sha256, "details": {"entry": "Siskin", "test": "board ladder"}, "marks": marks}
    )
    with open_clip(MEDIA / f"{name}.mp4") as clip:
        ready = MarksFile.of(draft.marks.given(), event.path / "lenses")
        result = angle_from(clip, ready).to_dict()
    line = sign_attempt(event, draft, "Fell", {"angle": result}, None)
    replay = replay_attempt(event, event.attempt(line.id))
    assert replay.readings[0].reading.outcome == "equal"
    assert replay.agrees, replay.to_dict()


@pytest.mark.slow
@pytest.mark.timeout(1800)  # the demo measured twice
def test_every_reading_of_the_sample_event_comes_back(tmp_path, clipmark):
    folder = tmp_path / "demo"
    assert clipmark("demo", folder, "--json").status == 0
    with EventFolder.open(folder) as event:
        kept = [reading for saved in event.attempts() for reading in saved.attempt.readings]
        found = [item.reading for replay in replay_event(event) for item in replay.readings]
    assert {reading.measure for reading in kept} == {"angle", "crawl", "tilt", "climb"}
    assert [item.outcome for item in found] == ["equal"] * len(kept)
