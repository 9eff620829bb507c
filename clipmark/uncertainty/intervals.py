"""Coverage intervals of drawn values, and coverage factors.

JCGM 101:2008, 5.3 and 7.7 (intervals), JCGM 100:2008, G.3 and table G.2 (factors).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

FloatArray = NDArray[np.float64]
MIN_DRAWS = 20


def coverage_factor(dof: float = math.inf, p: float = 0.95) -> float:
    """Factor k so that +-k u covers the probability `p`, from Student's t with `dof`.

    Degrees of freedom need not be whole; the GUM truncates them to the next lower integer
    (G.4.1), which the caller may do first.
    """
    _check_probability(p)
    if not dof > 0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof}")
    tail = (1.0 + p) / 2.0
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))


def symmetric_interval(samples: NDArray[np.float64], p: float = 0.95) -> tuple[float, float]:
    """Interval with equal probability beyond either end (JCGM 101:2008, 7.7.2).

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Drawn values, at least 20, all finite.
    p : float
        Coverage probability.
    """
    ordered = _ordered(samples, p)
    low, high = np.quantile(ordered, [(1 - p) / 2, (1 + p) / 2], method="hazen")
    return float(low), float(high)


def shortest_interval(samples: NDArray[np.float64], p: float = 0.95) -> tuple[float, float]:
    """Shortest of all intervals that hold the share `p` of the draws (JCGM 101:2008, 7.7.2).

    Its ends scatter several times more than those of the symmetric one: compare lengths, not
    ends.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Drawn values, at least 20, all finite.
    p : float
        Coverage probability.
    """
    ordered = _ordered(samples, p)
    held = min(max(math.floor(p * len(ordered) + 0.5), 1), len(ordered) - 1)
    lengths = ordered[held:] - ordered[:-held]
    start = int(np.argmin(lengths))
    return float(ordered[start]), float(ordered[start + held])


def _ordered(samples: NDArray[np.float64], p: float) -> FloatArray:
    _check_probability(p)
    values = np.asarray(samples, dtype=np.float64).ravel()
    if len(values) < MIN_DRAWS:
        raise ValueError(
            f"{len(values)} draws are too few for an interval; use {MIN_DRAWS} or more"
        )
    if not np.isfinite(values).all():
        raise ValueError("an interval of draws that are not all finite numbers means nothing")
    return np.sort(values)


def _check_probability(p: float) -> None:
    if not 0.0 < p < 1.0:
        raise ValueError(f"a coverage probability lies between 0 and 1, not at {p}")
