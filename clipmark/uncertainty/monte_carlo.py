"""Monte Carlo propagation of distributions (JCGM 101:2008), repeatable to the last digit.

The estimate is the deterministic solution of the model, never a mean of draws. Seed and number
of draws travel with the result, so that the interval can be drawn again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.uncertainty.distributions import Distribution
from clipmark.uncertainty.intervals import shortest_interval, symmetric_interval

FloatArray = NDArray[np.float64]
DEFAULT_SEED = 20_240_501
DEFAULT_DRAWS = 20_000
MAX_LOST = 0.01  # share of draws that may have no solution before the interval means nothing


def generator(seed: int, *stream: int) -> np.random.Generator:
    """PCG64 generator of a seed, or of an independent numbered stream below it.

    The same numbers on every machine and numpy version that keeps PCG64's stream.
    """
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=stream)))


@dataclass(frozen=True, eq=False)
class MonteCarloResult:
    """Distribution of one output.

    Attributes
    ----------
    estimate : float
        The deterministic solution.
    samples : ndarray, shape (n,)
        Drawn outputs, or what is left of them without those that had no solution.
    seed, draws : int
        What the draws can be repeated from.
    """

    estimate: float
    samples: FloatArray
    seed: int
    draws: int

    @property
    def u(self) -> float:
        """Standard deviation of the draws."""
        return float(np.std(self.samples, ddof=1))

    @property
    def mean(self) -> float:
        """Mean of the draws; its distance from `estimate` shows how curved the model is."""
        return float(np.mean(self.samples))

    def interval(self, p: float = 0.95, *, shortest: bool = True) -> tuple[float, float]:
        """Coverage interval, shortest or probabilistically symmetric."""
        pick = shortest_interval if shortest else symmetric_interval
        return pick(self.samples, p)


def summarise(estimate: float, samples: ArrayLike, seed: int) -> MonteCarloResult:
    """Wrap drawn outputs; a few draws without a solution (NaN) are left out.

    Raises
    ------
    ValueError
        If more than 1 % of the draws have no solution.
    """
    values = np.asarray(samples, dtype=np.float64).ravel()
    kept = values[np.isfinite(values)]
    if len(kept) < (1 - MAX_LOST) * len(values):
        raise ValueError(
            f"{len(values) - len(kept)} of {len(values)} draws have no solution, so their spread "
            "means nothing"
        )
    return MonteCarloResult(float(estimate), kept, seed, len(values))


def propagate_draws(
    f: Callable[[Mapping[str, FloatArray]], FloatArray],
    inputs: Mapping[str, Distribution],
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAWS,
    correlation: ArrayLike | None = None,
) -> MonteCarloResult:
    """Propagate named distributions through a vectorised model.

    Each input has its own numbered stream, so adding one leaves the draws of the others alone.

    Parameters
    ----------
    f : callable
        Takes a mapping from name to drawn values, shape (n,), and gives outputs, shape (n,).
    inputs : mapping of str to Distribution
    seed, draws : int
    correlation : array_like, shape (m, m), optional
        Correlation of the inputs in the order given; only for inputs that are all normal
        (JCGM 101:2008, 6.4.8).

    Returns
    -------
    MonteCarloResult
        Its estimate is `f` at the means.
    """
    names = list(inputs)
    means = {name: np.array([inputs[name].mean]) for name in names}
    if correlation is None:
        drawn = {
            name: inputs[name].draw(generator(seed, index), draws)
            for index, name in enumerate(names)
        }
    else:
        u = np.array([inputs[name].u for name in names])
        centre = np.array([inputs[name].mean for name in names])
        joint = np.asarray(correlation, dtype=np.float64) * np.outer(u, u)
        table = draw_normal(generator(seed), centre, joint, draws)
        drawn = {name: table[:, index] for index, name in enumerate(names)}
    estimate = float(np.asarray(f(means), dtype=np.float64).ravel()[0])
    return summarise(estimate, f(drawn), seed)


def draw_normal(
    rng: np.random.Generator, mean: ArrayLike, covariance: ArrayLike, n: int
) -> FloatArray:
    """Draw from a multivariate normal, shape (n, m); the covariance may be singular.

    Raises
    ------
    ValueError
        If the covariance has a negative eigenvalue beyond rounding.
    """
    centre = np.asarray(mean, dtype=np.float64)
    joint = np.asarray(covariance, dtype=np.float64)
    values, vectors = np.linalg.eigh((joint + joint.T) / 2)
    if len(values) and values[0] < -1e-9 * max(values[-1], 1e-300):
        raise ValueError("the covariance has a negative variance in some direction")
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(centre + rng.standard_normal((n, len(centre))) @ root.T)
