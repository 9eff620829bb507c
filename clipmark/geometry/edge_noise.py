"""How well a fitted line is known when the noise along it is correlated.

White noise gives the covariance of maximum likelihood. Compression blocks, grain and texture
make neighbours err together. Two measures of that are combined: the sum of
what single pixel columns add to the result, with lags of up to `_SHORT_PX` (many degrees of
freedom, blind to long correlation), and the scatter of the segments' own offsets about the
line, with lags of up to three segments (few degrees of freedom). Pure maths.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.edge_solve import Bed, Solution

Floats = NDArray[np.float64]

_SHORT_PX = 8
_PRIOR_DOF = 4.0  # weight of the short measure against the segments' scatter


@dataclass(frozen=True)
class Spread:
    """Covariance (2, 2) of offset (px) and slope, its degrees of freedom, and the inflation.

    `inflation` is the factor on the variance over white noise; `n_eff` the number of
    independent pixel columns that carry as much information.
    """

    covariance: Floats
    dof: float
    n_eff: float
    inflation: float


def spread_of(solution: Solution) -> Spread:
    """Covariance of a fitted line, honest for correlated residuals."""
    bed = solution.bed
    white = solution.covariance[:2, :2]
    short = max(_short_inflation(bed, solution), 1.0)
    long, dof = _long_inflation(bed, solution)
    inflation = (_PRIOR_DOF * short + dof * long) / (_PRIOR_DOF + dof)
    inflation = max(inflation, 1.0)
    used = float(np.sum(solution.weights)) / len(solution.weights)
    columns = 2.0 * bed.half * used
    return Spread(white * inflation, _PRIOR_DOF + dof, columns / inflation, inflation)


def _short_inflation(bed: Bed, solution: Solution) -> float:
    """Variance over white noise from columns of pixels, Bartlett lags of `_SHORT_PX`."""
    column = np.floor(bed.along + bed.half).astype(np.int64)
    count = int(column.max()) + 1
    series = np.bincount(column, solution.influence[:, 0], count)
    power = series @ series
    if power <= 0:
        return 1.0
    ratio = 1.0
    for lag in range(1, min(_SHORT_PX, count - 1) + 1):
        share = 1.0 - lag / (_SHORT_PX + 1.0)
        ratio += 2.0 * share * float(series[lag:] @ series[:-lag]) / power
    # variance of the columns themselves over what white noise of `sigma` would give
    white = solution.covariance[0, 0]
    return float(max(ratio, 0.5) * power / white)


def _long_inflation(bed: Bed, solution: Solution) -> tuple[float, float]:
    """Chi-square per degree of freedom of the segments' offsets, with lags, and its dof."""
    used = solution.weights > 0.1
    dof = float(np.sum(used)) - 2.0
    if dof < 1:
        return 1.0, 0.0
    precision = 1.0 / solution.u_offsets[used]
    along = bed.middles[used]
    design = np.stack([np.ones_like(along), along / bed.half], axis=1) * precision[:, None]
    value = solution.offsets[used] * precision
    fit, *_ = np.linalg.lstsq(design, value, rcond=None)
    rest = value - design @ fit
    power = float(rest @ rest)
    ratio = 1.0
    lags = 3 if dof >= 16 else (1 if dof >= 8 else 0)
    for lag in range(1, lags + 1):
        share = 1.0 - lag / (lags + 1.0)
        ratio += 2.0 * share * float(rest[lag:] @ rest[:-lag]) / max(power, 1e-300)
    return power / dof * max(ratio, 1.0), dof
