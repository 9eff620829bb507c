"""The rows of ``attempts.csv``: each made once, and taken from the file where it is our own.

Making a row means reading an attempt whole. The rows of a table that is byte for byte as this
version wrote it, from lines that are still in the journal, are therefore read back from it.
"""

import contextlib
import hashlib
import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

from clipmark.errors import RecordError
from clipmark.record import checkpoint
from clipmark.record.attempts_file import file_text, row_of
from clipmark.record.chain import Chain, Entry
from clipmark.record.checkpoint import TableNote
from clipmark.record.journal import Journal

_ROWS_A_PIECE = 1_000


class AttemptsRows:
    """The CSV record of the newest revision of every attempt, in order of first saving.

    Attributes
    ----------
    taken : int
        Number of journal lines that the rows were made from.
    """

    def __init__(self, path: Path, journal: Journal, event_name: Callable[[], str]) -> None:
        self.taken = 0
        self._path = path
        self._journal = journal
        self._event_name = event_name
        self._rows: dict[str, bytes] = {}
        self._chain: Chain | None = None
        self._event = ""

    def to_make(self) -> int:
        """How many lines of the journal were not looked at yet."""
        chain = self._journal.chain
        return len(chain.entries) - (self.taken if chain is self._chain else 0)

    def any_after(self, seq: int) -> bool:
        """Whether an attempt was saved after the first `seq` lines."""
        return any(e.kind == "attempt" for e in self._journal.entries[seq:])

    def catch_up(self) -> None:
        """Make the rows of what was saved since.

        Raises
        ------
        RecordError
            When the journal has a fault, or a body is not an attempt.
        """
        journal, chain = self._journal, self._journal.chain
        if journal.faults:
            raise RecordError(
                f"{self._path}: not rewritten, because {journal.path.name} {journal.faults[0]}; "
                "the table stays as it was made before, put back the journal of an earlier backup"
            )
        event = self._event_name()
        if chain is not self._chain or event != self._event:
            self._rows, self.taken, self._chain, self._event = {}, 0, chain, event
            self._take_from_file()
        entries = chain.entries[self.taken :]
        newest: dict[str, Entry] = {e.id: e for e in entries if e.kind == "attempt"}
        for record_id, entry in newest.items():
            self._rows[record_id] = row_of(entry, event).encode("utf-8")
        self.taken += len(entries)

    def pieces(self) -> Iterator[bytes]:
        """The whole attempts file, in pieces."""
        yield file_text(()).encode("utf-8")
        rows = iter(list(self._rows.values()))
        while piece := b"".join(itertools.islice(rows, _ROWS_A_PIECE)):
            yield piece

    def note(self, file_sha256: str) -> TableNote | None:
        """What the file of that hash, made from `pieces` now, is to be known by."""
        if self._chain is None or not self.taken:
            return None
        last = self._chain.entries[self.taken - 1]
        return TableNote(file_sha256, self._event, last.seq, last.sha256)

    def noted(self) -> int | None:
        """How many journal lines the file was made from, where it is our own; else None."""
        found = self._own_file()
        return found[0] if found else None

    def _own_file(self) -> tuple[int, bytes] | None:
        """The file and the number of lines it was made from, if it is as this version wrote it."""
        noted = checkpoint.read_table_note(self._path)
        entries = self._journal.entries
        if noted is None or not 0 < noted.seq <= len(entries):
            return None
        if entries[noted.seq - 1].sha256 != noted.sha256 or noted.event != self._event_name():
            return None
        with contextlib.suppress(OSError):
            data = self._path.read_bytes()
            if hashlib.sha256(data).hexdigest() == noted.file_sha256:
                return noted.seq, data
        return None

    def _take_from_file(self) -> None:
        found = self._own_file()
        if found is not None:
            self.taken = found[0]
            self._rows = {row[: row.index(b",")].decode("ascii"): row for row in _rows_of(found[1])}


def _rows_of(data: bytes) -> Iterator[bytes]:
    """The records of a whole attempts file, without its header; a quoted cell may hold CRLF."""
    _, *lines, _ = data.split(b"\r\n")
    begun = b""
    for line in lines:
        row = begun + line + b"\r\n"
        if row.count(b'"') % 2:
            begun = row
        else:
            begun = b""
            yield row
