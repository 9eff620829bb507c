"""One pass over a span of a clip: decode in one thread, follow in another.

A bounded queue stands between them, so memory does not grow with the length of the clip. Decoding
and the image operations both let go of the interpreter lock, so that two cores share the work.
"""

from __future__ import annotations

import math
import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, Frame
from clipmark.clip.threads import cores_to_use
from clipmark.marks import Patch, Span, Wheel
from clipmark.motion.background import BackgroundFollower, choose_background
from clipmark.motion.body import BodyFollower
from clipmark.motion.repeats import hardly_changed
from clipmark.motion.sampling import FloatArray
from clipmark.motion.templates import picture_noise
from clipmark.motion.wheel import WheelFix
from clipmark.motion.wheel_path import WheelFollowing
from clipmark.motion.wheel_set import WheelSet

QUEUE_FRAMES = 6
AGREES_PX = 1.0  # at the reference frame the body must be found at the patch itself
BACKWARD_BYTES = 96_000_000  # frames held at once when a span is followed backwards
Progress = Callable[[int, int], None]
Feed = Callable[[int, float, NDArray[np.generic]], None]  # ordinal, t_s, luma
Observer = Callable[[int, float, float, float], None]  # ordinal, t_s, x_px, y_px (NaN where lost)


@dataclass(frozen=True)
class Following:
    """What was seen in each of K frames of a span, in order of time.

    Attributes
    ----------
    ordinals : ndarray of int, shape (K,)
    times_s : ndarray, shape (K,)
    body_px : ndarray, shape (K, 2)
        Middle of the body patch, px of the upright picture, NaN where lost.
    body_covariance : ndarray, shape (K, 2, 2)
        Of the same, inflated for correlated noise, px^2.
    turn_rad : ndarray, shape (K,)
        Turn of the body since the reference frame.
    reasons : list of str, length K
        Why the body has no place in a frame; empty where it has.
    points_px : ndarray, shape (P, 2)
        Background pieces in the reference picture.
    shifts_px : ndarray, shape (K, P, 2)
        Their shift in each frame.
    seen : ndarray of bool, shape (K, P)
        Where they were found.
    point_u_px : ndarray, shape (P, 2)
        Standard uncertainty of one shift.
    repeated : ndarray of bool, shape (K,)
        The picture changed far less since the one before than is usual there.
    renewed : int
        How often the reference of the body was taken anew.
    fingerprints : dict of int to str
        Proofs of the reference, first and last frame, by ordinal.
    wheels : tuple of WheelFollowing
        The marked wheels, in the order marked.
    agreed : ndarray, shape (K,)
        Share of the patch's pixels that looked as they should.
    """

    ordinals: NDArray[np.intp]
    times_s: FloatArray
    body_px: FloatArray
    body_covariance: FloatArray
    turn_rad: FloatArray
    reasons: list[str]
    points_px: FloatArray
    shifts_px: FloatArray
    seen: NDArray[np.bool_]
    point_u_px: FloatArray
    repeated: NDArray[np.bool_]
    renewed: int
    fingerprints: dict[int, str]
    wheels: tuple[WheelFollowing, ...] = ()
    agreed: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass
class _Row:
    """One frame as followed."""

    ordinal: int
    time_s: float
    place: FloatArray
    covariance: FloatArray
    turn_rad: float
    reason: str
    shifts: NDArray[np.float32]
    seen: NDArray[np.bool_]
    change: float
    agreed: float


def read_ahead(frames: Iterator[Frame]) -> Iterator[Frame]:
    """Yield `frames`, decoded in a thread of their own, at most `QUEUE_FRAMES` ahead.

    In this thread where the process is to keep to one core.
    """
    if cores_to_use() == 1:
        yield from frames
        return
    ready: queue.Queue[Frame | BaseException | None] = queue.Queue(QUEUE_FRAMES)
    stop = threading.Event()

    def put(item: Frame | BaseException | None) -> bool:
        while not stop.is_set():
            try:
                ready.put(item, timeout=0.2)
            except queue.Full:
                continue
            return True
        return False

    def decode() -> None:
        try:
            for frame in frames:
                _ = frame.luma
                if not put(frame):
                    return
            put(None)
        except BaseException as error:  # handed on to the thread that asked
            put(error)

    worker = threading.Thread(target=decode, name="clipmark-read-ahead", daemon=True)
    worker.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stop.set()
        worker.join()


