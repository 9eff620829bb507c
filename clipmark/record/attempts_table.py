"""Keeping ``attempts.csv`` in step with the journal.

The table is rewritten right after a save while that is quick, else soon after, from a timer, and
always on close and on export. A save is never refused because of the table.
"""

import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path

from clipmark.errors import ClipmarkError, RecordError
from clipmark.record import disk
from clipmark.record.attempts_file import (
    CSV_NAME,
    SCHEMA_NAME,
    file_text,
    read_rows,
    row_of,
    schema_text,
)
from clipmark.record.journal import Journal

_QUICK_S = 0.05  # a rewrite that took longer waits for the timer
_ROW_S = 0.0003  # to make one row, about
_DELAY_S = 0.2  # gathers saves in quick succession; the table must follow within 2 s


class AttemptsTable:
    """The attempts file of one event folder, rows remembered by the line they were made from."""

    def __init__(self, folder: Path, journal: Journal, event_name: Callable[[], str]) -> None:
        self.path = folder / CSV_NAME
        self._schema_path = folder / SCHEMA_NAME
        self._journal = journal
        self._event_name = event_name
        self._rows: dict[str, tuple[str, str]] = {}  # attempt -> hash of its line, row
        self._rows_event = ""
        self._last_cost_s = 0.0
        self._behind = False
        self._timer: threading.Timer | None = None
        self._fault = ""

    @property
    def findings(self) -> tuple[str, ...]:
        """Why the table is behind the journal, if it is."""
        return (self._fault,) if self._fault else ()

    def rows(self) -> list[str]:
        """The CSV record of the newest revision of every attempt, in order of first saving.

        Raises
        ------
        RecordError
            When the journal has a fault, or a body is not an attempt.
        """
        journal = self._journal
        if journal.faults:
            raise RecordError(
                f"{self.path}: not rewritten, because {journal.path.name} {journal.faults[0]}; "
                "the table stays as it was made before, put back the journal of an earlier backup"
            )
        event = self._event_name()
        if event != self._rows_event:
            self._rows, self._rows_event = {}, event
        found = []
        for (kind, record_id), entry in list(journal.chain.newest.items()):
            if kind != "attempt":
                continue
            made_from, row = self._rows.get(record_id, ("", ""))
            if made_from != entry.sha256:
                row = row_of(entry, event)
                self._rows[record_id] = (entry.sha256, row)
            found.append(row)
        return found

    def rebuild(self) -> None:
        """Write table and schema now, under the journal's lock; raises when that fails."""
        with self._journal.locked():
            self._journal.refresh()
            began = time.perf_counter()
            text, schema = file_text(self.rows()).encode("utf-8"), schema_text().encode("utf-8")
            try:
                if not self._schema_path.is_file() or self._schema_path.read_bytes() != schema:
                    disk.replace_file(self._schema_path, schema)
                disk.replace_file(self.path, text)
            except OSError as error:
                raise disk.explain(error, "write the attempts file", self.path) from error
            self._last_cost_s = time.perf_counter() - began
            self._behind, self._fault = False, ""

    def follow(self) -> None:
        """Called after each save, under the lock: rewrite now when that is quick, else soon."""
        self._behind = True
        rows_to_make = len(self._journal.chain.newest) - len(self._rows)
        if max(self._last_cost_s, rows_to_make * _ROW_S) <= _QUICK_S:
            self._try()
        elif self._timer is None:
            self._timer = threading.Timer(_DELAY_S, self._on_timer)
            self._timer.daemon = True
            self._timer.start()

    def flush(self) -> None:
        """Rewrite if the table is behind; raises when that fails."""
        timer, self._timer = self._timer, None
        if timer is not None:
            timer.cancel()
        if self._behind:
            self.rebuild()

    def renew_if_stale(self) -> list[str]:
        """Rewrite a table that does not show the journal's newest lines; return what was found.

        A row that names a line the journal does not have is evidence that lines were lost, so
        that table is left alone and reported.
        """
        shown = self._shown()
        held = {
            (entry.id, str(entry.seq), entry.sha256)
            for (kind, _), entry in self._journal.chain.newest.items()
            if kind == "attempt"
        }
        if shown == held or self._journal.faults:
            return []
        known = {entry.sha256 for entry in self._journal.entries}
        lost = sorted(row for row in shown if row[2] not in known)
        if lost:
            attempt, seq, _ = lost[0]
            return [
                f"{self.path.name} shows attempt {attempt} from journal line {seq}, which is not "
                "in the journal: lines were lost or another journal was put here; compare with a "
                "backup before saving anything"
            ]
        self._behind = True
        self._try()
        return []

    def _shown(self) -> set[tuple[str, str, str]]:
        """Attempt, journal line and hash of each row; empty when there is no table to read."""
        with contextlib.suppress(OSError, ValueError):
            rows = read_rows(self.path.read_bytes().decode("utf-8"))
            return {(r["attempt"], r["journal_seq"], r["journal_sha256"]) for r in rows}
        return set()

    def _on_timer(self) -> None:
        try:
            self.rows()  # made before the lock is taken, so that nobody's save waits for it
            with self._journal.locked():
                self._timer = None  # a save from here on sets its own
                self._try()
        except ClipmarkError as error:
            self._timer = None
            self._fault = f"{self.path.name} is behind the journal: {error}"

    def _try(self) -> None:
        try:
            self.rebuild()
        except ClipmarkError as error:
            self._fault = f"{self.path.name} is behind the journal: {error}"
