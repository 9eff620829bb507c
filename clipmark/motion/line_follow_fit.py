"""A straight line through the shifts of a line's stations: robust, weighted, with its uncertainty.

Pure numerics. Stations whose strips do not look like the edge do not count; the rest are weighted
by their own uncertainty and a common scatter, and those that stray are weighted down (Tukey's
biweight, Beaton and Tukey, Technometrics 16, 1974, 147-185).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.line_follow_strip import Compared
from clipmark.motion.sampling import FloatArray

LEAST_SIGMAS = 4.0  # contrast of a station over its uncertainty
LEAST_LIKENESS = 0.5  # of a strip's variance that the profile must explain
COMMON_PX = 0.06  # scatter of stations beyond their own residuals
MOST_SCATTER_PX = 0.45  # wider than this, stations are not of one line
CLOSE_PX = 0.5  # a station of the line lies so near to it
TUKEY = 4.685
ROUNDS = 3
LEAST_WEIGHT = 0.2  # below, a station counts as straying
LEAST_GOOD = 5


@dataclass(frozen=True, eq=False)
class StationFit:
    """A line through the shifts of N stations.

    Attributes
    ----------
    offset, slope : float
        Across at the middle, px, and px across per px along.
    covariance : ndarray, shape (2, 2)
        Of both, for stations that are independent of each other.
    good : ndarray of bool, shape (N,)
        Stations that agree.
    residuals : ndarray, shape (N,)
        Normalised by the scatter; 0 where not good.
    scatter_px : float
        Robust standard deviation of the stations' shifts about the line.
    close : ndarray of bool, shape (N,)
        Stations that show the edge within `CLOSE_PX` of the line.
    """

    offset: float
    slope: float
    covariance: FloatArray
    good: NDArray[np.bool_]
    residuals: FloatArray
    scatter_px: float
    close: NDArray[np.bool_]

    def end_shift(self, half_px: float) -> float:
        """Largest shift across of the line's ends, px."""
        return abs(self.offset) + abs(self.slope) * half_px


def fit_stations(
    places: FloatArray,
    seen: Compared,
    usable: NDArray[np.bool_],
    trusted: NDArray[np.bool_] | None = None,
) -> StationFit | None:
    """The line through the shifts; None where too few stations show the edge.

    Parameters
    ----------
    places : ndarray, shape (N,)
        Along the line, px from its middle.
    seen : Compared
    usable : ndarray of bool, shape (N,)
        Stations in the picture.
    trusted : ndarray of bool, shape (N,), optional
        Stations that may speak for the line; all when not given. Of the others it is only told
        whether they are close to it.
    """
    told = usable & (seen.sigmas > LEAST_SIGMAS) & (seen.likeness > LEAST_LIKENESS)
    index = np.flatnonzero(told if trusted is None else told & trusted)
    if len(index) < LEAST_GOOD:
        return None
    s, d = places[index], seen.shift[index]
    own = np.sqrt(seen.u_shift[index] ** 2 + COMMON_PX**2)
    base = 1 / own**2
    offset, slope = _start(s, d)
    weights = base
    usual = median(own)
    widest = max(MOST_SCATTER_PX / usual, 1.0)
    scale = scatter = 1.0
    for _ in range(ROUNDS):
        off = (d - offset - slope * s) / own
        scatter = 1.4826 * median(np.abs(off))
        scale = min(max(scatter, 0.3), widest)
        share = off / (TUKEY * scale)
        bounded = np.maximum(1 - share * share, 0.0) ** 2
        weights = base * bounded
        solved = _solve(s, d, weights)
        if solved is None:
            return None
        offset, slope, inverse = solved
    off = (d - offset - slope * s) / own
    held = weights > LEAST_WEIGHT * base
    if held.sum() < LEAST_GOOD:
        return None
    # The spread of the influence over its mean slope, squared (Huber, Robust Statistics, 1981, 7.6)
    share = off / (TUKEY * scale)
    psi = off * np.maximum(1 - share * share, 0.0) ** 2
    slopes = np.where(np.abs(share) < 1, (1 - share**2) * (1 - 5 * share**2), 0.0)
    n = len(off)
    mean_slope = max(float(np.mean(slopes)), 0.2)
    variance = float(np.sum(psi * psi)) / max(n - 2, 1) / mean_slope**2
    plain = _solve(s, d, base)
    covariance = variance * (inverse if plain is None else plain[2])
    good = np.zeros(len(places), dtype=bool)
    good[index[held]] = True
    residuals = np.zeros(len(places))
    residuals[index[held]] = off[held] / scale
    close = told & (np.abs(seen.shift - offset - slope * places) < CLOSE_PX)
    return StationFit(offset, slope, covariance, good, residuals, scatter * usual, close)


def median(values: FloatArray) -> float:
    """Middle value of a few, without the cost of NumPy's own."""
    ordered = np.sort(values)
    n = len(ordered)
    return 0.5 * float(ordered[(n - 1) // 2] + ordered[n // 2])


def _start(s: FloatArray, d: FloatArray) -> tuple[float, float]:
    """A first line that half of the stations may spoil: the median of slopes between far pairs."""
    half = len(s) // 2
    rises = (d[-half:] - d[:half]) / (s[-half:] - s[:half])
    slope = median(rises)
    return median(d - slope * s), slope


def _solve(
    s: FloatArray, d: FloatArray, weights: FloatArray
) -> tuple[float, float, FloatArray] | None:
    """Weighted least squares: offset, slope, inverse normal matrix."""
    total = float(weights.sum())
    if total <= 0:
        return None
    ws = weights * s
    first, second = float(ws.sum()), float(ws @ s)
    determinant = total * second - first * first
    if determinant <= 1e-9 * total * total:
        return None
    right, turned = float(weights @ d), float(ws @ d)
    inverse = np.array([[second, -first], [-first, total]]) / determinant
    offset = (second * right - first * turned) / determinant
    slope = (total * turned - first * right) / determinant
    if not (math.isfinite(offset) and math.isfinite(slope)):
        return None
    return offset, slope, inverse
