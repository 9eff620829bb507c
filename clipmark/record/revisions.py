"""What a new revision is made from: its id, the revision it replaces, who, when, under what."""

from collections.abc import Sequence

from clipmark import __version__
from clipmark.errors import RevisionError
from clipmark.record.embedding import RULES_ID, SESSION_ID
from clipmark.record.instants import utc_text
from clipmark.record.journal import Draft, Journal
from clipmark.record.models import Attempt, RecordRef
from clipmark.record.texts import as_model

DRAWN_ANEW = ("marked_by", "marked_at", "software", "rules", "session")  # by each revision


def newest_revision(journal: Journal, kind: str, record_id: str) -> int:
    """Number of the newest revision of a record; 0 when there is none."""
    held = journal.newest(kind, record_id)
    return held.revision if held else 0


def base_of(journal: Journal, kind: str, record_id: str, base_revision: int | None) -> int:
    """The revision to be replaced, 0 for a new record.

    Raises
    ------
    RevisionError
        When the record exists and it was not said which revision is to be replaced.
    """
    newest = newest_revision(journal, kind, record_id)
    if base_revision is None and newest:
        raise RevisionError(
            f"{kind} {record_id} has revision {newest} already; say which revision this one "
            "replaces, with base_revision, or leave the id out for a new record"
        )
    return base_revision or 0


def free_attempt_id(journal: Journal) -> str:
    """The next id of the form ``a0001``; called under the lock."""
    return f"a{journal.chain.highest_number.get(('attempt', 'a'), 0) + 1:04d}"


def completed(attempt: Attempt, journal: Journal, by: str, before: Sequence[Draft]) -> Attempt:
    """Fill in who, when, with what, and under which rules and session, where not given.

    `before` are the revisions that will stand in the journal ahead of the attempt.
    """
    coming = {draft.kind: draft.base_revision + 1 for draft in before}
    found: dict[str, object] = {}
    for field, record_id in (("rules", RULES_ID), ("session", SESSION_ID)):
        revision = coming.get(field) or newest_revision(journal, field, record_id)
        if getattr(attempt, field) is None and revision:
            found[field] = RecordRef(id=record_id, revision=revision)
    if not attempt.marked_by:
        found["marked_by"] = by.strip()
    if attempt.marked_at is None:
        found["marked_at"] = utc_text(journal.clock())
    if not attempt.software:
        found["software"] = f"clipmark {__version__}"
    return as_model(Attempt, attempt.model_copy(update=found).to_body(), "the attempt")
