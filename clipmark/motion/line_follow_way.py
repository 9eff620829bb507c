"""One direction of following a line: prediction, a short fit, the verdict, and finding it again."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.motion.line_follow_anchor import WORST_U_PX, Anchor, flanks_of, remember
from clipmark.motion.line_follow_fit import StationFit, fit_stations, median
from clipmark.motion.line_follow_search import search_line
from clipmark.motion.line_follow_slide import sides_of, slide_px
from clipmark.motion.line_follow_strip import Compared, PointMap, Pose, Strips, read_strips
from clipmark.motion.sampling import FloatArray

LEAST_SHARE = 0.4  # of the stations in the picture that must show the edge
LEAST_CLOSE = 0.35  # of them that must show it close to one straight line
LEAST_INSIDE = 0.4  # of the line that must be in the picture
LEAST_SPAN = 0.45  # of the line's length, between the outermost stations that agree
AGAIN_SHARE = 0.55  # of the stations, when a lost line is picked up again
LINEAR_PX = 0.2  # shifts up to this are read by one comparison
MOST_FITS = 4
GATE_PX, GATE_RAD = 1.5, 0.012  # beyond constant motion in one step, across and in direction
GATE_SHARE = 1.0  # and so much of its own step: it may stop at once
UNKNOWN_RATE = 3.0  # times as far, where the rates are not known yet
RATE_FRAMES = 3  # after which they are
BESIDE_SHARE = 0.45  # of the distance of the nearest parallel edge, without a look around
FOLLOWS = 0.35  # of what the prediction missed goes into the rates
LOST_PX, LOST_PX_S, MOST_LOST_PX = 3.0, 40.0, 36.0  # looked around, growing with time lost
MOST_GATE_PX = 8.0  # of which a look for a lost line makes use
COAST_S = 0.4  # a lost line is thought to move on for so long
EAGER_FRAMES, LAZY_EVERY = 10, 4  # lost frames searched one by one, before every few only
WEAK_SHARE, BLURRED_SHARE = 0.4, 0.6  # of the usual contrast; of the usual step over the edge
RENEW_LIKENESS, SETTLED_FRAMES = 0.8, 15
LEAST_KEPT = 0.3  # of a station's usual contrast
FADED = 0.6  # of the anchor's contrast: an edge that was stronger just before did not fade away
PARTLY = 0.15  # of the stations still show the edge: the others are hidden
KEEPS = 0.9  # of the stations' usual contrast, in each frame
COVERED, BLURRED, LEFT = "covered", "blurred", "left the picture"
WEAK, JUMPED, UNSURE = "too weak", "jumped", "two edges alike"


@dataclass(frozen=True, eq=False)
class Row:
    """A line in one frame: pose, covariance of offset (px) and turn (rad), or why there is none."""

    ordinal: int
    t_s: float
    pose: Pose
    fit: StationFit | None
    covariance: FloatArray
    reason: str
    slide_px: float = 0.0
    contrast: float = math.nan
    good: float = 0.0


@dataclass(frozen=True, eq=False)
class _Look:
    """What a pose was corrected to, and the last comparison there."""

    pose: Pose
    fit: StationFit | None
    seen: Compared
    strips: Strips

    @property
    def inside(self) -> float:
        return float(self.strips.inside.mean())


class Way:
    """Follows a line in one direction of time.

    Parameters
    ----------
    anchor : Anchor
    t_s : float
        Time of the anchor frame.
    from_straight : callable
    grey : float
        Luma codes of one grey level of 8 bit.
    """

    def __init__(self, anchor: Anchor, t_s: float, from_straight: PointMap, grey: float) -> None:
        self._anchor = anchor
        self._from_straight = from_straight
        self._grey = grey
        self._pose = anchor.pose
        self._rates = np.zeros(3)  # across, along (px/s), turn (rad/s)
        self._t_s = t_s
        self._contrast = anchor.contrast.copy()
        self._faded = 1.0  # contrast lately, of the anchor's
        self._carried = np.zeros((2, 2))
        self._likeness: list[float] = []
        self._slide = 0.0
        self._lost = 0
        self._known = 0  # frames that the rates were learned from
        self._why = ""
        self.renewed = 0

    def step(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> Row:
        """Find the line in the next frame."""
        elapsed = t_s - self._t_s
        predicted = self._predicted(elapsed)
        if self._lost:
            look, reason = self._find_again(luma, predicted, elapsed)
        else:
            look = self._settle(luma, predicted)
            near = min(self._gate_px(elapsed), BESIDE_SHARE * self._anchor.beside_px)
            reason = self._judge(look, predicted, near, LEAST_SHARE)
            if reason and reason != LEFT:
                look, reason = self._look_around(luma, predicted, elapsed, look, reason)
        if reason or look is None or look.fit is None:
            self._lost += 1
            self._why = reason if reason == LEFT or not self._why else self._why
            return Row(ordinal, t_s, predicted, None, self._carried, self._why)
        return self._accept(ordinal, t_s, luma, look, predicted, elapsed)

    def _predicted(self, elapsed_s: float) -> Pose:
        """The line after moving on at its rates; not for longer than `COAST_S`."""
        span = math.copysign(min(abs(elapsed_s), COAST_S), elapsed_s)
        across, along, turn = self._rates * span
        half = Pose(self._pose.x, self._pose.y, self._pose.angle + turn / 2)
        there = half.moved(float(across), 0.0, float(along))
        return Pose(there.x, there.y, self._pose.angle + float(turn))

    def _gate_px(self, elapsed_s: float) -> float:
        """How far an end may lie from its prediction."""
        half = self._anchor.stations.half_px
        step = (abs(self._rates[0]) + abs(self._rates[2]) * half) * abs(elapsed_s)
        gate = GATE_PX + GATE_RAD * half
        if self._known < RATE_FRAMES:
            return gate * UNKNOWN_RATE
        return gate + GATE_SHARE * float(step)

    def _settle(self, luma: NDArray[np.generic], pose: Pose) -> _Look:
        """Correct a pose by the stations' shifts until they are small."""
        anchor = self._anchor
        half = anchor.stations.half_px
        for _ in range(MOST_FITS):
            strips = read_strips(
                luma, pose, anchor.stations, anchor.profile.across_px, self._from_straight
            )
            seen = anchor.profile.compare(strips.profiles)
            fit = fit_stations(anchor.stations.places, seen, strips.inside, self._alike(seen))
            if fit is None or fit.end_shift(half) > 3.0:
                return _Look(pose, None, seen, strips)
            pose = pose.moved(fit.offset, fit.slope)
            if fit.end_shift(half) < LINEAR_PX:
                break
        return _Look(pose, fit, seen, strips)

    def _judge(self, look: _Look, predicted: Pose, gate_px: float, share: float) -> str:
        """Empty when the line found can be believed, else the reason in words."""
        if look.inside < LEAST_INSIDE:
            return LEFT
        places, half = self._anchor.stations.places, self._anchor.stations.half_px
        fit, inside = look.fit, look.strips.inside
        known = inside & (self._contrast != 0)
        usable = known if known.any() else inside
        if fit is None or fit.good[usable].mean() < share:
            return self._unlike(look)
        if (fit.close & fit.good)[usable].mean() < LEAST_CLOSE:
            return self._unlike(look)
        held = places[fit.good]
        if float(held.max() - held.min()) < LEAST_SPAN * 2 * half:
            return self._unlike(look)
        u_end = math.sqrt(fit.covariance[0, 0] + half**2 * fit.covariance[1, 1])
        if u_end > WORST_U_PX:
            return WEAK
        if _ends_apart(look.pose, predicted, half) > gate_px:
            return JUMPED
        return ""

    def _alike(self, seen: Compared) -> NDArray[np.bool_]:
        """Stations whose contrast is as it was lately: of its sign and about its size."""
        ratio = seen.contrast * self._contrast / np.maximum(self._contrast**2, 1e-9)
        return np.asarray((ratio > LEAST_KEPT) & (ratio < 1 / LEAST_KEPT))

    def _unlike(self, look: _Look) -> str:
        """Why strips do not look like the edge: covered, blurred or too weak."""
        use = look.strips.inside & (self._contrast != 0)
        if not use.any() or (look.fit is not None and look.fit.good[use].mean() > PARTLY):
            return COVERED
        flanks = flanks_of(look.strips.profiles)[use]
        usual = self._anchor.flanks[use]
        kept = flanks * np.sign(usual) / np.maximum(np.abs(usual), 1e-6)
        if float(np.median(kept)) > BLURRED_SHARE and float(np.median(look.seen.likeness[use])) > 0:
            return BLURRED
        usual = np.abs(self._contrast[use])
        weak = float(np.median(look.strips.profiles[use].std(axis=1) / usual)) < WEAK_SHARE
        return WEAK if weak and self._faded < FADED else COVERED

    def _look_around(
        self,
        luma: NDArray[np.generic],
        predicted: Pose,
        elapsed: float,
        look: _Look,
        reason: str,
    ) -> tuple[_Look, str]:
        """A second look within the gate, for a line that moved more than one comparison reads."""
        gate = self._gate_px(elapsed)
        reach = min(gate, MOST_LOST_PX)
        found = self._search(luma, predicted, reach, reach)
        if found is None:
            return look, reason
        other = self._settle(luma, found)
        again = self._judge(other, predicted, 2 * gate, LEAST_SHARE)  # both add up at an end
        return (look, reason) if again else (other, "")

    def _search(
        self, luma: NDArray[np.generic], pose: Pose, reach_px: float, turn_px: float
    ) -> Pose | None:
        found = search_line(
            luma,
            pose,
            self._anchor.stations,
            self._anchor.profile,
            self._contrast,
            (reach_px, turn_px),
            self._from_straight,
        )
        return found.pose if found.sure else None

    def _find_again(
        self, luma: NDArray[np.generic], predicted: Pose, elapsed: float
    ) -> tuple[_Look | None, str]:
        """Look for a lost line where it should be by now, and where it was seen last."""
        if self._lost > EAGER_FRAMES and self._lost % LAZY_EVERY:
            return None, self._why
        reach = min(
            LOST_PX + min(self._gate_px(0.02), MOST_GATE_PX) + LOST_PX_S * abs(elapsed),
            MOST_LOST_PX,
        )
        half = self._anchor.stations.half_px
        starts = [predicted]
        if _ends_apart(predicted, self._pose, half) > reach / 2:
            starts.append(self._pose)
        reason = self._why
        for start in starts:
            found = self._search(luma, start, reach, reach / 2)
            if found is None:
                continue
            look = self._settle(luma, found)
            reason = self._judge(look, start, 2 * reach, AGAIN_SHARE)
            if not reason:
                return look, ""
        return None, LEFT if reason == LEFT else self._why

    def _accept(
        self,
        ordinal: int,
        t_s: float,
        luma: NDArray[np.generic],
        look: _Look,
        predicted: Pose,
        elapsed: float,
    ) -> Row:
        """Take the line found, learn from it, and say what it is."""
        fit = look.fit
        assert fit is not None
        anchor = self._anchor
        slide = 0.0
        if look.inside == 1.0:
            slide = slide_px(anchor.sides, sides_of(look.strips), anchor.stations.grain_px)
        pose = look.pose.moved(0.0, 0.0, slide)
        if elapsed:
            self._learn(pose, predicted, elapsed)
        ratio = look.seen.contrast[fit.good] / np.where(
            anchor.contrast[fit.good] == 0, np.nan, anchor.contrast[fit.good]
        )
        known = np.abs(ratio[np.isfinite(ratio)])
        kept = median(known) if known.size else math.nan
        self._faded = kept if known.size else self._faded
        near = fit.good | fit.close
        self._contrast[near] *= KEEPS
        self._contrast[near] += (1 - KEEPS) * look.seen.contrast[near]
        self._slide += (pose.x - self._pose.x) * pose.along[0]
        self._slide += (pose.y - self._pose.y) * pose.along[1]
        self._pose, self._t_s, self._lost, self._why = pose, t_s, 0, ""
        row = Row(
            ordinal=ordinal,
            t_s=t_s,
            pose=pose,
            fit=fit,
            covariance=fit.covariance + self._carried,
            reason="",
            slide_px=self._slide,
            contrast=kept,
            good=float(fit.good.mean()),
        )
        self._renew_if_changed(luma, look, row)
        return row

    def _learn(self, pose: Pose, predicted: Pose, elapsed: float) -> None:
        """Rates from what the prediction missed; from the way made, after a gap."""
        if self._lost:
            self._known = 0
            off = (pose.x - self._pose.x, pose.y - self._pose.y)
            turned = pose.angle - self._pose.angle
            middle = Pose(0.0, 0.0, (pose.angle + self._pose.angle) / 2)
            made = np.array([middle.across @ off, middle.along @ off, turned])
            self._rates = made / elapsed if abs(elapsed) < COAST_S else np.zeros(3)
            return
        off = (pose.x - predicted.x, pose.y - predicted.y)
        missed = (predicted.across @ off, predicted.along @ off, pose.angle - predicted.angle)
        self._known += 1
        share = FOLLOWS if self._known > RATE_FRAMES else 1.0
        self._rates = self._rates + share * np.array(missed) / elapsed

    def _renew_if_changed(self, luma: NDArray[np.generic], look: _Look, row: Row) -> None:
        """Take the profile anew where the edge looks otherwise by now, with today's doubt."""
        assert look.fit is not None
        likeness = median(look.seen.likeness[look.fit.good])
        self._likeness = [*self._likeness[-SETTLED_FRAMES + 1 :], likeness]
        if len(self._likeness) < SETTLED_FRAMES or row.good < 2 * LEAST_SHARE:
            return
        if median(np.array(self._likeness)) > RENEW_LIKENESS * self._anchor.likeness:
            return
        self._likeness = []
        old = self._anchor
        try:
            fresh = remember(luma, row.pose, old.stations, old.profile, self._from_straight)
        except FollowError:
            return
        if _ends_apart(fresh.pose, row.pose, old.stations.half_px) > 3 * WORST_U_PX:
            return
        self._anchor = fresh
        self._pose = row.pose
        self._contrast = np.where(fresh.contrast == 0, self._contrast, fresh.contrast)
        self._carried = row.covariance
        self.renewed += 1


def _ends_apart(first: Pose, second: Pose, half_px: float) -> float:
    """Larger distance of the ends of two lines across the second, px."""
    off = (first.x - second.x, first.y - second.y)
    across = float(second.across @ off)
    rise = half_px * math.sin(first.angle - second.angle)
    return max(abs(across + rise), abs(across - rise))
