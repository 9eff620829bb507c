"""Intervals of variances that are put together from mean squares of an analysis of variance.

A component such as that of the markers is a difference of mean squares, a total is a sum; neither
has a chi-square distribution. The modified large-sample interval starts from the exact interval of
each mean square and holds its probability down to 1 degree of freedom: F. A. Graybill, C.-M. Wang,
J. Am. Stat. Assoc. 75 (1980) 869-873 for sums; N. Ting, R. K. Burdick, F. A. Graybill, S.
Jeyaratnam, T.-F. C. Lu, J. Stat. Comput. Simul. 35 (1990) 135-143 where signs differ; for gauge
studies R. K. Burdick, C. M. Borror, D. C. Montgomery, *Design and Analysis of Gauge R&R Studies*
(2005), chapter 3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import scipy


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval, or one of another stated probability."""

    value: float
    low: float
    high: float

    def root(self) -> Estimate:
        """Of the square root: the standard deviation of a variance."""
        return Estimate(*(math.sqrt(max(x, 0.0)) for x in (self.value, self.low, self.high)))

    def times(self, factor: float) -> Estimate:
        """Everything times `factor`, which is not below 0."""
        return Estimate(factor * self.value, factor * self.low, factor * self.high)


@dataclass(frozen=True)
class MeanSquare:
    """One mean square: its size, in the unit squared, and its degrees of freedom."""

    value: float
    dof: float

    def __post_init__(self) -> None:
        if not (self.value >= 0 and math.isfinite(self.value)):
            raise ValueError(f"a mean square is a finite number of 0 or more, not {self.value}")
        if not (self.dof > 0 and math.isfinite(self.dof)):
            raise ValueError(f"a mean square has degrees of freedom above 0, not {self.dof}")


Term = tuple[float, MeanSquare]  # with the factor that it is taken with


def combined_variance(terms: Sequence[Term], p: float = 0.95) -> Estimate:
    """Interval of ``sum(factor * mean square)``, factors of either sign.

    Parameters
    ----------
    terms : sequence of (float, MeanSquare)
        Independent mean squares with their factors; those with a factor of 0 are passed over.
    p : float
        Probability of the two-sided interval.

    Returns
    -------
    Estimate
        In the unit squared. Nothing is cut off at 0: where the value comes out negative that is
        for the caller to say. For a single mean square it is the exact chi-square interval.
    """
    if not 0.0 < p < 1.0:
        raise ValueError(f"a coverage probability lies between 0 and 1, not at {p}")
    used = [(factor, square) for factor, square in terms if factor != 0.0]
    value = math.fsum(factor * square.value for factor, square in used)
    tail = (1.0 - p) / 2.0
    low = value - math.sqrt(max(_below(used, tail), 0.0))
    # What lies above is what lies below of the same sum with all signs turned round.
    high = value + math.sqrt(max(_below([(-f, square) for f, square in used], tail), 0.0))
    return Estimate(value, low, high)


def _below(terms: Sequence[Term], tail: float) -> float:
    """Square of the distance from the value to the lower end of its interval."""
    plus = [(factor, square) for factor, square in terms if factor > 0]
    minus = [(-factor, square) for factor, square in terms if factor < 0]
    found = sum((_fall(square.dof, tail) * f * square.value) ** 2 for f, square in plus)
    found += sum((_rise(square.dof, tail) * f * square.value) ** 2 for f, square in minus)
    if not (plus and minus):
        return found
    for f, one in plus:
        for g, other in minus:
            found += _across(one.dof, other.dof, tail) * f * g * one.value * other.value
    for (f, one), (g, other) in combinations(plus, 2):
        together = _together(one.dof, other.dof, tail) / (len(plus) - 1)
        found += together * f * g * one.value * other.value
    return found


@lru_cache(maxsize=256)
def _fall(dof: float, tail: float) -> float:
    """Share by which a mean square may lie above what it estimates."""
    return 1.0 - dof / float(scipy.stats.chi2.isf(tail, dof))


@lru_cache(maxsize=256)
def _rise(dof: float, tail: float) -> float:
    """Share by which a mean square may lie below what it estimates."""
    return dof / float(scipy.stats.chi2.ppf(tail, dof)) - 1.0


@lru_cache(maxsize=256)
def _across(plus_dof: float, minus_dof: float, tail: float) -> float:
    """Makes the interval of a difference exact where the ratio of the mean squares is critical."""
    ratio = float(scipy.stats.f.isf(tail, plus_dof, minus_dof))
    fall, rise = _fall(plus_dof, tail), _rise(minus_dof, tail)
    return ((ratio - 1.0) ** 2 - (fall * ratio) ** 2 - rise**2) / ratio


@lru_cache(maxsize=256)
def _together(dof: float, other_dof: float, tail: float) -> float:
    """Makes the interval of a sum exact where both estimate the same variance."""
    whole = _fall(dof + other_dof, tail) ** 2 * (dof + other_dof) ** 2 / (dof * other_dof)
    return (
        whole
        - _fall(dof, tail) ** 2 * dof / other_dof
        - _fall(other_dof, tail) ** 2 * other_dof / dof
    )
