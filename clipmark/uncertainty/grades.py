"""A table of grades over one measure, and how probable each grade is.

Each grade holds between two limits, so its probability is the conformance probability of a
two-sided interval, JCGM 106:2012, 7.4: ``Phi((b - y) / u) - Phi((a - y) / u)``. For what cannot be
below 0 the distribution is cut there and made whole again (JCGM 106:2012, 6.2: what is known
beforehand).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from scipy.special import ndtr


@dataclass(frozen=True)
class GradeTable:
    """Grades over one measure, best first.

    Attributes
    ----------
    measure : str
        Name of the measure with its unit, such as ``ripple`` or ``rollback_mm``.
    steps : tuple of (float, float)
        Limit and grade, from the best grade on. The grade holds strictly below its limit, or
        strictly above it where more is better.
    otherwise : float
        Grade beyond the last limit.
    more_is_better : bool
        Limits then fall from step to step, else they rise.

    Raises
    ------
    ValueError
        The reason, where limits or grades do not run in one direction, are no finite numbers, or
        none are given.
    """

    measure: str
    steps: tuple[tuple[float, float], ...]
    otherwise: float
    more_is_better: bool = False

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("it holds no step; give at least one pair of limit and grade")
        if not all(map(math.isfinite, (*self.limits, *self.grades))):
            raise ValueError("every limit and every grade must be a finite number")
        way = -1.0 if self.more_is_better else 1.0
        for before, after in pairwise(self.limits):
            if not way * (after - before) > 0:
                runs = "fall" if self.more_is_better else "rise"
                raise ValueError(
                    f"the limits must {runs} from step to step, best grade first, but "
                    f"{after:.15g} comes after {before:.15g}"
                )
        down = self.grades[1] < self.grades[0]
        for before, after in pairwise(self.grades):
            if not (after < before if down else after > before):
                raise ValueError(
                    "the grades must run in one direction from the best on, the one for all else "
                    f"included, but {after:.15g} comes after {before:.15g}"
                )

    @property
    def limits(self) -> tuple[float, ...]:
        """Limits, best grade first."""
        return tuple(limit for limit, _ in self.steps)

    @property
    def grades(self) -> tuple[float, ...]:
        """Every grade once, best first."""
        return (*(grade for _, grade in self.steps), self.otherwise)

    def grade_at(self, value: float) -> float:
        """Grade of an exactly known value."""
        for limit, grade in self.steps:
            if value > limit if self.more_is_better else value < limit:
                return grade
        return self.otherwise


def probabilities(
    table: GradeTable, mean: float, u: float, lowest: float = -math.inf
) -> tuple[float, ...]:
    """Probability of each grade of `table`, best first; they add up to 1.

    Parameters
    ----------
    table : GradeTable
    mean, u : float
        Normal distribution of the value: its middle and standard uncertainty (0 is exact).
    lowest : float
        The value cannot be below it; `mean` must not be either.
    """
    if u == 0:
        sure = table.grade_at(mean)
        return tuple(float(grade == sure) for grade in table.grades)
    sign = -1.0 if table.more_is_better else 1.0
    edges = [-math.inf, *(sign * limit for limit in table.limits), math.inf]
    least, most = (lowest, math.inf) if sign > 0 else (-math.inf, -lowest)
    shares = [_share(max(a, least), min(b, most), sign * mean, u) for a, b in pairwise(edges)]
    whole = math.fsum(shares)
    return tuple(share / whole for share in shares)


def _share(low: float, high: float, mean: float, u: float) -> float:
    """Share of the normal distribution between two values; 0 where they are the wrong way round."""
    if not high > low:
        return 0.0
    a, b = (low - mean) / u, (high - mean) / u
    if a > 0:  # the far tail keeps its digits on this side
        a, b = -b, -a
    return float(ndtr(b) - ndtr(a))
