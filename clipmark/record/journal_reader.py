"""Reading a journal: every line judged, from the disk in stretches, what was added since.

Reading needs no lock and no rights to write. A journal that was judged before is read through its
checkpoint, see `clipmark.record.checkpoint`.
"""

import os
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from clipmark.errors import FolderError
from clipmark.record import checkpoint, disk
from clipmark.record.chain import (
    CHUNK_BYTES,
    Chain,
    Entry,
    Fault,
    take_lines,
    take_rest,
)

_Seen = tuple[int, int, int, int]  # device, inode, size, mtime


class JournalReader:
    """One journal file and what has been read from it so far.

    Parameters
    ----------
    path : Path
        ``journal.jsonl``; it need not exist yet.

    Attributes
    ----------
    chain : Chain
        What its lines say.
    torn : bytes
        What stands after the last whole line.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.torn = b""
        self._guard = threading.RLock()
        self._forget()

    def _forget(self) -> None:
        self.chain = Chain(self._read_line)
        self.torn = b""
        self._offset = 0  # bytes judged so far
        self._noted = 0  # of them, told of by the checkpoint
        self._needs_line_end = False
        self._seen: _Seen | None = None

    def _read_line(self, offset: int, length: int) -> bytes:
        return disk.read_stretch(self.path, offset, length)

    @property
    def entries(self) -> Sequence[Entry]:
        """Every readable line, oldest first."""
        return self.chain.entries

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong with the journal; empty when it is sound."""
        return tuple(self.chain.faults)

    def newest(self, kind: str, record_id: str) -> Entry | None:
        """The newest revision of one record, or None."""
        return self.chain.newest.get((kind, record_id))

    def refresh(self) -> None:
        """Read and judge what was added since the last reading; all of it when it was replaced.

        Raises
        ------
        FolderError
            When the file cannot be read, or was there before and is gone.
        """
        with self._guard:
            try:
                self._read_on()
            except FileNotFoundError:
                if self.chain.lines:
                    raise FolderError(
                        f"{self.path}: the journal is no longer there: it, or its folder, was "
                        "moved, renamed or deleted while it was open; put it back, or open the "
                        "folder where it lies now"
                    ) from None
                self._forget()
            except OSError as error:
                raise disk.explain(error, "read the journal", self.path) from error

    def _read_on(self) -> None:
        with self.path.open("rb") as source:
            state = os.fstat(source.fileno())
            seen = (state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns)
            if seen == self._seen:
                return
            if not self._continues(seen, source):
                self._forget()
            if self._offset == 0:
                self._take_judged(source)
            self._take(source)
            end = source.tell()
        self._seen = seen if end == seen[2] else None  # None: it grew meanwhile
        self._note_judged()

    def _continues(self, seen: _Seen, source: BinaryIO) -> bool:
        """Whether the file still begins with what was judged, so far as its last line tells."""
        if self._seen is not None and seen[:2] != self._seen[:2]:
            return False
        if seen[2] <= self._offset and self._seen is not None and seen != self._seen:
            return False
        if not self.chain.entries or self._offset == 0:
            return self._offset == 0
        return self._last_line(source) == self.chain.last_raw

    def _last_line(self, source: BinaryIO) -> bytes:
        """What now stands where the last line that could be read stood."""
        length = len(self.chain.last_raw)
        source.seek(self._offset - length - (0 if self._needs_line_end else 1))
        return source.read(length)

    def _take_judged(self, source: BinaryIO) -> None:
        """Take what the checkpoint tells of, if it is still that."""
        noted = checkpoint.read_judged(self.path)
        if noted is None:
            return
        source.seek(0)
        chain, offset, rest = Chain(self._read_line), 0, b""
        while (wanted := min(CHUNK_BYTES, noted.size - source.tell())) > 0:
            chunk = source.read(wanted)
            *lines, rest = (rest + chunk).split(b"\n")
            for raw in lines:
                if not chain.take_judged(raw, offset):
                    return
                offset += len(raw) + 1
            if len(chunk) < wanted:
                return
        if (offset, chain.lines, chain.last_sha256) == (noted.size, noted.lines, noted.sha256):
            self.chain, self._offset, self._noted = chain, offset, offset

    def _note_judged(self) -> None:
        """Keep the checkpoint, where much was judged since; see `clipmark.record.checkpoint`."""
        chain = self.chain
        if self._offset - self._noted < checkpoint.LEAST_BYTES or chain.faults:
            return
        if self.torn or self._needs_line_end:
            return
        checkpoint.keep(self.path, checkpoint.Judged(self._offset, chain.lines, chain.last_sha256))
        self._noted = self._offset

    def _take(self, source: BinaryIO) -> None:
        """Judge everything from here to the end of the file."""
        source.seek(self._offset)
        if self._needs_line_end and source.read(1) == b"\n":
            self._offset += 1
            self._needs_line_end = False
        source.seek(self._offset)
        self._offset, rest = take_lines(self.chain, source.read, self._offset)
        self.torn = take_rest(self.chain, rest, self._offset) if rest else b""
        if rest and not self.torn:
            self._offset += len(rest)
            self._needs_line_end = self.chain.last_raw == rest
