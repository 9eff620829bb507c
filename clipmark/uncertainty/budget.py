"""The uncertainty budget: which source contributes how much, largest first.

JCGM 100:2008, 5.1 (combination), G.4 (Welch-Satterthwaite).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from clipmark.uncertainty.intervals import coverage_factor


@dataclass(frozen=True)
class Contribution:
    """One independent source of uncertainty.

    Attributes
    ----------
    source : str
        What it comes from, for people.
    kind : {'A', 'B'}
        From repeated observations, or otherwise.
    u : float
        Its share of the standard uncertainty of the result, in the result's unit.
    dof : float
        Degrees of freedom behind it; inf when declared.
    advice : str
        What would make it smaller.
    """

    source: str
    kind: Literal["A", "B"]
    u: float
    dof: float = math.inf
    advice: str = ""

    def __post_init__(self) -> None:
        if self.kind not in ("A", "B"):
            raise ValueError(f"a contribution is of kind 'A' or 'B', not '{self.kind}'")
        if not (self.u >= 0 and math.isfinite(self.u)):
            raise ValueError(f"the contribution of {self.source} is {self.u}, not a finite size")
        if not self.dof > 0:
            raise ValueError(f"{self.source} has {self.dof} degrees of freedom, not above 0")


@dataclass(frozen=True)
class Budget:
    """Independent contributions to one result, largest first."""

    contributions: tuple[Contribution, ...]

    @classmethod
    def of(cls, contributions: Iterable[Contribution]) -> Budget:
        """Sort contributions in descending order; equal ones keep the order given."""
        return cls(tuple(sorted(contributions, key=lambda item: -item.u)))

    @classmethod
    def from_rows(cls, rows: Iterable[Mapping[str, object]], unit: str = "") -> Budget:
        """Read back what `rows` gave; None there is infinite degrees of freedom.

        Raises
        ------
        ValueError
            If a row lacks its source, kind or size, or holds one that cannot be.
        """
        name = f"u_{unit}" if unit else "u"
        found = []
        for row in rows:
            source, kind, u, dof = (row.get(key) for key in ("source", "kind", name, "dof"))
            if not (isinstance(source, str) and isinstance(u, (int, float)) and kind in ("A", "B")):
                raise ValueError(f"a row of a budget needs source, kind and {name}, but is {row}")
            count = float(dof) if isinstance(dof, (int, float)) else math.inf
            advice = str(row.get("advice") or "")
            found.append(Contribution(source, kind, float(u), count, advice))
        return cls.of(found)

    def __iter__(self) -> Iterator[Contribution]:
        return iter(self.contributions)

    def __len__(self) -> int:
        return len(self.contributions)

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100:2008, equation 10)."""
        return math.sqrt(sum(item.u**2 for item in self.contributions))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom; see `welch_satterthwaite`."""
        return welch_satterthwaite(
            [item.u for item in self.contributions], [item.dof for item in self.contributions]
        )

    def k(self, p: float = 0.95) -> float:
        """Coverage factor for the effective degrees of freedom."""
        return coverage_factor(self.dof, p)

    def expanded(self, p: float = 0.95) -> float:
        """Expanded uncertainty U = k u."""
        return self.k(p) * self.u

    def rows(self, unit: str = "") -> list[dict[str, str | float | None]]:
        """Rows as printed and stored: ``source, kind, u_<unit>, dof, advice``.

        Infinite degrees of freedom become None.
        """
        name = f"u_{unit}" if unit else "u"
        return [
            {
                "source": item.source,
                "kind": item.kind,
                name: item.u,
                "dof": None if math.isinf(item.dof) else item.dof,
                "advice": item.advice,
            }
            for item in self.contributions
        ]


def welch_satterthwaite(u: Iterable[float], dof: Iterable[float]) -> float:
    """Effective degrees of freedom ``u_c^4 / sum(u_i^4 / dof_i)`` (JCGM 100:2008, equation G.2b).

    Parameters
    ----------
    u : iterable of float
        Independent contributions in the result's unit.
    dof : iterable of float
        Degrees of freedom behind each, inf allowed.

    Returns
    -------
    float
        inf when nothing is behind it but declared uncertainties, or nothing at all.
    """
    pairs = list(zip(u, dof, strict=True))
    largest = max((share for share, _ in pairs), default=0.0)
    if largest == 0.0:
        return math.inf
    scaled = [(share / largest, count) for share, count in pairs]  # fourth powers would underflow
    below = sum(share**4 / count for share, count in scaled)
    return sum(share**2 for share, _ in scaled) ** 2 / below if below > 0 else math.inf
