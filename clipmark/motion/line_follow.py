"""A straight line followed from frame to frame, from one anchor frame both ways in time.

Every frame is compared with the profile that the edge had in the anchor frame; the motion so far
only says where to look, so that errors do not add up along the clip. A line that is not where its
motion allows it to be, or is not like itself there, is lost, with the reason; it is picked up
again when it is seen near where it should be, and only where no other edge could be meant.

Turns are in the picture's own sense: positive from x (right) towards y (down), clockwise as seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.motion.line_follow_anchor import Anchor, take_anchor
from clipmark.motion.line_follow_strip import PointMap, Pose
from clipmark.motion.line_follow_way import Row, Way
from clipmark.motion.sampling import FloatArray

MOST_LAG = 6  # stations apart, up to which their errors may go together
LEAST_PAIRS = 40


@dataclass(frozen=True, eq=False)
class LineTrack:
    """A line in n frames, in order of time.

    Attributes
    ----------
    ordinals : ndarray of int, shape (n,)
    t_s : ndarray, shape (n,)
    ends_px : ndarray, shape (n, 2, 2)
        Both ends, px of the upright picture, the same way round as in the anchor frame; NaN where
        lost. Along the line they are only good to some px where nothing beside it shows more.
    turn_rad : ndarray, shape (n,)
        Direction less that in the anchor frame, unwrapped, in the straight picture (lens taken
        out); positive from x (right) towards y (down), clockwise as seen. NaN where lost.
    offset_px : ndarray, shape (n,)
        Distance of the line, where its middle is now, across it from the middle in the anchor
        frame, straight px; positive to the side a quarter turn on (down for a line to the right).
    u_turn_rad, u_offset_px : ndarray, shape (n,)
        Standard uncertainty of each frame's own line, at its middle: the random part. Differences
        against the anchor frame have the anchor's own besides, which all frames share.
    seen : ndarray of bool, shape (n,)
    reasons : tuple of str, length n
        Why there is no line in a frame, '' where there is.
    anchor_ordinal : int
    anchor_ends_px : ndarray, shape (2, 2)
        Both ends in the anchor frame, moved onto the edge, px of the upright picture.
    anchor_u_turn_rad, anchor_u_offset_px : float
        Standard uncertainty of the line in the anchor frame.
    slide_px : ndarray, shape (n,)
        Motion along itself as far as seen, straight px.
    contrast : ndarray, shape (n,)
        Of the edge over that in the anchor frame.
    good : ndarray, shape (n,)
        Share of the line that showed the edge.
    renewed : int
        How often the profile was taken anew.
    """

    ordinals: NDArray[np.intp]
    t_s: FloatArray
    ends_px: FloatArray
    turn_rad: FloatArray
    offset_px: FloatArray
    u_turn_rad: FloatArray
    u_offset_px: FloatArray
    seen: NDArray[np.bool_]
    reasons: tuple[str, ...]
    anchor_ordinal: int
    anchor_ends_px: FloatArray
    anchor_u_turn_rad: float
    anchor_u_offset_px: float
    slide_px: FloatArray
    contrast: FloatArray
    good: FloatArray
    renewed: int = 0


class FollowedLine(Protocol):
    """A line that is followed, by its edge or by its ends."""

    @property
    def anchor_angle_rad(self) -> float:
        """Direction in the anchor frame, straight px."""

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        """Find it in the next frame of its direction."""

    def latest_pose(self) -> Pose | None:
        """Where it was in the frame fed last; None where lost."""

    def track(self) -> LineTrack:
        """Everything found so far, in order of time."""


def _as_it_is(points: FloatArray) -> FloatArray:
    return points


class LineFollower:
    """Follows one line; feed it frames going away from the anchor, in either direction.

    Parameters
    ----------
    anchor_luma : ndarray, shape (H, W)
        The anchor frame, upright.
    line_ends_px : array_like, shape (2, 2)
        Both ends on it, px of the upright picture: rough to some px, or fitted.
    levels : (float, float)
        Codes of black and white.
    ordinal, t_s : int, float
        Of the anchor frame. Frames with a smaller ordinal are taken as followed backwards: they
        must come in falling order, the others in rising order; both may be mixed.
    to_straight, from_straight : callable
        Between upright-picture px and straight px (pixel aspect and lens taken out), shape (n, 2).

    Raises
    ------
    FollowError
        If no edge is there.
    """

    def __init__(
        self,
        anchor_luma: NDArray[np.generic],
        line_ends_px: ArrayLike,
        levels: tuple[float, float] = (16.0, 235.0),
        *,
        ordinal: int = 0,
        t_s: float = 0.0,
        to_straight: PointMap = _as_it_is,
        from_straight: PointMap = _as_it_is,
    ) -> None:
        ends = np.asarray(line_ends_px, dtype=np.float64).reshape(2, 2)
        self._from_straight = from_straight
        straight = np.asarray(to_straight(ends), dtype=np.float64)
        self._anchor = take_anchor(anchor_luma, straight, from_straight)
        self._ordinal = ordinal
        grey = (levels[1] - levels[0]) / 219.0
        self._forth = Way(self._anchor, t_s, from_straight, grey)
        self._back = Way(self._anchor, t_s, from_straight, grey)
        self._rows: dict[int, Row] = {}

    @property
    def anchor(self) -> Anchor:
        """The line as remembered."""
        return self._anchor

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        """Find the line in the next frame of its direction."""
        way = self._forth if ordinal >= self._ordinal else self._back
        self._rows[ordinal] = way.step(ordinal, t_s, luma)

    def latest(self) -> Row | None:
        """What was found in the frame fed last; None before any."""
        return next(reversed(self._rows.values()), None)

    @property
    def anchor_angle_rad(self) -> float:
        """Direction of the line in the anchor frame, straight px."""
        return self._anchor.pose.angle

    def latest_pose(self) -> Pose | None:
        """Where the line was in the frame fed last; None where lost."""
        row = self.latest()
        return None if row is None or row.fit is None else row.pose

    def track(self) -> LineTrack:
        """Everything found so far, in order of time."""
        rows = [self._rows[k] for k in sorted(self._rows)]
        anchor, count = self._anchor, len(rows)
        grown = math.sqrt(_correlation_factor(rows))
        turn, offset, slide = (np.full(count, np.nan) for _ in range(3))
        u_turn, u_offset, contrast = (np.full(count, np.nan) for _ in range(3))
        straight = np.full((count, 2, 2), np.nan)
        for k, row in enumerate(rows):
            if row.fit is None:
                continue
            across = row.pose.across
            turn[k] = row.pose.angle - anchor.pose.angle
            offset[k] = across @ (row.pose.x - anchor.pose.x, row.pose.y - anchor.pose.y)
            u_offset[k], u_turn[k] = np.sqrt(np.diag(row.covariance)) * grown
            slide[k], contrast[k] = row.slide_px, row.contrast
            straight[k] = row.pose.ends(anchor.stations.half_px)
        seen = np.array([row.fit is not None for row in rows], dtype=bool)
        ends = np.full((count, 2, 2), np.nan)
        if seen.any():
            ends[seen] = self._from_straight(straight[seen].reshape(-1, 2)).reshape(-1, 2, 2)
        own = np.sqrt(np.diag(anchor.fit.covariance)) * grown
        return LineTrack(
            ordinals=np.array([row.ordinal for row in rows], dtype=np.intp),
            t_s=np.array([row.t_s for row in rows], dtype=np.float64),
            ends_px=ends,
            turn_rad=turn,
            offset_px=offset,
            u_turn_rad=u_turn,
            u_offset_px=u_offset,
            seen=seen,
            reasons=tuple(row.reason for row in rows),
            anchor_ordinal=self._ordinal,
            anchor_ends_px=self._from_straight(anchor.pose.ends(anchor.stations.half_px)),
            anchor_u_turn_rad=float(own[1]),
            anchor_u_offset_px=float(own[0]),
            slide_px=slide,
            contrast=contrast,
            good=np.array([row.good for row in rows], dtype=np.float64),
            renewed=self._forth.renewed + self._back.renewed,
        )


def _correlation_factor(rows: list[Row]) -> float:
    """How much the variance of a line grows since neighbouring stations err together, at least 1.

    One plus twice the sum of the correlations of the residuals, over all frames, up to the first
    that is not above its noise; the straight line taken out of them lowers each by about 2 / n.
    """
    fits = [row.fit for row in rows if row.fit is not None]
    if not fits:
        return 1.0
    left = np.array([fit.residuals for fit in fits])
    use = np.array([fit.good for fit in fits])
    power = float(np.sum(left**2)) / max(int(use.sum()), 1)
    if power <= 0:
        return 1.0
    few = 2.0 / max(float(use.sum(axis=1).mean()), 3.0)
    factor = 1.0
    for lag in range(1, min(MOST_LAG, left.shape[1] // 3) + 1):
        pairs = int(np.sum(use[:, lag:] & use[:, :-lag]))
        if pairs < LEAST_PAIRS:
            break
        rho = float(np.sum(left[:, lag:] * left[:, :-lag])) / pairs / power + few
        if rho < 2 / math.sqrt(pairs):
            break
        factor += 2 * rho
    return factor
