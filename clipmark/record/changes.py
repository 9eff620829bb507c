"""What changed from one revision of an attempt to the next, in plain words. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from clipmark.record.body_words import Body, Said, readings_with, said_of
from clipmark.record.models import JournalLine

NOT_GIVEN = "not given"
NOT_SHOWN = "the same here, changed in what is not shown"
AGAIN = "measured again, the same in all digits shown"


@dataclass(frozen=True)
class Change:
    """One field that two revisions say differently, as people call it, with both in words."""

    field: str
    before: str
    after: str


def changes_between(before: Body, after: Body) -> tuple[Change, ...]:
    """Fields in which two bodies of an attempt differ, in the order of the run slip.

    Parameters
    ----------
    before, after : mapping
        Bodies as the journal holds them. Who marked and when is not compared: it is of the
        revision, not of what the revision says.

    Examples
    --------
    >>> before = {"verdict": "failed", "reason": "out-of-time", "try_no": 2}
    >>> for change in changes_between(before, {"verdict": "cleared", "try_no": 2}):
    ...     print(change.field, change.before, change.after, sep=" | ")
    verdict | failed | cleared
    reason | out of time | not given
    """
    old, new = said_of(before), said_of(after)
    names = _in_order(list(old), list(new))
    differing = [name for name in names if _value(old.get(name)) != _value(new.get(name))]
    told = {reading for name in differing for reading in readings_with(name)}
    return tuple(
        _change(name, old.get(name), new.get(name)) for name in differing if name not in told
    )


def changes_by_revision(
    lines: Sequence[JournalLine],
) -> Iterator[tuple[JournalLine, tuple[Change, ...]]]:
    """Each revision of one attempt, oldest first, with what it changed; nothing for the first."""
    yield from ((line, ()) for line in lines[:1])
    for before, line in itertools.pairwise(lines):
        yield line, changes_between(before.body, line.body)


def _in_order(old: list[str], new: list[str]) -> list[str]:
    """The names of both, those that are gone behind what they stood behind."""
    names = list(new)
    for at, name in enumerate(old):
        if name not in names:
            names.insert(names.index(old[at - 1]) + 1 if at else 0, name)
    return names


def _change(name: str, old: Said | None, new: Said | None) -> Change:
    before = NOT_GIVEN if old is None else old.words
    after = NOT_GIVEN if new is None else new.words
    if before == after:
        is_measured = name.endswith(" reading") or bool(readings_with(name))
        after = AGAIN if is_measured else NOT_SHOWN
    return Change(name, before, after)


def _value(said: Said | None) -> object:
    return None if said is None else said.value
