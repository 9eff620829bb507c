"""A tyre followed while everything turns: one small patch, found anew in each frame with its turn.

On a tilting platform a tyre turns by half a right angle and more while it stays what it is. It is
compared with the patch of the anchor frame, turned to where it should be by now, so that errors do
not add up. What does not belong to the tyre (the platform under it, the ground beside it, a strap
across it) does not move with it and is weighed out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.marks import Patch
from clipmark.motion.sampling import (
    REACH_PX,
    Float32Array,
    FloatArray,
    filtered_slopes,
    gaussian_kernels,
    sample,
    spline_coefficients,
)

MOST_PIXELS = 900  # those with the strongest slopes
SLOPE_SIGMA_PX = 0.9
FITS, SETTLED_PX = 5, 0.02
LEAST_AGREEING = 0.4  # of the pixels; what remains may be another thing
WORST_RATIO = 3.5  # residuals over the usual ones
SCALE_EVERY = 3  # pixels from which the scatter is read: enough, and sorting them costs time
CUT = 4.7  # of Tukey's weight, in robust standard deviations
WORST_BOUND_PX = 0.15
MOST_JUMP_PX = 4.0  # beyond what was predicted
SETTLED_FRAMES, KEEPS = 10, 0.9
UPHILL_TYRE = "the patch on the uphill tyre (--uphill-tyre)"
HIDDEN, LEFT, JUMPED = "hidden", "left the picture", "jumped"


@dataclass(frozen=True, eq=False)
class TyreFix:
    """A tyre in one frame.

    Attributes
    ----------
    ordinal, t_s
        Of the frame.
    place_px : ndarray, shape (2,)
        Middle of the patch, straight px; NaN when lost.
    turn_rad : float
        Since the anchor frame, clockwise as seen; NaN when lost.
    u_px : float
        Standard uncertainty of each coordinate, for noise that is white.
    reason : str
        Why it was not found, empty when it was.
    """

    ordinal: int
    t_s: float
    place_px: FloatArray
    turn_rad: float
    u_px: float
    reason: str = ""

    @property
    def found(self) -> bool:
        """Whether it was found."""
        return not self.reason


@dataclass(frozen=True)
class Carrier:
    """Where the platform is: a point of it (straight px) and its turn since the anchor (rad)."""

    x: float
    y: float
    turn_rad: float


@dataclass
class _State:
    """Motion in one direction of time."""

    place: FloatArray
    turn: float
    speed: FloatArray
    spin: float
    t_s: float
    usual: float
    seen: int = 0
    lost: int = 0
    beside: FloatArray | None = None  # from the carrier, turned back


class TyreFollower:
    """Follows one patch on a tyre; feed it frames going away from the anchor, either way.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Anchor frame.
    patch : Patch
        On the tyre, px of the upright picture.
    ordinal, t_s
        Of the anchor frame.
    line_px : ndarray, shape (2, 2), or None
        Both ends of the platform line in the anchor frame, upright px: what lies on its other side
        is none of the tyre. None where nothing bounds the patch.
    aspect : float
        Width of one pixel over its height; straight px here are those of the square picture.

    Raises
    ------
    FollowError
        If there is no texture on the tyre to follow.
    """

    def __init__(
        self,
        luma: NDArray[np.generic],
        patch: Patch,
        *,
        ordinal: int,
        t_s: float,
        line_px: FloatArray | None,
        aspect: float = 1.0,
        noise: float = 1.0,
        what: str = UPHILL_TYRE,
    ) -> None:
        self._what = what
        self._stretch = np.array([aspect, 1.0])
        self._ordinal = ordinal
        self._noise = noise
        self._take(luma, patch, line_px)
        usual = 1.4 * noise
        self._forth, self._back = (
            _State(self.middle.copy(), 0.0, np.zeros(2), 0.0, t_s, usual) for _ in range(2)
        )
        self._fixes: dict[int, TyreFix] = {}

    def _take(self, luma: NDArray[np.generic], patch: Patch, line_px: FloatArray | None) -> None:
        """Pixels of the patch with their slopes, on the truck's side of the platform line."""
        left, top = math.floor(patch.x), math.floor(patch.y)
        wide, high = math.ceil(patch.w), math.ceil(patch.h)
        margin = 4
        x0, y0 = max(left - margin, 0), max(top - margin, 0)
        part = np.asarray(luma[y0 : top + high + margin, x0 : left + wide + margin], np.float32)
        smooth, slope = gaussian_kernels(SLOPE_SIGMA_PX)
        slopes = filtered_slopes(part, slope, smooth)
        ys, xs = np.mgrid[top : top + high, left : left + wide]
        ys, xs = (
            np.clip(ys, y0, y0 + part.shape[0] - 1).ravel(),
            np.clip(xs, x0, x0 + part.shape[1] - 1).ravel(),
        )
        clear = np.ones(len(xs), dtype=bool)
        if line_px is not None:
            middle = np.array([patch.x + (patch.w - 1) / 2, patch.y + (patch.h - 1) / 2])
            along = line_px[1] - line_px[0]
            across = np.array([along[1], -along[0]]) / np.hypot(*along)
            side = np.sign((middle - line_px[0]) @ across) or 1.0
            clear = side * ((np.stack([xs, ys], axis=1) - line_px[0]) @ across) > 3.0
        if int(clear.sum()) < 60:
            raise FollowError(
                f"{self._what} lies on the platform line; mark a part of it that is clear of the "
                "platform"
            )
        xs, ys = xs[clear], ys[clear]
        g = slopes[ys - y0, xs - x0].astype(np.float64)
        strength = np.hypot(g[:, 0], g[:, 1])
        keep = np.argsort(-strength, kind="stable")[:MOST_PIXELS]
        xs, ys, g = xs[keep], ys[keep], g[keep]
        self.middle = np.array([xs.mean(), ys.mean()]) * self._stretch
        self._offsets = np.stack([xs, ys], axis=1) * self._stretch - self.middle
        g = g / self._stretch
        self._values = part[ys - y0, xs - x0].astype(np.float64)
        turned = g[:, 1] * self._offsets[:, 0] - g[:, 0] * self._offsets[:, 1]
        level = self._values - self._values.mean()
        self._jacobian = np.stack([g[:, 0], g[:, 1], turned, level, np.ones(len(g))], axis=1)
        self._radius = float(np.hypot(*self._offsets.T).max()) * 1.1 + REACH_PX + 2
        inverse = np.linalg.pinv(self._jacobian[:, :2].T @ self._jacobian[:, :2])
        bound = self._noise * math.sqrt(2 * max(float(np.trace(inverse)) / 2, 0.0))
        if not bound < WORST_BOUND_PX or not strength.any():
            raise FollowError(
                f"{self._what} has too little texture to be followed; mark a part with lugs, "
                "lettering or a chalk mark"
            )

    def feed(
        self, ordinal: int, t_s: float, luma: NDArray[np.generic], carrier: Carrier | None
    ) -> TyreFix:
        """Find the tyre in the next frame of its direction; `carrier` is the platform there."""
        state = self._forth if ordinal >= self._ordinal else self._back
        fix = self._step(state, ordinal, t_s, luma, carrier)
        self._fixes[ordinal] = fix
        return fix

    def fixes(self) -> list[TyreFix]:
        """Everything found so far, in order of time."""
        return [self._fixes[k] for k in sorted(self._fixes)]

    def _step(
        self,
        state: _State,
        ordinal: int,
        t_s: float,
        luma: NDArray[np.generic],
        carrier: Carrier | None,
    ) -> TyreFix:
        elapsed = t_s - state.t_s
        place = state.place + state.speed * elapsed
        turn = state.turn + state.spin * elapsed
        if state.lost:
            place, turn = state.place, state.turn
            if carrier is not None and state.beside is not None:
                place = np.array([carrier.x, carrier.y]) + _spin(carrier.turn_rad) @ state.beside
                turn = carrier.turn_rad
        found = self._settle(luma, place, turn, state.usual)
        reason = found if isinstance(found, str) else ""
        if not isinstance(found, str) and np.hypot(*(found[0] - place)) > MOST_JUMP_PX * (
            2 if state.lost else 1
        ):
            reason = JUMPED
        if reason or isinstance(found, str):
            state.lost += 1
            return TyreFix(ordinal, t_s, np.full(2, np.nan), math.nan, math.nan, reason)
        at, turned, sigma, u_px = found
        if elapsed and not state.lost:
            state.speed = 0.5 * state.speed + 0.5 * (at - state.place) / elapsed
            state.spin = 0.5 * state.spin + 0.5 * (turned - state.turn) / elapsed
        elif state.lost:
            state.speed, state.spin = np.zeros(2), 0.0
        state.place, state.turn, state.t_s, state.lost = at, turned, t_s, 0
        state.seen += 1
        keep = KEEPS if state.seen > SETTLED_FRAMES else 1 - 1 / state.seen
        # The anchor frame compared with itself shows no noise at all.
        state.usual = max(keep * state.usual + (1 - keep) * sigma, 1.2 * self._noise)
        if carrier is not None:
            back = _spin(-carrier.turn_rad)
            state.beside = back @ (at - np.array([carrier.x, carrier.y]))
        return TyreFix(ordinal, t_s, at, turned, u_px)

    def _settle(
        self, luma: NDArray[np.generic], place: FloatArray, turn: float, usual: float
    ) -> tuple[FloatArray, float, float, float] | str:
        """Place, turn, residual and uncertainty from a guess; a reason when it is not there."""
        window = self._window(luma, place)
        if window is None:
            return LEFT
        coefficients, corner = window
        limit = np.array(coefficients.shape[::-1]) - 3.0
        gain = level = 0.0
        normal, sigma, agreeing = np.eye(5), usual, 0.0
        middle = float(self._values.mean())
        for _ in range(FITS):
            spin = _spin(turn)
            at = (place + self._offsets @ spin.T) / self._stretch - corner
            if (at < 1).any() or (at > limit).any():
                return LEFT
            xs, ys = at.astype(np.float32).T
            seen = sample(coefficients, np.ascontiguousarray(xs), np.ascontiguousarray(ys))
            left = seen - self._values - gain * (self._values - middle) - level
            robust = _scale(left[::SCALE_EVERY])
            sigma = max(robust, 0.5 * self._noise, 1e-3)
            shares = np.clip(left / (CUT * max(sigma, usual)), -1, 1)
            weights = (1 - shares**2) ** 2
            agreeing = float((weights > 0.1).mean())
            weighted = self._jacobian * weights[:, None]
            normal = weighted.T @ self._jacobian
            step = np.linalg.solve(normal + 1e-9 * np.eye(5), weighted.T @ left)
            # What is left grows along the patch's own axes: turned back to the picture's.
            place = place - spin @ step[:2]
            turn -= float(step[2])
            gain, level = gain + float(step[3]), level + float(step[4])
            if np.hypot(step[0], step[1]) < SETTLED_PX:
                break
        if agreeing < LEAST_AGREEING or sigma > WORST_RATIO * usual or abs(gain) > 0.8:
            return HIDDEN
        inverse = np.linalg.inv(normal + 1e-9 * np.eye(5))
        u_px = math.sqrt(max(inverse[0, 0] + inverse[1, 1], 0.0) / 2) * sigma
        return place, turn, sigma, u_px

    def _window(
        self, luma: NDArray[np.generic], place: FloatArray
    ) -> tuple[Float32Array, FloatArray] | None:
        """Coefficients of the picture around a place, and the corner they begin at."""
        x, y = place / self._stretch
        reach_x = self._radius / self._stretch[0] + MOST_JUMP_PX
        reach_y = self._radius + MOST_JUMP_PX
        x0, y0 = max(int(x - reach_x), 0), max(int(y - reach_y), 0)
        x1, y1 = int(x + reach_x) + 2, int(y + reach_y) + 2
        part = np.asarray(luma[y0:y1, x0:x1], np.float32)
        if min(part.shape, default=0) < 16:
            return None
        return spline_coefficients(part), np.array([x0, y0], dtype=np.float64)


def _scale(left: FloatArray) -> float:
    """Robust standard deviation by the median absolute deviation."""
    half = len(left) // 2
    off = np.abs(left - np.partition(left, half)[half])
    return 1.4826 * float(np.partition(off, half)[half])


def _spin(turn_rad: float) -> FloatArray:
    """Turn from x towards y."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[c, -s], [s, c]])
