"""A side tilt and a climb measured on the page are those of the command line, to the last digit."""

import csv
import shutil

import pytest
from typer.testing import CliRunner

from clipmark.cli.app import application
from clipmark.marks_file import MarksFile, climb_from
from clipmark.page.measuring import used_by
from clipmark.record.clips import clip_sha256
from clipmark.record.draft import AttemptDraft, Marks
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, Declared
from clipmark.signing import attempt_from_draft, draft_from_attempt
from tests.cli.test_tilt_verb import options
from tests.page import marking_kit
from tests.page import motion_kit as kit

NEW = "new-" + "a" * 16
LEFT_OUT = ("wheels", "wheel_mm", "travel", "rim_px", "plumb")  # they cost time, and are not asked
TERMS = {
    "gap_mm": 1.5, "track_mm": 108.0, "track_u_mm": 0.3, "low_side": "left", "join": "a0007",
    "mode": "descend", "give_up_s": 0.5, "motion": "tilt",
}  # fmt: skip


@pytest.fixture(scope="module")
def left(tmp_path_factory):
    """A truck tilted with its left side low, drawn."""
    return kit.film_one(tmp_path_factory.mktemp("tilt"))


@pytest.fixture(scope="module")
def page(tmp_path_factory, left):
    event = kit.make_event(tmp_path_factory.mktemp("page") / "event")
    shutil.copy(left.path, event / "clips" / "left.mp4")
    shutil.copy(marking_kit.MEDIA / "siskin-stall.mp4", event / "clips")
    with kit.served(event) as client:
        yield client


@pytest.fixture(scope="module")
def sha(left):
    return clip_sha256(left.path)


@pytest.fixture(scope="module")
def tilted(page, left, sha):
    """A tilt measured on the page, then signed."""
    marks = kit.tilt_marks(left)
    job = kit.measured(page, "tilt", sha, marks)
    assert job["state"] == "done", job["error"]
    details = {"entry": "Siskin", "test": "side tilt"}
    return job, kit.signed(page, NEW, {"clip": sha, "details": details, "marks": marks})


def test_a_tilt_signed_on_the_page_is_the_reading_that_the_command_line_saves(
    page, left, tilted, tmp_path
):
    other = kit.make_event(tmp_path / "other")
    words = [
        "tilt", str(left.path), *options(left), "--into", str(other), "--entry", "Siskin",
        "--test", "side tilt", "--by", "M. Fell", "--json",
    ]  # fmt: skip
    done = CliRunner().invoke(application(), words)
    assert done.exit_code == 0, done.output
    rows = []
    for folder in (page.desk.event_path, other):
        with EventFolder.open(folder) as event:
            attempt = event.attempt("a0001").attempt
        with (folder / "attempts.csv").open(encoding="utf-8") as file:
            (row,) = [row for row in csv.DictReader(file) if row["attempt"] == "a0001"]
        rows.append((attempt, row))
    (ours, our_row), (theirs, their_row) = rows
    assert ours.reading("tilt") == theirs.reading("tilt")
    assert our_row["tilt_deg"]
    measured = [name for name in our_row if name.startswith("tilt")]
    assert [our_row[name] for name in measured] == [their_row[name] for name in measured]
    assert draft_from_attempt(theirs, "a0001", 1).marks.uphill_tyres  # and it opens on the page
    assert {m.role for m in ours.marks} == {m.role for m in theirs.marks}


def test_a_tilt_tells_its_trace_and_keeps_it_for_drawing(page, tilted):
    job, done = tilted
    assert len(job["trace"]["platform_deg"]) == len(job["trace"]["t_s"]) == job["total"]
    kept = page.get(f"/api/attempts/{done['id']}").json()["traces"]["tilt"]
    assert kept.keys() == job["trace"].keys()
    assert kept["tilt_deg"] == pytest.approx(
        job["trace"]["tilt_deg"]
    )  # as many digits as a CSV has


def test_what_is_signed_again_with_the_same_marks_is_not_measured_again(page, tilted, monkeypatch):
    _, done = tilted
    draft = page.get(f"/api/attempts/{done['id']}").json()["draft"]
    monkeypatch.setattr(page.desk.jobs, "follow", None)
    draft["details"]["note"] = "looked at twice"
    again = kit.signed(page, done["id"], draft)
    assert again["revision"] == done["revision"] + 1
    assert again["readings"]["tilt"] == done["readings"]["tilt"]


def test_saved_tilts_of_the_entry_are_offered_to_be_joined(page, tilted, left, sha):
    (listed,) = page.get("/api/tilts", params={"entry": "Siskin"}).json()["tilts"]
    assert (listed["attempt"], listed["low_side"]) == ("a0001", "left")
    assert page.get("/api/tilts", params={"entry": "Wren"}).json() == {"tilts": []}
    marks = kit.tilt_marks(left, track_mm=108.0)
    gone = page.post(f"/api/clips/{sha}/tilt", json={"marks": marks | {"join": "a0099"}})
    assert (gone.status_code, "a0099" in gone.json()["error"]) == (404, True)


@pytest.mark.slow
def test_a_tilt_does_not_join_one_of_the_same_side(page, tilted, left, sha):
    marks = kit.tilt_marks(left, join="a0001", track_mm=108.0)
    same_side = kit.measured(page, "tilt", sha, marks)
    assert same_side["state"] == "failed"
    assert "both runs have the left side low" in same_side["error"]
    assert "--" not in same_side["error"]  # an option of the command line has no place here


