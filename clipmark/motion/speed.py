"""Speed by local polynomial regression on true timestamps.

Pure numerics. In a window around each instant a polynomial is fitted to the positions by least
squares; its slope there is the speed. Where the steps are even this is the Savitzky-Golay filter
(Anal. Chem. 36, 1964, 1627-1639). Nothing is computed across a gap in time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clipmark.clip.timing import usual_intervals
from clipmark.motion.sampling import FloatArray

LEAST_POINTS = 5
BRIDGED_STEPS = 2.5  # an interval over so many usual ones is a gap: two pictures missing
WINDOWS_S = (0.10, 0.12, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50)
QUIET_SHARE = 0.04  # the window is widened until noise is below this share of the usual speed


@dataclass(frozen=True)
class LocalFit:
    """Local polynomial fits at K instants.

    Attributes
    ----------
    value, slope : ndarray, shape (K,)
        Smoothed position and speed; NaN where there are too few points.
    value_gain, slope_gain : ndarray, shape (K,)
        Standard uncertainty of each per unit of white noise in a single position.
    residual : ndarray, shape (K,)
        Position less `value`.
    """

    value: FloatArray
    slope: FloatArray
    value_gain: FloatArray
    slope_gain: FloatArray
    residual: FloatArray


def local_weights(
    offsets_s: FloatArray, degree: int, derivative: int, at_s: float = 0.0
) -> FloatArray:
    """Weights of a local polynomial fit.

    Parameters
    ----------
    offsets_s : ndarray, shape (n,)
        Times of the samples less the instant of interest, s.
    degree : int
        Degree of the polynomial.
    derivative : int
        0 for the value, 1 for the slope, and so on.
    at_s : float
        Where in the window the fit is read, s from the instant of interest.

    Returns
    -------
    ndarray, shape (n,)
        The derivative at `at_s` is the sum of weights times samples.
    """
    scale = float(np.max(np.abs(offsets_s))) or 1.0
    t = (np.asarray(offsets_s, dtype=np.float64) - at_s) / scale
    design = np.vander(t, degree + 1, increasing=True)
    solution = np.linalg.pinv(design)
    factor = float(np.prod(np.arange(1, derivative + 1), initial=1.0))
    return np.asarray(solution[derivative] * factor / scale**derivative, dtype=np.float64)


def stretches(times_s: FloatArray) -> list[slice]:
    """Runs of frames without a gap between them: a single missing or repeated one is none.

    A fit on true times does not ask for even steps; a window that loses one frame here and there,
    as in a clip that a converter filled up with repeats, tells the speed hardly less well.
    """
    if len(times_s) < 2:
        return [slice(0, len(times_s))] if len(times_s) else []
    steps = np.diff(times_s)
    usual = np.nan_to_num(usual_intervals(steps))
    breaks = np.flatnonzero((steps > BRIDGED_STEPS * usual) | (steps <= 0)) + 1
    edges = [0, *breaks.tolist(), len(times_s)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def local_fit(
    times_s: FloatArray, positions: FloatArray, window_s: float, degree: int = 2
) -> LocalFit:
    """Fit a polynomial in a window around each instant; see the module's docstring.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing times, s, and positions, any length unit.
    window_s : float
        Full width of the window, s. At the ends of a stretch the window is one-sided, and where
        it would hold fewer than `LEAST_POINTS` samples it is widened to them.
    degree : int
        Degree of the polynomial.
    """
    count = len(times_s)
    out = np.full((5, count), np.nan)
    for run in stretches(times_s):
        t, s = times_s[run], positions[run]
        if len(t) < max(LEAST_POINTS, degree + 2):
            continue
        low = np.searchsorted(t, t - window_s / 2 - 1e-9, side="left")
        high = np.searchsorted(t, t + window_s / 2 + 1e-9, side="right")
        ends = np.array([_at_least(a, b, len(t)) for a, b in zip(low, high, strict=True)])
        sizes = ends[:, 1] - ends[:, 0]
        for size in np.unique(sizes):
            where = np.flatnonzero(sizes == size)
            rows = ends[where, :1] + np.arange(size)
            for_value, for_slope = _weights_of_many(t[rows] - t[where, None], degree)
            rise = s[rows] - s[where, None]
            k = run.start + where
            out[0, k] = s[where] + np.sum(for_value * rise, axis=1)
            out[1, k] = np.sum(for_slope * rise, axis=1)
            out[2, k] = np.sqrt(np.sum(for_value**2, axis=1))
            out[3, k] = np.sqrt(np.sum(for_slope**2, axis=1))
            out[4, k] = s[where] - out[0, k]
    return LocalFit(*out)


def _weights_of_many(offsets_s: FloatArray, degree: int) -> tuple[FloatArray, FloatArray]:
    """Weights of value and slope at offset zero for many windows of n samples, (M, n) each."""
    offsets, back = np.unique(np.round(offsets_s, 12), axis=0, return_inverse=True)
    scale = np.max(np.abs(offsets), axis=1, keepdims=True)
    design = np.stack([(offsets / scale) ** power for power in range(degree + 1)], axis=2)
    solution = np.linalg.pinv(design)
    back = back.reshape(-1)
    return solution[back, 0], (solution[:, 1] / scale)[back]


def _at_least(low: int, high: int, count: int) -> tuple[int, int]:
    """Widen [low, high) to `LEAST_POINTS` samples inside [0, count)."""
    least = min(LEAST_POINTS, count)
    while high - low < least:
        if low > 0:
            low -= 1
        if high - low < least and high < count:
            high += 1
    return low, high


def residual_noise(fit: LocalFit, times_s: FloatArray, span_s: float = 1.0) -> FloatArray:
    """Standard deviation of a single position around the fit, over `span_s` about each instant.

    Residuals of a fit are smaller than the errors by ``1 - value_gain**2`` on average; that is
    put right. Never below half of the whole clip's, so that a lucky second does not claim more.
    """
    ok = np.isfinite(fit.residual)
    out = np.full(len(times_s), np.nan)
    if ok.sum() < LEAST_POINTS:
        return out
    freed = np.where(ok, 1 - np.minimum(fit.value_gain**2, 0.9), 0.0)
    squares = np.where(ok, fit.residual**2, 0.0)
    whole = float(squares.sum() / freed.sum())
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    counts = np.concatenate([[0.0], np.cumsum(freed)])
    low = np.searchsorted(times_s, times_s - span_s / 2, side="left")
    high = np.searchsorted(times_s, times_s + span_s / 2, side="right")
    local = (sums[high] - sums[low]) / np.maximum(counts[high] - counts[low], 1e-9)
    out[ok] = np.sqrt(np.maximum(local[ok], 0.25 * whole))
    return out


def correlation_factor(residuals: FloatArray, gains: NDArray[np.bool_], reach: int) -> float:
    """How much neighbouring errors that go together inflate the variance of a local mean.

    ``1 + 2 sum (1 - lag / reach) r(lag)`` over lags below `reach` (Bayley and Hammersley, J. R.
    Stat. Soc. Suppl. 8, 1946, 184-197), not below 1: residuals of a fit are, by the fit,
    negatively correlated, which is no merit of the measurement.
    """
    e = np.where(gains, residuals, 0.0)
    power = float(np.sum(e**2))
    if power <= 0 or reach < 2:
        return 1.0
    total = 1.0
    for lag in range(1, min(reach, len(e) // 4) + 1):
        total += 2 * (1 - lag / (reach + 1)) * float(np.sum(e[lag:] * e[:-lag])) / power
    return float(np.clip(total, 1.0, 25.0))


def choose_window(
    times_s: FloatArray, positions: FloatArray, position_noise: float, usual_speed: float
) -> float:
    """Shortest window whose speed noise is below `QUIET_SHARE` of the usual speed, s.

    A straight choice by noise, not by the shape of the motion, so that two attempts filmed alike
    get the same window. Speed noise of degree 1 or 2 over n even samples is
    ``sigma sqrt(12 / (n (n^2 - 1))) / step``.
    """
    steps = np.diff(times_s)
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    for window in WINDOWS_S:
        n = max(LEAST_POINTS, int(window / step + 1e-6) // 2 * 2 + 1)
        noise = position_noise * np.sqrt(12 / (n * (n * n - 1.0))) / step
        if noise <= QUIET_SHARE * usual_speed:
            return window
    return WINDOWS_S[-1]
