"""Plans of blind marking: who may mark what, in which order, and when it may be compared."""

import itertools
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from clipmark.audit.blind import close_plan, make_plan, open_plan, save_marking, the_plan
from clipmark.audit.blind_compare import compare
from clipmark.audit.blind_task import recorded_marks, task_of, with_marks
from clipmark.cli.app import status_of
from clipmark.errors import AuditError
from clipmark.record.draft import Marks
from clipmark.record.draft_marks import marks_of
from clipmark.record.folder import EventFolder
from tests.audit import blind_kit as kit


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kit.make_event(tmp_path_factory.mktemp("measured"))


@pytest.fixture
def event(measured: Path, tmp_path: Path) -> Iterator[EventFolder]:
    with EventFolder.open(shutil.copytree(measured, tmp_path / measured.name)) as event:
        yield event


def sign(event: EventFolder, item: int, *, lift_px: float = 0.0, off_deg: float = 0.0) -> None:
    """Sign a picture as if it had been measured: the first reading, its numbers moved."""
    saved = the_plan(event, "b001")
    attempt = event.attempt(saved.plan.items[item - 1].attempt.id).attempt
    task = task_of(event, attempt)
    marks = marks_of(attempt)
    x1, y1, x2, y2 = marks.ramp or (0.0, 0.0, 0.0, 0.0)
    moved = Marks(
        frame=task.frame, ramp=(x1, y1 + lift_px, x2, y2 + lift_px), plumb=marks.plumb
    )  # fmt: skip
    reading = with_marks(task.readings[0], task, moved)
    result = {**reading.result}
    for name in ("ramp_deg", "ramp_low95_deg", "ramp_high95_deg"):
        result[name] = float(result[name]) + off_deg  # type: ignore[arg-type]
    reading = reading.model_copy(update={"result": result})
    body = {
        "marks": recorded_marks(task, attempt, moved),
        "readings": [reading],
        "verdict": "cleared",
    }
    save_marking(event, "b001", item, body)


def test_the_order_is_that_of_its_seed_and_is_kept(event):
    first = make_plan(event, "Brook", repeats=2, seed=8).saved.plan.items
    second = make_plan(event, "Marsh", repeats=2, seed=8).saved.plan.items
    third = [make_plan(event, f"Marsh {n}", repeats=2, seed=n).saved.plan.items for n in range(6)]
    assert first == second
    assert len(set(third)) > 1


@pytest.mark.parametrize("seed", range(12))
def test_no_attempt_is_shown_twice_in_a_row(event, seed):
    items = make_plan(event, "Brook", repeats=3, seed=seed).saved.plan.items
    assert len(items) == 6
    assert all(a.attempt != b.attempt for a, b in itertools.pairwise(items))
    assert sorted(item.showing for item in items) == [1, 1, 1, 2, 2, 2]


def test_a_share_of_three_attempts_repeats_at_least_one(event):
    assert make_plan(event, "Brook").saved.total == 4


def test_whoever_signed_an_attempt_is_not_its_blind_marker(event):
    with pytest.raises(AuditError) as refused:
        make_plan(event, " fellowsWorth", attempts=["a0002"])
    assert str(refused.value) == (
        "attempt a0002 cannot be marked blind by fellowsWorth: fellowsWorth signed it, and would "
        "know it; take another marker (--by), or say that own ones count too (--even-own)"
    )
    assert make_plan(event, kit.SIGNER, even_own=True).saved.total == 4


def test_attempts_of_ones_own_are_left_out_of_all_and_named(event):
    saved = event.attempt("a0002")
    body = saved.attempt.model_copy(update={"marked_by": "Brook"})
    event.save_attempt(body, by="Brook", id="a0002", base_revision=saved.revision)
    made = make_plan(event, "Brook", repeats=0)
    assert {item.attempt.id for item in made.saved.plan.items} == {"a0001", "a0003"}
    assert [attempt for attempt, _ in made.left_out] == ["a0002"]


