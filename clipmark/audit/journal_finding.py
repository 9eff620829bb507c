"""One thing that a check of a journal found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

What = Literal[
    "chain",
    "body",
    "reference",
    "clock",
    "torn",
    "other journal",
    "attempts file",
    "rule sheet",
    "lens file",
    "clip",
    "head",
]


@dataclass(frozen=True)
class JournalFinding:
    """What was found, and where.

    Attributes
    ----------
    what : str
        One of `What`.
    text : str
        Why, in words; of a line it goes on from "line N: ".
    line : int or None
        Line of the journal, from 1.
    is_fault : bool
        False for what is worth knowing and no sign of a change.
    """

    what: What
    text: str
    line: int | None = None
    is_fault: bool = True

    def __str__(self) -> str:
        return self.text if self.line is None else f"Line {self.line}: {self.text}"

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "what": self.what,
            "line": self.line,
            "fault": self.is_fault,
            "sentence": str(self),
        }
