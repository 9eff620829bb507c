"""The camera's own motion over a whole clip, quickly: points followed on pictures made smaller.

Points of an anchor picture are looked for in every picture, starting from where they were last,
so that errors do not add up; when too few are left a new anchor is taken, and its place is carried
on. What most points agree on is the camera. Good to some hundredths of a pixel of the small
picture: enough to say how a camera stood, not to take its motion out of a reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray
from clipmark.motion.slow import without_slow

SMALL_PX = 640  # longer side of the picture in which points are followed
MOST_POINTS, LEAST_POINTS = 120, 12
TILES = (6, 4)
WINDOW = (17, 17)
AGREE_PX = 1.0  # of the small picture: points off the common motion by more are not background
KEPT_PX = 4.0  # off by more: not kept in the tracks either
LEAST_SHARE = 0.4
LEAST_CORNER = 1e-4  # smaller eigenvalue, 8 bits: less texture than this is noise
MOST_OFF_PX = 6.0  # mean absolute difference in grey levels beyond which a point was lost
SLOW_S = 1.0
MOST_TRACKED = 900  # frames whose single points are kept
STOP = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.005)


@dataclass(frozen=True, eq=False)
class Shake:
    """Where the picture lay in K frames, against the first one.

    Attributes
    ----------
    shift_px : ndarray, shape (K, 2)
        Of the background at the picture's middle, px of the full picture; NaN where not known.
    roll_deg : ndarray, shape (K,)
        Turn of the picture's content, positive counter-clockwise as seen.
    anchors : int
        Pictures that others were compared with: 1 when the view stayed.
    tracks : Tracks or None
        Points of the longest stretch with one anchor.
    """

    shift_px: FloatArray
    roll_deg: FloatArray
    anchors: int
    tracks: Tracks | None

    def rms(self, times_s: FloatArray) -> tuple[float, float]:
        """Root mean square of shift (px) and roll (deg) about a straight line over 1 s around.

        Slow changes are pans; without times, frames count as a thirtieth of a second.
        """
        t = times_s if np.isfinite(times_s).all() else np.arange(len(self.roll_deg)) / 30.0
        columns = np.column_stack([self.shift_px, self.roll_deg])
        known = np.isfinite(columns).all(axis=1)
        if known.sum() < 3:
            return float("nan"), float("nan")
        t, columns = t[known], columns[known]
        rest = without_slow(t, columns, SLOW_S)
        x, y, roll = np.sqrt((rest**2).mean(axis=0))
        return float(np.hypot(x, y)), float(roll)


@dataclass(frozen=True, eq=False)
class Tracks:
    """Points followed from one anchor, px of the full picture.

    ``ordinals`` (K,), ``points_px`` (P, 2), ``shifts_px`` (K, P, 2), ``seen`` (K, P), ``scale``
    full px per px of the picture in which they were followed.
    """

    ordinals: NDArray[np.intp]
    points_px: FloatArray
    shifts_px: FloatArray
    seen: NDArray[np.bool_]
    scale: float


@dataclass
class _Stretch:
    """Rows of one anchor."""

    points: FloatArray
    ordinals: list[int] = field(default_factory=list)
    places: list[FloatArray] = field(default_factory=list)
    seen: list[NDArray[np.bool_]] = field(default_factory=list)


class ShakeFollower:
    """Takes pictures in order of time; `result` says how the camera moved.

    Parameters
    ----------
    black, white : float
        Luma codes.
    count : int
        Frames of the clip.
    """

    def __init__(self, black: float, white: float, count: int) -> None:
        self._levels = black, white
        self._shift, self._roll = np.full((count, 2), np.nan), np.full(count, np.nan)
        self._anchor: NDArray[np.uint8] | None = None
        self._stretch = _Stretch(np.zeros((0, 2)))
        self._longest: _Stretch | None = None
        self._base = np.eye(2, 3)
        self._last = np.eye(2, 3)
        self._places = np.zeros((0, 2))
        self._anchors = 0
        self._scale = 1.0

    def step(self, ordinal: int, luma: NDArray[np.generic]) -> None:
        """Look at the next picture, shape (H, W), upright."""
        small = self._small(luma)
        if self._anchor is None or self._anchor.shape != small.shape:
            self._take(ordinal, small)
            return
        found = self._find(small)
        if found is None:
            self._take(ordinal, small)
            return
        move, places, seen = found
        self._note(ordinal, small.shape, _joined(self._base, move))
        self._last, self._places = move, places
        if len(self._stretch.ordinals) < MOST_TRACKED:
            self._stretch.ordinals.append(ordinal)
            self._stretch.places.append(places)
            self._stretch.seen.append(seen)

    def result(self) -> Shake:
        """What was found so far."""
        self._keep_longest()
        tracks = None
        if self._longest is not None and self._longest.ordinals:
            kept = self._longest
            places = np.stack(kept.places)
            tracks = Tracks(
                np.array(kept.ordinals),
                kept.points * self._scale,
                (places - kept.points) * self._scale,
                np.stack(kept.seen),
                self._scale,
            )
        return Shake(self._shift, self._roll, self._anchors, tracks)

    def _small(self, luma: NDArray[np.generic]) -> NDArray[np.uint8]:
        black, white = self._levels
        self._scale = max(1.0, max(luma.shape) / SMALL_PX)
        size = (round(luma.shape[1] / self._scale), round(luma.shape[0] / self._scale))
        shrunk = cv2.resize(np.asarray(luma), size, interpolation=cv2.INTER_AREA)
        if shrunk.dtype == np.uint8:
            return np.asarray(shrunk, dtype=np.uint8)
        scaled = (shrunk.astype(np.float32) - black) * (255.0 / (white - black))
        return np.asarray(np.clip(scaled, 0, 255), dtype=np.uint8)

    def _take(self, ordinal: int, small: NDArray[np.uint8]) -> None:
        """Make this picture the anchor; its own place goes on from the last known one."""
        self._keep_longest()
        if self._anchor is not None:
            self._base = _joined(self._base, self._last)
        self._anchor, self._last = small, np.eye(2, 3)
        points = _corners(small)
        self._places = points
        self._stretch = _Stretch(points)
        self._anchors += 1
        if len(points) >= LEAST_POINTS:
            self._note(ordinal, small.shape, self._base)
            self._stretch.ordinals.append(ordinal)
            self._stretch.places.append(points)
            self._stretch.seen.append(np.ones(len(points), dtype=bool))

    def _keep_longest(self) -> None:
        if self._longest is None or len(self._stretch.ordinals) > len(self._longest.ordinals):
            self._longest = self._stretch

    def _find(
        self, small: NDArray[np.uint8]
    ) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]] | None:
        """Common motion since the anchor, (2, 3); places of all points; which are seen."""
        points = self._stretch.points
        assert self._anchor is not None
        if len(points) < LEAST_POINTS:
            return None
        start = np.ascontiguousarray(points[:, None], dtype=np.float32)
        guess = np.ascontiguousarray(self._places[:, None], dtype=np.float32)
        there, good, off = cv2.calcOpticalFlowPyrLK(
            self._anchor, small, start, guess, winSize=WINDOW, maxLevel=2, criteria=STOP,
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )  # fmt: skip
        places = there[:, 0].astype(np.float64)
        seen = (good[:, 0] == 1) & (off[:, 0] < MOST_OFF_PX)
        seen &= (np.abs(places - points) < max(small.shape)).all(axis=1)
        if seen.sum() < max(LEAST_POINTS, LEAST_SHARE * len(points)):
            return None
        agree, move = seen.copy(), self._last
        for turn in range(4):
            gap = np.hypot(*(_moved(move, points) - places).T)
            near = 3 * AGREE_PX if turn == 0 else AGREE_PX
            if turn == 0:  # a step of the whole picture since the last frame
                step = np.median((places - _moved(move, points))[seen], axis=0)
                gap = np.hypot(*(_moved(move, points) + step - places).T)
            agree = seen & (gap < near)
            if agree.sum() < max(LEAST_POINTS, LEAST_SHARE * len(points)):
                return None
            move = _similarity(points[agree], places[agree])
        # rows that are read late lie off the common motion, and shall be seen to
        kept = seen & (np.hypot(*(_moved(move, points) - places).T) < KEPT_PX)
        return move, np.where(seen[:, None], places, _moved(move, points)), kept

    def _note(self, ordinal: int, shape: tuple[int, ...], move: FloatArray) -> None:
        middle = np.array([[(shape[1] - 1) / 2, (shape[0] - 1) / 2]])
        self._shift[ordinal] = (_moved(move, middle) - middle)[0] * self._scale
        self._roll[ordinal] = -np.degrees(np.arctan2(move[1, 0], move[0, 0]))


def _corners(small: NDArray[np.uint8]) -> FloatArray:
    """Textured points from every part of the picture, shape (N, 2)."""
    height, width = small.shape
    across, down = TILES
    strength = cv2.cornerMinEigenVal(small, 5)
    found = []
    for row in range(down):
        for column in range(across):
            y0, y1 = height * row // down, height * (row + 1) // down
            x0, x1 = width * column // across, width * (column + 1) // across
            if float(strength[y0:y1, x0:x1].max()) < LEAST_CORNER:
                continue
            each: Any = cv2.goodFeaturesToTrack(
                small[y0:y1, x0:x1], MOST_POINTS // (across * down), 0.05, 9.0, blockSize=5
            )
            if each is not None and len(each):
                found.append(
                    np.asarray(each).reshape(-1, 2).astype(np.float64) + np.array([x0, y0])
                )
    return np.concatenate(found) if found else np.zeros((0, 2))


def _similarity(before: FloatArray, after: FloatArray) -> FloatArray:
    """Least-squares similarity, (2, 3) (S. Umeyama, IEEE PAMI 13, 1991)."""
    here, there = before.mean(axis=0), after.mean(axis=0)
    p, q = before - here, after - there
    size = max(float((p**2).sum()), 1e-12)
    a = float((p * q).sum()) / size
    b = float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()) / size
    turn = np.array([[a, -b], [b, a]])
    return np.column_stack([turn, there - turn @ here])


def _moved(move: FloatArray, points: FloatArray) -> FloatArray:
    return np.asarray(points @ move[:, :2].T + move[:, 2])


def _joined(first: FloatArray, second: FloatArray) -> FloatArray:
    """The second move after the first, (2, 3): first takes the view to its anchor."""
    turn = second[:, :2] @ first[:, :2]
    return np.column_stack([turn, second[:, :2] @ first[:, 2] + second[:, 2]])
