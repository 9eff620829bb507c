"""A line followed by two patches at its ends, where no straight edge shows along it.

Each patch is compared with the anchor frame, turned with the line (`clipmark.motion.tyre_follow`),
so that errors do not add up. The line is carried by the middles of the two patches: it turns as
the way from one to the other turns. Turns are clockwise as seen, from x (right) to y (down).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import FollowError
from clipmark.marks import Patch
from clipmark.motion.line_follow import LineTrack
from clipmark.motion.line_follow_strip import PointMap, Pose
from clipmark.motion.sampling import FloatArray
from clipmark.motion.tyre_follow import Carrier, TyreFix, TyreFollower

SIZE_SHARE = 0.3  # of the line's length
LEAST_PX, MOST_PX = 18.0, 56.0  # of a patch's side
LEAST_LENGTH_PX = 48.0
STRETCHED = 0.04  # of the length, by which the patches may come closer or go apart
SLOW_PX = 0.02  # of a patch: slow errors that its own scatter does not show
APART = "the ends moved apart"


class EndsFollower:
    """Follows a line by patches at its ends; feed it frames going away from the anchor.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Anchor frame, upright.
    line_ends_px : array_like, shape (2, 2)
        Both ends, upright px.
    what : str
        The line as an operator calls it.
    ordinal, t_s
        Of the anchor frame.
    aspect : float
        Width of one pixel over its height.
    noise : float
        Of one pixel, luma codes.
    to_straight, from_straight : callable
        Between upright px and straight px (pixel aspect and lens taken out), shape (n, 2).

    Raises
    ------
    FollowError
        If the line is too short for two patches, or an end shows nothing to follow.
    """

    def __init__(
        self,
        luma: NDArray[np.generic],
        line_ends_px: ArrayLike,
        what: str,
        *,
        ordinal: int,
        t_s: float,
        aspect: float,
        noise: float,
        to_straight: PointMap,
        from_straight: PointMap,
    ) -> None:
        self._marked = np.asarray(line_ends_px, dtype=np.float64).reshape(2, 2)
        self._to, self._from = to_straight, from_straight
        self._stretch = np.array([aspect, 1.0])
        self._ordinal = ordinal
        length = float(np.hypot(*(self._marked[1] - self._marked[0])))
        if length < LEAST_LENGTH_PX:
            raise FollowError(
                f"the {what} is {length:.0f} px long, too short to be followed by its ends; mark "
                "it longer, or film from nearer"
            )
        side = float(np.clip(SIZE_SHARE * length, LEAST_PX, MOST_PX))
        self.patches = tuple(_patch_at(end, side, luma.shape) for end in self._marked)
        self._ends = [
            TyreFollower(
                luma,
                patch,
                ordinal=ordinal,
                t_s=t_s,
                line_px=None,
                aspect=aspect,
                noise=noise,
                what=f"the {name} end of the {what}",
            )
            for patch, name in zip(self.patches, ("first", "second"), strict=True)
        ]
        self._middles = self._straight(np.array([end.middle for end in self._ends]))
        self._own = np.asarray(to_straight(self._marked), dtype=np.float64)
        self._pose: Pose | None = None

    @property
    def anchor_angle_rad(self) -> float:
        """Direction of the line in the anchor frame, straight px."""
        way = self._own[1] - self._own[0]
        return math.atan2(float(way[1]), float(way[0]))

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        """Find both ends in the next frame of their direction."""
        carrier = self._carrier()
        fixes = [end.feed(ordinal, t_s, luma, carrier) for end in self._ends]
        carried = self._carried(fixes)
        self._pose = None
        if carried is not None:
            ends, turn = carried
            x, y = ends.mean(axis=0)
            self._pose = Pose(float(x), float(y), self.anchor_angle_rad + turn)

    def latest_pose(self) -> Pose | None:
        """Where the line was in the frame fed last; None where lost."""
        return self._pose

    def track(self) -> LineTrack:
        """Everything found so far, in order of time."""
        fixes = [end.fixes() for end in self._ends]
        count = len(fixes[0])
        ends = np.full((count, 2, 2), np.nan)
        turn, offset, slide = (np.full(count, np.nan) for _ in range(3))
        u_turn, u_offset = np.full(count, np.nan), np.full(count, np.nan)
        reasons, good = [], np.zeros(count)
        start = self._own.mean(axis=0)
        along = (self._own[1] - self._own[0]) / np.hypot(*(self._own[1] - self._own[0]))
        lever = float(np.hypot(*(self._middles[1] - self._middles[0])))
        before = 0.0
        for k, pair in enumerate(zip(*fixes, strict=True)):
            carried = self._carried(list(pair))
            reason = next((fix.reason for fix in pair if fix.reason), "")
            if carried is None:
                reasons.append(reason or APART)
                continue
            reasons.append("")
            straight, turned = carried
            before += math.remainder(turned - before, 2 * math.pi)
            turn[k], good[k] = before, 1.0
            c, s = math.cos(before), math.sin(before)
            ahead = np.array([c * along[0] - s * along[1], s * along[0] + c * along[1]])
            moved = straight.mean(axis=0) - start
            offset[k] = float(np.array([-ahead[1], ahead[0]]) @ moved)
            slide[k] = float(ahead @ moved)
            own = [math.hypot(fix.u_px, SLOW_PX) for fix in pair]
            u_turn[k] = math.hypot(*own) / lever
            u_offset[k] = math.hypot(*own) / 2
            ends[k] = self._from(straight)
        seen = np.isfinite(turn)
        first = pair_u(fixes)
        return LineTrack(
            ordinals=np.array([fix.ordinal for fix in fixes[0]], dtype=np.intp),
            t_s=np.array([fix.t_s for fix in fixes[0]], dtype=np.float64),
            ends_px=ends,
            turn_rad=turn,
            offset_px=offset,
            u_turn_rad=u_turn,
            u_offset_px=u_offset,
            seen=seen,
            reasons=tuple(reasons),
            anchor_ordinal=self._ordinal,
            anchor_ends_px=self._marked,
            anchor_u_turn_rad=first / lever,
            anchor_u_offset_px=first / 2,
            slide_px=slide,
            contrast=np.ones(count),
            good=good,
        )

    def _straight(self, square_px: FloatArray) -> FloatArray:
        """Straight px of places in the picture with square pixels."""
        return np.asarray(self._to(square_px / self._stretch), dtype=np.float64)

    def _carried(self, fixes: list[TyreFix]) -> tuple[FloatArray, float] | None:
        """Both ends of the line, straight px, and its turn; None where an end is not seen."""
        if not all(fix.found for fix in fixes):
            return None
        now = self._straight(np.array([fix.place_px for fix in fixes]))
        way, then = now[1] - now[0], self._middles[1] - self._middles[0]
        if abs(np.hypot(*way) / np.hypot(*then) - 1) > STRETCHED:
            return None
        turn = math.atan2(way[1], way[0]) - math.atan2(then[1], then[0])
        c, s = math.cos(turn), math.sin(turn)
        from_middle = self._own - self._middles.mean(axis=0)
        turned = from_middle @ np.array([[c, s], [-s, c]])
        return now.mean(axis=0) + turned, turn

    def _carrier(self) -> Carrier | None:
        """Where the line was last: an end that was lost is looked for beside the other."""
        pose = self._pose
        if pose is None:
            return None
        upright = np.asarray(self._from(np.array([[pose.x, pose.y]])))[0] * self._stretch
        return Carrier(float(upright[0]), float(upright[1]), pose.angle - self.anchor_angle_rad)


def pair_u(fixes: list[list[TyreFix]]) -> float:
    """Root of both patches' typical variance, px."""
    typical = []
    for one in fixes:
        found = [fix.u_px for fix in one if fix.found]
        typical.append(math.hypot(float(np.median(found)) if found else 0.0, SLOW_PX))
    return math.hypot(*typical)


def _patch_at(end_px: FloatArray, side: float, shape: tuple[int, ...]) -> Patch:
    """A square with its middle at an end, moved into the picture."""
    limit = np.array([shape[1], shape[0]], dtype=np.float64) - side - 1
    left, top = np.clip(end_px - side / 2, 0.0, np.maximum(limit, 0.0))
    return Patch(float(left), float(top), side, side)
