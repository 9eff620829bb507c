"""What is known of a claimed value: a distribution, and the probability of a range of values.

The best there is are the draws of the reading itself, made again from its seed. Without them the
stated interval stands for the distribution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.uncertainty.conformance import (
    conformance_probability,
    count_distribution,
    counted_probability,
    drawn_probability,
    split_probability,
)

FloatArray = NDArray[np.float64]
Kind = Literal["draws", "interval", "count of draws", "count of stalls found"]
Z95 = 1.959963984540054


@dataclass(frozen=True)
class Chance:
    """How probable a range of values is.

    Attributes
    ----------
    low, high : float
        Bounds of the probability: equal, unless only a part of it is known.
    u : float
        Standard uncertainty by the number of draws; 0 where nothing was drawn.
    """

    low: float
    high: float
    u: float = 0.0

    @property
    def p(self) -> float | None:
        """The probability, or None where only its bounds are known."""
        return self.low if self.low == self.high else None


@dataclass(frozen=True, eq=False)
class Drawn:
    """Monte Carlo draws of the reading, shape (n,)."""

    samples: FloatArray
    said: str
    seed: int
    draws: int
    kind: Kind = "draws"

    @property
    def u(self) -> float:
        """Standard deviation of the draws."""
        return float(np.std(self.samples))

    def chance(self, low: float, high: float) -> Chance:
        """Probability of a range, ends included."""
        found = drawn_probability(self.samples, low, high)
        return Chance(found.p, found.p, found.u)


@dataclass(frozen=True)
class Stated:
    """A stated interval: normal or Student's t; two halves where it is lopsided.

    Attributes
    ----------
    estimate : float
    u_below, u_above : float
        Standard uncertainty toward either side.
    dof : float
    lowest : float
        What the value cannot be below.
    squared : bool
        Normal in the square of the value, as a ripple is: `estimate` and both `u` are of that.
    said : str
        In words.
    """

    estimate: float
    u_below: float
    u_above: float
    said: str
    dof: float = math.inf
    lowest: float = -math.inf
    squared: bool = False
    kind: Kind = "interval"

    @property
    def u(self) -> float:
        """Half the difference of both sides; of a squared value, in the value itself."""
        if self.squared:
            low, high = (max(self.estimate + k * self.u_above, 0.0) for k in (-1, 1))
            return (math.sqrt(high) - math.sqrt(low)) / 2
        return (self.u_below + self.u_above) / 2

    def chance(self, low: float, high: float) -> Chance:
        """Probability of a range, ends included."""
        if self.squared:
            low, high = (math.copysign(x * x, x) if math.isfinite(x) else x for x in (low, high))
        if self.u_below == self.u_above and math.isinf(self.lowest):
            p = conformance_probability(self.estimate, self.u_above, low, high, dof=self.dof)
        else:
            ends = max(low, self.lowest), max(high, self.lowest)
            p = split_probability(
                self.estimate, self.u_below, self.u_above, *ends, lowest=self.lowest
            )
        return Chance(p, p)


@dataclass(frozen=True, eq=False)
class CountDrawn:
    """Counts of stalls in draws of the trace, shape (n,)."""

    counts: NDArray[np.int64]
    said: str
    seed: int
    draws: int
    kind: Kind = "count of draws"

    @property
    def u(self) -> float:
        """Standard deviation of the count."""
        return float(np.std(self.counts))

    def chance(self, low: float, high: float) -> Chance:
        """Probability of a range of counts, ends included."""
        inside = int(np.count_nonzero((self.counts >= low) & (self.counts <= high)))
        found = counted_probability(inside, len(self.counts))
        return Chance(found.p, found.p, found.u)


@dataclass(frozen=True)
class CountFound:
    """Stalls that were found, each real with its own probability; others may have been missed."""

    probabilities: tuple[float, ...]
    said: str
    kind: Kind = "count of stalls found"

    @property
    def u(self) -> float:
        """Standard deviation of the count of those found."""
        return math.sqrt(sum(p * (1 - p) for p in self.probabilities))

    def chance(self, low: float, high: float) -> Chance:
        """Bounds: what was found may be no stall, and more may have been there."""
        shares = count_distribution(self.probabilities)
        counts = np.arange(len(shares))
        at_least_low = float(shares[counts >= low].sum())
        if math.isinf(high):
            return Chance(1.0 if low <= 0 else at_least_low, 1.0)
        return Chance(0.0, float(shares[counts <= high].sum()))


Knowledge = Drawn | Stated | CountDrawn | CountFound


def stated(
    estimate: float,
    low95: float,
    high95: float,
    *,
    dof: float = math.inf,
    k: float = Z95,
    lowest: float = -math.inf,
    what: str = "",
) -> Stated:
    """A distribution from a 95 % interval.

    Parameters
    ----------
    estimate, low95, high95 : float
    dof, k : float
        Degrees of freedom, and the coverage factor that the interval was made with.
    lowest : float
        What the value cannot be below.
    what : str
        Why it is taken, for the words.
    """
    below, above = max(estimate - low95, 0.0) / k, max(high95 - estimate, 0.0) / k
    if math.isclose(below, above, rel_tol=1e-6, abs_tol=1e-12):
        shape = "a normal distribution" if math.isinf(dof) else f"Student's t, {dof:.4g} dof"
        below = above = (below + above) / 2
    else:
        shape, dof = "two halves of a normal distribution that meet at the value", math.inf
        if low95 <= lowest:
            below = above if estimate > lowest else 0.0  # 0 has cut the interval itself
    cut = f", cut at {lowest:g}" if math.isfinite(lowest) else ""
    if math.isfinite(lowest) and estimate - 8 * below > lowest:
        lowest, cut = -math.inf, ""  # so far off that the cut takes nothing away
    said = f"the stated interval, as {shape}{cut}"
    return Stated(estimate, below, above, f"{said}{what}", dof, lowest)
