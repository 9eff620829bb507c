"""The life of one attempt in plain sentences: saved, changed, protested, marked again, ruled on.

Everything is read from the journal, line by line, in the order of its lines. Bodies of an older
version may lack fields; what cannot be read is said to be so and never stops the telling.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pydantic import JsonValue

from clipmark.errors import RecordError
from clipmark.record.body_words import said_of
from clipmark.record.chain import Entry, Fault
from clipmark.record.changes import NOT_GIVEN, Change, changes_between
from clipmark.record.claim_words import claim_words, probability_words
from clipmark.record.folder import EventFolder
from clipmark.record.models import JournalLine

_LONGEST = 60  # characters of both texts that a sentence can carry
_FIRST_SAID = ("verdict", "reason", "ramp", "chassis", "tilt", "finish", "mean speed", "ripple")
_CALLED_BY = "called by"
Body = Mapping[str, JsonValue]


@dataclass(frozen=True)
class HistoryLine:
    """One thing that happened to an attempt.

    Attributes
    ----------
    line, seq : int
        Where it stands in the journal: line of the file from 1, number of the record.
    at, by : str
        When it was saved (UTC, by the clock of that computer), and who saved it.
    kind : str
        attempt, protest, ruling or blind.
    id : str
        Of the record: the attempt's own, the protest's, ...
    revision : int
        Of that record.
    sentences : tuple of str
        What happened, in words.
    trusted : bool
        False when it stands at or after a fault of the journal; a sentence says so.
    changes : tuple of Change
        Of a later revision of the attempt: what it says differently, field by field.
    sha256 : str
        Hash of the line.
    """

    line: int
    seq: int
    at: str
    by: str
    kind: str
    id: str
    revision: int
    sentences: tuple[str, ...]
    trusted: bool
    changes: tuple[Change, ...]
    sha256: str

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            **{name: getattr(self, name) for name in ("line", "seq", "at", "by", "kind", "id")},
            "revision": self.revision,
            "sentences": list(self.sentences),
            "trusted": self.trusted,
            "changes": [
                {"what": item.field, "before": item.before, "after": item.after}
                for item in self.changes
            ],
            "sha256": self.sha256,
        }


def history_of(event: EventFolder, attempt_id: str) -> list[HistoryLine]:
    """Everything that the journal holds of one attempt, oldest first.

    Raises
    ------
    RecordError
        When there is no such attempt.
    """
    event.journal.refresh()
    if event.journal.newest("attempt", attempt_id) is None:
        event.attempt(attempt_id)  # refuses it with its sentence
    faults = event.journal.faults
    return list(_lines(list(event.journal.entries), faults[0] if faults else None, attempt_id))


def _lines(entries: list[Entry], fault: Fault | None, attempt_id: str) -> Iterator[HistoryLine]:
    closed = {
        entry.id for entry in entries if entry.kind == "blind" and entry.body.get("closed") is True
    }
    before: Body | None = None
    for entry in entries:
        if entry.kind == "attempt" and entry.id == attempt_id:
            body: Body = entry.body
            changes, sentences = _of_revision(entry, before)
            before = body
        else:
            changes, sentences = (), tuple(_beside(entry, attempt_id, closed))
        if sentences:
            yield _line(entry, sentences, changes, fault)


def _of_revision(entry: Entry, before: Body | None) -> tuple[tuple[Change, ...], tuple[str, ...]]:
    """What a revision changed and says; of one that is not as it must be, that."""
    try:
        if before is None:
            return (), _saved(entry.body)
        changes = changes_between(before, entry.body)
        return changes, _revised(entry, changes)
    except (TypeError, ValueError, KeyError, AttributeError):
        return (), (f"Revision {entry.revision} is not in a form that this version can read.",)


def _line(
    entry: Entry, sentences: tuple[str, ...], changes: tuple[Change, ...], fault: Fault | None
) -> HistoryLine:
    whole = entry.whole()
    if not entry.trusted and fault is not None:
        sentences += (
            f"This cannot be trusted: the journal is broken at line {fault.line}, and this is "
            f"line {entry.line}.",
        )
    return HistoryLine(
        line=entry.line,
        seq=entry.seq,
        at=str(whole.at),
        by=_who(whole),
        kind=entry.kind,
        id=entry.id,
        revision=entry.revision,
        sentences=sentences,
        trusted=entry.trusted,
        changes=changes,
        sha256=entry.sha256,
    )


def _who(line: JournalLine) -> str:
    marked_by = line.body.get("marked_by")
    other = isinstance(marked_by, str) and marked_by not in ("", line.by)
    return f"{line.by} (marked by {marked_by})" if other else line.by


def _saved(body: Body) -> tuple[str, ...]:
    """The first revision: whose attempt, and what was said and measured."""
    said = {name: item.words for name, item in said_of(body).items()}
    whose = [said.get("entry", "an entry without a name"), said.get("test", "")]
    whose += [f"{name} {said[name]}" for name in ("try", "step") if name in said]
    told = [f"Saved first: {', '.join(part for part in whose if part)}."]
    facts = [
        f"{name} {said[name]}" if name != "verdict" else said[name]
        for name in _FIRST_SAID
        if name in said
    ]
    if facts:
        called = f", called by {said[_CALLED_BY]}" if _CALLED_BY in said else ""
        words = ", ".join(facts)
        told.append(f"{words[:1].upper()}{words[1:]}{called}.")
    return tuple(told)


def _revised(entry: Entry, changes: tuple[Change, ...]) -> tuple[str, ...]:
    if not changes:
        return (f"Revision {entry.revision} changed nothing of what is said.",)
    claim = _table(entry.body.get("claim"))
    told = [
        f"claim shown beside it: {claim_words(claim)}"
        if item.field == "claim" and claim
        else change_words(item)
        for item in changes
    ]
    return (f"Revision {entry.revision}: {'; '.join(told)}.",)


def change_words(change: Change) -> str:
    """One change as a clause: ``verdict from failed to cleared``."""
    name, before, after = change.field, change.before, change.after
    if before == NOT_GIVEN:
        return f"{name} added" + (f" ({after})" if len(after) <= _LONGEST else "")
    if after == NOT_GIVEN:
        return f"{name} taken away" + (f" (was {before})" if len(before) <= _LONGEST else "")
    if len(before) + len(after) > _LONGEST:
        return f"{name} changed"
    if name.endswith(" reading") or after.startswith(("measured again", "the same here")):
        return f"{name} {after}"
    return f"{name} from {before} to {after}"


def _beside(entry: Entry, attempt_id: str, closed: set[str]) -> Iterator[str]:
    """What another record says of the attempt; nothing where it is not about it."""
    if entry.kind not in ("protest", "ruling", "blind"):
        return
    body = entry.body
    try:
        if entry.kind == "blind" and body.get("what") == "plan":
            yield from _planned(entry, attempt_id)
        elif _table(body.get("attempt")).get("id") == attempt_id:
            words = {"protest": _protested, "ruling": _ruled, "blind": _marked_again}[entry.kind]
            yield words(entry, closed)
    except (RecordError, TypeError, ValueError, KeyError, AttributeError):
        yield f"A {entry.kind} record that this version cannot read stands here."


def _protested(entry: Entry, closed: set[str]) -> str:
    body = entry.body
    claim = _table(body.get("claim"))
    who = f" by {claim['by']}" if claim.get("by") else ""
    again = "" if entry.revision == 1 else f" (revision {entry.revision} of it)"
    note = f" Note: {_ended(str(body['note']))}" if body.get("note") else ""
    return (
        f"Protest {entry.id}{again}{who} against revision "
        f"{_table(body.get('attempt')).get('revision')}: {claim_words(claim)}.{note}"
    )


def _ruled(entry: Entry, closed: set[str]) -> str:
    body = entry.body
    ruling, claim = _table(body.get("ruling")), _table(body.get("claim"))
    outcome = {
        "stands": "the claim stands",
        "falls": "the claim falls",
        "cannot decide": "the footage cannot decide",
    }.get(str(ruling.get("outcome")), str(ruling.get("outcome")))
    who = f" by {ruling['by']}" if ruling.get("by") else ""
    note = f" Note: {_ended(str(ruling['note']))}" if ruling.get("note") else ""
    return (
        f"Ruling {entry.id}{who} on protest {_table(body.get('protest')).get('id')}, "
        f"{claim_words(claim)}: {outcome}{probability_words(ruling.get('probability'))}. The "
        f"judge's call stays as it is.{note}"
    )


def _marked_again(entry: Entry, closed: set[str]) -> str:
    body = entry.body
    marker, plan = body.get("marker"), str(_table(body.get("plan")).get("id"))
    shown = body.get("showing")
    again = f", shown for the {shown}. time" if isinstance(shown, int) and shown > 1 else ""
    if body.get("left_out"):
        return (
            f"Could not be marked again blind by {marker} ({entry.id}{again}): {body['left_out']}."
        )
    if plan not in closed:
        return (
            f"Marked again blind by {marker} ({entry.id}{again}). What it gave is told when the "
            f"marking {plan} is closed."
        )
    said = {name: item.words for name, item in said_of(body).items()}
    facts = [f"{name} {said[name]}" for name in _FIRST_SAID if name in said]
    found = f": {', '.join(facts)}" if facts else ""
    return f"Marked again blind by {marker} ({entry.id}{again}){found}."


def _planned(entry: Entry, attempt_id: str) -> Iterator[str]:
    body = entry.body
    items = body.get("items")
    mine = [
        item
        for item in (items if isinstance(items, list) else [])
        if _table(_table(item).get("attempt")).get("id") == attempt_id
    ]
    if not mine:
        return
    if body.get("closed") is True:
        yield f"The blind marking {entry.id} by {body.get('marker')} was closed."
    elif entry.revision == 1:
        yield f"Chosen to be marked again blind by {body.get('marker')} (plan {entry.id})."


def _ended(text: str) -> str:
    text = " ".join(text.split())
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _table(value: object) -> dict[str, JsonValue]:
    return value if isinstance(value, dict) else {}


__all__ = ["HistoryLine", "change_words", "history_of"]
