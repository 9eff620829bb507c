"""Agreement of two people's verdicts beyond chance: Cohen's kappa, always with its table.

J. Cohen, Educ. Psychol. Meas. 20 (1960) 37-46 and Psychol. Bull. 70 (1968) 213-220 (weights);
large-sample standard errors of J. L. Fleiss, J. Cohen, B. S. Everitt, Psychol. Bull. 72 (1969)
323-327. Tables with the same raw agreement can have very different kappas, so the coefficient
never stands alone. Raw agreement has the exact interval of C. J. Clopper, E. S. Pearson,
Biometrika 26 (1934) 404-413.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from clipmark.uncertainty.intervals import coverage_factor
from clipmark.uncertainty.variance_parts import Estimate

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa.

    Attributes
    ----------
    observed, by_chance : float
        Share of (weighted) agreement found, and expected of two who give their verdicts blindly
        as often as they did.
    value : float
        ``(observed - by_chance) / (1 - by_chance)``.
    se : float
        Large-sample standard error; 0 where nobody ever disagreed, which is no certainty.
    se_if_none : float
        Were there no agreement beyond chance.
    interval : (float, float) or None
        95 %, ``value +- 1.96 se`` within -1 to 1; None where `se` is 0.
    """

    observed: float
    by_chance: float
    value: float
    se: float
    se_if_none: float
    interval: tuple[float, float] | None


@dataclass(frozen=True)
class VerdictTable:
    """Verdicts of two people on the same attempts.

    Attributes
    ----------
    classes : tuple of str
        Verdicts, in the order of rows (the first person) and columns (the second).
    counts : tuple of tuple of int
    agreed : Estimate
        Share of equal verdicts with its exact 95 % interval.
    kappa : Kappa or None
    why_not : str
        Why there is no kappa; empty where there is one.
    """

    classes: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]
    agreed: Estimate
    kappa: Kappa | None
    why_not: str = ""

    @property
    def n(self) -> int:
        """Number of attempts."""
        return sum(map(sum, self.counts))


def cohen_kappa(counts: ArrayLike, weights: ArrayLike | None = None) -> Kappa:
    """Cohen's kappa of a square table.

    Parameters
    ----------
    counts : array_like, shape (c, c)
        How often the first person gave the verdict of the row and the second that of the column.
    weights : array_like, shape (c, c), optional
        How far two verdicts agree: 1 on the diagonal, below it elsewhere; nothing else than equal
        counts when not given. Of disagreement weights v give ``1 - v / max(v)``.

    Raises
    ------
    ValueError
        If the table is not square, holds something other than counts, or is empty; if all
        verdicts lie in one class, where kappa is 0/0; if weights do not fit.
    """
    table = np.asarray(counts, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or not table.size:
        raise ValueError(f"a table of verdicts is square, not of shape {table.shape}")
    if not np.isfinite(table).all() or (table < 0).any() or table.sum() == 0:
        raise ValueError("a table of verdicts holds counts of 0 or more, and at least one verdict")
    agree = _weights(weights, len(table))
    n = float(table.sum())
    p = table / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed = float(np.sum(agree * p))
    chance = float(rows @ agree @ columns)
    if math.isclose(chance, 1.0, rel_tol=1e-12):
        raise ValueError(
            "all verdicts lie in one class, so agreement beyond chance is 0/0; the table alone "
            "says what there is"
        )
    value = (observed - chance) / (1.0 - chance)
    either = (agree @ columns)[:, None] + (rows @ agree)[None, :]
    spread = np.sum(p * (agree - either * (1.0 - value)) ** 2)
    spread -= (value - chance * (1.0 - value)) ** 2
    if_none = np.sum(np.outer(rows, columns) * (agree - either) ** 2) - chance**2
    se, se_if_none = (math.sqrt(max(float(x), 0.0) / n) / (1.0 - chance) for x in (spread, if_none))
    if observed >= 1.0:
        se = 0.0  # but for rounding
    reach = coverage_factor() * se
    interval = (max(value - reach, -1.0), min(value + reach, 1.0)) if se > 0 else None
    return Kappa(observed, chance, value, se, se_if_none, interval)


def verdict_table(
    first: Sequence[Hashable], second: Sequence[Hashable], classes: Sequence[str] = ()
) -> VerdictTable:
    """Put the verdicts of two people into a table, with kappa where there is one.

    Parameters
    ----------
    first, second : sequence
        Verdicts on the same attempts.
    classes : sequence of str
        Order of the verdicts; those that occur beyond it follow in alphabetical order.

    Raises
    ------
    ValueError
        If the two do not pair, or are empty.
    """
    if len(first) != len(second) or not first:
        raise ValueError(f"{len(first)} verdicts do not pair with {len(second)}")
    given = {str(verdict) for verdict in (*first, *second)}
    order = [name for name in classes if name in given]
    order += sorted(given - set(order))
    counts = np.zeros((len(order), len(order)), dtype=int)
    for one, other in zip(first, second, strict=True):
        counts[order.index(str(one)), order.index(str(other))] += 1
    agreed = _share(int(np.trace(counts)), len(first))
    table = tuple(tuple(int(x) for x in row) for row in counts)
    try:
        return VerdictTable(tuple(order), table, agreed, cohen_kappa(counts))
    except ValueError as error:
        return VerdictTable(tuple(order), table, agreed, None, str(error))


def _weights(weights: ArrayLike | None, size: int) -> FloatArray:
    if weights is None:
        return np.eye(size)
    found = np.asarray(weights, dtype=np.float64)
    if found.shape != (size, size) or not np.isfinite(found).all():
        raise ValueError(f"weights of shape {found.shape} do not fit a table of {size} verdicts")
    if not np.array_equal(np.diag(found), np.ones(size)) or (found > 1.0).any():
        raise ValueError("weights of agreement are 1 on the diagonal and nowhere above it")
    return found


def _share(hits: int, n: int) -> Estimate:
    """Share of n with the exact interval of Clopper and Pearson."""
    low = float(scipy.stats.beta.ppf(0.025, hits, n - hits + 1)) if hits else 0.0
    high = float(scipy.stats.beta.ppf(0.975, hits + 1, n - hits)) if hits < n else 1.0
    return Estimate(hits / n, low, high)
