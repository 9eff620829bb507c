"""The hand-written sheets of an event while its page is open: what they say, and what is wrong.

Somebody may edit ``event.toml`` or ``session.toml`` meanwhile. Looking costs two questions to the
disk; they are read again only when one of them changed.
"""

from __future__ import annotations

import hashlib
import os
import threading
from dataclasses import dataclass
from pathlib import Path

from clipmark.errors import FolderError, RecordError
from clipmark.record import sheets
from clipmark.record.layout import JOURNAL_NAME
from clipmark.record.rule_sheet import RuleSheet, read_rule_sheet

_State = tuple[int, int, int] | None
_BY_WHO_RUNS_IT = os.access in os.supports_effective_ids


@dataclass(frozen=True)
class Sheets:
    """What the two sheets say.

    Attributes
    ----------
    rules : RuleSheet
        As it is, or as it was when it could last be read.
    findings : tuple of str
        Why a sheet cannot be read; with file and line.
    mark : str
        Another text whenever one of the files changed.
    """

    rules: RuleSheet
    findings: tuple[str, ...]
    mark: str


class SheetWatch:
    """Looks at the sheets of one event folder; for many threads."""

    def __init__(self, event_path: Path) -> None:
        self._folder = event_path
        self._lock = threading.Lock()
        self._states: tuple[_State, ...] | None = None
        self._rules = RuleSheet(name=event_path.resolve().name)
        self._seen = Sheets(self._rules, (), "")

    def look(self) -> Sheets:
        """The sheets as they are now."""
        with self._lock:
            states = tuple(
                _state(self._folder / name) for name in (sheets.EVENT_NAME, sheets.SESSION_NAME)
            )
            if states != self._states:
                self._seen = self._read(states)
                self._states = states
            return self._seen

    def _read(self, states: tuple[_State, ...]) -> Sheets:
        findings = []
        try:
            self._rules = read_rule_sheet(self._folder, sheets.EVENT_NAME)
        except (RecordError, FolderError) as error:
            findings.append(str(error))
        try:
            text = sheets.read_text(self._folder / sheets.SESSION_NAME)
            if text is not None:
                sheets.session_of(text)
        except (RecordError, FolderError) as error:
            findings.append(str(error))
        mark = hashlib.sha256(repr(states).encode()).hexdigest()[:16]
        return Sheets(self._rules, tuple(findings), mark)


def _state(path: Path) -> _State:
    """What of a file changes when it is written or replaced; None where it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def not_writable(event_path: Path) -> str | None:
    """Why nothing can be saved in an event folder, in a sentence; None when it can be."""
    journal = event_path / JOURNAL_NAME
    places = [event_path, *([journal] if journal.exists() else [])]
    for place in places:
        if not os.access(place, os.W_OK, effective_ids=_BY_WHO_RUNS_IT):
            name = event_path.resolve().name
            what = "the folder" if place == event_path else f"its {JOURNAL_NAME}"
            return (
                f"{name}: {what} cannot be written to, so nothing can be signed or taken in; ask "
                "for rights on it, or copy the folder to a place that can be written"
            )
    return None
