"""Intraclass correlation: which share of all scatter is between the things, not the markers.

The six forms of P. E. Shrout, J. L. Fleiss, Psychol. Bull. 86 (1979) 420-428; intervals as there
and in K. O. McGraw, S. P. Wong, Psychol. Methods 1 (1996) 30-46. ``2,1`` is the one that asks
whether one marker can stand for another: markers taken from many, their biases counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from clipmark.uncertainty.variance_parts import Estimate

FloatArray = NDArray[np.float64]
FORMS = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")


@dataclass(frozen=True)
class FTest:
    """Ratio of two mean squares with its degrees of freedom, and how likely one as large is."""

    f: float
    dof: int
    dof_below: int
    p: float


@dataclass(frozen=True)
class Intraclass:
    """Intraclass correlations of a table of things by markers.

    Attributes
    ----------
    things, markers : int
    ms_things, ms_markers, ms_residual, ms_within : float
        Mean squares, in the unit squared.
    forms : dict of str to Estimate
        Keyed ``1,1`` (each thing by other markers), ``2,1`` (the same markers, taken from many),
        ``3,1`` (these markers only, biases left out), and ``1,k, 2,k, 3,k`` of the mean of all
        markers; each with its 95 % interval.
    tests : dict of str to FTest
        Whether the things differ at all, by form.
    """

    things: int
    markers: int
    ms_things: float
    ms_markers: float
    ms_residual: float
    ms_within: float
    forms: dict[str, Estimate]
    tests: dict[str, FTest]


def intraclass(table: ArrayLike) -> Intraclass:
    """All six intraclass correlations.

    Parameters
    ----------
    table : array_like, shape (n, k)
        n >= 2 things by k >= 2 markers, nothing missing.

    Raises
    ------
    ValueError
        If the table has holes, is too small, or all its values are the same.
    """
    values = np.asarray(table, dtype=np.float64)
    if values.ndim != 2 or min(values.shape) < 2:
        raise ValueError(
            "an intraclass correlation needs a table of at least 2 attempts by 2 markers, not of "
            f"shape {values.shape}"
        )
    if not np.isfinite(values).all():
        raise ValueError(
            "the table has holes: every marker must have marked every attempt; leave out the "
            "attempts that somebody did not mark"
        )
    n, k = values.shape
    centred = values - np.mean(values)
    rows, columns = centred.mean(axis=1), centred.mean(axis=0)
    things, markers = k * float(rows @ rows), n * float(columns @ columns)
    residual = float(np.sum((centred - rows[:, None] - columns[None, :]) ** 2))
    if np.ptp(values) == 0.0:
        raise ValueError("all markings are the same number, so there is no scatter to share out")
    msb, msj = things / (n - 1), markers / (k - 1)
    mse = residual / ((n - 1) * (k - 1))
    msw = (markers + residual) / (n * (k - 1))
    single = {
        "1,1": _one_way(msb, msw, n - 1, n * (k - 1), k),
        "2,1": _two_way(msb, msj, mse, n, k),
        "3,1": _one_way(msb, mse, n - 1, (n - 1) * (k - 1), k),
    }
    mean = {f"{form[0]},k": _of_mean(single[form], k) for form in single}
    apart = _f_test(msb, msw, n - 1, n * (k - 1))
    crossed = _f_test(msb, mse, n - 1, (n - 1) * (k - 1))
    tests = {form: apart if form[0] == "1" else crossed for form in FORMS}
    return Intraclass(n, k, msb, msj, mse, msw, single | mean, tests)


def _f_test(above: float, below: float, dof: int, dof_below: int) -> FTest:
    f = above / below if below > 0 else math.inf
    return FTest(f, dof, dof_below, float(scipy.stats.f.sf(f, dof, dof_below)))


def _one_way(msb: float, ms: float, dof: int, dof_below: int, k: int) -> Estimate:
    """Forms 1 and 3: of one F ratio, whose interval is exact."""
    narrow = float(scipy.stats.f.ppf(0.975, dof, dof_below))
    wide = float(scipy.stats.f.ppf(0.975, dof_below, dof))
    shares = [(msb, ms), (msb, ms * narrow), (msb * wide, ms)]
    return Estimate(*((b - e) / (b + (k - 1) * e) for b, e in shares))


def _two_way(msb: float, msj: float, mse: float, n: int, k: int) -> Estimate:
    """Form 2: degrees of freedom after Satterthwaite."""
    icc = (msb - mse) / (msb + (k - 1) * mse + k * (msj - mse) / n)
    dof_residual = (n - 1) * (k - 1)
    # The published formula with numerator and denominator times the residual mean square squared,
    # so that markers without any residual are no division by zero.
    marker = k * icc * msj
    rest = (n * (1 + (k - 1) * icc) - k * icc) * mse
    below = (n - 1) * marker**2 + rest**2
    dof = dof_residual * (marker + rest) ** 2 / below if below > 0 else math.inf
    if not dof > 0:
        return Estimate(icc, -1.0 / (k - 1), 1.0)
    upper = float(scipy.stats.f.ppf(0.975, n - 1, dof))
    lower = float(scipy.stats.f.ppf(0.975, dof, n - 1))
    shared = k * msj + (k * n - k - n) * mse
    low = n * (msb - upper * mse) / (upper * shared + n * msb)
    high = n * (lower * msb - mse) / (shared + n * lower * msb)
    return Estimate(icc, low, high)


def _of_mean(single: Estimate, k: int) -> Estimate:
    """Of the mean of k markers (Spearman and Brown); without bound where single ones cancel out."""
    parts = (single.value, single.low, single.high)
    below = [1 + (k - 1) * x for x in parts]
    return Estimate(*(k * x / d if d > 0 else -math.inf for x, d in zip(parts, below, strict=True)))
