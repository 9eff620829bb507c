"""Drift of a test, seen on a reference truck that runs first, in the middle and last.

A straight line through its readings over the order of running. Readings are weighted alike; the
slope's uncertainty is the larger of what their own uncertainties and what their scatter give. What
all of them share (one stand, one lens) moves no slope.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from clipmark.scoring.measured import Measured, unit_of
from clipmark.scoring.result import DriftFact
from clipmark.scoring.taken import Taken
from clipmark.uncertainty.intervals import coverage_factor

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Drift:
    """A line: change per run from the reference's first run on, with its standard uncertainty."""

    first_run: int
    per_run: float
    u_per_run: float

    def at(self, run: int, z: FloatArray) -> FloatArray:
        """Drawn drift at a run; `z` are standard normal draws, the same for the whole test."""
        return (run - self.first_run) * (self.per_run + self.u_per_run * z)

    def best(self, run: int) -> Decimal:
        """The drift at a run, without its uncertainty."""
        return Decimal(repr((run - self.first_run) * self.per_run))


def drift_of(
    test_id: str, measure: str, reference: str, runs: Sequence[tuple[Taken, Measured]],
    take_out: bool,
) -> tuple[Drift | None, DriftFact | None]:  # fmt: skip
    """The drift from the reference's runs; nothing where it ran less than twice."""
    runs = sorted(runs, key=lambda item: item[0].run)
    at = np.array([taken.run for taken, _ in runs], dtype=float)
    if len(runs) < 2 or not np.ptp(at):
        return None, None
    values = np.array([m.value for _, m in runs])
    own = np.array([m.own_u for _, m in runs])
    lever = (at - at.mean()) / ((at - at.mean()) ** 2).sum()
    slope = float(lever @ values)
    u = float(np.sqrt((lever**2 * own**2).sum()))
    kind = ""
    if len(runs) > 2:
        left = values - values.mean() - slope * (at - at.mean())
        scatter = float(np.sqrt((left**2).sum() / (len(runs) - 2) * (lever**2).sum()))
        u = max(u, scatter)
        kind = f", scatter of {len(runs)} runs looked at"
    drift = Drift(int(at[0]), slope, u)
    unit, span = unit_of(measure), float(at[-1] - at[0])
    k = coverage_factor()
    seen = abs(slope) > k * u
    tail = f" {unit}" if unit else ""
    said = (
        f"{reference} moved by {slope * span:+.3g}{tail} (95 %: \N{PLUS-MINUS SIGN}"
        f"{k * u * span:.2g}) from its first to its last run{kind}: "
        + ("a drift is seen" if seen else "no drift is seen")
        + ("; it is taken out of every value, with its uncertainty" if take_out else "")
    )
    fact = DriftFact(
        test=test_id, reference=reference, unit=unit, attempts=tuple(t.id for t, _ in runs),
        values=tuple(float(v) for v in values), per_run=slope, per_run_u95=k * u,
        change=slope * span, change_u95=k * u * span, seen=seen, taken_out=take_out, said=said,
    )  # fmt: skip
    return (drift if take_out else None), fact
