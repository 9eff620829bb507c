"""Drafts that were signed already, although the server ended before it could throw them away.

Between the flush of the journal and the end of the draft a crash can fall. Such a draft would be
offered as unsigned work, and signed once more as a second attempt.
"""

from __future__ import annotations

import contextlib
from datetime import datetime

from clipmark.errors import RecordError
from clipmark.page.bodies import Signed, finite
from clipmark.page.drafts import Drafts, KeptDraft
from clipmark.record.draft import AttemptDraft
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.instants import parse_instant
from clipmark.signing import FROM_MARKS, draft_from_attempt


def forget_signed(event: EventFolder, drafts: Drafts) -> None:
    """Throw away each draft that an attempt saved after it holds in full.

    Asked to sign it once more, the server answers as it did then.
    """
    kept = drafts.all()
    if not kept:
        return
    with contextlib.suppress(RecordError):  # an attempt that cannot be read: the list says why
        saved = _saved_since(event, min(parse_instant(draft.at) for draft in kept))
        for draft in kept:
            found = next((item for item in saved if _holds(item, draft)), None)
            if found is not None:
                drafts.note_signed(draft.key, draft.draft, _answer(found))


def _saved_since(event: EventFolder, instant: datetime) -> list[SavedAttempt]:
    """Attempts saved since an instant; what lies before it, most of an event, is not read."""
    ids: dict[str, None] = {}
    for entry in reversed(event.journal.entries):
        if parse_instant(entry.whole().at) < instant:
            break
        if entry.kind == "attempt":
            ids[entry.id] = None
    return [event.attempt(id) for id in ids]


def _holds(saved: SavedAttempt, kept: KeptDraft) -> bool:
    """Whether an attempt says what the draft says, and was saved after it was kept."""
    of_it = saved.id == kept.draft.attempt if kept.draft.attempt else saved.revision == 1
    if not of_it or parse_instant(saved.line.at) < parse_instant(kept.at):
        return False
    same = draft_from_attempt(saved.attempt, saved.id, saved.revision)
    return _said(same) == _said(kept.draft)


def _said(draft: AttemptDraft) -> dict[str, object]:
    return draft.model_dump(exclude={"attempt", "base_revision"})


def _answer(saved: SavedAttempt) -> dict[str, object]:
    readings = {
        name: None if (reading := saved.attempt.reading(name)) is None else finite(reading.result)
        for name in FROM_MARKS
    }
    signed = Signed(id=saved.id, revision=saved.revision, seq=saved.line.seq, readings=readings)
    return signed.model_dump()
