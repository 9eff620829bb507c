"""Placing a remembered wheel in a picture: hub and turn together, by Gauss-Newton on grey levels.

The scheme of `clipmark.motion.register` with the warp of a wheel: ``W(x) = c + s + (1 + a) A R(t)
A^-1 (x - c)``, s the shift of the hub (px), t the turn (rad, clockwise as seen), a the growth.
Light stays where it is while the wheel turns through it, so contrast and level may each change
linearly across the wheel, in the picture's own directions. Tukey weights leave out what does not
turn with the wheel: a stone before it, a hand, a link of the suspension.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.register import (
    FINE_NOISE_LOST,
    OVER_STEP,
    SLOPE_OVER_WEIGHT,
    SPARSE,
    TUKEY,
)
from clipmark.motion.sampling import (
    REACH_PX,
    Float32Array,
    FloatArray,
    sample,
    spline_coefficients,
)
from clipmark.motion.wheel_ring import Ring

MARGIN_PX = 9
MOST_STEPS = 9
SETTLED_PX = 0.01  # the step after is five times smaller
POSE = 4  # shift x, shift y, turn, growth; then contrast and level, each with two slopes
LIGHT = 6
LEAST_INSIDE = 0.5  # of the ring must lie in the picture


@dataclass(frozen=True, eq=False)
class Crop:
    """The part of a picture around a wheel, kept so that it can be fitted again.

    Attributes
    ----------
    pixels : ndarray, shape (h, w)
    left, top : int
        Its corner in the picture, px.
    """

    pixels: NDArray[np.generic]
    left: int
    top: int

    @classmethod
    def around(cls, luma: NDArray[np.generic], hub: FloatArray, reach: FloatArray) -> Crop:
        """Copy the picture within `reach` (2,) px of the hub, and a margin."""
        low = np.maximum(np.floor(hub - reach).astype(int) - MARGIN_PX, 0)
        high = np.minimum(np.ceil(hub + reach).astype(int) + MARGIN_PX + 1, luma.shape[1::-1])
        low = np.minimum(low, np.maximum(high - 1, 0))
        return cls(np.array(luma[low[1] : high[1], low[0] : high[0]]), int(low[0]), int(low[1]))


@dataclass(frozen=True, eq=False)
class WheelPose:
    """Where a wheel is: ``shift`` (2,) px from the reference hub, ``turn`` rad, ``growth``."""

    shift: FloatArray
    turn: float
    growth: float = 0.0


@dataclass(frozen=True, eq=False)
class WheelFit:
    """What fitting found.

    Attributes
    ----------
    pose : WheelPose
    covariance : ndarray, shape (3, 3)
        Of shift (px) and turn (rad), residuals between coding blocks taken as they go together.
    weights : ndarray of float32, shape (N,)
        How far each pixel of the ring agrees, 0 to 1.
    inliers, match, scale, gain : float
        Share of pixels that agree, weighted correlation, robust scatter (grey levels), contrast
        over that of the reference.
    settled : bool
        Whether the last step was small.
    """

    pose: WheelPose
    covariance: FloatArray
    weights: Float32Array
    inliers: float
    match: float
    scale: float
    gain: float
    settled: bool


def fit_wheel(ring: Ring, crop: Crop, start: WheelPose, usual: float) -> WheelFit | None:
    """Place a ring in a crop of a picture.

    Parameters
    ----------
    ring : Ring
    crop : Crop
    start : WheelPose
        First guess, within about 3 px along the ring.
    usual : float
        Standard deviation that residuals usually have, grey levels.

    Returns
    -------
    WheelFit or None
        None when less than half of the ring lies in the picture.
    """
    return _Solver(ring, crop, start, usual).run()


class _Solver:
    """One fit in progress."""

    def __init__(self, ring: Ring, crop: Crop, start: WheelPose, usual: float) -> None:
        self.ring = ring
        self.usual = usual
        self.shift = np.array(start.shift, dtype=np.float64)
        self.turn, self.growth = start.turn, start.growth
        self.corner = np.array([crop.left, crop.top], dtype=np.float64)
        self.size = crop.pixels.shape
        self.coefficients = spline_coefficients(np.asarray(crop.pixels, dtype=np.float32))
        self.mean = ring.mean
        self.contrast = ring.values - np.float32(self.mean)
        poses, self.slope = ring.columns
        # rows of both: the pose, then contrast and level with two slopes each; filled as it goes
        self.steer = np.empty((POSE + LIGHT, ring.values.size), np.float32)
        self.steer[:POSE] = poses
        self.steer[POSE], self.steer[POSE + 3] = self.contrast, 1.0
        self.model = np.empty_like(self.steer)
        self.light = np.zeros(LIGHT)
        self.light[0] = 1.0
        self.limit: float | None = None

    def _form(self) -> FloatArray:
        """(1 + growth) A R(turn), (2, 2): from q to px."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.asarray(
            (1 + self.growth) * self.ring.shape @ np.array([[c, -s], [s, c]]), dtype=np.float64
        )

    def _look(self) -> tuple[Float32Array, Float32Array, NDArray[np.bool_]]:
        """Residuals, picture values, which pixels are inside; the columns of light are renewed."""
        places = self.ring.places
        middle = self.ring.centre + self.shift - self.corner
        at = self._form().astype(np.float32) @ places
        x, y = at[0] + np.float32(middle[0]), at[1] + np.float32(middle[1])
        height, width = self.size
        inside = (x >= REACH_PX) & (x <= width - REACH_PX - 1)
        inside &= (y >= REACH_PX) & (y <= height - REACH_PX - 1)
        np.clip(x, 1, width - 3, out=x)
        np.clip(y, 1, height - 3, out=y)
        values = sample(self.coefficients, x, y)
        c, s = math.cos(self.turn), math.sin(self.turn)
        light = self.steer[POSE:]
        np.subtract(np.float32(c) * places[0], np.float32(s) * places[1], out=light[4])
        np.add(np.float32(s) * places[0], np.float32(c) * places[1], out=light[5])
        np.multiply(self.contrast, light[4:], out=light[1:3])
        model = self.light.astype(np.float32) @ light
        return values - np.float32(self.mean) - model, values, inside

    def _weights(self, e: Float32Array, inside: NDArray[np.bool_], step: int) -> Float32Array:
        """Tukey weights; their scale leans on what residuals usually are, and then stays."""
        size = np.abs(e)
        if step <= 2 or self.limit is None:
            spread = _scale(size, inside) if inside.any() else self.usual
            self.limit = TUKEY * float(np.clip(spread, self.usual, 4 * self.usual))
            if step == 0:
                self.limit *= 1.5
        share = e / np.float32(self.limit)
        weights = np.maximum(1 - share * share, 0.0) ** 2
        return np.asarray(weights * inside, dtype=np.float32)

    def run(self) -> WheelFit | None:
        """Iterate to convergence and report."""
        length = math.inf
        for step in range(MOST_STEPS):
            e, values, inside = self._look()
            if inside.mean() < LEAST_INSIDE:
                return None
            weights = self._weights(e, inside, step)
            matrix = self._matrix(weights)
            change = self._solve(matrix, e, weights) * (1.0 if step == 0 else OVER_STEP)
            length = self._apply(change)
            if length < SETTLED_PX:
                break
        return self._report(e, values, inside, weights, matrix, length)

    def _matrix(self, weights: Float32Array) -> FloatArray:
        """Normal matrix (K, K), the noise's own share taken out."""
        gain = np.float32(max(self.light[0], 0.05))
        np.multiply(self.slope, gain, out=self.model[:POSE])
        self.model[POSE:] = self.steer[POSE:]
        matrix = ((self.steer * weights) @ self.model.T).astype(np.float64)
        ring = self.ring
        total = float(weights.sum(dtype=np.float64))
        share = float(gain) * ring.slope_noise * ring.noise**2
        spans = [total, total, *(ring.reaches @ weights).tolist()]
        for i, span in enumerate(spans):
            matrix[i, i] -= min(share * span, 0.5 * matrix[i, i])
        diagonal = np.einsum("ii->i", matrix)
        diagonal += 1e-6 * np.abs(diagonal) + 1e-6
        # a wheel neither grows much nor is its light very uneven: weak priors where little is seen
        matrix[3, 3] += total * self.usual**2 / 0.02**2 / max(total, 1.0)
        for i in (5, 6):
            matrix[i, i] += self.usual**2 / 0.3**2
        return np.asarray(matrix, dtype=np.float64)

    def _solve(self, matrix: FloatArray, e: Float32Array, weights: Float32Array) -> FloatArray:
        vector = (self.steer @ (weights * e)).astype(np.float64)
        try:
            change = np.linalg.solve(matrix, vector)
        except np.linalg.LinAlgError:
            return np.zeros(POSE + LIGHT)
        return np.asarray(np.where(np.isfinite(change), change, 0.0))

    def _apply(self, change: FloatArray) -> float:
        """Compose the inverse of the change onto the pose; how far pixels moved, px."""
        radius = self.ring.radius_px
        steps = np.hypot(change[0], change[1]), np.hypot(change[2], change[3]) * radius
        length = max(float(step) for step in steps)
        if length > 3.0:
            change = change.copy()
            change[:POSE] *= 3.0 / length
        form = self._form() @ self.ring.unshape
        self.shift = self.shift - form @ change[:2]
        self.turn -= float(change[2])
        self.growth = float(np.clip((1 + self.growth) / (1 + change[3]) - 1, -0.3, 0.3))
        self.light += change[POSE:]
        self.light[0] = float(np.clip(self.light[0], 0.05, 20.0))
        return length

    def _report(
        self,
        e: Float32Array,
        values: Float32Array,
        inside: NDArray[np.bool_],
        weights: Float32Array,
        matrix: FloatArray,
        length: float,
    ) -> WheelFit:
        scale = _scale(np.abs(e), inside) if inside.any() else math.inf
        return WheelFit(
            pose=WheelPose(self.shift, self.turn, self.growth),
            covariance=self._covariance(e, weights, matrix),
            weights=weights,
            inliers=float(np.mean(weights > 0.3)),
            match=_correlation(weights, values, self.ring.values),
            scale=scale,
            gain=float(self.light[0]),
            settled=length < 4 * SETTLED_PX,
        )

    def _covariance(self, e: Float32Array, weights: Float32Array, matrix: FloatArray) -> FloatArray:
        """Sandwich of shift and turn, (3, 3); scores summed per block, not below white ones."""
        scores = self.steer * (weights * e)
        white = (scores @ scores.T).astype(np.float64)
        count = int(self.ring.blocks.max()) + 1
        sums = np.stack([np.bincount(self.ring.blocks, row, count) for row in scores[:3]])
        inverse = np.linalg.pinv(matrix)
        inverse[:POSE] /= SLOPE_OVER_WEIGHT
        spread = inverse @ (white * FINE_NOISE_LOST) @ inverse.T
        block = np.sum(sums**2, axis=1) * count / max(count - 2, 1)
        ratio = np.maximum(block / np.maximum(np.diag(white)[:3] * FINE_NOISE_LOST, 1e-12), 1.0)
        grow = np.sqrt(ratio)
        return np.asarray(spread[:3, :3] * np.outer(grow, grow), dtype=np.float64)


def _scale(size: Float32Array, inside: NDArray[np.bool_]) -> float:
    """Robust standard deviation from absolute residuals; every third of them tells it well."""
    part = size[inside][::SPARSE]
    middle = part.size // 2
    return 1.4826 * float(np.partition(part, middle)[middle])


def _correlation(weights: Float32Array, values: Float32Array, template: Float32Array) -> float:
    """Weighted correlation of picture and reference, 1 for a perfect match."""
    w = weights.astype(np.float64)
    total = max(float(w.sum()), 1e-9)
    a = values - float(w @ values) / total
    b = template - float(w @ template) / total
    power = float(w @ (a * a)) * float(w @ (b * b))
    return float(np.sum(w * a * b)) / math.sqrt(max(power, 1e-12))