class _Tracker:
    """Followers of body, background and wheels, all from one reference frame."""

    def __init__(
        self,
        reference: Frame,
        patch: Patch,
        wheels: Sequence[Wheel] = (),
    ) -> None:
        luma = reference.luma
        level = 2.0 ** (reference.bit_depth - 8)
        noise = picture_noise(luma, level)
        self.patch = patch
        self.body = BodyFollower(luma, patch, noise)
        self.middle = self.body.place_px
        pieces = choose_background(luma, patch, noise)
        self.background = None if pieces is None else BackgroundFollower(luma, pieces)
        self.count = 0 if pieces is None else pieces.count
        self.wheels = WheelSet(luma, wheels, noise, level, self.middle)
        self._before: NDArray[np.generic] | None = None

    def start_unknown(self) -> None:
        self.body.start_unknown()
        if self.background is not None:
            self.background.start_unknown()
        self.wheels.start_unknown()

    def step(self, frame: Frame) -> _Row:
        luma = frame.luma
        shifts, seen = np.zeros((self.count, 2)), np.zeros(self.count, dtype=bool)
        if self.background is not None:
            shifts, seen = self.background.step(luma)
        place = self.body.place_px
        fix = self.body.step(luma, frame.time_s)
        self.wheels.step(luma, frame.time_s, fix.place_px, fix.turn_rad)
        change = math.inf if self._before is None else self._change(luma, self._before, place)
        self._before = luma
        return _Row(
            frame.ordinal,
            frame.time_s,
            fix.place_px,
            fix.covariance,
            fix.turn_rad,
            fix.reason,
            shifts.astype(np.float32),
            seen,
            change,
            fix.agreed,
        )

    def _change(
        self, luma: NDArray[np.generic], before: NDArray[np.generic], place: FloatArray
    ) -> float:
        """Mean absolute change around the body since the picture before, grey levels."""
        x, y = place - (self.patch.w, self.patch.h)
        x0, y0 = max(int(x), 0), max(int(y), 0)
        skip = 1 + int(self.patch.w * self.patch.h) // 4000  # rows left out where there are plenty
        box = np.s_[y0 : int(y0 + 2 * self.patch.h) : skip, x0 : int(x0 + 2 * self.patch.w)]
        now, then = np.asarray(luma[box], np.float32), np.asarray(before[box], np.float32)
        return float(cv2.norm(now, then, cv2.NORM_L1)) / now.size if now.size else math.inf


def follow(
    clip: Clip,
    ordinal: int,
    patch: Patch,
    span: Span,
    progress: Progress | None = None,
    observer: Observer | None = None,
    wheels: Sequence[Wheel] = (),
    feeds: Sequence[Feed] = (),
) -> Following:
    """Follow the body patch, the background and the wheels through a span.

    Parameters
    ----------
    clip : Clip
    ordinal : int
        Reference frame, inside the span.
    patch : Patch
        The body patch in that frame, px.
    span : Span
        First and last frame.
    progress : callable, optional
        Called with frames done and frames in all.
    observer : callable, optional
        Called with the ordinal, time (s) and place of the body (px, NaN where lost) of every
        frame as it is followed; a frame that is followed again, backwards, is told again. What is
        told is for looking at: camera shake is still in it. An exception raised in `progress` or
        `observer` ends the pass and reaches the caller.
    wheels : sequence of Wheel, optional
        Wheels marked in the reference frame, px.
    feeds : sequence of callable
        Given ordinal, time and luma of every frame once, in order of time, so that whatever else
        is followed shares the one decoding pass.

    Raises
    ------
    FollowError
        If the patch has no texture. A wheel that shows no turn is told in its own note.
    MarkError
        If a wheel mark is too small or leaves the picture.
    FrameError
        If the reference frame cannot be decoded.
    """
    reference = clip.frame(ordinal)

    def tracker_of() -> _Tracker:
        return _Tracker(reference, patch, wheels)

    tracker = tracker_of()
    forth = _forwards(
        clip, tracker, tracker_of, ordinal, span, reference, progress, observer, feeds
    )
    if forth.fresh is None:
        return _gather(forth.rows, tracker, tracker.wheels.settled(), forth.prints)
    back = tracker_of()
    earlier = _backwards(clip, back, ordinal, span.first, reference, observer)
    rows = earlier + [row for row in forth.rows if row.ordinal >= ordinal]
    turned = [
        [*_counted_down(before), *after]
        for before, after in zip(back.wheels.settled(), forth.fresh.wheels.settled(), strict=True)
    ]
    return _gather(rows, forth.fresh, turned, forth.prints)


