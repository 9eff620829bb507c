"""The session record as the page tells it: which one holds, what changed, what the file says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from clipmark.errors import RecordError
from clipmark.page.bodies import Answer
from clipmark.page.desk import Desk
from clipmark.record.embedding import SESSION_ID, embedded_drafts
from clipmark.record.instants import utc_now
from clipmark.record.journal import Draft
from clipmark.record.models import JournalLine, SessionRecord
from clipmark.record.sheets import SESSION_NAME, read_text, session_of
from clipmark.record.texts import as_model


def waiting_session(desk: Desk) -> Draft | None:
    """What ``session.toml`` says anew: kept in the journal ahead of whatever is saved next."""
    drafts = embedded_drafts(desk.event_path, desk.event.journal)
    return next((draft for draft in drafts if draft.kind == "session"), None)


def other_in_file(desk: Desk) -> Answer | None:
    """What ``session.toml`` says, where a record saved later on the page says otherwise."""
    text = read_text(desk.event_path / SESSION_NAME)
    newest = desk.event.journal.newest("session", SESSION_ID)
    if text is None or newest is None:
        return None
    try:
        body = session_of(text).to_body()
    except RecordError:  # told among the findings
        return None
    sha256 = body.pop("source_sha256")
    held = as_model(SessionRecord, newest.whole().body, "the session record").to_body()
    held.pop("source_sha256")
    return None if body == held else {"body": body, "sha256": sha256}


def session_head(revision: int | None, body: Mapping[str, object] | None) -> dict[str, object]:
    """Which record holds, of which day, and whether that is today."""
    date = None if body is None else body.get("date")
    today = utc_now().astimezone().date().isoformat()
    return {"revision": revision, "date": date, "today": date == today}


def changes_of(lines: Iterable[JournalLine]) -> Iterator[dict[str, object]]:
    """What changed from revision to revision, field by field, oldest first."""
    before: dict[str, object] | None = None
    for line in lines:
        fields = _flat(as_model(SessionRecord, line.body, "the session record").to_body())
        if before is not None:
            for name in dict.fromkeys((*before, *fields)):
                old, new = before.get(name), fields.get(name)
                if old != new:
                    yield {
                        "field": name,
                        "before": old,
                        "after": new,
                        "at": line.at,
                        "by": line.by,
                        "revision": line.revision,
                    }
        before = fields


def _flat(body: Mapping[str, Any]) -> dict[str, object]:
    """Fields by name, those of a set-up as ``setups.NAME.FIELD``; where it came from left out."""
    flat: dict[str, object] = {
        name: value for name, value in body.items() if name not in ("setups", "source_sha256")
    }
    for setup in body.get("setups") or []:
        title = setup["setup"]
        flat |= {
            f"setups.{title}.{name}": value
            for name, value in setup.items()
            if name != "setup" and value not in (None, "")
        }
    return flat
