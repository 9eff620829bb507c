"""What is entered of a protest and its ruling, and that nothing else of an attempt changes."""

import csv
import json

import pytest

from clipmark.audit.filing import (
    enter_protest,
    file_ruling,
    protest_of,
    protests_of,
    rule_and_file,
)
from clipmark.audit.ruling import ruling_on
from clipmark.errors import AuditError, ClipmarkError, RevisionError
from clipmark.record.folder import EventFolder

ANGLE = {
    "ramp_deg": 20.0, "ramp_u95_deg": 0.2, "ramp_low95_deg": 19.8, "ramp_high95_deg": 20.2,
    "frame": 0, "t_s": 0.0, "clip_sha256": "0" * 64, "fingerprint": "0" * 64, "warnings": [],
}  # fmt: skip
TRUE, FALSE, OPEN = "ramp >= 19.0 deg", "ramp >= 21.0 deg", "ramp >= 20.0 deg"


@pytest.fixture
def disputed(event):
    """Attempt a0001 with everything a judge writes down: 20.0 +- 0.2 deg and a verdict."""
    event.save_attempt(
        {
            "entry": "Siskin",
            "test": "ladder",
            "try_no": 2,
            "set_start_deg": 20.1,
            "verdict": "failed",
            "reason": "stalled",
            "called_by": "R. Aldous",
            "marked_by": "M. Fell",
            "penalties": 1,
            "note": "second try after the rain",
            "readings": [{"measure": "angle", "result": ANGLE}],
        },
        by="M. Fell",
    )
    return event


def attempt_of(event):
    return event.attempt("a0001").attempt


def filed(event, claim, **more):
    return file_ruling(event, ruling_on(event, "a0001", claim), by="N. Marsh", **more)


def row(event):
    event.close()
    with (event.path / "attempts.csv").open(encoding="utf-8", newline="") as table:
        return next(csv.DictReader(table))


@pytest.mark.parametrize("claim", [TRUE, FALSE, OPEN])
def test_a_ruling_changes_claim_and_ruling_of_the_attempt_and_nothing_else(disputed, claim):
    before = attempt_of(disputed).to_body()
    filed(disputed, claim, protested_by="B. Brook")
    after = attempt_of(disputed).to_body()
    changed = {name for name in {*before, *after} if before.get(name) != after.get(name)}
    assert changed == {"claim", "ruling"}


def test_entering_a_protest_changes_the_claim_only(disputed):
    before = attempt_of(disputed).to_body()
    enter_protest(disputed, "a0001", TRUE, by="N. Marsh", protested_by="B. Brook")
    after = attempt_of(disputed).to_body()
    changed = {name for name in {*before, *after} if before.get(name) != after.get(name)}
    assert changed == {"claim"}
    assert after["claim"]["by"] == "B. Brook"


def test_protest_ruling_and_attempt_are_lines_that_follow_each_other(disputed):
    lines = filed(disputed, TRUE).lines
    assert [(line.kind, line.id, line.revision) for line in lines] == [
        ("protest", "a0001-p1", 1),
        ("ruling", "a0001-p1", 1),
        ("attempt", "a0001", 2),
    ]
    assert [line.seq - lines[0].seq for line in lines] == [0, 1, 2]
    assert {line.by for line in lines} == {"N. Marsh"}


def test_a_ruling_s_record_says_what_it_rests_on(disputed):
    filed(disputed, FALSE, protested_by="B. Brook", note="board checked again")
    held = protest_of(disputed, "a0001", "a0001-p1").ruling
    assert (held.attempt.id, held.attempt.revision) == ("a0001", 1)  # the readings that were used
    assert (held.ruling.outcome, held.ruling.note) == ("falls", "board checked again")
    assert (held.basis["value"], held.basis["limit"]) == (20.0, 21.0)
    assert held.basis["decides"]["measure"] == "angle"
    assert "clipmark" in held.versions


def test_the_table_shows_the_claim_and_its_ruling(disputed):
    filed(disputed, FALSE)
    found = row(disputed)
    assert (found["claim"], found["ruling"]) == ("ramp at least 21 deg", "falls")
    assert (found["verdict"], found["reason"], found["called_by"]) == (
        "failed",
        "stalled",
        "R. Aldous",
    )


def test_an_open_protest_shows_its_claim_and_no_ruling(disputed):
    enter_protest(disputed, "a0001", FALSE, by="N. Marsh")
    assert protest_of(disputed, "a0001", "a0001-p1").open
    found = row(disputed)
    assert (found["claim"], found["ruling"]) == ("ramp at least 21 deg", "")


def test_a_later_protest_takes_the_ruling_on_an_earlier_one_out_of_the_table(disputed):
    """Else the earlier outcome would stand beside a claim that nobody has ruled on."""
    filed(disputed, TRUE)
    enter_protest(disputed, "a0001", FALSE, by="N. Marsh")
    found = row(disputed)
    assert (found["claim"], found["ruling"]) == ("ramp at least 21 deg", "")


def test_several_protests_are_kept_with_their_own_rulings_and_the_latest_is_shown(disputed):
    for claim in (TRUE, OPEN, FALSE):
        filed(disputed, claim)
    held = protests_of(disputed, "a0001")
    assert [(item.id, item.ruling.ruling.outcome) for item in held] == [
        ("a0001-p1", "stands"),
        ("a0001-p2", "cannot decide"),
        ("a0001-p3", "falls"),
    ]
    assert str(attempt_of(disputed).claim) == "ramp at least 21 deg"