@dataclass
class _Forth:
    """One pass forwards: rows, proofs, and the tracker that took over at the reference, if any."""

    rows: list[_Row]
    prints: dict[int, str]
    fresh: _Tracker | None


def _forwards(
    clip: Clip,
    tracker: _Tracker,
    tracker_of: Callable[[], _Tracker],
    ordinal: int,
    span: Span,
    reference: Frame,
    progress: Progress | None,
    observer: Observer | None,
    feeds: Sequence[Feed] = (),
) -> _Forth:
    """Follow a span in order of time.

    A body that does not arrive at its own mark at the reference frame was followed wrongly before
    it: a fresh tracker takes over there, and the frames before are to be followed backwards.
    """
    prints = {ordinal: reference.fingerprint}
    if span.first < ordinal:
        tracker.start_unknown()
    total = span.last - span.first + 1
    rows: list[_Row] = []
    fresh: _Tracker | None = None
    threads = max(1, cores_to_use() - 1)  # one core is left for following
    for frame in read_ahead(clip.frames(span.first, span.last, threads=threads)):
        if frame.ordinal == ordinal and rows and not _lands_on_patch(tracker, frame):
            fresh = tracker_of()
        rows.append((fresh or tracker).step(frame))
        _tell(observer, rows[-1])
        for feed in feeds:
            feed(frame.ordinal, frame.time_s, frame.luma)
        if frame.ordinal in (span.first, span.last):
            prints[frame.ordinal] = frame.fingerprint
        if progress is not None:
            progress(len(rows), total)
    return _Forth(rows, prints, fresh)


def _counted_down(fixes: list[WheelFix]) -> list[WheelFix]:
    """Fixes that were found backwards in time, in order of time; stretches numbered below 0."""
    return [replace(fix, stretch=-fix.stretch) for fix in reversed(fixes)]


def _tell(observer: Observer | None, row: _Row) -> None:
    if observer is not None:
        observer(row.ordinal, row.time_s, float(row.place[0]), float(row.place[1]))


def _lands_on_patch(tracker: _Tracker, frame: Frame) -> bool:
    """Whether the body, followed from the start of the span, arrives where it was marked."""
    trial = tracker.body.step(frame.luma, frame.time_s)
    return trial.found and float(np.hypot(*(trial.place_px - tracker.middle))) < AGREES_PX


def _backwards(
    clip: Clip,
    tracker: _Tracker,
    ordinal: int,
    first: int,
    reference: Frame,
    observer: Observer | None = None,
) -> list[_Row]:
    """Rows of the frames before the reference, followed from it backwards in time."""
    held = max(8, BACKWARD_BYTES // max(reference.luma.nbytes, 1))
    rows: list[_Row] = []
    last = ordinal - 1
    while last >= first:
        start = max(first, last - held + 1)
        frames = list(clip.frames(start, last))
        for frame in reversed(frames):
            rows.append(tracker.step(frame))
            _tell(observer, rows[-1])
        last = start - 1
    return rows[::-1]


def _gather(
    rows: list[_Row], tracker: _Tracker, turned: list[list[WheelFix]], prints: dict[int, str]
) -> Following:
    """Rows as arrays."""
    factors = np.sqrt(tracker.body.inflation)
    points = np.zeros((0, 2))
    point_u = np.zeros((0, 2))
    if tracker.background is not None:
        points = tracker.background.pieces.centres
        point_u = tracker.background.u_px()
    return Following(
        ordinals=np.array([row.ordinal for row in rows], dtype=np.intp),
        times_s=np.array([row.time_s for row in rows], dtype=np.float64),
        body_px=np.array([row.place for row in rows]).reshape(-1, 2),
        body_covariance=np.array([row.covariance for row in rows]).reshape(-1, 2, 2)
        * np.outer(factors, factors),
        turn_rad=np.array([row.turn_rad for row in rows]),
        reasons=[row.reason for row in rows],
        points_px=points,
        shifts_px=np.array([row.shifts for row in rows], dtype=np.float64).reshape(
            len(rows), len(points), 2
        ),
        seen=np.array([row.seen for row in rows], dtype=bool).reshape(len(rows), len(points)),
        point_u_px=point_u,
        repeated=hardly_changed(np.array([row.change for row in rows])),
        renewed=tracker.body.renewed,
        fingerprints=prints,
        wheels=tuple(tracker.wheels.gather(turned, len(rows))),
        agreed=np.array([row.agreed for row in rows]),
    )
