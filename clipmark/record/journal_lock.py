"""Taking turns at a journal: the lock file beside it, for threads and for programs.

The lock is the operating system's own, so it ends with the program that holds it, however that
ends. Where a disk knows no locks nothing is saved: a file that is created and deleted in place of
a lock would stay behind when a program is killed, and would not be seen by a program that reaches
the same disk another way and does get its lock.
"""

import contextlib
import errno
import inspect
import time
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from clipmark.errors import FolderError
from clipmark.record import disk

NO_LOCKS = {
    getattr(errno, name)
    for name in ("ENOLCK", "ENOSYS", "EOPNOTSUPP", "ENOTSUP")
    if hasattr(errno, name)
}
_POLL_S = 0.005  # a waiting program looks so often


class JournalLock:
    """The lock of one journal against other programs; threads take turns before they come here.

    Parameters
    ----------
    journal : Path
        The lock is ``journal.lock`` in the same folder.
    timeout_s : float
        How long to wait for another program, seconds.
    """

    def __init__(self, journal: Path, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        self._journal = journal
        self._give_way_until_s = 0.0
        # Later versions of filelock would otherwise create a file in place of a lock by themselves.
        knows = "fallback_to_soft" in inspect.signature(FileLock.__init__).parameters
        more: dict[str, bool] = {"fallback_to_soft": False} if knows else {}
        self._file_lock = FileLock(journal.with_name("journal.lock"), **more)  # type: ignore[arg-type]

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Hold it.

        Raises
        ------
        FolderError
            When another program holds it longer than the timeout, the folder has no rights, or
            the disk knows no locks.
        """
        if time.monotonic() < self._give_way_until_s and not self._file_lock.is_locked:
            time.sleep(_POLL_S)  # saving on and on: others would hardly ever find it free
        try:
            self._file_lock.acquire(timeout=self.timeout_s, poll_interval=_POLL_S)
        except Timeout:
            raise self.busy() from None
        except (OSError, NotImplementedError) as error:
            raise self._explained(error) from error
        try:
            yield
        finally:
            self._file_lock.release()
            self._give_way_until_s = time.monotonic() + _POLL_S

    def busy(self) -> FolderError:
        """What is said when the wait was too long."""
        return FolderError(
            f"{self._journal}: another program has been saving for more than "
            f"{self.timeout_s:g} s, so nothing was saved; close it, or wait and save again"
        )

    def _explained(self, error: OSError | NotImplementedError) -> FolderError:
        folder = self._journal.parent
        if isinstance(error, NotImplementedError) or error.errno in NO_LOCKS:
            return FolderError(
                f"{folder}: this disk (a network drive?) knows no locks, so two programs saving at "
                "once could not be kept apart and nothing was saved; copy the folder to a disk of "
                "this computer and save there. Reading it where it is works"
            )
        return disk.explain(error, "lock the journal", folder)