@pytest.mark.slow
def test_left_and_right_joined_on_the_page_give_the_centre_of_gravity(page, tilted, tmp_path):
    right = kit.film_one(tmp_path, "right")
    shutil.copy(right.path, page.desk.event_path / "clips")
    marks = kit.tilt_marks(right, join="a0001", track_mm=108.0)
    cog = kit.measured(page, "tilt", clip_sha256(right.path), marks)["result"]["cog"]
    assert cog["height_low95_mm"] <= right.scene.height_mm <= cog["height_high95_mm"]


@pytest.mark.parametrize(
    ("motion", "taken", "sentence"),
    [
        ("tilt", "platform", "no platform line is marked"),
        ("tilt", "chassis", "no chassis rail is marked"),
        ("climb", "patch", "no body patch is marked"),
        ("climb", "ramp", "no ramp line is marked"),
    ],
)
def test_what_is_missing_is_said(page, left, sha, motion, taken, sentence):
    marks = kit.tilt_marks(left) | {
        "patch": [50.0, 50.0, 40.0, 40.0],
        "ramp": [9.0, 9.0, 90.0, 9.0],
    }
    asked = page.post(f"/api/clips/{sha}/{motion}", json={"marks": marks | {taken: None}})
    assert asked.status_code == 400
    assert sentence in asked.json()["error"]


@pytest.fixture(scope="module")
def climb_marks():
    """The sample's stalling clip, a short stretch of it, without wheels and level."""
    marks = marking_kit.marks_of("siskin-stall") | {"span": [0, 8], "motion": "climb"}
    return {k: v for k, v in marks.items() if k not in LEFT_OUT}


def test_a_climb_is_the_command_line_s_and_its_proposal_fills_no_verdict_in(page, climb_marks):
    event = page.desk.event_path
    sha = marking_kit.clip_of(page, "siskin-stall")
    job = kit.measured(page, "climb", sha, climb_marks)
    assert job["state"] == "done", job["error"]
    words = ["climb", str(event / "clips" / "siskin-stall.mp4"), "--frame", "0", "--json"]
    for name in ("patch", "ramp", "hubs", "scale"):
        words += [f"--{name}", ",".join(str(value) for value in climb_marks[name])]
    words += ["--span", "0:8", "--scale-mm", "200", "--square-within", "3"]
    done = CliRunner().invoke(application(), words)
    assert done.exit_code == 0, done.output
    assert job["result"] == marking_kit.json.loads(done.stdout)
    details = {"entry": "Siskin", "test": "board ladder"}
    saved = kit.signed(
        page, "new-" + "b" * 16, {"clip": sha, "details": details, "marks": climb_marks}
    )
    attempt = page.desk.event.attempt(saved["id"]).attempt
    assert attempt.reading("climb").result["proposed"]
    assert (attempt.verdict, attempt.reason, attempt.proposal) == (None, None, None)
    assert attempt.reading("crawl") is None  # the one motion that was chosen


def test_a_climb_is_measured_from_marks_of_one_frame(climb_marks):
    marks = MarksFile.of(climb_marks | {"patch_frame": 5}, marking_kit.MEDIA / "lenses")
    with pytest.raises(Exception, match="a climb is measured from marks of one frame"):
        climb_from(None, marks)


def test_every_term_of_a_draft_comes_back_as_it_was_signed(tmp_path):
    with EventFolder.open(kit.make_event(tmp_path / "event")) as event:
        marks = {"platform": [1.0, 2.0, 90.0, 2.0], "uphill_tyres": [[5.0, 5.0, 20.0, 20.0]]}
        draft = AttemptDraft.model_validate(
            {
                "details": {"entry": "Siskin", "test": "side tilt"},
                "marks": marks | TERMS | {"frame": 3},
            }
        )
        attempt = attempt_from_draft(event, draft, {})
    again = draft_from_attempt(attempt, "a0001", 1)
    assert again.marks == draft.marks


def test_an_older_record_says_its_terms_in_its_reading(tilted, page):
    body = page.desk.event.attempt(tilted[1]["id"]).attempt.model_dump(mode="json")
    body["declared"] = {"frame": 0, "square_within_deg": 0.5}  # as it was before terms stood there
    old = draft_from_attempt(Attempt.model_validate(body), "a0001", 1).marks
    assert (old.motion, old.gap_mm, old.low_side) == ("tilt", 1.0, "left")
    assert "motion" not in Declared.model_validate(body["declared"]).model_fields_set


def test_a_term_of_one_motion_is_no_part_of_another(left):
    plain, other = Marks(**kit.tilt_marks(left)), Marks(**kit.tilt_marks(left, mode="descend"))
    assert used_by("tilt", plain) == used_by("tilt", other)
    assert used_by("climb", plain) != used_by("climb", other)


@pytest.mark.slow
def test_what_the_page_saved_is_repeated_and_scored_like_any_other_reading(page, tilted):
    folder = str(page.desk.event_path)
    replayed = CliRunner().invoke(application(), ["audit", "replay", folder])
    assert replayed.exit_code == 0, replayed.output
    scored = CliRunner().invoke(application(), ["score", folder, "--json"])
    assert scored.exit_code == 0, scored.output
    (row,) = marking_kit.json.loads(scored.stdout)["rows"]
    points = next(test["points"] for test in row["tests"] if test["test"] == "side tilt")
    tilt_deg = tilted[1]["readings"]["tilt"]["tilt_deg"]
    assert points == pytest.approx((tilt_deg - 30) / 30 * 100, abs=0.1)  # by the sheet's table


@pytest.mark.slow
def test_a_descent_is_measured_with_its_mode(page, climb_marks):
    sha = marking_kit.clip_of(page, "siskin-stall")
    job = kit.measured(page, "climb", sha, climb_marks | {"mode": "descend"})
    assert job["result"]["mode"] == "descend"
    assert set(job["result"]["reverse"]) == {"wheel_turned_back", "body_moved_back", "driven"}
