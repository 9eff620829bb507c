"""Whether two readings of one thing agree: the E_n number, and what both readings share taken out.

``E_n = (x1 - x2) / sqrt(U1^2 + U2^2)`` with expanded uncertainties U; results agree up to
``|E_n| = 1`` (ISO 13528:2022, 9.7, and ISO/IEC 17043:2023, B.3; definition as given by the NIST
Dataplot reference manual). It presumes independent readings. Two markings of one clip share lens,
level and plane: an error there moves both alike, cancels in their difference, and would make the
number too kind if it stayed in U1 and U2 (JCGM 100:2008, 5.2: correlated inputs).
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from clipmark.uncertainty.budget import Budget, Contribution
from clipmark.uncertainty.digits import digits_for
from clipmark.uncertainty.intervals import coverage_factor

ROUNDING = 1e-9  # |E_n| = 1 agrees; readings in binary may come out as 1 + 4e-16
Verdict = Literal["agree", "at odds"]


@dataclass(frozen=True)
class Comparison:
    """How one reading compares with another.

    Attributes
    ----------
    difference : float
        The first reading less the second, in their unit.
    expanded : float
        Expanded uncertainty (95 %) of the difference, without what both readings share.
    first_expanded, second_expanded : float
        What of it is each reading's own; 0 where only the whole is known.
    shared : tuple of str
        Sources that act on both readings alike, in alphabetical order.
    shared_expanded : float
        Expanded uncertainty of what does not cancel though its source is shared, because it moves
        the two readings by different amounts.
    """

    difference: float
    expanded: float
    first_expanded: float = 0.0
    second_expanded: float = 0.0
    shared: tuple[str, ...] = ()
    shared_expanded: float = 0.0

    @property
    def e_n(self) -> float:
        """Normalised error, signed; 0 of equal readings, infinite where nothing allows for a
        difference that is there."""
        if self.difference == 0.0:
            return 0.0
        if self.expanded == 0.0:
            return math.copysign(math.inf, self.difference)
        return self.difference / self.expanded

    @property
    def verdict(self) -> Verdict:
        """``agree`` up to \\|E_n\\| = 1, else ``at odds``."""
        return "agree" if abs(self.e_n) <= 1.0 + ROUNDING else "at odds"

    def sentence(self, unit: str = "") -> str:
        """What it says, for people; `unit` stands behind the numbers."""
        places = digits_for(self.expanded)
        tail = f" {unit}" if unit else ""
        told = (
            f"they differ by {abs(self.difference):.{places}f}{tail} where "
            f"{self.expanded:.{places}f}{tail} can be put down to their uncertainties (95 %)"
        )
        if self.shared:
            told += f", without what both share ({', '.join(self.shared)})"
        size = f"|E_n| {abs(self.e_n):.2f}" if math.isfinite(self.e_n) else "E_n without bound"
        ends = "they agree" if self.verdict == "agree" else "they are at odds"
        return f"{told}: {size}, {ends}"

    def to_dict(self, unit: str = "") -> dict[str, object]:
        """JSON form: ``difference_<unit>, difference_u95_<unit>, e_n`` (None when infinite),
        ``verdict, shared``."""
        tail = f"_{unit}" if unit else ""
        return {
            f"difference{tail}": self.difference,
            f"difference_u95{tail}": self.expanded,
            "e_n": self.e_n if math.isfinite(self.e_n) else None,
            "verdict": self.verdict,
            "shared": list(self.shared),
        }


def compare_readings(
    first: float, first_expanded: float, second: float, second_expanded: float
) -> Comparison:
    """Compare two independent readings.

    Parameters
    ----------
    first, second : float
        In one unit.
    first_expanded, second_expanded : float
        Expanded uncertainties (95 %), 0 or more.

    Raises
    ------
    ValueError
        If a number is not finite or an uncertainty is below 0.
    """
    _check(first, first_expanded)
    _check(second, second_expanded)
    return Comparison(
        difference=first - second,
        expanded=math.hypot(first_expanded, second_expanded),
        first_expanded=first_expanded,
        second_expanded=second_expanded,
    )


def compare_correlated(
    first: float,
    first_u: float,
    second: float,
    second_u: float,
    covariance: float,
    dof: float = math.inf,
) -> Comparison:
    """Compare two readings of known covariance: ``|d| / U(d)``.

    ``u(d)^2 = u1^2 + u2^2 - 2 cov`` (JCGM 100:2008, equation 13) and ``U(d) = k u(d)``.

    Parameters
    ----------
    first, second : float
        In one unit.
    first_u, second_u : float
        Standard uncertainties.
    covariance : float
        In the unit squared, no larger than ``first_u * second_u`` in size.
    dof : float
        Degrees of freedom of u(d), for the coverage factor.

    Raises
    ------
    ValueError
        If a number is not finite, an uncertainty is below 0, or the covariance is impossible.
    """
    _check(first, first_u)
    _check(second, second_u)
    if not abs(covariance) <= first_u * second_u * (1.0 + ROUNDING):
        raise ValueError(
            f"a covariance of {covariance:g} is impossible beside standard uncertainties of "
            f"{first_u:g} and {second_u:g}; give one between -{first_u * second_u:g} and "
            f"{first_u * second_u:g}"
        )
    # The same as u1^2 + u2^2 - 2 cov, without the cancellation where they move together.
    variance = (first_u - second_u) ** 2 + 2.0 * (first_u * second_u - covariance)
    return Comparison(first - second, coverage_factor(dof) * math.sqrt(max(variance, 0.0)))


def compare_budgets(
    first: float,
    first_budget: Budget,
    second: float,
    second_budget: Budget,
    shared: Collection[str],
) -> Comparison:
    """Compare two readings by their budgets, without what they share.

    A shared source moves both readings by the same cause and in the same sense, so of it only
    the difference of the two contributions is left. What is not shared goes into U1 and U2.

    Parameters
    ----------
    first, second : float
        In one unit.
    first_budget, second_budget : Budget
        Contributions in that unit; a source named several times counts as one.
    shared : collection of str
        Names of sources that both share; one that stands in a single budget stays there whole,
        since nothing in the other cancels it.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    _check(first, 0.0)
    _check(second, 0.0)
    ours, theirs = _by_source(first_budget), _by_source(second_budget)
    both = tuple(sorted(set(shared) & ours.keys() & theirs.keys()))
    own = Budget.of(row for row in first_budget if row.source not in both)
    other = Budget.of(row for row in second_budget if row.source not in both)
    left = Budget.of(
        Contribution(
            source, "B", abs(ours[source].u - theirs[source].u),
            min(ours[source].dof, theirs[source].dof),
        )
        for source in both
    )  # fmt: skip
    parts = [budget.expanded() for budget in (own, other, left)]
    return Comparison(
        difference=first - second,
        expanded=math.hypot(*parts),
        first_expanded=parts[0],
        second_expanded=parts[1],
        shared=both,
        shared_expanded=parts[2],
    )


def _by_source(budget: Budget) -> dict[str, Contribution]:
    """One contribution for each name."""
    found: dict[str, Contribution] = {}
    for row in budget:
        before = found.get(row.source)
        if before is None:
            found[row.source] = row
        else:
            found[row.source] = Contribution(
                row.source, "B", math.hypot(before.u, row.u), min(before.dof, row.dof)
            )
    return found


def _check(value: float, uncertainty: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"a reading of {value} cannot be compared")
    if not (uncertainty >= 0 and math.isfinite(uncertainty)):
        raise ValueError(f"an uncertainty of {uncertainty} is not a finite number of 0 or more")