def test_a_marker_goes_on_with_an_open_plan_and_gets_no_second_one(event):
    made = make_plan(event, "Brook", repeats=0)
    held = open_plan(event, "brook ")
    assert held is not None
    assert held.id == made.saved.id
    with pytest.raises(AuditError, match="has an open plan, b001, with 0 of 3 pictures marked"):
        make_plan(event, "Brook")


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"repeats": 4}, "4 repeats of 3 attempts cannot be hidden"),
        ({"repeats": 1.5}, "1.5 is no share and no number of repeats"),
        ({"attempts": ["a0001", "a0001"]}, "attempt a0001 is named twice"),
        ({"attempts": ["a0009"]}, "there is no attempt a0009"),
        ({"seed": -1}, "the seed -1"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_with_the_reason(event, asked, sentence):
    with pytest.raises(Exception, match=sentence):
        make_plan(event, "Brook", **asked)


def test_nothing_is_compared_while_the_plan_is_open(event):
    make_plan(event, "Brook", repeats=0)
    sign(event, 1)
    with pytest.raises(AuditError) as refused:
        compare(event, "b001")
    assert str(refused.value) == (
        "plan b001 is open, with 1 of 3 pictures marked; what it says would no longer be blind, "
        "so close it first (--close)"
    )


def test_a_signed_picture_is_never_changed(event):
    make_plan(event, "Brook", repeats=0)
    sign(event, 1)
    with pytest.raises(AuditError, match="picture 1 of plan b001 is signed already"):
        sign(event, 1)


def test_markings_that_agree_within_their_own_marks_agree(event):
    make_plan(event, "Brook", repeats=0, seed=1)
    sign(event, 1, lift_px=0.4, off_deg=0.002)
    close_plan(event, "b001")
    (value,) = compare(event, "b001").items[0].values
    assert value.comparison is not None
    assert value.comparison.verdict == "agree"
    assert value.comparison.difference == pytest.approx(0.002, abs=1e-9)


def test_what_both_markings_share_does_not_excuse_a_difference(event):
    """Half of the stated uncertainty, but far beyond what the marks can make of it."""
    make_plan(event, "Brook", repeats=0, seed=1)
    u95 = float(event.attempt("a0001").attempt.readings[0].result["ramp_u95_deg"])
    sign(event, 1, lift_px=0.4, off_deg=0.5 * u95)
    close_plan(event, "b001")
    compared = compare(event, "b001")
    told = compared.items[0].values[0].comparison
    assert told is not None
    assert {"square-on promise", "plumb line itself", "lens"} <= set(told.shared)
    assert told.verdict == "at odds"
    assert compared.at_odds == 1


def test_a_picture_shown_twice_is_compared_with_itself(event):
    make_plan(event, "Brook", attempts=["a0001", "a0002"], repeats=1, seed=1)
    for item in (1, 2, 3):
        sign(event, item, lift_px=0.1 * item, off_deg=0.001 * item)
    close_plan(event, "b001")
    (again,) = compare(event, "b001").repeats
    assert again.showing == 2
    assert again.values[0].difference == pytest.approx(0.002, abs=1e-9)


def test_verdicts_are_counted_once_for_each_attempt(event):
    make_plan(event, "Brook", attempts=["a0001", "a0002"], repeats=1, seed=1)
    for item in (1, 2, 3):
        sign(event, item)
    close_plan(event, "b001")
    verdicts = compare(event, "b001").verdicts
    assert verdicts is not None
    assert verdicts.n == 2
    assert verdicts.kappa is None  # all in one class: agreement beyond chance is 0/0


def test_marks_that_are_not_asked_for_change_nothing(event):
    attempt = event.attempt("a0001").attempt
    task = task_of(event, attempt)
    assert [role.name for role in task.roles] == ["plumb", "ramp"]
    marks = marks_of(attempt)
    more = marks.model_copy(update={"hubs": (1.0, 1.0, 99.0, 9.0), "level": (1.0, 1.0, 99.0, 1.0)})
    assert with_marks(task.readings[0], task, more) == with_marks(task.readings[0], task, marks)
    assert [mark.role for mark in recorded_marks(task, attempt, more)] == ["ramp", "plumb"]


def test_the_command_closes_and_compares(event, capsys):
    make_plan(event, "Brook", repeats=0, seed=1)
    sign(event, 1, lift_px=0.4, off_deg=0.002)
    folder = str(event.path)
    assert status_of(["audit", "blind", folder, "--plan", "b001", "--compare"]) == 2
    assert "close it first (--close)" in capsys.readouterr().err
    assert status_of(["audit", "blind", folder, "--plan", "b001", "--close", "--compare"]) == 0
    out = capsys.readouterr().out
    assert "Values compared: 1, at odds: 0." in " ".join(out.split())
    assert status_of(["audit", "blind", folder, "--plan", "b001", "--seed", "4"]) == 2
