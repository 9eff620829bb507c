"""How well a fitted line is known when the noise along it is correlated.

White noise gives the covariance of maximum likelihood. Compression blocks, grain and texture
make neighbours err together. Two measures of that are combined: the sum of what single pixel
columns add to the result, with lags of up to `_SHORT_PX` (many degrees of freedom, blind to
long correlation), and the scatter of the segments' own offsets about the line, each to some
degree like the one before it (first-order autoregression; few degrees of freedom). Pure maths.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.edge_solve import B, Solution

Floats = NDArray[np.float64]

_SHORT_PX = 8
_PRIOR_DOF = 4.0  # weight of the short measure against the segments' scatter


@dataclass(frozen=True)
class Spread:
    """Covariance of the place parameters, its degrees of freedom, and the inflation.

    `inflation` is the factor on the variance over white noise; `n_eff` the number of
    independent pixel columns that carry as much information.
    """

    covariance: Floats
    dof: float
    n_eff: float
    inflation: float


def spread_of(solution: Solution[B]) -> Spread:
    """Covariance (G, G) of where a line or circle lies, honest for correlated residuals."""
    count = len(solution.shape.place)
    white = solution.covariance[:count, :count]
    column = solution.bed.columns()
    short = max(_short_inflation(column, solution), 1.0)
    long, dof = _long_inflation(solution)
    inflation = (_PRIOR_DOF * short + dof * long) / (_PRIOR_DOF + dof)
    inflation = max(inflation, 1.0)
    used = float(np.mean(solution.weights))
    columns = float(column.max() - column.min() + 1) * used
    return Spread(white * inflation, _PRIOR_DOF + dof, columns / inflation, inflation)


def _short_inflation(column: NDArray[np.int64], solution: Solution[B]) -> float:
    """Variance over white noise from columns of pixels, Bartlett lags of `_SHORT_PX`."""
    count = int(column.max()) + 1
    series = np.bincount(column, solution.influence[:, 0], count)
    power = float(series @ series)
    if power <= 0:
        return 1.0
    ratio = 1.0
    for lag in range(1, min(_SHORT_PX, count - 1) + 1):
        share = 1.0 - lag / (_SHORT_PX + 1.0)
        ratio += 2.0 * share * float(series[lag:] @ series[:-lag]) / power
    return max(ratio, 0.5) * power / float(solution.covariance[0, 0])


def _long_inflation(solution: Solution[B]) -> tuple[float, float]:
    """Chi-square per degree of freedom of the segments' offsets, for likeness, and its dof."""
    used = solution.weights > 0.1
    trend = solution.bed.trend()[used]
    dof = float(np.sum(used)) - trend.shape[1]
    if dof < 1:
        return 1.0, 0.0
    precision = 1.0 / solution.u_offsets[used]
    value = solution.offsets[used] * precision
    fit, *_ = np.linalg.lstsq(trend * precision[:, None], value, rcond=None)
    rest = value - trend @ fit * precision
    power = float(rest @ rest)
    before = float(rest[1:] @ rest[:-1]) / max(power, 1e-300)
    # the trend that was taken out leaves neighbours less alike than they are
    alike = (before + (2.0 + 4.0 * before) / len(rest)) * dof / (dof + 4.0)
    alike = float(np.clip(alike, 0.0, 0.8))
    return power / dof * (1.0 + alike) / (1.0 - alike), dof
