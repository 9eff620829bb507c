"""Decoders that can be called off between two pictures, and the pictures they leave behind.

A clip has two lanes, each a decoder that stands somewhere in the clip. They share one ring of
decoded pictures around the place where work is done, so that whatever one of them passes serves
the other, and measuring as well.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from clipmark.clip import Clip
from clipmark.clip.access import PictureRing
from clipmark.clip.picture import Picture

RING_BYTES = 256 << 20  # 82 pictures of 1080p with their colours
_WRONG_SIDE = 1.5  # pictures on the side away from where the work goes count as this much farther


class CalledOffError(Exception):
    """A decode ended before its picture came, because something else must go first."""


class RightOfWay:
    """Who goes first: while an answer is being made that somebody waits for, the rest stands."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._answers = 0

    @property
    def taken(self) -> bool:
        """Whether an answer is being made."""
        return self._answers > 0

    @contextmanager
    def take(self) -> Iterator[None]:
        """Hold the right of way while an answer is made."""
        with self._changed:
            self._answers += 1
        try:
            yield
        finally:
            with self._changed:
                self._answers -= 1
                self._changed.notify_all()

    def wait_until_free(self, limit_s: float) -> None:
        """Wait until nobody holds it, at most so many seconds."""
        if not self.taken:
            return
        with self._changed:
            self._changed.wait_for(lambda: not self._answers, limit_s)


class PlaceRing:
    """Decoded pictures nearest to a place, as many as fit into a number of bytes."""

    def __init__(self, limit_bytes: int = RING_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.bytes_held = 0
        self.place, self.direction = 0, 0
        self.arrived = threading.Condition()
        self._held: dict[int, Picture] = {}

    def __contains__(self, ordinal: int) -> bool:
        return ordinal in self._held

    def __len__(self) -> int:
        return len(self._held)

    @property
    def room(self) -> int:
        """About how many pictures fit; 0 while none is known."""
        with self.arrived:
            if not self._held:
                return 0
            return int(self.limit_bytes * len(self._held) / max(1, self.bytes_held))

    def get(self, ordinal: int) -> Picture | None:
        """The picture; None if not held."""
        return self._held.get(ordinal)

    def put(self, ordinal: int, picture: Picture) -> None:
        """Hold a picture if it is near enough; those farthest from the place leave."""
        with self.arrived:
            before = self._held.get(ordinal)
            self.bytes_held += picture.nbytes - (before.nbytes if before else 0)
            self._held[ordinal] = picture
            while self.bytes_held > self.limit_bytes and len(self._held) > 1:
                self.bytes_held -= self._held.pop(max(self._held, key=self._away)).nbytes
            self.arrived.notify_all()

    def move(self, place: int, direction: int = 0) -> None:
        """Set where work is done and which way it goes (1, -1, or 0 for neither)."""
        with self.arrived:
            self.place, self.direction = place, direction

    def clear(self) -> None:
        """Let everything go."""
        with self.arrived:
            self._held.clear()
            self.bytes_held = 0

    def _away(self, ordinal: int) -> float:
        away = ordinal - self.place
        return abs(away) * (_WRONG_SIDE if away * self.direction < 0 else 1.0)


class Lane:
    """One decoder of a clip; used by whoever holds its lock.

    Attributes
    ----------
    lock : Lock
        Taken by one thread, it may be released by another that finishes the work.
    alive_s : float
        When it last gave a picture or was set to work, on the monotonic clock, s.
    """

    def __init__(self, clip: Clip, ring: PlaceRing) -> None:
        self.lock = threading.Lock()
        self.alive_s = time.monotonic()
        self._ring = ring
        self._stop: Callable[[], bool] = lambda: False
        self._wanted = -1
        self._access = clip.random_access(_Passing(ring, self._passed))

    @property
    def stands_at(self) -> int:
        """Ordinal of the picture last decoded; -1 before the first."""
        return self._access.stands_at

    def pictures_to(self, ordinal: int) -> int:
        """About how many pictures it would have to decode to get there."""
        return self._access.pictures_to(ordinal)

    def decode(self, ordinal: int, stop: Callable[[], bool]) -> Picture:
        """The picture of a frame; what passes by goes into the ring. The lock is held.

        Raises
        ------
        CalledOffError
            When `stop` said so after a picture; the decoder stands there and can go on.
        FrameError
            If the picture cannot be decoded.
        """
        self.alive_s = time.monotonic()
        self._stop, self._wanted = stop, ordinal
        return self._access.picture(ordinal)

    def rest(self) -> None:
        """Let the decoder go until it is asked for again, unless it is at work."""
        if self.lock.acquire(blocking=False):
            try:
                self._access.rest()
            finally:
                self.lock.release()

    def close(self) -> None:
        """Let the decoder go, unless it is at work for ever; then it is left behind."""
        if self.lock.acquire(timeout=1.0):
            try:
                self._access.close()
            finally:
                self.lock.release()

    def _passed(self, ordinal: int) -> None:
        self.alive_s = time.monotonic()
        if ordinal < self._wanted and self._stop():
            raise CalledOffError


class _Passing(PictureRing):
    """A lane's view of the shared ring, that tells the lane of each picture."""

    def __init__(self, ring: PlaceRing, passed: Callable[[int], None]) -> None:
        super().__init__(0)
        self._shared, self._tell = ring, passed

    def get(self, ordinal: int) -> Picture | None:
        return self._shared.get(ordinal)

    def put(self, ordinal: int, picture: Picture) -> None:
        self._shared.put(ordinal, picture)
        self._tell(ordinal)

    def clear(self) -> None:
        """Nothing: the shared ring is not the lane's to clear."""
