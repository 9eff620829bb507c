"""The life of an attempt in sentences: saved, changed, protested, marked again, ruled on."""

import pytest

from clipmark.errors import RecordError
from clipmark.record.audit_records import BlindItem, BlindMarking, BlindPlan, Protest, RulingRecord
from clipmark.record.folder import EventFolder
from clipmark.record.history_words import history_of
from clipmark.record.models import Claim, RecordRef, Ruling

CLAIM = Claim(measure="ramp_deg", relation="at least", value=45.0, unit="deg", by="Brook")
SECOND = RecordRef(id="a0001", revision=2)


@pytest.fixture
def saved(event):
    """An attempt of two revisions beside another one."""
    body = {"entry": "Siskin", "test": "board ladder", "try_no": 1, "verdict": "failed",
            "reason": "spun", "called_by": "Marsh"}  # fmt: skip
    event.save_attempt(body, by="Fell")
    event.save_attempt(body | {"entry": "Wren"}, by="Fell")
    event.save_attempt(
        body | {"verdict": "cleared", "reason": None, "marked_by": "Lark"},
        by="Marsh", id="a0001", base_revision=1,
    )  # fmt: skip
    return event


def told(event):
    return [" ".join(line.sentences) for line in history_of(event, "a0001")]


def test_who_saved_what_and_what_changed(saved):
    first, second = history_of(saved, "a0001")
    assert first.sentences == (
        "Saved first: Siskin, board ladder, try 1.",
        "Failed, reason spun, called by Marsh.",
    )
    assert second.sentences == (
        "Revision 2: verdict from failed to cleared; reason taken away (was spun).",
    )
    assert (second.by, second.kind, second.revision) == ("Marsh (marked by Lark)", "attempt", 2)
    assert [change.field for change in second.changes] == ["verdict", "reason"]


def test_a_protest_and_its_ruling_are_told_and_the_call_stays(saved):
    protest = Protest(attempt=SECOND, claim=CLAIM, note="the board looked steeper")
    ruling = RulingRecord(
        protest=RecordRef(id="p001", revision=1), attempt=SECOND, claim=CLAIM,
        ruling=Ruling(outcome="falls", probability=0.004, by="Marsh"),
    )  # fmt: skip
    saved.save_record("protest", protest.to_body(), by="Marsh", id="p001")
    saved.save_record("ruling", ruling.to_body(), by="Marsh", id="r001")
    assert told(saved)[2:] == [
        "Protest p001 by Brook against revision 2: the ramp angle is at least 45°. Note: the board "
        "looked steeper.",
        "Ruling r001 by Marsh on protest p001, the ramp angle is at least 45°: the claim falls "
        "(probability that it holds: less than 1 %). The judge's call stays as it is.",
    ]


def test_a_blind_marking_tells_nothing_before_it_is_closed(saved):
    """Whoever reads the history while the marking runs learns no value from it."""
    items = (BlindItem(attempt=SECOND), BlindItem(attempt=RecordRef(id="a0002", revision=1)))
    plan = BlindPlan(marker="Wren", items=items, seed=5)
    saved.save_record("blind", plan.to_body(), by="Fell", id="b001")
    marking = BlindMarking(
        plan=RecordRef(id="b001", revision=1), item=1, attempt=SECOND, marker="Wren",
        verdict="failed", reason="stalled",
    )  # fmt: skip
    saved.save_record("blind", marking.to_body(), by="Wren", id="b001-001")
    assert told(saved)[2:] == [
        "Chosen to be marked again blind by Wren (plan b001).",
        "Marked again blind by Wren (b001-001). What it gave is told when the marking b001 is "
        "closed.",
    ]
    closed = plan.model_copy(update={"closed": True})
    saved.save_record("blind", closed.to_body(), by="Fell", id="b001", base_revision=1)
    assert told(saved)[3:] == [
        "Marked again blind by Wren (b001-001): verdict failed, reason stalled.",
        "The blind marking b001 by Wren was closed.",
    ]


def test_lines_behind_a_fault_are_said_not_to_be_trusted(saved):
    journal = saved.path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"entry":"Wren"', b'"entry":"Lark"'))
    first, second = history_of(EventFolder.open(saved.path), "a0001")
    assert (first.trusted, second.trusted) == (True, False)
    assert second.sentences[-1] == (
        "This cannot be trusted: the journal is broken at line 4, and this is line 5."
    )


def test_an_attempt_that_is_not_there_is_refused(saved):
    with pytest.raises(RecordError, match="there is no attempt a0009"):
        history_of(saved, "a0009")
