"""Encoded pictures in memory, bounded in bytes, and work that is never done twice at once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

STORE_BYTES = 256 << 20  # of one event: about 500 pictures of 1080p
Key = tuple[str, int, int]  # SHA-256 of the clip, ordinal, width in px
Result = TypeVar("Result")


class FrameStore:
    """JPEGs by clip, ordinal and width; those not asked for longest leave first."""

    def __init__(self, limit_bytes: int = STORE_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.bytes_held = 0
        self._lock = threading.Lock()
        self._held: OrderedDict[Key, bytes] = OrderedDict()

    def __contains__(self, key: Key) -> bool:
        with self._lock:
            return key in self._held

    def __len__(self) -> int:
        with self._lock:
            return len(self._held)

    def get(self, key: Key) -> bytes | None:
        """The encoded picture, moved to the young end; None if not held."""
        with self._lock:
            found = self._held.get(key)
            if found is not None:
                self._held.move_to_end(key)
            return found

    def put(self, key: Key, encoded: bytes) -> None:
        """Hold a picture, letting the oldest go until the bytes fit."""
        with self._lock:
            self.bytes_held += len(encoded) - len(self._held.pop(key, b""))
            self._held[key] = encoded
            while self.bytes_held > self.limit_bytes:
                self.bytes_held -= len(self._held.popitem(last=False)[1])

    def forget(self, sha256: str) -> None:
        """Let the pictures of one clip go."""
        with self._lock:
            for key in [key for key in self._held if key[0] == sha256]:
                self.bytes_held -= len(self._held.pop(key))


class Once(Generic[Result]):
    """Makes callers who want the same thing at the same time share one making of it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._running: dict[Hashable, Future[Result]] = {}

    def do(self, key: Hashable, make: Callable[[], Result]) -> Result:
        """What `make` gives, made by this caller or by one who came before.

        What `make` raises reaches everybody who waited for it.
        """
        with self._lock:
            running = self._running.get(key)
            if running is None:
                mine: Future[Result] = Future()
                self._running[key] = mine
        if running is not None:
            return running.result()
        try:
            made = make()
        except BaseException as error:
            mine.set_exception(error)
            raise
        else:
            mine.set_result(made)
            return made
        finally:
            with self._lock:
                del self._running[key]
