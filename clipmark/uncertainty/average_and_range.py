"""Crossed gauge study by averages and ranges, as it is done with pencil and paper.

AIAG, *Measurement Systems Analysis*, 4th ed. (2010). It knows no interaction, and its factors
turn ranges into standard deviations: K = 1 / d2* of a normal sample, tabled with four decimals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

from clipmark.uncertainty.gauge_study import CATEGORIES

FloatArray = NDArray[np.float64]
TABLED = 4  # decimals of the manual's factors


@dataclass(frozen=True)
class AverageAndRange:
    """Standard deviations from ranges, in the unit of the readings.

    Attributes
    ----------
    mean_range : float
        Mean range of the repeats in one cell.
    marker_range, part_range : float
        Of the markers' and of the parts' averages.
    repeatability, reproducibility, grr, part, total : float
        Standard deviations; reproducibility is 0 where the markers differ by no more than their
        repeats explain.
    """

    mean_range: float
    marker_range: float
    part_range: float
    repeatability: float
    reproducibility: float
    grr: float
    part: float
    total: float

    def percent(self, component: str) -> float:
        """Of a standard deviation, by its name: in percent of the total."""
        value = float(getattr(self, component))
        return 100.0 * value / self.total if self.total > 0 else math.nan

    @property
    def categories_raw(self) -> float:
        """Number of distinct categories before cutting off; infinite without marking scatter."""
        return CATEGORIES * self.part / self.grr if self.grr > 0 else math.inf

    @property
    def categories(self) -> int | None:
        """How many groups of parts the markers can tell apart, at least 1; None is without end."""
        raw = self.categories_raw
        return max(1, math.floor(raw)) if math.isfinite(raw) else None


def average_and_range(readings: ArrayLike) -> AverageAndRange:
    """Crossed study by averages and ranges.

    Parameters
    ----------
    readings : array_like, shape (parts, markers, repeats)
        At least 2 of each, nothing missing.

    Raises
    ------
    ValueError
        If the table has holes or is too small.
    """
    values = np.asarray(readings, dtype=np.float64)
    if values.ndim != 3 or min(values.shape) < 2:
        raise ValueError(
            "averages and ranges need at least 2 attempts, 2 markers and 2 repeats, not a table of "
            f"shape {values.shape}"
        )
    if not np.isfinite(values).all():
        raise ValueError(
            "the table has holes: every marker must have marked every attempt equally often"
        )
    parts, markers, repeats = values.shape
    mean_range = float(np.mean(np.ptp(values, axis=2)))
    marker_range = float(np.ptp(values.mean(axis=(0, 2))))
    part_range = float(np.ptp(values.mean(axis=(1, 2))))
    repeatability = mean_range * factor_of_many(repeats)
    between = (marker_range * factor_of_one(markers)) ** 2 - repeatability**2 / (parts * repeats)
    reproducibility = math.sqrt(max(between, 0.0))
    grr = math.hypot(repeatability, reproducibility)
    part = part_range * factor_of_one(parts)
    return AverageAndRange(
        mean_range, marker_range, part_range, repeatability, reproducibility, grr, part,
        math.hypot(grr, part),
    )  # fmt: skip


def factor_of_many(size: int) -> float:
    """K1: from the mean of many ranges of `size` values to a standard deviation, ``1 / d2``."""
    return round(1.0 / _range_moments(size)[0], TABLED)


def factor_of_one(size: int) -> float:
    """K2, K3: from the one range of `size` values, ``1 / d2*`` with ``d2*^2 = d2^2 + d3^2``."""
    first, second = _range_moments(size)
    return round(1.0 / math.sqrt(second), TABLED) if first else math.nan


@lru_cache(maxsize=64)
def _range_moments(size: int) -> tuple[float, float]:
    """Mean and mean square of the range of `size` standard normal values.

    ``E w = int 1 - F^n - (1 - F)^n`` and ``E w^2 = 2 int int_{x<y} 1 - F(y)^n - (1 - F(x))^n +
    (F(y) - F(x))^n`` (L. H. C. Tippett, Biometrika 17 (1925) 364-387).
    """
    if size < 2:
        raise ValueError(f"a range needs at least 2 values, not {size}")

    def apart(x: float) -> float:
        return float(1.0 - special.ndtr(x) ** size - special.ndtr(-x) ** size)

    def both(y: float, x: float) -> float:
        high, low = special.ndtr(y), special.ndtr(x)
        return float(1.0 - high**size - (1.0 - low) ** size + (high - low) ** size)

    mean = scipy.integrate.quad(apart, -9.0, 9.0, epsabs=1e-9)[0]
    square = scipy.integrate.dblquad(both, -9.0, 9.0, lambda x: x, lambda _: 9.0, epsabs=1e-8)[0]
    return float(mean), 2.0 * float(square)
