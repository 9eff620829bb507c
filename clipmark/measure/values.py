"""How a measured value is named and carried: estimate, expanded uncertainty, 95 % interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.uncertainty.intervals import shortest_interval


@dataclass(frozen=True)
class Value:
    """A measured value that never travels alone.

    Attributes
    ----------
    estimate : float
        The deterministic solution, never a Monte Carlo mean.
    u : float
        Standard uncertainty, same unit.
    low95, high95 : float
        Ends of the 95 % coverage interval (shortest where asymmetric).
    """

    estimate: float
    u: float
    low95: float
    high95: float

    @property
    def u95(self) -> float:
        """Expanded uncertainty at 95 %: half the length of the coverage interval."""
        return (self.high95 - self.low95) / 2

    @classmethod
    def from_samples(cls, estimate: float, samples: NDArray[np.float64]) -> Value:
        """Value of an estimate whose possible true values were drawn as `samples`, shape (n,)."""
        low, high = shortest_interval(samples, 0.95)
        return cls(float(estimate), float(np.std(samples)), float(low), float(high))


def named(name: str, unit: str, value: Value | None) -> dict[str, float | None]:
    """The four keys of one value, unit last: ``ramp_deg, ramp_u95_deg, ramp_low95_deg, ...``.

    A value that is unknown, or not finite, is given as None under all four.
    """
    tail = f"_{unit}" if unit else ""
    keys = [f"{name}{middle}{tail}" for middle in ("", "_u95", "_low95", "_high95")]
    if value is None:
        return dict.fromkeys(keys)
    numbers = (value.estimate, value.u95, value.low95, value.high95)
    return {
        key: (number if math.isfinite(number) else None)
        for key, number in zip(keys, numbers, strict=True)
    }
