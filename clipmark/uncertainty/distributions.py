"""Named distributions of what is known about a quantity, each with its standard uncertainty.

Every class has `.u` (standard uncertainty), `.dof` (degrees of freedom behind it, inf when
declared) and `.draw(rng, n)`. Means are given as `mean`, 0 by default. Formulas: JCGM 100:2008,
4.3 and JCGM 101:2008, 6.4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Distribution(Protocol):
    """What propagation needs of a distribution."""

    @property
    def mean(self) -> float:
        """Expectation."""

    @property
    def u(self) -> float:
        """Standard uncertainty: the standard deviation, or what stands for it."""

    @property
    def dof(self) -> float:
        """Degrees of freedom behind `u`; inf when declared."""

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,)."""


def _check_scale(value: float, what: str) -> None:
    if not (value >= 0 and math.isfinite(value)):
        raise ValueError(f"{what} must be a finite number of 0 or more, not {value}")


def _check_dof(dof: float) -> None:
    if not dof > 0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof}")


@dataclass(frozen=True)
class Normal:
    """Normal distribution of standard deviation `u`, known with `dof` degrees of freedom.

    Drawn as normal whatever `dof` is; use `StudentT` where few observations should widen it.
    """

    u: float
    mean: float = 0.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        _check_scale(self.u, "the standard uncertainty")
        _check_dof(self.dof)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,)."""
        return self.mean + self.u * rng.standard_normal(n)


@dataclass(frozen=True)
class Rectangular:
    """Equally likely within `mean` +- `half_width`; u = half_width / sqrt(3)."""

    half_width: float
    mean: float = 0.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        _check_scale(self.half_width, "the half-width")
        _check_dof(self.dof)

    @property
    def u(self) -> float:
        """Standard uncertainty, JCGM 100:2008, equation 7."""
        return self.half_width / math.sqrt(3.0)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,)."""
        return self.mean + self.half_width * rng.uniform(-1.0, 1.0, n)


@dataclass(frozen=True)
class Triangular:
    """Symmetric triangle over `mean` +- `half_width`; u = half_width / sqrt(6)."""

    half_width: float
    mean: float = 0.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        _check_scale(self.half_width, "the half-width")
        _check_dof(self.dof)

    @property
    def u(self) -> float:
        """Standard uncertainty, JCGM 100:2008, 4.3.9, equation 9b."""
        return self.half_width / math.sqrt(6.0)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,): the sum of two equal rectangular ones."""
        halves = rng.uniform(-0.5, 0.5, (2, n))
        return np.asarray(self.mean + self.half_width * (halves[0] + halves[1]))


@dataclass(frozen=True)
class Arcsine:
    """What cycles evenly between `mean` +- `half_width`; u = half_width / sqrt(2)."""

    half_width: float
    mean: float = 0.0
    dof: float = math.inf

    def __post_init__(self) -> None:
        _check_scale(self.half_width, "the half-width")
        _check_dof(self.dof)

    @property
    def u(self) -> float:
        """Standard uncertainty, JCGM 101:2008, 6.4.6."""
        return self.half_width / math.sqrt(2.0)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,): a sine at a random phase."""
        return self.mean + self.half_width * np.sin(rng.uniform(0.0, 2 * math.pi, n))


@dataclass(frozen=True)
class StudentT:
    """Mean of few observations: Student t with `dof`, scaled by the standard uncertainty `u`.

    `u` is s / sqrt(n) as in the budget; the drawn values scatter by ``u sqrt(dof / (dof - 2))``
    (JCGM 101:2008, 6.4.9).
    """

    u: float
    dof: float
    mean: float = 0.0

    def __post_init__(self) -> None:
        _check_scale(self.u, "the standard uncertainty")
        _check_dof(self.dof)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, shape (n,); normal when `dof` is inf."""
        if math.isinf(self.dof):
            return self.mean + self.u * rng.standard_normal(n)
        return np.asarray(self.mean + self.u * rng.standard_t(self.dof, n))


def from_observations(values: NDArray[np.float64]) -> StudentT:
    """Type A evaluation: mean of n >= 2 observations, u = s / sqrt(n), n - 1 degrees of freedom.

    JCGM 100:2008, 4.2.3.
    """
    readings = np.asarray(values, dtype=np.float64)
    if readings.ndim != 1 or len(readings) < 2:
        raise ValueError(f"at least 2 observations are needed, but got {readings.size}")
    count = len(readings)
    spread = float(np.std(readings, ddof=1))
    return StudentT(spread / math.sqrt(count), float(count - 1), float(np.mean(readings)))
