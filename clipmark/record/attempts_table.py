"""Keeping ``attempts.csv`` in step with the journal.

The table is rewritten right after a save while that is quick, else soon after, from a timer, and
always on close and on export. A save is never refused because of the table, and does not wait for
it: a large table is written beside the old one without holding the journal.
"""

import contextlib
import hashlib
import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from clipmark.errors import ClipmarkError
from clipmark.record import checkpoint, disk
from clipmark.record.attempts_file import CSV_NAME, SCHEMA_NAME, read_keys, schema_text
from clipmark.record.attempts_rows import AttemptsRows
from clipmark.record.checkpoint import TableNote
from clipmark.record.instants import utc_text
from clipmark.record.journal import Journal

LOST_NAME = "attempts.lost-{}.csv"  # a table that names lines the journal does not have
_QUICK_S = 0.05  # a rewrite that takes longer waits for the timer
_OPENING_S = 1.0  # the same, on opening
_ROW_S = 0.0003  # to make one row, about
_DELAY_S = 0.2  # gathers saves in quick succession
_LATEST_S = 1.8  # the table must follow within 2 s
_LEFT_BEHIND_S = 600.0  # a part that was not written to for so long is of a killed program
_LEAST_NOTED_BYTES = 1 << 18  # a smaller table is made again as quickly


@dataclass(frozen=True)
class _Part:
    """A table that is written but not yet in its place."""

    path: Path
    taken: int  # journal lines it was made from
    note: TableNote | None


class AttemptsTable:
    """The attempts file of one event folder.

    Who holds the journal may wait for `_making`; who holds `_making` never waits for the journal.
    """

    def __init__(self, folder: Path, journal: Journal, event_name: Callable[[], str]) -> None:
        self.path = folder / CSV_NAME
        self._schema_path = folder / SCHEMA_NAME
        self._journal = journal
        self._rows = AttemptsRows(self.path, journal, event_name)
        self._making = threading.Lock()
        self._last_cost_s = 0.0
        self._behind = False
        self._timer: threading.Timer | None = None
        self._fault = ""
        self._tells_of_lost_lines = False

    @property
    def findings(self) -> tuple[str, ...]:
        """Why the table is behind the journal, if it is."""
        return (self._fault,) if self._fault else ()

    def rebuild(self) -> None:
        """Write table and schema now, under the journal's lock; raises when that fails."""
        self._journal.refresh()
        with self._making:  # most of the work, while others may save
            self._rows.catch_up()
        with self._journal.locked():
            self._journal.refresh()
            with self._making:
                self._put_in_place(self._write())
            self._behind = False

    def follow(self, quick_s: float = _QUICK_S) -> None:
        """Called after each save, under the lock: rewrite now when that is quick, else soon."""
        self._behind = True
        if max(self._last_cost_s, self._rows.to_make() * _ROW_S) <= quick_s:
            self._try()
        else:
            self._set_timer()

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
        that table is left alone and reported; what replaces it later keeps it under another name.
        """
        if self._journal.faults:
            return []
        taken = self._rows.noted()
        if taken is None:
            lost = self._lost()
            if lost is None:
                return []
            if lost:
                attempt, seq, _ = lost[0]
                self._tells_of_lost_lines = True
                return [
                    f"{self.path.name} shows attempt {attempt} from journal line {seq}, which is "
                    "not in the journal: lines were lost or another journal was put here; compare "
                    "with a backup before saving anything"
                ]
        elif not self._rows.any_after(taken):
            return []
        self.follow(_OPENING_S)
        return []

    def _lost(self) -> list[tuple[str, str, str]] | None:
        """Rows whose line is not in the journal; None where the table is what it should be."""
        shown: set[tuple[str, str, str]] = set()
        with contextlib.suppress(OSError, ValueError):
            shown = read_keys(self.path.read_bytes().decode("utf-8"))
        chain = self._journal.chain
        held = {
            (entry.id, str(entry.seq), entry.sha256)
            for (kind, _), entry in chain.newest.items()
            if kind == "attempt"
        }
        if shown == held:
            return None
        known = {entry.sha256 for entry in chain.entries}
        return sorted(row for row in shown if row[2] not in known)

    def _write(self) -> _Part:
        """Write everything beside the old table."""
        began = time.perf_counter()
        self._rows.catch_up()
        digest, size = hashlib.sha256(), 0

        def hashed(piece: bytes) -> bytes:
            nonlocal size
            digest.update(piece)
            size += len(piece)
            return piece

        try:
            part = disk.write_beside(self.path, map(hashed, self._rows.pieces()))
        except OSError as error:
            raise disk.explain(error, "write the attempts file", self.path) from error
        self._last_cost_s = time.perf_counter() - began
        note = self._rows.note(digest.hexdigest()) if size >= _LEAST_NOTED_BYTES else None
        return _Part(part, self._rows.taken, note)

    def _put_in_place(self, part: _Part) -> None:
        """Give a written table its name; under the journal's lock."""
        schema = schema_text().encode("utf-8")
        try:
            if not self._schema_path.is_file() or self._schema_path.read_bytes() != schema:
                disk.replace_file(self._schema_path, schema)
            if self._tells_of_lost_lines:
                self._keep_aside()
            disk.drop_left_behind(part.path, self.path, _LEFT_BEHIND_S)
            disk.put_in_place(part.path, self.path)
        except OSError as error:
            self._drop(part)
            raise disk.explain(error, "write the attempts file", self.path) from error
        self._fault = ""
        if part.note is not None:
            checkpoint.keep(self.path, part.note)

    def _keep_aside(self) -> None:
        """Keep a table that names lines the journal does not have."""
        stamp = re.sub("[-:.]", "", utc_text(self._journal.clock()))
        with contextlib.suppress(FileNotFoundError, FileExistsError):
            disk.create_file(self.path.with_name(LOST_NAME.format(stamp)), self.path.read_bytes())
        self._tells_of_lost_lines = False

    @staticmethod
    def _drop(part: _Part) -> None:
        with contextlib.suppress(OSError):
            part.path.unlink()

    def _set_timer(self) -> None:
        if self._timer is not None:
            return
        cost = self._last_cost_s  # no more than half of the time goes into writing tables
        delay = max(_DELAY_S, min(cost, _LATEST_S - 2 * cost))
        self._timer = threading.Timer(delay, self._on_timer)
        self._timer.daemon = True
        self._timer.start()

    def _on_timer(self) -> None:
        try:
            self._journal.refresh()
            there = disk.state_of(self.path)
            with self._making:
                part = self._write()
            try:
                with self._journal.locked():
                    self._timer = None  # a save from here on sets its own
                    self._publish(part, there)
            except BaseException:
                self._drop(part)
                raise
        except ClipmarkError as error:
            self._timer = None
            self._fault = f"{self.path.name} is behind the journal: {error}"

    def _publish(self, part: _Part, there: tuple[int, ...] | None) -> None:
        """Put in place what was written without the lock; anew if somebody else was quicker."""
        if disk.state_of(self.path) != there:
            self._drop(part)
            if self._behind:
                self.rebuild()
            return
        self._put_in_place(part)
        self._journal.refresh()
        self._behind = self._rows.any_after(part.taken)
        if self._behind:
            self._set_timer()

    def _try(self) -> None:
        try:
            self.rebuild()
        except ClipmarkError as error:
            self._fault = f"{self.path.name} is behind the journal: {error}"
