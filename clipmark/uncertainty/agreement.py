"""Limits of agreement of two markers: between them lie 95 % of their differences.

J. M. Bland, D. G. Altman, Lancet i (1986) 307-310 (limits, their approximate intervals, the
correction where means of repeats were compared); the same, Stat. Methods Med. Res. 8 (1999)
135-160 (unequal numbers of repeats). The intervals of the limits are the exact ones of A. Carkeet,
Optom. Vis. Sci. 92 (2015) e71-e80, by the noncentral t distribution, each limit for itself; where
means of repeats were compared, those of G. Y. Zou, Stat. Methods Med. Res. 22 (2013) 630-642, which
are wide rather than narrow.
All presume differences that are about normal, independent, and of one size over the range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from clipmark.uncertainty.intervals import coverage_factor
from clipmark.uncertainty.variance_parts import Estimate, MeanSquare, combined_variance

FloatArray = NDArray[np.float64]
WITHIN = 1.96  # standard deviations; the paper of 1986 works with 2
LEAST_PAIRS = 3  # with 2 a limit's interval spans hundreds of standard deviations
Way = Literal["exact", "approximate", "recovered"]


@dataclass(frozen=True)
class Repeatability:
    """How far repeats of one marker lie apart.

    Attributes
    ----------
    sd : Estimate
        Standard deviation within one thing, s_r, with its 95 % interval.
    dof : int
        Degrees of freedom behind it.
    difference_sd : float
        Of the difference of two repeats, about zero: ``sqrt(2) s_r``.
    coefficient : float
        Two repeats differ by less than that in 95 % of cases.
    """

    sd: Estimate
    dof: int
    difference_sd: float
    coefficient: float


@dataclass(frozen=True, eq=False)
class LimitsOfAgreement:
    """How two markers' values of the same things differ.

    Attributes
    ----------
    means, differences : ndarray, shape (n,)
        Of each pair; a difference is the first less the second.
    bias : Estimate
        Mean difference with its 95 % interval.
    sd : float
        Standard deviation of the differences of single markings.
    sd_of_means : float
        As found between the means of repeats; the same as `sd` where nothing was repeated.
    lower, upper : Estimate
        The limits, each with its 95 % interval.
    limit_se : float
        Standard error of a limit in the paper's approximation, ``sqrt(3 s^2 / n)``.
    way : {'exact', 'approximate', 'recovered'}
        How the intervals of the limits were made.
    correlation : float
        Of the two markers' values; it says nothing of their agreement. NaN where one of them
        does not vary.
    slope : Estimate
        Rise of the difference with the mean; where its interval leaves out 0, one pair of limits
        does not hold over the whole range. NaN where the means do not vary.
    """

    means: FloatArray
    differences: FloatArray
    bias: Estimate
    sd: float
    sd_of_means: float
    lower: Estimate
    upper: Estimate
    limit_se: float
    way: Way
    correlation: float
    slope: Estimate

    @property
    def n(self) -> int:
        """Number of pairs."""
        return len(self.differences)

    @property
    def biased(self) -> bool:
        """Whether the interval of the bias leaves out 0."""
        return self.bias.low > 0.0 or self.bias.high < 0.0

    @property
    def trending(self) -> bool:
        """Whether the interval of the slope leaves out 0."""
        return self.slope.low > 0.0 or self.slope.high < 0.0


def repeatability(repeats: Sequence[ArrayLike], within: float = WITHIN) -> Repeatability:
    """Repeatability from repeats of several things by one marker.

    Parameters
    ----------
    repeats : sequence of array_like
        For each thing its repeats, any number of them; those marked once are passed over.
    within : float
        Standard deviations that hold 95 %.

    Raises
    ------
    ValueError
        If nothing was repeated, or a value is not finite.
    """
    groups = [_finite(values) for values in repeats]
    square = _within(groups)
    if square is None:
        raise ValueError("nothing was marked twice by the same marker, so its repeats say nothing")
    sd = combined_variance([(1.0, square)]).root()
    apart = math.sqrt(2.0) * sd.value
    return Repeatability(sd, int(square.dof), apart, within * apart)


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, way: Way = "exact", within: float = WITHIN
) -> LimitsOfAgreement:
    """Limits of agreement of two markers who marked each thing once.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Values of the same n things, in one unit; n at least 3.
    way : {'exact', 'approximate'}
        Intervals of the limits by the noncentral t distribution, or by the paper of 1986.
    within : float
        Standard deviations from the bias to a limit.

    Raises
    ------
    ValueError
        If the two do not pair, are too few, or hold what is not finite.
    """
    one, other = _finite(first), _finite(second)
    if one.shape != other.shape:
        raise ValueError(f"{one.size} values do not pair with {other.size}")
    return _limits(one, other, None, way, within)


def limits_from_repeats(
    first: Sequence[ArrayLike], second: Sequence[ArrayLike], *, within: float = WITHIN
) -> LimitsOfAgreement:
    """Limits of agreement for single markings, from means of repeats.

    Means scatter less than single markings do, so what the repeats of each marker vary is put
    back: ``s^2 = s_D^2 + (1 - mean(1/m1)) s_r1^2 + (1 - mean(1/m2)) s_r2^2``.

    Parameters
    ----------
    first, second : sequence of array_like
        For each of n things the markings of either marker, one or more.
    within : float
        Standard deviations from the bias to a limit.

    Raises
    ------
    ValueError
        As `limits_of_agreement`.
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} things do not pair with {len(second)}")
    ours, theirs = [_finite(x) for x in first], [_finite(x) for x in second]
    if not all(len(values) for values in (*ours, *theirs)):
        raise ValueError("a thing without any marking has no place among pairs")
    extra = []
    for groups in (ours, theirs):
        square = _within(groups)
        if square is not None:
            share = 1.0 - float(np.mean([1.0 / len(values) for values in groups]))
            extra.append((share, square))
    means = [np.array([np.mean(values) for values in groups]) for groups in (ours, theirs)]
    return _limits(means[0], means[1], extra, "recovered" if extra else "exact", within)


