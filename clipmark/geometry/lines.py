"""Straight lines through points: total least squares, robust, and errors in both coordinates.

Pure maths: arrays in, numbers out. In `fit_line` points are ``(x, y)`` px, x right, y down, and
the angle is that of the direction in these very axes; fold and flip it with
`clipmark.geometry.angles`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import FitError

FloatArray = NDArray[np.float64]
Robust = Literal["none", "huber", "tukey"]

HUBER = 1.345  # 95 % efficient for normal residuals (P. J. Huber, Ann. Math. Stat. 35, 1964)
TUKEY = 4.685  # the same for the biweight (A. E. Beaton, J. W. Tukey, Technometrics 16, 1974)
MAD_TO_SD = 1.4826
ROUNDS = 50


@dataclass(frozen=True, eq=False)
class LineFit:
    """A straight line through points, held at the weighted middle of the points.

    Attributes
    ----------
    middle : ndarray, shape (2,)
        Weighted centroid, where offset and angle are uncorrelated.
    angle_rad : float
        Of the direction, atan2(dy, dx) in the points' own axes, in (-pi/2, pi/2].
    covariance : ndarray, shape (2, 2)
        Of (offset across the line at the middle, angle), px^2, px rad, rad^2.
    residual_sd : float
        Weighted standard deviation of the perpendicular distances.
    weights : ndarray, shape (N,)
        Final robustness weights, 0 to 1.
    dof : float
        Sum of the weights less the two parameters.
    """

    middle: FloatArray
    angle_rad: float
    covariance: FloatArray
    residual_sd: float
    weights: FloatArray
    dof: float

    @property
    def direction(self) -> FloatArray:
        """Unit vector along the line, shape (2,)."""
        return np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])

    @property
    def u_offset(self) -> float:
        """Standard uncertainty of the place across the line at the middle."""
        return math.sqrt(self.covariance[0, 0])

    @property
    def u_angle_rad(self) -> float:
        """Standard uncertainty of the angle."""
        return math.sqrt(self.covariance[1, 1])


def fit_line(
    points: ArrayLike, *, sigma: ArrayLike | None = None, robust: Robust = "none"
) -> LineFit:
    """Fit a line by weighted, robust total least squares.

    Perpendicular distances are minimised, so the direction does not matter. The covariance is
    that of the linearised solution: from `sigma` as it is, or else from the residuals.

    Parameters
    ----------
    points : array_like, shape (N, 2)
    sigma : array_like, shape (N,), optional
        Standard uncertainty of each point across the line. Equal and unknown by default.
    robust : {'none', 'huber', 'tukey'}
        Down-weighting of outliers, iterated to its fixed point. With Tukey's weights the start
        is Huber's solution.

    Returns
    -------
    LineFit

    Raises
    ------
    FitError
        With fewer than two distinct points.
    """
    xy = np.asarray(points, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2 or not np.isfinite(xy).all():
        raise ValueError(f"points must be finite and of shape (N, 2), not {xy.shape}")
    if len(xy) < 2 or not np.ptp(xy, axis=0).any():
        raise FitError("a line needs two points in different places; mark its ends further apart")
    stated = None if sigma is None else np.asarray(sigma, dtype=np.float64) * np.ones(len(xy))
    if stated is not None and not (stated > 0).all():
        raise ValueError("standard uncertainties of points must be above 0")
    base = np.ones(len(xy)) if stated is None else 1.0 / stated**2
    base = base / base.max()
    weights = np.ones(len(xy))
    for kind in {"none": (), "huber": ("huber",), "tukey": ("huber", "tukey")}[robust]:
        weights = _reweight(xy, base, weights, kind)
    return _line(xy, base, weights, stated)


def _reweight(xy: FloatArray, base: FloatArray, weights: FloatArray, kind: str) -> FloatArray:
    """Iterate robustness weights until the line stands still."""
    last = math.inf
    for _ in range(ROUNDS):
        middle, angle = _principal(xy, base * weights)
        off = _across(xy, middle, angle) * np.sqrt(base)
        scale = MAD_TO_SD * float(np.median(np.abs(off)))
        if scale == 0:
            return weights
        z = np.abs(off) / scale
        if kind == "huber":
            weights = np.minimum(1.0, HUBER / np.maximum(z, 1e-300))
        else:
            weights = np.square(np.maximum(1.0 - np.square(z / TUKEY), 0.0))
        if abs(angle - last) < 1e-12:
            break
        last = angle
    return weights


def _principal(xy: FloatArray, weights: FloatArray) -> tuple[FloatArray, float]:
    """Weighted centroid and angle of the principal axis in (-pi/2, pi/2]."""
    middle = np.average(xy, axis=0, weights=weights)
    off = xy - middle
    sxx, syy = (float(np.sum(weights * off[:, i] ** 2)) for i in (0, 1))
    sxy = float(np.sum(weights * off[:, 0] * off[:, 1]))
    return middle, 0.5 * math.atan2(2 * sxy, sxx - syy)


def _across(xy: FloatArray, middle: FloatArray, angle: float) -> FloatArray:
    off = xy - middle
    return np.asarray(off[:, 1] * math.cos(angle) - off[:, 0] * math.sin(angle))


def _line(
    xy: FloatArray, base: FloatArray, weights: FloatArray, sigma: FloatArray | None
) -> LineFit:
    total = base * weights
    middle, angle = _principal(xy, total)
    across = _across(xy, middle, angle)
    off = xy - middle
    along = off[:, 0] * math.cos(angle) + off[:, 1] * math.sin(angle)
    dof = float(weights.sum()) - 2.0
    square = float(np.sum(total * across**2))
    residual = math.sqrt(square / total.sum() * weights.sum() / dof) if dof > 0 else 0.0
    # Each point's own variance; with stated sigma as stated, else the residual's over its weight.
    variance = sigma**2 if sigma is not None else np.full(len(xy), square / max(dof, 1e-300))
    if dof <= 0 and sigma is None:
        variance = np.zeros(len(xy))
    sums = np.array([total.sum(), np.sum(total * along**2)])
    parts = np.stack([total / sums[0], total * along / sums[1]])
    if sigma is None:  # plain least squares: only the kept share of each point counts
        covariance = np.diag(variance[0] / np.array([total.sum(), sums[1]]))
    else:
        covariance = (parts * variance) @ parts.T
    return LineFit(middle, angle, covariance, residual, weights, dof)


@dataclass(frozen=True, eq=False)
class StraightLine:
    """A line ``y = intercept + slope x``.

    Attributes
    ----------
    intercept, slope : float
    covariance : ndarray, shape (2, 2)
        Of (intercept, slope).
    chi_square : float
        Weighted sum of squares at the solution; residual sum of squares over the residual
        variance when no uncertainties were given (then it equals `dof`).
    dof : int
        Number of points less two.
    residual_sd : float
        Standard deviation of ``y - intercept - slope x`` with `dof` in the denominator.
    """

    intercept: float
    slope: float
    covariance: FloatArray
    chi_square: float
    dof: int
    residual_sd: float

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return math.sqrt(self.covariance[0, 0])

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return math.sqrt(self.covariance[1, 1])

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope."""
        return float(self.covariance[0, 1] / (self.u_intercept * self.u_slope))

    @property
    def reduced_chi_square(self) -> float:
        """Chi-square over degrees of freedom, NaN for two points."""
        return self.chi_square / self.dof if self.dof > 0 else math.nan

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at `x` and its standard uncertainty."""
        lever = np.array([1.0, x])
        return self.intercept + self.slope * x, math.sqrt(float(lever @ self.covariance @ lever))


def fit_line_xy(
    x: ArrayLike,
    y: ArrayLike,
    u_x: ArrayLike | None = None,
    u_y: ArrayLike | None = None,
    correlation: ArrayLike | None = None,
) -> StraightLine:
    """Fit ``y = intercept + slope x`` with uncertainties in either or both coordinates.

    The unified equations of D. York, N. Evensen, M. Lopez Martinez and J. De Basabe Delgado, Am.
    J. Phys. 72 (2004) 367-375, with their standard errors (at the adjusted points, not scaled by
    the misfit). Without any uncertainties: ordinary least squares in y, with the uncertainty
    from the residuals.

    Parameters
    ----------
    x, y : array_like, shape (N,)
    u_x, u_y : array_like, shape (N,) or scalar, optional
        Standard uncertainties; one that is missing counts as 0 beside the other.
    correlation : array_like, shape (N,), optional
        Correlation of the errors of x and y of each point, 0 by default.

    Returns
    -------
    StraightLine

    Raises
    ------
    FitError
        With fewer than two points, equal x, or no convergence (a line that stands upright).
    """
    x_ = np.asarray(x, dtype=np.float64)
    y_ = np.asarray(y, dtype=np.float64)
    if x_.ndim != 1 or x_.shape != y_.shape or not (np.isfinite(x_) & np.isfinite(y_)).all():
        raise ValueError("x and y must be finite and of one shape (N,)")
    if len(x_) < 2 or np.ptp(x_) == 0:
        raise FitError("a line needs two points at different x; give more points")
    if u_x is None and u_y is None:
        return _ordinary(x_, y_)
    zero = np.zeros(len(x_))
    variance_x = np.square(zero if u_x is None else zero + np.asarray(u_x, dtype=np.float64))
    variance_y = np.square(zero if u_y is None else zero + np.asarray(u_y, dtype=np.float64))
    r = zero if correlation is None else zero + np.asarray(correlation, dtype=np.float64)
    if not (variance_x + variance_y > 0).all():
        raise ValueError("every point needs a standard uncertainty above 0 in x or in y")
    return _york(x_, y_, variance_x, variance_y, r * np.sqrt(variance_x * variance_y))


def _ordinary(x: FloatArray, y: FloatArray) -> StraightLine:
    """Ordinary least squares on centred data."""
    mean_x, mean_y = float(x.mean()), float(y.mean())
    dx, dy = x - mean_x, y - mean_y
    sxx = float(dx @ dx)
    slope = float(dx @ dy) / sxx
    intercept = mean_y - slope * mean_x
    residual = dy - slope * dx
    dof = len(x) - 2
    square = float(residual @ residual)
    variance = square / dof if dof > 0 else 0.0
    covariance = _line_covariance(variance / len(x), variance / sxx, mean_x)
    return StraightLine(intercept, slope, covariance, float(dof), dof, math.sqrt(variance))


def _line_covariance(at_middle: float, of_slope: float, middle: float) -> FloatArray:
    """Covariance of (intercept, slope) from the variances at the middle and of the slope."""
    return np.array(
        [
            [at_middle + middle**2 * of_slope, -middle * of_slope],
            [-middle * of_slope, of_slope],
        ]
    )


def _york(
    x: FloatArray, y: FloatArray, vx: FloatArray, vy: FloatArray, vxy: FloatArray
) -> StraightLine:
    """Iterate York's slope; weights are written in variances so that either may be 0."""
    start = _ordinary(x, y)
    slope = start.slope
    for _ in range(500):
        w = 1.0 / (vy + slope**2 * vx - 2 * slope * vxy)
        mean_x, mean_y = (float(np.average(v, weights=w)) for v in (x, y))
        dx, dy = x - mean_x, y - mean_y
        beta = w * (dx * vy + slope * dy * vx - (slope * dx + dy) * vxy)
        below = float(np.sum(w * beta * dx))
        new = float(np.sum(w * beta * dy)) / below if below != 0 else math.nan
        if not math.isfinite(new):
            raise FitError(
                "the points do not give a line that is a function of x; exchange x and y"
            )
        done = abs(new - slope) <= 1e-15 * (abs(new) + 1e-300) or new == slope
        slope = new
        if done:
            break
    w = 1.0 / (vy + slope**2 * vx - 2 * slope * vxy)
    mean_x, mean_y = (float(np.average(v, weights=w)) for v in (x, y))
    dx, dy = x - mean_x, y - mean_y
    beta = w * (dx * vy + slope * dy * vx - (slope * dx + dy) * vxy)
    intercept = mean_y - slope * mean_x
    adjusted = mean_x + beta
    middle = float(np.average(adjusted, weights=w))
    of_slope = 1.0 / float(np.sum(w * (adjusted - middle) ** 2))
    residual = y - intercept - slope * x
    dof = len(x) - 2
    spread = math.sqrt(float(residual @ residual) / dof) if dof > 0 else 0.0
    return StraightLine(
        intercept,
        slope,
        _line_covariance(1.0 / float(w.sum()), of_slope, middle),
        float(np.sum(w * residual**2)),
        dof,
        spread,
    )
