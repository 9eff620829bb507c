"""Two copies of one journal: how far they are the same, and what each says from there on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from clipmark.audit.journal_source import JournalSource
from clipmark.record.chain import Chain, Entry
from clipmark.record.changes import changes_between
from clipmark.record.history_words import change_words

Relation = Literal["the same", "goes on", "is behind", "parts", "nothing in common"]
_CHANGES_SHOWN = 3


@dataclass(frozen=True)
class FurtherLine:
    """A line that only one of the two copies has."""

    line: int
    at: str
    by: str
    what: str

    def __str__(self) -> str:
        return f"line {self.line}, saved by {self.by} at {self.at}: {self.what}"


@dataclass(frozen=True)
class Parting:
    """How two copies compare.

    Attributes
    ----------
    path, other : Path
    common : int
        Lines, from the first, that are the same byte for byte.
    relation : str
        Of `path` to `other`: the same; goes on where the other ends; is behind it; parts from it;
        or has nothing in common with it.
    further, others_further : tuple of FurtherLine
        What each has behind the common lines.
    """

    path: Path
    other: Path
    common: int
    relation: Relation
    further: tuple[FurtherLine, ...]
    others_further: tuple[FurtherLine, ...]

    @property
    def sentence(self) -> str:
        """The comparison in words."""
        lines = "1 line" if self.common == 1 else f"{self.common} lines"
        if self.relation == "the same":
            return f"Both copies are the same, {lines}."
        if self.relation == "goes on":
            more = len(self.further)
            what = "1 line more" if more == 1 else f"{more} lines more"
            return f"{self.path} goes on where {self.other} ends: {lines} in common, then {what}."
        if self.relation == "is behind":
            more = len(self.others_further)
            what = "1 line more" if more == 1 else f"{more} lines more"
            return f"{self.other} goes on where {self.path} ends: {lines} in common, then {what}."
        if self.relation == "parts":
            return (
                f"The two copies part after line {self.common}: from there on each says something "
                "of its own, so that one was changed, or both were saved to. Which one holds, "
                "their lines do not tell; a head hash made known at the time does (--head)."
            )
        return (
            f"{self.path} and {self.other} have not even the first line in common: they are of "
            "two events, or one was rewritten from the beginning."
        )

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "other": str(self.other),
            "relation": self.relation,
            "common_lines": self.common,
            "sentence": self.sentence,
            "further": [vars(item) for item in self.further],
            "others_further": [vars(item) for item in self.others_further],
        }


def part(source: JournalSource, chain: Chain, other: JournalSource, others: Chain) -> Parting:
    """Compare two journals line by line, byte for byte."""
    common = 0
    for mine, theirs in zip(chain.entries, others.entries, strict=False):
        if mine.raw != theirs.raw or mine.line != theirs.line:
            break
        common = mine.line
    further = [entry for entry in chain.entries if entry.line > common]
    theirs_further = [entry for entry in others.entries if entry.line > common]
    relation: Relation
    if not further and not theirs_further:
        relation = "the same"
    elif common == 0:
        relation = "nothing in common"
    elif not theirs_further:
        relation = "goes on"
    elif not further:
        relation = "is behind"
    else:
        relation = "parts"
    return Parting(
        source.path,
        other.path,
        common,
        relation,
        tuple(_told(chain.entries, further)),
        tuple(_told(others.entries, theirs_further)),
    )


def _told(entries: Sequence[Entry], further: Sequence[Entry]) -> list[FurtherLine]:
    newest: dict[tuple[str, str], Entry] = {}
    wanted = {entry.line for entry in further}
    told = []
    for entry in entries:
        if entry.line in wanted:
            whole = entry.whole()
            what = f"{entry.kind} {entry.id}, revision {entry.revision}"
            before = newest.get((entry.kind, entry.id))
            if entry.kind == "attempt" and before is not None:
                what = ": ".join(part for part in (what, _changed(before, entry)) if part)
            told.append(FurtherLine(entry.line, str(whole.at), whole.by, what))
        newest[entry.kind, entry.id] = entry
    return told


def _changed(before: Entry, entry: Entry) -> str:
    """What a revision changed, in a few words; nothing of one that is not as it must be."""
    try:
        changes = changes_between(before.body, entry.body)
        words = [change_words(item) for item in changes[:_CHANGES_SHOWN]]
    except (TypeError, ValueError, KeyError, AttributeError):
        return ""
    more = len(changes) - _CHANGES_SHOWN
    return "; ".join([*words, *([f"and {more} more"] if more > 0 else [])])
