"""Read-ahead: neighbours of the place of work decoded and encoded before they are asked for."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

from clipmark.clip.picture import Picture
from clipmark.errors import ClipmarkError, FrameError
from clipmark.page.lanes import CalledOffError, Lane
from clipmark.page.reader import ClipReader

AROUND = 12  # encoded pictures kept ready each way
_AHEAD = 16  # and the way that the work goes
_CHEAP = 10  # pictures; a decode of so many is done for one neighbour at once
_ANY = 1 << 30  # and when nothing else is to be done, any
_AT_PLACE = 24  # a lane this near to the place is kept for stepping on
_LET_GO_S = 0.5
_PAUSE_S = 0.5


def neighbours(direction: int) -> Iterator[int]:
    """Steps from the place, nearest first, two towards where the work goes for one back.

    Examples
    --------
    >>> list(neighbours(0))[:4]
    [1, -1, 2, -2]
    >>> list(neighbours(-1))[:6]
    [-1, -2, 1, -3, -4, 2]
    """
    way = direction or 1
    ahead, behind = iter(range(1, _AHEAD + 1)), iter(range(1, AROUND + 1))
    in_turn = 2 if direction else 1
    if not direction:
        ahead = iter(range(1, AROUND + 1))
    while True:
        steps = [way * step for _, step in zip(range(in_turn), ahead, strict=False)]
        steps += [-way * step for _, step in zip(range(1), behind, strict=False)]
        if not steps:
            return
        yield from steps


class ReadAhead:
    """A thread that keeps the neighbourhood of a place ready; it gives way at every picture.

    Parameters
    ----------
    reader : ClipReader
        Whose lanes, ring and store it uses.
    """

    def __init__(self, reader: ClipReader) -> None:
        self._reader = reader
        self._changed = threading.Condition()
        self._hint: tuple[int, int, int] | None = None
        self._generation = 0
        self._closed = False
        self._thread: threading.Thread | None = None
        self._lane: Lane | None = None

    def here(self, ordinal: int, direction: int, width: int) -> None:
        """The work is at `ordinal` and goes forward (1), back (-1) or neither (0)."""
        self._reader.ring.move(ordinal, direction)
        with self._changed:
            if self._hint == (ordinal, direction, width):
                return
            self._hint = (ordinal, direction, width)
            self._generation += 1
            self._leave_hung()
            gone = self._thread is None or not self._thread.is_alive()
            if gone and not self._closed:
                self._thread = threading.Thread(target=self._run, name="read-ahead", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def rest(self) -> None:
        """Make nothing ready any more, until the work is here again."""
        with self._changed:
            if self._hint is not None:
                self._hint = None
                self._generation += 1

    def close(self) -> None:
        """End the thread; returns when it has ended, unless its decoder hangs."""
        with self._changed:
            self._closed = True
            self._generation += 1
            self._changed.notify_all()
            thread = self._thread
        if thread is not None:
            thread.join(timeout=2.0)

    def _leave_hung(self) -> None:
        """Leave a thread whose decoder hangs behind, with its lane."""
        lane = self._lane
        if lane is not None and time.monotonic() - lane.alive_s > self._reader.hang_s:
            self._reader.give_up(lane)
            self._thread = self._lane = None

    def _run(self) -> None:
        seen = -1
        me = threading.current_thread()
        while True:
            with self._changed:
                while not self._closed and (self._hint is None or self._generation == seen):
                    self._changed.wait()
                if self._closed or self._thread is not me or self._hint is None:
                    return
                seen, hint = self._generation, self._hint
            while not self._round(seen, *hint):  # called off by a request: go on behind it
                if self._stale(seen):
                    break

    def _stale(self, generation: int) -> bool:
        return self._closed or self._generation != generation

    def _round(self, generation: int, place: int, direction: int, width: int) -> bool:
        """Make everything around one place ready; False if called off before the end."""
        try:
            self._prepare_all(place, direction, width, generation, _CHEAP)
            self._refill(place, direction, width, generation)
            self._prepare_all(place, direction, width, generation, _ANY)
        except CalledOffError:
            return False
        except ClipmarkError:  # a damaged stretch is the request's to explain, not ours
            pass
        return True

    def _prepare_all(
        self, place: int, direction: int, width: int, generation: int, most: int
    ) -> None:
        for step in neighbours(direction):
            self._give_way(generation)
            with contextlib.suppress(FrameError):
                self._prepare(place + step, width, generation, most)

    def _give_way(self, generation: int) -> None:
        while self._reader.right_of_way.taken and not self._stale(generation):
            self._reader.right_of_way.wait_until_free(_PAUSE_S)
        if self._stale(generation):
            raise CalledOffError

    def _prepare(self, ordinal: int, width: int, generation: int, most: int) -> None:
        """Encode one neighbour if its picture is there, or at most so many decodes away."""
        reader = self._reader
        if not 0 <= ordinal < reader.clip.frame_count:
            return
        if reader.key(ordinal, width) in reader.store or ordinal in reader.clip.missing:
            return
        picture = reader.ring.get(ordinal)
        if picture is None:
            lane = reader.lane_for(ordinal)
            if lane.pictures_to(ordinal) > most:
                return
            picture = self._decode(lane, ordinal, generation)
        reader.jpeg_of(ordinal, width, picture)

    def _refill(self, place: int, direction: int, width: int, generation: int) -> None:
        """Decode what lies before the ring's lower edge, key frames crossed, in good time."""
        reader, before = self._reader, place + 1
        while True:
            low = self._lowest_ready(place, width)
            reserve = max(AROUND, reader.ring.room // (3 if direction >= 0 else 2))
            if low == 0 or place - low >= reserve or low >= before:
                return
            before = low
            self._give_way(generation)
            self._decode(self._spare_lane(place, low - 1), low - 1, generation)

    def _lowest_ready(self, place: int, width: int) -> int:
        """Down to which ordinal all pictures below the place are there, decoded or encoded."""
        reader, low = self._reader, place
        missing = reader.clip.missing
        while low > 0 and (
            low - 1 in reader.ring
            or low - 1 in missing
            or reader.key(low - 1, width) in reader.store
        ):
            low -= 1
        return low

    def _spare_lane(self, place: int, ordinal: int) -> Lane:
        """The lane for a longer way: not the one that stands ready to step on."""
        reader = self._reader
        ready = [lane for lane in reader.lanes if abs(lane.stands_at - place) <= _AT_PLACE]
        spare = [lane for lane in reader.lanes if lane not in ready[:1]]
        return min(spare, key=lambda lane: lane.pictures_to(ordinal))

    def _decode(self, lane: Lane, ordinal: int, generation: int) -> Picture:
        """Decode on a lane, called off between two pictures when something goes first."""
        reader = self._reader
        if not lane.lock.acquire(timeout=_LET_GO_S):
            raise CalledOffError
        self._lane = lane
        try:
            return lane.decode(
                ordinal, lambda: reader.right_of_way.taken or self._stale(generation)
            )
        finally:
            self._lane = None
            lane.lock.release()
