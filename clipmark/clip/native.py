"""Calls into FFmpeg, counted so that somebody outside can see whether one does not come back.

A decoder that hangs may hold Python's own lock, so nothing inside its process can be trusted to
notice. Two counters in memory that another process (or thread) reads do: calls begun and calls
ended. While they differ a call is under way, and while neither moves nothing is happening.
Without an onlooker counting costs a look at one variable.
"""

from __future__ import annotations

import threading
import time
from types import TracebackType

COUNTERS_BYTES = 16  # two unsigned 64-bit numbers: calls begun, calls ended

_counters: memoryview | None = None
_lock = threading.Lock()


def count_into(memory: memoryview | None) -> None:
    """Count from now on in this memory, `COUNTERS_BYTES` long and writable; None ends it."""
    global _counters
    _counters = None if memory is None else memory.cast("Q")


class _Call:
    """Held around a call into FFmpeg; for any number of threads."""

    def __enter__(self) -> None:
        counters = _counters
        if counters is not None:
            with _lock:
                counters[0] += 1

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        counters = _counters
        if counters is not None:
            with _lock:
                counters[1] += 1


native_call = _Call()
file_at_work = ""  # name of the clip last opened, for the sentence of whoever looks on


def sign_of_life() -> None:
    """Say that long work without the decoder goes on, such as reading a file block by block."""
    with native_call:
        pass


class Onlooker:
    """Reads the counters from outside and says how long nothing has happened.

    Parameters
    ----------
    memory : memoryview
        What `count_into` was given, in whichever process.
    """

    def __init__(self, memory: memoryview) -> None:
        self._counters = memory.cast("Q")
        self.begin()

    def begin(self) -> None:
        """Forget how long it has been; for the start of a new piece of work."""
        self._last = (self._counters[0], self._counters[1])
        self._since_s = time.monotonic()

    def still_s(self) -> tuple[float, bool]:
        """Seconds since anything moved as seen from here, and whether a call is under way."""
        seen = (self._counters[0], self._counters[1])
        now = time.monotonic()
        if seen != self._last:
            self._last, self._since_s = seen, now
        return now - self._since_s, seen[0] != seen[1]

    def release(self) -> None:
        """Let the memory go."""
        self._counters.release()
