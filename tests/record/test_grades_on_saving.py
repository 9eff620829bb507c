"""A crawl is graded by its test's table when it is saved, from the command line and the page."""

from pathlib import Path

import pytest

from clipmark.errors import RecordError
from clipmark.evidence import trace_path
from clipmark.record.draft import AttemptDraft
from clipmark.signing import draft_from_attempt, sign_attempt
from clipmark.workbench import AttemptDetails, save_reading

CREEP = """
[[test]]
id = "creep"
kind = "smoothness"
measure = "ripple"
grade_below = [[0.03, 5], [0.06, 4], [0.12, 3]]
grade_else = 1

[[test]]
id = "rock-pile"
kind = "graded"
grades = [[3, 100], [0, 0]]
"""


@pytest.fixture
def graded(event):
    sheet = Path(event.path) / "event.toml"
    sheet.write_text('[event]\nname = "Tarn Hollow Pocket Trials"\n' + CREEP, encoding="utf-8")
    return event


@pytest.fixture
def clip(event) -> Path:
    path = Path(event.path) / "clips" / "run.mp4"
    path.write_bytes(b"not footage, but a file with a content hash")
    return path


def draft_of(test: str, **more) -> AttemptDraft:
    return AttemptDraft.model_validate({"details": {"entry": "Siskin", "test": test, **more}})


def test_the_command_line_saves_the_grade_with_the_reading(graded, clip, crawl_result):
    details = AttemptDetails(entry="Siskin", test="creep")
    line = save_reading(graded, clip, "crawl", crawl_result, [], details, "M. Fell")
    saved = graded.attempt(line.id).attempt
    assert saved.grade == 3
    grade = saved.reading("crawl").result["grade"]
    assert (grade["test"], grade["measure"], grade["grade"]) == ("creep", "ripple", 3)
    assert set(grade["p"]) == {"5", "4", "3", "1"}
    assert saved.reading("crawl").versions


def test_signing_on_the_page_saves_the_same_grade(graded, crawl_result):
    line = sign_attempt(graded, draft_of("creep"), "M. Fell", {"crawl": crawl_result}, None)
    saved = graded.attempt(line.id).attempt
    assert saved.grade == 3
    assert saved.reading("crawl").result["grade"]["grade"] == 3


def test_a_grade_typed_by_hand_for_a_test_without_a_table_stays(graded, crawl_result):
    draft = draft_of("rock-pile", grade=3)
    line = sign_attempt(graded, draft, "M. Fell", {"crawl": crawl_result}, None)
    saved = graded.attempt(line.id).attempt
    assert saved.grade == 3
    assert saved.reading("crawl").result["grade"] is None


def test_a_crawl_added_to_a_graded_attempt_leaves_its_grade(graded, clip, crawl_result):
    body = {"entry": "Siskin", "test": "rock-pile", "grade": 0.0}
    first = graded.save_attempt(body, by="J. Beck")
    line = save_reading(
        graded, clip, "crawl", crawl_result, [], AttemptDetails(), "M. Fell", attempt_id=first.id
    )
    assert graded.attempt(line.id).attempt.grade == 0


def test_what_cannot_be_told_takes_an_earlier_grade_away(graded, crawl_result):
    first = sign_attempt(graded, draft_of("creep"), "M. Fell", {"crawl": crawl_result}, None)
    again = draft_from_attempt(graded.attempt(first.id).attempt, first.id, 1)
    untold = crawl_result | dict.fromkeys(("ripple", "ripple_u95", "ripple_low95", "ripple_high95"))
    line = sign_attempt(graded, again, "M. Fell", {"crawl": untold}, 1)
    saved = graded.attempt(line.id).attempt
    assert saved.grade is None
    assert saved.reading("crawl").result["grade"]["said"] == "No grade: the ripple is not told."


def test_a_grade_goes_with_the_reading_it_stood_for(graded, crawl_result):
    first = sign_attempt(graded, draft_of("creep"), "M. Fell", {"crawl": crawl_result}, None)
    again = draft_from_attempt(graded.attempt(first.id).attempt, first.id, 1)
    line = sign_attempt(graded, again, "M. Fell", {}, 1)
    assert graded.attempt(line.id).attempt.grade is None


def test_a_grade_called_without_footage_stays(graded):
    line = sign_attempt(graded, draft_of("creep", grade=4), "M. Fell", {}, None)
    assert graded.attempt(line.id).attempt.grade == 4


def test_a_changed_table_grades_anew_when_it_is_signed_anew(graded, crawl_result):
    first = sign_attempt(graded, draft_of("creep"), "M. Fell", {"crawl": crawl_result}, None)
    sheet = Path(graded.path) / "event.toml"
    sheet.write_text(sheet.read_text().replace("[0.06, 4]", "[0.09, 4]"), encoding="utf-8")
    again = draft_from_attempt(graded.attempt(first.id).attempt, first.id, 1)
    line = sign_attempt(graded, again, "M. Fell", {"crawl": crawl_result}, 1)
    assert graded.attempt(line.id).attempt.grade == 4


def test_the_grade_does_not_move_the_trace(graded, crawl_result):
    line = sign_attempt(graded, draft_of("creep"), "M. Fell", {"crawl": crawl_result}, None)
    kept = graded.attempt(line.id).attempt.reading("crawl").result
    assert trace_path(graded.path, line.id, kept) == trace_path(graded.path, line.id, crawl_result)


def test_nothing_is_saved_under_a_table_that_means_nothing(graded, clip, crawl_result):
    sheet = Path(graded.path) / "event.toml"
    sheet.write_text(sheet.read_text().replace("0.06, 4", "0.02, 4"), encoding="utf-8")
    details = AttemptDetails(entry="Siskin", test="creep")
    with pytest.raises(RecordError, match=r"number 1: grade_below cannot be used: the limits"):
        save_reading(graded, clip, "crawl", crawl_result, [], details, "M. Fell")
    assert not graded.attempts()
