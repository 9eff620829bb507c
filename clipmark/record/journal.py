"""The journal file: append-only, hash-chained, the source of truth.

Reading it, every line verified, is done in `journal_reader`. Appending holds a lock on the file
``journal.lock`` beside it, so two processes take turns, and answers only when file and folder are
flushed. A journal with a fault in it is read, but nothing is added to it. Nothing is added either
where the folder or the journal that was opened is no longer in its place.
"""

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from clipmark.errors import FolderError, RecordError, RevisionError
from clipmark.record import disk
from clipmark.record.canonical import JsonObject, sealed_line
from clipmark.record.chain import Entry, is_id
from clipmark.record.instants import utc_now, utc_text
from clipmark.record.journal_lock import JournalLock
from clipmark.record.journal_reader import JournalReader
from clipmark.record.models import KINDS
from clipmark.record.texts import checked_name

LOCK_TIMEOUT_S = 10.0
_TRIES = 5  # to add lines where somebody adds some without holding the lock
_Done = TypeVar("_Done")


class _MovedOnError(Exception):
    """The journal is not as it was judged: somebody wrote to it who does not hold the lock."""


@dataclass(frozen=True)
class Draft:
    """A revision to be saved: everything but its place in the journal."""

    kind: str
    id: str
    body: JsonObject
    base_revision: int  # the revision this one replaces; 0 for a new record


class Journal(JournalReader):
    """One journal file: read, held against others, added to.

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
        super().__init__(path)
        self.clock = clock
        self._lock = JournalLock(path, lock_timeout_s)
        self._home = disk.identity(path.parent)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the journal against other threads and processes; may be nested.

        Raises
        ------
        FolderError
            When another process holds it longer than the timeout, the folder has no rights, the
            disk knows no locks, or the folder was moved.
        """
        with self._guard:
            self._refuse_moved()
            with self._lock.held():
                yield

    def _refuse_moved(self) -> None:
        """A folder that was moved is not to be made anew, another in its place not added to."""
        folder = self.path.parent
        now = disk.identity(folder)
        if now is not None and now != self._home and self._home and not self._is_in_place():
            now = None
        if now is None:
            raise FolderError(
                f"{folder}: the event folder is no longer there: it was moved, renamed or replaced "
                "while it was open, so nothing was saved; open it where it lies now and save again"
            )
        self._home = now

    def _is_in_place(self) -> bool:
        """Whether the journal in the folder, which is another one by its number, is the same."""
        last = self.chain.last_raw
        with contextlib.suppress(OSError), self.path.open("rb") as source:
            return bool(last) and self._last_line(source) == last
        return False

    def set_torn_aside(self) -> Path | None:
        """Move a torn last line (power cut) into a file of its own; None when there is none.

        The file ``journal.torn-<utc>.txt`` is flushed before the journal is cut back.
        """
        with self.locked():
            return self._while_it_moves_on(self._set_torn_aside)

    def _set_torn_aside(self) -> Path | None:
        self.refresh()
        if not self.torn:
            return None
        stamp = utc_text(self.clock()).replace(":", "").replace("-", "").replace(".", "")
        try:
            with self._alone() as journal:
                aside = self._keep_torn(stamp)
                os.ftruncate(journal, self._offset)
                os.fsync(journal)
                disk.sync_folder(self.path.parent)
        except FolderError:
            raise
        except OSError as error:
            raise disk.explain(error, "set a torn line aside", self.path) from error
        self._seen = None
        self.torn = b""
        return aside

    def _while_it_moves_on(self, do: Callable[[], _Done]) -> _Done:
        """Do it again as long as somebody without the lock writes in between.

        The lock is lost when its file is deleted while it is held: another program then makes a
        new one. What is written is safe all the same, see `_alone`.
        """
        for _ in range(_TRIES):
            with contextlib.suppress(_MovedOnError):
                return do()
        raise self._lock.busy()

    @contextlib.contextmanager
    def _alone(self) -> Iterator[int]:
        """The journal, held for writing, and exactly as it was judged.

        Raises
        ------
        _MovedOnError
            When it is not; nothing was written.
        """
        judged = self._offset + len(self.torn)
        descriptor = disk.open_to_append(self.path, create=judged == 0)
        try:
            if not disk.hold(descriptor, self._lock.timeout_s):
                raise self._lock.busy()
            state = os.fstat(descriptor)
            if state.st_size != judged or not os.path.samestat(state, self.path.stat()):
                raise _MovedOnError
            yield descriptor
        finally:
            os.close(descriptor)  # which ends the hold

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
            return self._while_it_moves_on(lambda: self._append(drafts, by))

    def _append(self, drafts: Sequence[Draft], by: str) -> list[Entry]:
        self.refresh()
        self._refuse_faults()
        self._set_torn_aside()
        data = self._lines_of(drafts, by)
        self._write(b"\n" + data if self._needs_line_end else data)
        self.refresh()
        return self.chain.entries[-len(drafts) :]

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
        try:
            with self._alone() as descriptor:
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
        except FolderError:
            raise
        except OSError as error:
            raise disk.explain(error, "save to the journal", self.path) from error