def test_ruling_on_an_earlier_protest_leaves_the_attempt_with_the_latest(disputed):
    enter_protest(disputed, "a0001", TRUE, by="N. Marsh")
    enter_protest(disputed, "a0001", FALSE, by="N. Marsh")
    before = disputed.attempt("a0001")
    first = protest_of(disputed, "a0001", "a0001-p1")
    ruled, _ = rule_and_file(disputed, "a0001", first, by="N. Marsh")
    assert ruled.ruling.outcome == "stands"
    after = disputed.attempt("a0001")
    assert (after.revision, after.attempt) == (before.revision, before.attempt)


def test_ten_protests_are_numbered_and_ordered_as_numbers(disputed):
    for _ in range(10):
        enter_protest(disputed, "a0001", TRUE, by="N. Marsh")
    assert [item.id for item in protests_of(disputed, "a0001")][-2:] == ["a0001-p9", "a0001-p10"]


def test_ruling_again_makes_a_new_revision_and_keeps_the_earlier_ruling(disputed):
    filed(disputed, TRUE, note="first")
    held = protest_of(disputed, "a0001", "a0001-p1")
    rule_and_file(disputed, "a0001", held, by="R. Aldous", note="after a better reading")
    rulings = [entry for entry in disputed.journal.entries if entry.kind == "ruling"]
    assert [entry.revision for entry in rulings] == [1, 2]
    now = protest_of(disputed, "a0001", "a0001-p1").ruling.ruling
    assert (now.by, now.note) == ("R. Aldous", "after a better reading")


def test_a_ruling_on_readings_that_were_replaced_since_is_not_saved(disputed):
    ruled = ruling_on(disputed, "a0001", TRUE)
    saved = disputed.attempt("a0001")
    disputed.save_attempt(
        saved.attempt.to_body() | {"note": "looked at again"},
        by="M. Fell",
        id="a0001",
        base_revision=saved.revision,
    )
    count = len(disputed.journal.entries)
    with pytest.raises(RevisionError):
        file_ruling(disputed, ruled, by="N. Marsh")
    disputed.journal.refresh()
    assert len(disputed.journal.entries) == count  # all together or nothing at all
    assert protests_of(disputed, "a0001") == []


def test_nor_is_one_on_an_earlier_protest_that_would_not_touch_the_attempt(disputed):
    enter_protest(disputed, "a0001", TRUE, by="N. Marsh")
    enter_protest(disputed, "a0001", FALSE, by="N. Marsh")
    ruled = ruling_on(disputed, "a0001", TRUE)
    saved = disputed.attempt("a0001")
    disputed.save_attempt(
        saved.attempt.to_body() | {"note": "looked at again"},
        by="M. Fell",
        id="a0001",
        base_revision=saved.revision,
    )
    with pytest.raises(RevisionError, match="rule again, on its newest readings"):
        file_ruling(disputed, ruled, by="N. Marsh", protest_id="a0001-p1")
    assert protest_of(disputed, "a0001", "a0001-p1").open


def test_a_protest_is_ruled_on_by_what_it_claims(disputed):
    enter_protest(disputed, "a0001", TRUE, by="N. Marsh")
    with pytest.raises(AuditError, match="protest a0001-p1 claims 'ramp at least 19 deg', but"):
        filed(disputed, FALSE, protest_id="a0001-p1")


def test_protests_against_another_attempt_are_not_mixed_in(disputed):
    disputed.save_attempt({"entry": "Wren", "test": "ladder"}, by="M. Fell")
    enter_protest(disputed, "a0001", TRUE, by="N. Marsh")
    assert protests_of(disputed, "a0002") == []
    with pytest.raises(AuditError, match="attempt a0002 has no protest a0001-p1; entered are: no"):
        protest_of(disputed, "a0002", "a0001-p1")


def test_a_protest_that_cannot_be_ruled_on_is_not_entered(disputed):
    count = len(disputed.journal.entries)
    for claim in ("touched = 1", "stalls <= 1", "ramp >= 20 mm"):
        with pytest.raises(AuditError):
            enter_protest(disputed, "a0001", claim, by="N. Marsh")
    assert len(disputed.journal.entries) == count


@pytest.mark.parametrize("by", ["", "   "])
def test_nothing_is_entered_unsigned(disputed, by):
    with pytest.raises(ClipmarkError, match="who rules"):
        file_ruling(disputed, ruling_on(disputed, "a0001", TRUE), by=by)
    assert protests_of(disputed, "a0001") == []


def test_where_the_journal_was_altered_nothing_is_ruled_on(disputed):
    root = disputed.path
    disputed.close()
    path = root / "journal.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines()
    (at,) = [k for k, line in enumerate(lines) if json.loads(line)["kind"] == "attempt"]
    lines[at] = lines[at].replace('"ramp_deg":20,', '"ramp_deg":19.9,')
    assert "19.9," in lines[at]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with EventFolder.open(root) as event:
        for act in (
            lambda: ruling_on(event, "a0001", TRUE),
            lambda: enter_protest(event, "a0001", TRUE, by="N. Marsh"),
        ):
            with pytest.raises(AuditError, match="nothing is ruled on attempt a0001: journal"):
                act()
