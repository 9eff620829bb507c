"""What stands idle until it is needed again, such as processes ready for a clip."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class IdlePool(Generic[T]):
    """A few things to be used again, for any number of threads.

    They belong to this process: a fork of it begins with none, since processes answer the parent.

    Parameters
    ----------
    most : int
        That are kept.
    end : callable
        Lets one go for good.
    """

    def __init__(self, most: int, end: Callable[[T], None]) -> None:
        self._most, self._end = most, end
        self._begin()

    def _begin(self) -> None:
        # entered again where letting a forgotten thing go falls into taking another
        self._lock, self._idle, self._owner = threading.RLock(), list[T](), os.getpid()

    def take(self) -> T | None:
        """The one that was kept last; None when there is none."""
        if self._owner != os.getpid():  # its lock may be held by a thread that is not here
            self._begin()
        with self._lock:
            return self._idle.pop() if self._idle else None

    def give_back(self, item: T) -> None:
        """Keep it, or let it go where enough are kept."""
        if self._owner == os.getpid():
            with self._lock:
                if len(self._idle) < self._most:
                    self._idle.append(item)
                    return
        self._end(item)

    def close(self) -> None:
        """Let all of them go."""
        if self._owner != os.getpid():
            return
        with self._lock:
            idle, self._idle = self._idle, []
        for item in idle:
            self._end(item)
