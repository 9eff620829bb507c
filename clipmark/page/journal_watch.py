"""The journal checked anew from the disk when the page starts, in the background."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from clipmark import defects
from clipmark.audit.journal_check import check_journal
from clipmark.errors import ClipmarkError

EMPTY = "The journal is empty: nothing was signed in this event yet."


class JournalWatch:
    """What the last check of an event's journal found; safe for several threads.

    The check holds no lock of the event, so nobody's save waits for it.
    """

    def __init__(self, event_path: Path) -> None:
        self._path = event_path
        self._guard = threading.Lock()
        self._running = False
        self._last: dict[str, Any] | None = None
        self._error: str | None = None

    def start(self, *, clips: bool = False) -> None:
        """Check now, unless that is being done already; with `clips` their contents too."""
        with self._guard:
            if self._running:
                return
            self._running = True
        threading.Thread(target=self._check, args=(clips,), name="journal", daemon=True).start()

    def told(self) -> dict[str, Any]:
        """State, and what was found: for the page."""
        with self._guard:
            return {"running": self._running, "error": self._error, "check": self._last}

    def _check(self, clips: bool) -> None:
        found: dict[str, Any] | None = None
        error: str | None = None
        try:
            if self._holds_nothing():
                found = {"whole": True, "sentence": EMPTY, "lines": 0, "head": "", "findings": []}
            else:
                told = check_journal(self._path, clips=clips).to_dict()
                wanted = ("whole", "sentence", "lines", "head", "findings", "clips_checked")
                found = {name: told[name] for name in wanted}
        except ClipmarkError as refused:
            error = str(refused)
        except Exception as defect:
            error = defects.keep("clipmark mark", defect)
        with self._guard:
            self._running = False
            self._error = error
            if found is not None or error is not None:
                self._last = found

    def _holds_nothing(self) -> bool:
        journal = self._path / "journal.jsonl"
        return not journal.is_file() or journal.stat().st_size == 0
