"""Writing so that what is written is there: whole, flushed, or not at all.

Every failure of the operating system becomes one sentence of `FolderError`.
"""

import contextlib
import errno
import hashlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import BinaryIO

from clipmark.errors import FolderError

if sys.platform != "win32":
    import fcntl

_BINARY = getattr(os, "O_BINARY", 0)  # Windows would otherwise turn LF into CRLF
_CHUNK_BYTES = 1 << 20
_FULL = {errno.ENOSPC, errno.EDQUOT}
_ADVICE = {
    errno.EACCES: "you have no right to; ask for rights on the folder, or use another folder",
    errno.EPERM: "you have no right to; ask for rights on the folder, or use another folder",
    errno.EROFS: "the disk is read-only; copy the folder to a disk that can be written",
    errno.EFBIG: "the file would become larger than this system allows; free the limit and repeat",
    errno.EISDIR: "a folder of that name is in the way; rename it and repeat",
    errno.ENOTDIR: "a file stands where a folder should be; rename it and repeat",
    errno.ENOENT: "it is not there; check the path",
    errno.EIO: "the disk reported a fault; copy the folder to another disk at once",
    errno.ENAMETOOLONG: "the name is too long for this disk; use a shorter one",
}


def explain(error: OSError, doing: str, path: Path) -> FolderError:
    """Turn an error of the operating system into a sentence: what, where, what to do."""
    if is_full(error):
        advice = "the disk is full; free some space and repeat, nothing was changed"
    elif error.errno in _ADVICE:
        advice = _ADVICE[error.errno]
    else:
        advice = f"{(error.strerror or type(error).__name__).lower()}; mend that and repeat"
    return FolderError(f"{path}: cannot {doing}: {advice}")


def is_full(error: OSError) -> bool:
    """Whether the system had no room for what was written."""
    return error.errno in _FULL


def write_all(descriptor: int, data: bytes) -> None:
    """Write every byte; the system may take them in pieces."""
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def sync_folder(folder: Path) -> None:
    """Flush a folder's list of names, so that a new or renamed file survives a pulled plug."""
    if os.name == "nt":  # Windows has no such call; it flushes names with the file
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def temporary_beside(path: Path) -> Path:
    """A name in the same folder for what is not yet finished."""
    return path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")


def create_file(path: Path, data: bytes) -> None:
    """Write a new file and flush it; never replaces one. Raises OSError, leaving nothing."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o644)
    try:
        try:
            write_all(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except BaseException:
        with contextlib.suppress(OSError):
            path.unlink()
        raise
    sync_folder(path.parent)


def replace_file(path: Path, data: bytes) -> None:
    """Put `data` in place of `path` at once: old or new is there, never a mixture.

    Raises OSError, with the old file untouched and nothing left beside it.
    """
    put_in_place(write_beside(path, [data]), path)


def write_beside(path: Path, pieces: Iterable[bytes]) -> Path:
    """Write what is to take the place of `path`, flushed, under a name of its own beside it.

    Raises OSError, leaving nothing.
    """
    part = temporary_beside(path)
    with contextlib.suppress(FileNotFoundError):
        part.unlink()
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o644)
    try:
        try:
            for piece in pieces:
                write_all(descriptor, piece)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    return part


def put_in_place(part: Path, path: Path) -> None:
    """Give the finished `part` the name of what it replaces. Raises OSError, without the part."""
    try:
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


def drop_left_behind(part: Path, path: Path, age_s: float) -> None:
    """Delete what killed programs left unfinished beside `path`: so much older than `part`.

    The times are those that the disk gave, so no clock of any computer matters.
    """
    with contextlib.suppress(OSError):
        latest = part.stat().st_mtime - age_s
        for other in path.parent.glob(f".{path.name}.*.part"):
            if other.stat().st_mtime < latest:
                other.unlink()


def publish_new(part: Path, path: Path) -> None:
    """Give the finished `part` its name, refusing to replace; raises FileExistsError."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        part.replace(path)
    else:
        part.unlink()
    sync_folder(path.parent)


def copy_and_hash(source: BinaryIO, write: Callable[[bytes], object]) -> tuple[str, int]:
    """Pass every byte to `write`; return their SHA-256 (hex) and their number."""
    digest = hashlib.sha256()
    size = 0
    while chunk := source.read(_CHUNK_BYTES):
        write(chunk)
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, hex. Raises OSError."""
    with path.open("rb") as source:
        return copy_and_hash(source, lambda _: None)[0]


def open_to_append(path: Path, *, create: bool = True) -> int:
    """A descriptor that adds to the end of `path`; with `create` it need not be there yet."""
    flags = os.O_WRONLY | os.O_APPEND | (os.O_CREAT if create else 0) | _BINARY
    return os.open(path, flags, 0o644)


def identity(path: Path) -> tuple[int, int] | None:
    """Device and number of a file or folder, which stay when it is renamed; None if not there."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def state_of(path: Path) -> tuple[int, ...] | None:
    """What changes when a file is replaced or written to; None if it is not there."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns


def hold(descriptor: int, timeout_s: float) -> bool:
    """Hold an open file against everybody else who holds it so, until it is closed.

    True also where the system has no such hold. Reading it is not hindered.
    """
    if sys.platform == "win32":  # there a lock file that is held cannot be deleted
        return True
    until = time.monotonic() + timeout_s
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > until:
                return False
            time.sleep(0.002)
        except OSError:  # a disk without locks; saving is refused before, by the lock file
            return True
        else:
            return True


def read_stretch(path: Path, offset: int, length: int) -> bytes:
    """So many bytes of a journal, or as many as are there; raises FolderError."""
    try:
        with path.open("rb", buffering=0) as source:
            source.seek(offset)
            return source.read(length) or b""
    except OSError as error:
        raise explain(error, "read the journal", path) from error
