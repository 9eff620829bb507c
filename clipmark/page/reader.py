"""Exact frames of one clip for the page, the newest request first, nothing decoded twice."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.clip.picture import Picture
from clipmark.errors import ClipmarkError, FrameError
from clipmark.page import encode
from clipmark.page.frame_store import FrameStore, Once
from clipmark.page.lanes import CalledOffError, Lane, PlaceRing, RightOfWay

HANG_S = 20.0  # a decoder that gives no picture for so long is given up
_FAR = 64  # ordinals; a request so far off calls off the decode towards an older one
_MOST_WAITING = 6  # decodes waited for; older ones are sent away, their page has moved on
_LET_GO_S = 1.0  # read-ahead lets a lane go within a picture; if it does not, it hangs
_LOOK_S = 0.25
_SMALL_WIDTHS = (960, 1280)  # px


class BusyError(ClipmarkError):
    """The answer is not made now: newer requests came first, or the decoder hung."""


@dataclass
class _Wanted:
    """A decode that somebody waits for."""

    ordinal: int
    number: int
    sent_away: bool = False


@dataclass
class _Outcome:
    """What a decode came to, once `done`."""

    done: threading.Event = field(default_factory=threading.Event)
    picture: Picture | None = None
    error: BaseException | None = None


class ClipReader:
    """Exact frames as JPEG and true pixels as PNG, by ordinal; for many threads.

    Parameters
    ----------
    clip : Clip
        Open clip; its `frame` takes what was decoded here from now on.
    store : FrameStore
        Where encoded pictures are kept.
    right_of_way : RightOfWay
        Taken while an answer is made.
    hang_s : float
        How long a decoder may give nothing before it is replaced, s.

    Attributes
    ----------
    ring : PlaceRing
        Decoded pictures around the place of work.
    lanes : list of Lane
        The two decoders.
    """

    def __init__(
        self,
        clip: Clip,
        store: FrameStore,
        right_of_way: RightOfWay,
        *,
        hang_s: float = HANG_S,
        make_lane: Callable[[Clip, PlaceRing], Lane] = Lane,
    ) -> None:
        self.clip, self.store, self.right_of_way = clip, store, right_of_way
        self.ring = PlaceRing()
        self._make_lane, self.hang_s = make_lane, hang_s
        self.lanes = [make_lane(clip, self.ring) for _ in range(2)]
        self._encoding: Once[bytes] = Once()
        self._numbers = itertools.count()
        self._wanted: list[_Wanted] = []
        self._running = False
        self._whole: tuple[int, NDArray[np.uint8]] | None = None
        clip.look_also(self.ring.get)

    def key(self, ordinal: int, width: int) -> tuple[str, int, int]:
        """Under which name a picture of at most so many px is in the store."""
        return (self.clip.sha256, ordinal, min(width, self.clip.width))

    def jpeg(self, ordinal: int, width: int) -> bytes:
        """The exact frame, upright, at most `width` px wide.

        Raises
        ------
        FrameError
            If there is no such frame or it has no picture.
        BusyError
            If newer requests were served first, or the decoder hung.
        """
        key = self.key(ordinal, width)
        return self.store.get(key) or self._encoding.do(key, lambda: self._make(key))

    def jpeg_of(self, ordinal: int, width: int, picture: Picture) -> bytes:
        """The same from a picture that is there already."""
        key = self.key(ordinal, width)
        return self.store.get(key) or self._encoding.do(key, lambda: self._encode(key, picture))

    def at_hand(self, ordinal: int) -> bytes | None:
        """A small JPEG of exactly this frame if that costs no decoding; else None."""
        for width in _SMALL_WIDTHS:
            held = self.store.get(self.key(ordinal, width))
            if held is not None:
                return held
        picture = self.ring.get(ordinal)
        return None if picture is None else self.jpeg_of(ordinal, _SMALL_WIDTHS[0], picture)

    def crop(self, ordinal: int, x: int, y: int, width: int, height: int) -> bytes:
        """True pixels of a rectangle inside the upright picture, as PNG."""
        with self.right_of_way.take():
            whole = self._whole
            if whole is None or whole[0] != ordinal:
                bgr = encode.upright_bgr(self.picture(ordinal), self.clip.upright_transform)
                self._whole = whole = (ordinal, bgr)
            return encode.png(whole[1][y : y + height, x : x + width])

    def check_ordinal(self, ordinal: int) -> None:
        """Refuse an ordinal that the clip does not have (FrameError)."""
        if not 0 <= ordinal < self.clip.frame_count:
            raise FrameError(
                f"frame {ordinal} is not in the clip, which has frames 0 to "
                f"{self.clip.frame_count - 1}; name one of these"
            )

    def picture(self, ordinal: int) -> Picture:
        """The decoded picture; the newest request goes first. Raises as `jpeg` does."""
        self.check_ordinal(ordinal)
        wanted = _Wanted(ordinal, next(self._numbers))
        try:
            while True:
                held = self._turn(wanted)
                if held is not None:
                    return held
                try:
                    return self._decode(wanted)
                except CalledOffError:
                    continue
                finally:
                    with self.ring.arrived:
                        self._running = False
                        self.ring.arrived.notify_all()
        finally:
            with self.ring.arrived:
                if wanted in self._wanted:
                    self._wanted.remove(wanted)
                self.ring.arrived.notify_all()

    def lane_for(self, ordinal: int) -> Lane:
        """The lane that gets to a frame with the fewest pictures."""
        return min(self.lanes, key=lambda lane: lane.pictures_to(ordinal))

    def give_up(self, lane: Lane) -> None:
        """Put a new lane in the place of one that hangs; the old one is left behind."""
        with self.ring.arrived:
            if lane in self.lanes:
                self.lanes[self.lanes.index(lane)] = self._make_lane(self.clip, self.ring)

    def rest(self) -> None:
        """Let the decoded pictures go, and decoders that others can use meanwhile."""
        self.ring.clear()
        if self.clip.guarded:
            for lane in self.lanes:
                lane.rest()
        self._whole = None

    def close(self) -> None:
        """Let decoders and pictures go. Nobody may use the reader any more."""
        for lane in self.lanes:
            lane.close()
        self.rest()

    def _make(self, key: tuple[str, int, int]) -> bytes:
        with self.right_of_way.take():
            return self._encode(key, self.picture(key[1]))

    def _encode(self, key: tuple[str, int, int], picture: Picture) -> bytes:
        clip = self.clip
        size = encode.size_within(clip.width, clip.height, key[2])
        bgr = encode.upright_bgr(picture, clip.upright_transform, size)
        encoded = encode.jpeg(bgr, encode.EXACT_QUALITY)
        self.store.put(key, encoded)
        return encoded

    def _turn(self, wanted: _Wanted) -> Picture | None:
        """Wait for one's turn (None) or for the picture, whichever comes first."""
        ring = self.ring
        with ring.arrived:
            while True:
                held = ring.get(wanted.ordinal)
                if held is not None:
                    return held
                if wanted.sent_away:
                    raise BusyError(
                        f"frame {wanted.ordinal} was not decoded because newer requests came "
                        "first; ask for it again"
                    )
                if wanted not in self._wanted:
                    self._wanted.append(wanted)
                    self._send_away_the_oldest()
                newest = max(w.number for w in self._wanted)
                if not self._running and newest == wanted.number:
                    self._running = True
                    if abs(wanted.ordinal - ring.place) > _FAR:
                        ring.move(wanted.ordinal)
                    return None
                ring.arrived.wait(_LOOK_S)

    def _send_away_the_oldest(self) -> None:
        waiting = [w for w in self._wanted if not w.sent_away]
        if len(waiting) > _MOST_WAITING:
            min(waiting, key=lambda w: w.number).sent_away = True
            self.ring.arrived.notify_all()

    def _called_off(self, wanted: _Wanted, lane: Lane) -> bool:
        """Whether a decode must end: its picture is there, or the page has moved far away."""
        if wanted.ordinal in self.ring or wanted.sent_away:
            return True
        newest = max(self._wanted, key=lambda w: w.number, default=wanted)
        on_the_way = lane.stands_at < newest.ordinal <= wanted.ordinal
        return abs(newest.ordinal - wanted.ordinal) > _FAR and not on_the_way

    def _decode(self, wanted: _Wanted) -> Picture:
        """Decode in a thread of its own, watched from here."""
        lane = self._take_lane(wanted.ordinal)
        outcome = _Outcome()

        def work() -> None:
            try:
                outcome.picture = lane.decode(
                    wanted.ordinal, lambda: self._called_off(wanted, lane)
                )
            except BaseException as error:
                outcome.error = error
            finally:
                lane.lock.release()
                outcome.done.set()

        lane.alive_s = time.monotonic()
        try:
            threading.Thread(target=work, name="exact frame", daemon=True).start()
        except BaseException:  # no thread to be had: the lane must not stay taken
            lane.lock.release()
            raise
        while not outcome.done.wait(_LOOK_S):
            if time.monotonic() - lane.alive_s > self.hang_s:
                raise self._replaced(lane, wanted.ordinal)
        error = outcome.error
        if isinstance(error, (ClipmarkError, CalledOffError)):
            raise error
        if error is not None or outcome.picture is None:
            raise self._replaced(lane, wanted.ordinal, f"failed ({error})") from error
        return outcome.picture

    def _take_lane(self, ordinal: int) -> Lane:
        """The best lane, its lock held; one that is not let go in time is replaced."""
        lane = self.lane_for(ordinal)
        if lane.lock.acquire(timeout=_LET_GO_S):
            return lane
        other = next((one for one in self.lanes if one is not lane), lane)
        if other is not lane and other.lock.acquire(timeout=_LET_GO_S):
            return other
        if lane.lock.acquire(timeout=self.hang_s):
            return lane
        raise self._replaced(lane, ordinal)

    def _replaced(self, lane: Lane, ordinal: int, what: str = "") -> BusyError:
        """The refusal after a lane was given up and replaced."""
        self.give_up(lane)
        what = what or f"gave nothing for {self.hang_s:.0f} s"
        return BusyError(
            f"frame {ordinal} could not be decoded: the decoder {what} and was replaced; ask "
            "again, or use another frame"
        )
