"""The file of results of a batch: one JSON object a line, there for good once it is acknowledged.

A line is added whole and flushed to the disk as its task ends, so that whatever ends the program
costs only what was running. A batch that is started again finds by its keys what is done. A line
that was torn by a power cut is cut off, and its task is done again.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from filelock import FileLock, Timeout

from clipmark.errors import FolderError, RecordError
from clipmark.record import disk

DONE, REFUSED, MEASURED = "done", "refused", "measured"
# A line of ours by its beginning; the rest may be long, and only the last can be torn.
_HEAD = re.compile(rb'\{"key": "([0-9a-f]{64})", "status": "(done|refused|measured)", "task": \d+')
_OURS = b'{"key": "'


@dataclass(frozen=True)
class Kept:
    """Where the newest line of a task lies.

    Attributes
    ----------
    status : {'done', 'refused', 'measured'}
        `measured` is a reading that was still to be saved in its event folder.
    offset, size : int
        Of the line in the file, bytes.
    """

    status: str
    offset: int
    size: int


class ResultsFile:
    """The results of one batch, open for adding; one program at a time.

    Parameters
    ----------
    path : Path
        Made when it is not there.

    Raises
    ------
    FolderError
        When it cannot be read or written, or another batch is writing to it.
    RecordError
        When it holds something else than results of a batch; it is left as it is.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = FileLock(str(path.with_name(f".{path.name}.lock")))
        try:
            self._lock.acquire(timeout=0)
        except Timeout:
            raise FolderError(
                f"{path.name} is being written by another batch; wait for it or end it, or give "
                "this one a file of its own (--out)"
            ) from None
        except OSError as error:
            raise disk.explain(error, "write the results", path) from error
        self._descriptor = -1
        try:
            self.newest, self.torn = self._read()
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0))
            os.ftruncate(self._descriptor, self._end)
            disk.sync_folder(path.parent)
        except OSError as error:
            self.close()
            if isinstance(error, FolderError):
                raise
            raise disk.explain(error, "write the results", path) from error
        except BaseException:
            self.close()
            raise

    def add(self, key: str, status: str, task: int, more: Mapping[str, object], tail: str) -> None:
        """Add one line and flush it to the disk.

        Parameters
        ----------
        key : str
            Of the task: 64 hexadecimal digits.
        status : {'done', 'refused', 'measured'}
        task : int
            Number of the task.
        more : mapping
            What else is said, before the result.
        tail : str
            ``"result": {...}`` or ``"sentence": "..."``, as JSON text, kept to the letter.

        Raises
        ------
        FolderError
            When it cannot be written; the file is then as it was before.
        """
        head = json.dumps({"key": key, "status": status, "task": task, **more}, ensure_ascii=False)
        line = f"{head[:-1]}, {tail}}}\n".encode()
        try:
            os.lseek(self._descriptor, self._end, os.SEEK_SET)
            disk.write_all(self._descriptor, line)
            os.fsync(self._descriptor)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, self._end)
            raise disk.explain(error, "write the results", self.path) from error
        self.newest[key] = Kept(status, self._end, len(line))
        self._end += len(line)

    def line(self, key: str) -> dict[str, object]:
        """The newest line of a task, read from the file.

        Raises
        ------
        RecordError
            When it is damaged.
        """
        kept = self.newest[key]
        os.lseek(self._descriptor, kept.offset, os.SEEK_SET)
        try:
            found: dict[str, object] = json.loads(os.read(self._descriptor, kept.size))
        except ValueError as error:
            raise RecordError(
                f"{self.path.name} is damaged at byte {kept.offset}; put it aside and start the "
                "batch again, with a new file of results (--out)"
            ) from error
        return found

    def close(self) -> None:
        """Let the file go; may be called twice."""
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)
        if self._lock.is_locked:
            self._lock.release()
            with contextlib.suppress(OSError):
                Path(self._lock.lock_file).unlink()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _read(self) -> tuple[dict[str, Kept], bool]:
        """What is there, and whether a torn line is to be cut off; sets where it ends."""
        found: dict[str, Kept] = {}
        self._end = 0
        if not self.path.exists():
            return found, False
        for number, raw in enumerate(self._lines(), start=1):
            head = _HEAD.match(raw)
            last = self._end + len(raw) == self._size
            if last and _is_torn(raw, whole=head is not None):
                return found, True
            if head is None or not raw.endswith(b"}\n"):
                raise RecordError(
                    f"{self.path.name}: line {number} is no result of a batch; name another file "
                    "for the results (--out), this one is left as it is"
                )
            key, status = head[1].decode(), head[2].decode()
            found[key] = Kept(status, self._end, len(raw))
            self._end += len(raw)
        return found, False

    def _lines(self) -> Iterator[bytes]:
        with self.path.open("rb") as source:
            self._size = os.fstat(source.fileno()).st_size
            yield from source


def _is_torn(raw: bytes, *, whole: bool) -> bool:
    """Whether the last line is what a power cut left of one of ours."""
    if not raw.strip(b"\0"):
        return True
    if not (raw.startswith(_OURS) or _OURS.startswith(raw)):
        return False
    if not raw.endswith(b"\n") or not whole:
        return True
    try:
        json.loads(raw)
    except ValueError:
        return True
    return False
