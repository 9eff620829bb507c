"""Which segments of a line or circle belong to it, and which show something else.

The segments' own offsets are fitted by the trend that a moved line or circle would leave (the
least quantile of squares over all, or many, minimal subsets: it holds while fewer than about 45 %
are wrong), and each is weighed by how far it lies from that trend, by its noise and by its
contrast. Pure maths.
"""

from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TUKEY = 5.0  # 99 % efficient for Gaussian scatter
LEAST_CONTRAST = 0.2  # of the usual one, below which a segment says nothing
_LOST, _BESIDE = 0.05, 0.25  # a segment given up, and what its neighbours still count
_FLOOR_PX = 0.02
_QUANTILE = 0.55
_MOST_SUBSETS = 600


def trend_residuals(offsets: Floats, scale: Floats, trend: Floats, usable: Bools) -> Floats:
    """Residuals of all offsets, (S,), from the trend that most usable ones follow.

    Parameters
    ----------
    offsets, scale : ndarray, shape (S,)
        Offsets and their standard uncertainties, px.
    trend : ndarray, shape (S, Q)
        Columns of the trend (2 for a line, 3 for a circle).
    usable : ndarray of bool, shape (S,)
        Segments that may take part.
    """
    index = np.flatnonzero(usable)
    size = trend.shape[1]
    if len(index) < size + 2:
        return offsets - (float(np.median(offsets[index])) if len(index) else 0.0)
    subsets = _subsets(len(index), size)
    design, value = trend[index], offsets[index]
    determinants = _determinants(design[subsets])
    sound = np.abs(determinants) > 1e-2 * np.abs(design).max() ** (size - 1)
    if not np.any(sound):
        return offsets - float(np.median(value))
    chosen = subsets[sound]
    solved = _solved(design[chosen], value[chosen], determinants[sound])
    away = np.abs(value - solved @ design.T) / scale[index]
    place = min(int(np.ceil(_QUANTILE * len(index))), len(index) - 1)
    ranked = np.partition(away, place, axis=1)[:, place]
    best = int(np.argmin(ranked))
    limit = 2.5 * max(ranked[best], 1.0)
    for _ in range(2):  # least squares over those that follow the trend
        near = away[best] <= limit
        weight = 1.0 / scale[index][near]
        fit, *_ = np.linalg.lstsq(design[near] * weight[:, None], value[near] * weight, rcond=None)
        away[best] = np.abs(value - design @ fit) / scale[index]
    return np.asarray(offsets - trend @ fit, dtype=np.float64)


def _determinants(matrices: Floats) -> Floats:
    """Determinants of (T, Q, Q)."""
    if matrices.shape[1] == 2:  # the usual case, written out: much faster
        first, second = matrices[:, 0], matrices[:, 1]
        crossed: Floats = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
        return crossed
    return np.asarray(np.linalg.det(matrices), dtype=np.float64)


def _solved(matrices: Floats, values: Floats, determinants: Floats) -> Floats:
    """Solutions (T, Q) of matrices (T, Q, Q) and right sides (T, Q)."""
    if matrices.shape[1] == 2:
        (a, b), (c, d) = matrices[:, 0].T, matrices[:, 1].T
        p, q = values.T
        return np.stack([d * p - b * q, a * q - c * p], axis=1) / determinants[:, None]
    return np.asarray(np.linalg.solve(matrices, values[..., None])[..., 0], dtype=np.float64)


@lru_cache(maxsize=256)
def _subsets(count: int, size: int) -> NDArray[np.int64]:
    """Minimal subsets of indices, all of them or a fixed random choice, shape (T, size)."""
    total = count * (count - 1) // 2 * ((count - 2) // 3 if size == 3 else 1)
    if total <= _MOST_SUBSETS:
        return np.array(list(combinations(range(count), size)))
    rng = np.random.default_rng(count)  # the same every time: a reading must be repeatable
    return np.argsort(rng.random((_MOST_SUBSETS, count)), axis=1)[:, :size]


def segment_weights(
    offsets: Floats,
    variances: Floats,
    trend: Floats,
    rms: Floats,
    sigma: float,
    contrasts: Floats,
    sign: int,
    adjacent: Bools,
) -> Floats:
    """How far each segment is believed, 0 to 1, shape (S,).

    Parameters
    ----------
    offsets, variances : ndarray, shape (S,)
        Offset of each segment from the present line, px, and its variance for white noise.
    trend : ndarray, shape (S, Q)
        How offsets go with a move of the whole line or circle.
    rms : ndarray, shape (S,)
        Rms residual of each segment's pixels.
    sigma : float
        Noise per pixel.
    contrasts : ndarray, shape (S,)
        Signed contrast of each segment.
    sign : int
        +1 or -1 the polarity that counts, 0 either.
    adjacent : ndarray of bool, shape (S,)
        Whether the next segment (after the last the first) touches each one.
    """
    seen = np.abs(contrasts) if sign == 0 else sign * contrasts
    usual = float(np.median(seen[seen > 0])) if np.any(seen > 0) else 0.0
    plausible = seen > LEAST_CONTRAST * usual
    if not np.any(plausible):
        return np.zeros(len(offsets))
    scale = np.sqrt(variances + _FLOOR_PX**2)
    away = np.abs(trend_residuals(offsets, scale, trend, plausible)) / scale
    # extra scatter beyond the noise, so that a wavy or bent line keeps its segments
    count = int(np.sum(plausible))
    small = 1.0 + 5.0 / max(count - trend.shape[1], 1)
    spread = max(1.4826 * small * float(np.median(away[plausible])), 1.0)
    biweight = np.maximum(0.0, 1.0 - (away / (TUKEY * spread)) ** 2) ** 2
    quiet = np.minimum(1.0, (1.5 * sigma / np.maximum(rms, 1e-12)) ** 2)
    weights = np.where(plausible, biweight * quiet, 0.0)
    # what covers one segment reaches into its neighbours
    lost = weights < _LOST
    beside = (adjacent & np.roll(lost, -1)) | np.roll(adjacent & lost, 1)
    return np.where(beside, _BESIDE * weights, weights)