@lru_cache(maxsize=256)
def limit_factor(n: int, within: float, probability: float) -> float:
    """Factor k with ``P(mean + within sigma < xbar + k s) = probability`` for n normal values.

    ``t(n - 1; within sqrt(n)) / sqrt(n)``, of the noncentral t distribution: the one-sided
    tolerance factor that Carkeet 2015 takes for each limit.
    """
    quantile = scipy.stats.nct.ppf(probability, n - 1, within * math.sqrt(n))
    return float(quantile) / math.sqrt(n)


def _limits(
    one: FloatArray,
    other: FloatArray,
    extra: list[tuple[float, MeanSquare]] | None,
    way: Way,
    within: float,
) -> LimitsOfAgreement:
    count = len(one)
    if count < LEAST_PAIRS:
        raise ValueError(
            f"{count} pairs are too few for limits of agreement; mark at least {LEAST_PAIRS} "
            "attempts by both"
        )
    differences, means = one - other, (one + other) / 2.0
    found = float(np.std(differences, ddof=1))
    middle = float(np.mean(differences))
    spare = coverage_factor(count - 1) * found / math.sqrt(count)
    bias = Estimate(middle, middle - spare, middle + spare)
    scatter = combined_variance([(1.0, MeanSquare(found**2, count - 1)), *(extra or ())]).root()
    limits = [middle - within * scatter.value, middle + within * scatter.value]
    limit_se = math.sqrt(3.0 / count) * scatter.value
    if way == "exact":
        near, far = (found * limit_factor(count, within, p) for p in (0.025, 0.975))
        lower = Estimate(limits[0], middle - far, middle - near)
        upper = Estimate(limits[1], middle + near, middle + far)
    elif way == "approximate":
        reach = coverage_factor(count - 1) * limit_se
        lower, upper = (Estimate(limit, limit - reach, limit + reach) for limit in limits)
    else:
        inward = math.hypot(spare, within * (scatter.value - scatter.low))
        outward = math.hypot(spare, within * (scatter.high - scatter.value))
        lower = Estimate(limits[0], limits[0] - outward, limits[0] + inward)
        upper = Estimate(limits[1], limits[1] - inward, limits[1] + outward)
    return LimitsOfAgreement(
        means=means,
        differences=differences,
        bias=bias,
        sd=scatter.value,
        sd_of_means=found,
        lower=lower,
        upper=upper,
        limit_se=limit_se,
        way=way,
        correlation=_correlation(one, other),
        slope=_slope(means, differences),
    )


def _within(groups: Sequence[FloatArray]) -> MeanSquare | None:
    """Mean square within groups; None where no group holds two values."""
    dof = sum(len(values) - 1 for values in groups if len(values) > 1)
    if dof == 0:
        return None
    squares = sum(
        float(np.sum((values - np.mean(values)) ** 2)) for values in groups if len(values)
    )
    return MeanSquare(squares / dof, dof)


def _correlation(one: FloatArray, other: FloatArray) -> float:
    if np.ptp(one) == 0 or np.ptp(other) == 0:
        return math.nan
    return float(np.corrcoef(one, other)[0, 1])


def _slope(means: FloatArray, differences: FloatArray) -> Estimate:
    if np.ptp(means) == 0:
        return Estimate(math.nan, math.nan, math.nan)
    away = means - np.mean(means)
    across = float(np.sum(away**2))
    slope = float(away @ differences) / across
    left = differences - np.mean(differences) - slope * away
    dof = len(means) - 2
    spare = coverage_factor(dof) * math.sqrt(float(left @ left) / dof / across)
    return Estimate(slope, slope - spare, slope + spare)


def _finite(values: ArrayLike) -> FloatArray:
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 1:
        raise ValueError(f"values in one row were expected, not of shape {found.shape}")
    if not np.isfinite(found).all():
        raise ValueError("a value is missing or not finite; leave its pair out")
    return found
