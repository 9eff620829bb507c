"""Following a wheel: its hub found anew in every frame, its turn against the anchored ring.

Prediction (the body's travel, the last rate of turn) only says where to look and which of several
like parts is meant; hub and turn are always fitted to the reference ring itself, so their errors do
not add up. What cannot be told is said: a wheel that is hidden or blurred has no turn, and a rim of
n like parts that turns by nearly half a part between frames could as well have turned any other
number of parts, so its turn is refused there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.marks import Wheel
from clipmark.motion.sampling import FloatArray
from clipmark.motion.wheel_fit import Crop, WheelFit, WheelPose, fit_wheel
from clipmark.motion.wheel_ring import ANGLES, take_ring, turned_likeness, unroll
from clipmark.motion.wheel_veil import Veil

LEAST_INLIERS = 0.45  # more than half of the ring hidden: what agrees may be another thing
LEAST_MATCH, LEAST_GAIN = 0.6, 0.3
LEAST_LIKE = (
    0.35  # correlation of the unrolled ring at the found turn: on a bare disc there is none
)
STRAY_SHARE = 0.35  # of the rim: a hub farther than this from where it is expected is not it
ALIAS_SHARE = 0.8  # of half a part between frames: beyond, the next part is as near
ROLL_SHARE = 1.0  # the body's travel, rolled off on the marked rim, may not exceed half a part
WINDOW_RAD = math.radians(40)  # how far from the prediction the ring is looked for
DOUBT_SHARE, DOUBT_RAD = 0.3, 0.05  # of a predicted turn across a gap, and beside it
EVIDENCE = 0.5  # of what another part's agreement would be worth, until it is believed
KEPT_RATE = 0.5


@dataclass(frozen=True, eq=False)
class WheelFix:
    """A wheel in one frame.

    Attributes
    ----------
    hub_px : ndarray, shape (2,)
        NaN when not found.
    covariance : ndarray, shape (3, 3)
        Of hub (px) and turn (rad).
    turn_rad : float
        Since the reference frame, clockwise as seen, whole turns counted; NaN when unknown.
    stretch : int
        Turns of the same number are counted through; between different ones any number of parts
        may lie.
    reason : str
        Why there is no turn, empty where there is.
    """

    hub_px: FloatArray
    covariance: FloatArray
    turn_rad: float
    stretch: int
    reason: str = ""


def _height(curve: FloatArray, turn_rad: float) -> float:
    """Correlation of the unrolled rings at a turn."""
    place = round(turn_rad / (2 * math.pi) * ANGLES)
    return float(max(curve[(place + k) % ANGLES] for k in (-1, 0, 1)))


def _nothing(reason: str, stretch: int) -> WheelFix:
    return WheelFix(np.full(2, np.nan), np.full((3, 3), np.nan), math.nan, stretch, reason)


class WheelFollower:
    """Follows one wheel from frame to frame.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Reference picture.
    wheel : Wheel
        Hub and rim in it, px.
    noise : float
        Pixel noise of the reference picture, grey levels.
    body_px : ndarray, shape (2,)
        Where the body is in it.
    level : float
        One 8-bit step in the picture's own grey levels (4 for 10 bit).

    Raises
    ------
    MarkError, FollowError
        As `take_ring`.
    """

    def __init__(
        self,
        luma: NDArray[np.generic],
        wheel: Wheel,
        noise: float,
        body_px: FloatArray,
        level: float = 1.0,
    ) -> None:
        self.ring = take_ring(luma, wheel, noise, level)
        self._reach = np.sqrt(np.sum(self.ring.shape**2, axis=1)) * 1.04
        contrast = float(np.var(self.ring.values)) - noise**2
        self._best_match = max(contrast, 0.0) / (max(contrast, 0.0) + noise**2)
        self._usual = 1.4 * noise
        self._pose = WheelPose(np.zeros(2), 0.0)
        self._rate = 0.0
        self._time_s: float | None = None
        self._body = np.array(body_px, dtype=np.float64)
        self._offset = self.ring.centre - self._body
        self._known = True
        self._stretch = 0
        self._evidence = 0.0
        self._per_px: float | None = None  # turn per px of the body's travel, as seen so far
        self._travelled = np.zeros(2)
        self.veil = Veil(self.ring)
        self.fixes: list[WheelFix] = []

    def start_unknown(self) -> None:
        """Say that the next frame may show another turn."""
        self._known = False
        self._rate = 0.0

    def step(
        self, luma: NDArray[np.generic], time_s: float, body_px: FloatArray, body_turn: float
    ) -> WheelFix:
        """Find the wheel in the next picture, and remember it in `fixes`.

        Parameters
        ----------
        luma : ndarray, shape (H, W)
        time_s : float
        body_px : ndarray, shape (2,)
            Where the body is in it; NaN where lost.
        body_turn : float
            Its turn since the reference frame, rad.
        """
        fix = self._step(luma, time_s, body_px, body_turn)
        self.fixes.append(fix)
        return fix

    def _step(
        self, luma: NDArray[np.generic], time_s: float, body_px: FloatArray, body_turn: float
    ) -> WheelFix:
        seen = bool(np.isfinite(body_px).all())
        if not seen and not self._known:
            return _nothing("lost with the body", self._stretch)
        hub = self._expected_hub(body_px, body_turn, seen)
        if not ((hub > 4).all() and (hub < np.array(luma.shape[1::-1]) - 5).all()):
            self._lose()
            return _nothing("left the picture", self._stretch)
        crop = Crop.around(luma, hub, self._reach)
        moved = float(np.hypot(*(body_px - self._body))) if seen else math.nan
        expected, doubt = self._expected_turn(time_s, body_px, seen)
        curve = turned_likeness(unroll(luma, hub, self.ring.shape), self.ring.unrolled)
        fit = self._fit(crop, hub, expected, curve)
        reason = self._judge(fit, hub, curve)
        if reason or fit is None:
            self._lose()
            return _nothing(reason, self._stretch)
        return self._accept(fit, crop, curve, time_s, body_px, seen, moved, doubt)

    def _expected_hub(self, body_px: FloatArray, body_turn: float, seen: bool) -> FloatArray:
        if not seen:
            return np.asarray(self.ring.centre + self._pose.shift, dtype=np.float64)
        if self._known:
            return np.asarray(
                self.ring.centre + self._pose.shift + (body_px - self._body), dtype=np.float64
            )
        c, s = math.cos(body_turn), math.sin(body_turn)
        turned = np.array([[c, -s], [s, c]]) @ self._offset
        return np.asarray(body_px + turned, dtype=np.float64)

    def _expected_turn(self, time_s: float, body_px: FloatArray, seen: bool) -> tuple[float, float]:
        """Expected turn, rad, and how far it may be off when the wheel was out of sight."""
        if self._time_s is None:
            return self._pose.turn, 0.0 if self._known else math.inf
        ahead = self._rate * (time_s - self._time_s)
        if not self._known and seen and self._per_px is not None:
            gone = body_px - self._body
            way = self._travelled / max(float(np.hypot(*self._travelled)), 1e-9)
            ahead = self._per_px * float(gone @ way)
        doubt = 0.0 if self._known else DOUBT_SHARE * abs(ahead) + DOUBT_RAD
        return self._pose.turn + ahead, doubt

    def _fit(
        self, crop: Crop, hub: FloatArray, expected: float, curve: FloatArray
    ) -> WheelFit | None:
        """Fit from the best turn of the unrolled ring near the expected one."""
        start = expected + self._nearest_peak(curve, expected)
        pose = WheelPose(hub - self.ring.centre, start, self._pose.growth)
        return fit_wheel(self.veil.ring, crop, pose, self._usual)

    def _nearest_peak(self, curve: FloatArray, expected: float) -> float:
        """How far the unrolled ring's best turn lies from the expected one, rad."""
        whole = 2 * math.pi
        window = min(WINDOW_RAD, 0.5 * self.ring.pitch_rad)
        if not self._known:
            window = 0.5 * self.ring.pitch_rad
        angles = np.arange(ANGLES) * (whole / ANGLES)
        off = (angles - expected + math.pi) % whole - math.pi
        near = np.abs(off) <= window + 0.5 * whole / ANGLES
        best = int(np.argmax(np.where(near, curve, -np.inf)))
        left, mid, right = (float(curve[(best + k) % ANGLES]) for k in (-1, 0, 1))
        bend = left - 2 * mid + right
        part = 0.5 * (left - right) / bend if bend < 0 else 0.0
        return float(off[best]) + float(np.clip(part, -0.5, 0.5)) * whole / ANGLES

    def _judge(self, fit: WheelFit | None, hub: FloatArray, curve: FloatArray) -> str:
        """Empty when the fit can be believed, else why not."""
        if fit is None:
            return "left the picture"
        away = float(np.hypot(*(self.ring.centre + fit.pose.shift - hub)))
        if not fit.settled or away > STRAY_SHARE * self.ring.radius_px:
            return "not found"
        if fit.inliers < LEAST_INLIERS:
            return "hidden"
        if fit.gain < LEAST_GAIN:
            return "blurred"
        if fit.match < LEAST_MATCH * self._best_match:
            return "not found"
        if _height(curve, fit.pose.turn) < LEAST_LIKE:
            return "its turn cannot be seen"
        return ""

    def _lose(self) -> None:
        self._known = False
        self._evidence = 0.0

    def _accept(
        self,
        fit: WheelFit,
        crop: Crop,
        curve: FloatArray,
        time_s: float,
        body_px: FloatArray,
        seen: bool,
        moved_px: float,
        doubt: float,
    ) -> WheelFix:
        """Count the turn on, or refuse it where like parts could have changed places."""
        before, elapsed = self._pose.turn, 0.0
        if self._time_s is not None:
            elapsed = time_s - self._time_s
        through = self._known and self._time_s is not None
        step = fit.pose.turn - before
        reason = ""
        if through:
            reason = self._alias(step, moved_px, curve, fit.pose.turn)
        elif doubt > 0.5 * self.ring.pitch_rad - DOUBT_RAD or doubt == math.inf:
            self._stretch += 1
        if reason:
            self._stretch += 1
        if through and elapsed != 0:
            self._rate = (1 - KEPT_RATE) * self._rate + KEPT_RATE * step / elapsed
            self._learn_roll(step, body_px, seen)
        self._pose, self._time_s, self._known = fit.pose, time_s, True
        if seen:
            self._body = np.array(body_px, dtype=np.float64)
            self._offset = self.ring.centre + fit.pose.shift - self._body
        self._usual = 0.9 * self._usual + 0.1 * max(fit.scale, self.ring.noise)
        hub = self.ring.centre + fit.pose.shift
        self.veil.see(len(self.fixes), crop, fit, self._usual)
        if reason:
            return WheelFix(hub, fit.covariance, math.nan, self._stretch, reason)
        return WheelFix(hub, fit.covariance, fit.pose.turn, self._stretch)

    def _learn_roll(self, step: float, body_px: FloatArray, seen: bool) -> None:
        """Turn per px of travel, for bridging gaps."""
        if not seen:
            return
        gone = body_px - self._body
        self._travelled = 0.98 * self._travelled + gone
        length = float(np.hypot(*self._travelled))
        if length > 4.0:
            along = float(gone @ self._travelled) / length
            if abs(along) > 0.05:
                now = step / along
                held = now if self._per_px is None else 0.95 * self._per_px + 0.05 * now
                self._per_px = held

    def _alias(self, step: float, moved_px: float, curve: FloatArray, turn: float) -> str:
        """Why this step between frames cannot be told from another one, empty when it can."""
        ring = self.ring
        half = 0.5 * ring.pitch_rad
        rolled = moved_px / ring.radius_px if math.isfinite(moved_px) else 0.0
        name = f"a rim of {ring.parts} like parts" if ring.parts > 1 else "a wheel"
        if abs(step) > ALIAS_SHARE * half or rolled > ROLL_SHARE * half:
            return f"turns too far between frames for {name}"
        if ring.parts > 1 and self._other_part(curve, turn):
            self._evidence = 0.0
            return f"turned by more than half a part between frames, on {name}"
        return ""

    def _other_part(self, curve: FloatArray, turn: float) -> bool:
        """Whether what tells the like parts apart says that another one is in this place."""
        ring = self.ring
        worth = (1 - ring.likeness) * self._best_match
        heights = [_height(curve, turn + k * ring.pitch_rad) for k in range(ring.parts)]
        self._evidence = 0.8 * self._evidence + 0.2 * (max(heights[1:]) - heights[0])
        return worth > 0.05 and self._evidence > EVIDENCE * worth

    def settle(self) -> list[WheelFix]:
        """All fixes; the early ones fitted again without what turned out not to turn along.

        They are taken backwards from where it was known, since what lay before the wheel may have
        held the turn back altogether.
        """
        later: list[float] = []
        for number, crop, pose, usual in reversed(list(self.veil.again())):
            starts = [pose]
            if len(later) > 1:
                ahead = 2 * later[-1] - later[-2]
                starts.insert(0, WheelPose(pose.shift, ahead, pose.growth))
            fits = (fit_wheel(self.veil.ring, crop, start, usual) for start in starts)
            good = (fit for fit in fits if fit is not None and fit.settled)
            fit = next((fit for fit in good if fit.inliers > LEAST_INLIERS), None)
            if fit is None:
                later = []
                continue
            later.append(fit.pose.turn)
            held = self.fixes[number]
            hub = self.ring.centre + fit.pose.shift
            turn = fit.pose.turn if math.isfinite(held.turn_rad) else math.nan
            self.fixes[number] = WheelFix(hub, fit.covariance, turn, held.stretch, held.reason)
        return self.fixes
