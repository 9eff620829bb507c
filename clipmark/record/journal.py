"""The journal file: append-only, hash-chained, the source of truth.

Reading needs no lock and no rights to write; it verifies every line. Appending holds a lock on
the file ``journal.lock`` beside it, so two processes take turns, and answers only when file and
folder are flushed. A journal with a fault in it is read, but nothing is added to it.
"""

import contextlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from filelock import FileLock, Timeout

from clipmark.errors import FolderError, RecordError, RevisionError
from clipmark.record import disk
from clipmark.record.canonical import JsonObject, sealed_line
from clipmark.record.chain import Chain, Entry, Fault, is_id, split_lines, take_rest
from clipmark.record.instants import utc_now, utc_text
from clipmark.record.models import KINDS
from clipmark.record.texts import checked_name

LOCK_TIMEOUT_S = 10.0


@dataclass(frozen=True)
class Draft:
    """A revision to be saved: everything but its place in the journal."""

    kind: str
    id: str
    body: JsonObject
    base_revision: int  # the revision this one replaces; 0 for a new record


class Journal:
    """One journal file and what has been read from it so far.

    Parameters
    ----------
    path : Path
        ``journal.jsonl``; it need not exist yet.
    lock_timeout_s : float
        How long to wait for another process that is saving, seconds.
    clock : callable
        Gives the present instant; replaced in tests.
    """

    def __init__(
        self,
        path: Path,
        *,
        lock_timeout_s: float = LOCK_TIMEOUT_S,
        clock: Callable[[], datetime] = utc_now,
    ) -> None:
        self.path = path
        self.clock = clock
        self.torn = b""
        self.chain = Chain()
        self._lock_timeout_s = lock_timeout_s
        self._file_lock = FileLock(path.with_name("journal.lock"))
        self._guard = threading.RLock()
        self._forget()

    def _forget(self) -> None:
        self.chain = Chain()
        self.torn = b""
        self._offset = 0  # bytes judged so far
        self._needs_line_end = False
        self._seen: tuple[int, int, int, int] | None = None  # device, inode, size, mtime

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

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the journal against other threads and processes; may be nested.

        Raises
        ------
        FolderError
            When another process holds it longer than the timeout, or the folder has no rights.
        """
        with self._guard:
            try:
                self._file_lock.acquire(timeout=self._lock_timeout_s)
            except Timeout:
                raise FolderError(
                    f"{self.path}: another program has been saving for more than "
                    f"{self._lock_timeout_s:g} s, so nothing was saved; close it, or wait and "
                    "save again"
                ) from None
            except OSError as error:
                raise disk.explain(error, "lock the journal", self.path.parent) from error
            try:
                yield
            finally:
                self._file_lock.release()

    def refresh(self) -> None:
        """Read and judge what was added since the last reading; all of it when it was replaced.

        Raises
        ------
        FolderError
            When the file cannot be read.
        """
        with self._guard:
            try:
                self._read_on()
            except FileNotFoundError:
                self._forget()
            except OSError as error:
                raise disk.explain(error, "read the journal", self.path) from error

    def _read_on(self) -> None:
        with self.path.open("rb") as source:
            state = os.fstat(source.fileno())
            seen = (state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns)
            if seen == self._seen:
                return
            if not self._continues(seen, source.read, source.seek):
                self._forget()
            start = source.seek(self._offset)
            data = source.read()
        self._take(data)
        self._seen = seen if start + len(data) == seen[2] else None  # None: it grew meanwhile

    def _continues(
        self,
        seen: tuple[int, int, int, int],
        read: Callable[[int], bytes],
        seek: Callable[[int], int],
    ) -> bool:
        """Whether the file still begins with what was judged, so far as its last line tells."""
        if self._seen is not None and seen[:2] != self._seen[:2]:
            return False
        if seen[2] <= self._offset and self._seen is not None and seen != self._seen:
            return False
        if not self.chain.entries or self._offset == 0:
            return self._offset == 0
        last = self.chain.entries[-1].raw
        length = len(last) + (0 if self._needs_line_end else 1)
        seek(self._offset - length)
        return read(length)[: len(last)] == last

    def _take(self, data: bytes) -> None:
        if self._needs_line_end and data.startswith(b"\n"):
            data = data[1:]
            self._offset += 1
            self._needs_line_end = False
        lines, rest = split_lines(data)
        for raw in lines:
            self.chain.take(raw)
            self._offset += len(raw) + 1
        self.torn = take_rest(self.chain, rest) if rest else b""
        if rest and not self.torn:
            self._offset += len(rest)
            self._needs_line_end = self.chain.entries[-1].raw == rest

    def set_torn_aside(self) -> Path | None:
        """Move a torn last line (power cut) into a file of its own; None when there is none.

        The file ``journal.torn-<utc>.txt`` is flushed before the journal is cut back.
        """
        with self.locked():
            self.refresh()
            if not self.torn:
                return None
            stamp = utc_text(self.clock()).replace(":", "").replace("-", "").replace(".", "")
            try:
                aside = self._keep_torn(stamp)
                with self.path.open("r+b") as journal:
                    journal.truncate(self._offset)
                    os.fsync(journal.fileno())
                disk.sync_folder(self.path.parent)
            except OSError as error:
                raise disk.explain(error, "set a torn line aside", self.path) from error
            self._seen = None
            self.torn = b""
            return aside

    def _keep_torn(self, stamp: str) -> Path:
        for attempt in range(1000):
            suffix = f"-{attempt}" if attempt else ""
            aside = self.path.with_name(f"journal.torn-{stamp}{suffix}.txt")
            try:
                disk.create_file(aside, self.torn)
            except FileExistsError:
                continue
            return aside
        raise FileExistsError

    def append(self, drafts: Sequence[Draft], *, by: str) -> list[Entry]:
        """Add revisions, all or none; they are on the disk when this returns.

        Raises
        ------
        RevisionError
            When a record's newest revision is not the draft's ``base_revision``.
        RecordError
            When the journal has a fault, or a draft cannot be a line.
        FolderError
            When it cannot be written; the journal is then as it was before.
        """
        with self.locked():
            self.refresh()
            self._refuse_faults()
            self.set_torn_aside()
            data = self._lines_of(drafts, by)
            self._write(b"\n" + data if self._needs_line_end else data)
            self.refresh()
            return list(self.chain.entries[-len(drafts) :])

    def _refuse_faults(self) -> None:
        if self.chain.faults:
            raise RecordError(
                f"{self.path.name} {self.chain.faults[0]}; nothing is added to a journal with a "
                "fault, so that the fault stays visible: keep a copy with `clipmark attempts "
                f"{self.path.parent} --backup FILE.zip`, then put back the journal of an earlier "
                "backup"
            )

    def _lines_of(self, drafts: Sequence[Draft], by: str) -> bytes:
        by = checked_name(by, "the name of who saves")
        at = utc_text(self.clock())
        previous, seq = self.chain.last_sha256, self.chain.next_seq
        pending: dict[tuple[str, str], int] = {}
        lines = []
        for draft in drafts:
            self._check(draft, pending)
            raw = sealed_line(
                {
                    "seq": seq,
                    "at": at,
                    "by": by,
                    "kind": draft.kind,
                    "id": draft.id,
                    "revision": draft.base_revision + 1,
                    "body": draft.body,
                    "previous": previous,
                }
            )
            pending[draft.kind, draft.id] = draft.base_revision + 1
            previous, seq = raw[-66:-2].decode("ascii"), seq + 1
            lines.append(raw + b"\n")
        return b"".join(lines)

    def _check(self, draft: Draft, pending: dict[tuple[str, str], int]) -> None:
        if draft.kind not in KINDS or not is_id(draft.id):
            raise RecordError(
                f"{draft.kind} '{draft.id}' cannot be saved: the kind must be one of "
                f"{', '.join(KINDS)}, the id letters, digits, dot, dash and underscore, at most 64"
            )
        held = self.newest(draft.kind, draft.id)
        newest = pending.get((draft.kind, draft.id), held.revision if held else 0)
        if newest != draft.base_revision:
            saved = f"by {held.whole().by}" if held else "just now"
            raise RevisionError(
                f"{draft.kind} {draft.id}: revision {newest} was saved {saved}, but this change "
                f"was made from revision {draft.base_revision}; open the newest revision, make "
                "the change there and save again"
                if newest
                else f"{draft.kind} {draft.id}: there is no revision {draft.base_revision} to "
                "replace; save it as a new record"
            )

    def _write(self, data: bytes) -> None:
        """Add bytes and flush file and folder; on any failure cut back to where they began."""
        descriptor = -1
        try:
            descriptor = disk.open_to_append(self.path)
            start = os.fstat(descriptor).st_size
            try:
                disk.write_all(descriptor, data)
                os.fsync(descriptor)
                disk.sync_folder(self.path.parent)
            except BaseException:
                with contextlib.suppress(OSError):
                    os.ftruncate(descriptor, start)
                    os.fsync(descriptor)
                raise
        except OSError as error:
            raise disk.explain(error, "save to the journal", self.path) from error
        finally:
            if descriptor >= 0:
                os.close(descriptor)
