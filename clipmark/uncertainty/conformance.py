"""Whether a limit is met: conformance probability, guard bands, the risks of either decision.

JCGM 106:2012: clause 7 (conformance probability), 8.3 (guarded acceptance), 9 (risks of consumer
and producer). What is known of the value is a distribution; the probability that it lies within
the limits is what a decision rests on. Pure numerics.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
Density = Callable[[float], float]
MIN_DRAWS = 20
RISK_PRECISION = 1e-9


def conformance_probability(
    estimate: float,
    u: float,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    dof: float = math.inf,
) -> float:
    """Probability that a value lies between two limits (JCGM 106:2012, 7.3 and 7.4).

    Parameters
    ----------
    estimate, u : float
        Measured value and its standard uncertainty, one unit. With `u` 0 it is known exactly.
    low, high : float
        Limits, both included; one of them infinite for a one-sided limit.
    dof : float
        Degrees of freedom behind `u`: the distribution is normal when infinite, else Student's t
        moved to `estimate` and scaled by `u`.

    Raises
    ------
    ValueError
        When the limits are the wrong way round, or `u` is negative or not finite.
    """
    _check(low, high, u)
    if u == 0:
        return float(low <= estimate <= high)
    if not dof > 0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof}")
    a, b = (low - estimate) / u, (high - estimate) / u
    if a > 0:  # the far tail keeps its digits on this side
        a, b = -b, -a
    if math.isinf(dof):
        return float(special.ndtr(b) - special.ndtr(a))
    return float(special.stdtr(dof, b) - special.stdtr(dof, a))


def split_probability(
    estimate: float,
    u_below: float,
    u_above: float,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    lowest: float = -math.inf,
) -> float:
    """The same for a value whose interval reaches farther on one side than on the other.

    Two halves of normal distributions that meet at the estimate, of one height, so that each
    holds its share ``u / (u_below + u_above)``; cut at `lowest` and made whole again.
    """
    _check(low, high, min(u_below, u_above))
    if u_below + u_above == 0:
        return float(low <= estimate <= high)
    whole = 1.0 - _split_below(lowest, estimate, u_below, u_above)
    a, b = max(low, lowest), max(high, lowest)
    inside = _split_below(b, estimate, u_below, u_above)
    inside -= _split_below(a, estimate, u_below, u_above)
    return min(max(inside / whole, 0.0), 1.0) if whole > 0 else float(low <= lowest <= high)


def _split_below(x: float, estimate: float, u_below: float, u_above: float) -> float:
    """Share of a split normal distribution below `x`."""
    share = u_below / (u_below + u_above)
    if x < estimate:
        return 2 * share * float(special.ndtr((x - estimate) / u_below)) if u_below else 0.0
    if u_above == 0:
        return 1.0
    return share + (1 - share) * (2 * float(special.ndtr((x - estimate) / u_above)) - 1)


@dataclass(frozen=True)
class DrawnProbability:
    """A probability counted in draws.

    Attributes
    ----------
    p : float
        ``(inside + 1/2) / (draws + 1)``: never 0 or 1 of what finitely many draws have not seen
        (Jeffreys' prior of a share).
    u : float
        Standard deviation of that share, by the number of draws alone.
    inside, draws : int
    """

    p: float
    u: float
    inside: int
    draws: int


def counted_probability(inside: int, draws: int) -> DrawnProbability:
    """Probability of what happened in `inside` of so many independent draws."""
    if draws < MIN_DRAWS:
        raise ValueError(f"{draws} draws are too few for a probability; use {MIN_DRAWS} or more")
    if not 0 <= inside <= draws:
        raise ValueError(f"{inside} of {draws} draws is no share")
    p = (inside + 0.5) / (draws + 1)
    return DrawnProbability(p, math.sqrt(p * (1 - p) / (draws + 2)), inside, draws)


def drawn_probability(
    samples: ArrayLike, low: float = -math.inf, high: float = math.inf
) -> DrawnProbability:
    """Conformance probability from Monte Carlo draws of the value, shape (n,), all finite.

    Raises
    ------
    ValueError
        For too few draws, or draws that are not finite.
    """
    _check(low, high, 0.0)
    values = np.asarray(samples, dtype=np.float64).ravel()
    if not np.isfinite(values).all():
        raise ValueError("a probability of draws that are not all finite numbers means nothing")
    inside = int(np.count_nonzero((values >= low) & (values <= high)))
    return counted_probability(inside, len(values))


def guard_band(u: float, p: float, *, dof: float = math.inf) -> float:
    """How far inside a limit a value must lie to meet it with probability `p` (JCGM 106, 8.3.2).

    The same unit as `u`. With ``U = 2 u`` and p = 0.95 it is 0.8224 U.
    """
    if not 0 < p < 1:
        raise ValueError(f"a probability lies between 0 and 1, not at {p}")
    z = special.ndtri(p) if math.isinf(dof) else special.stdtrit(dof, p)
    return float(z) * u


def reading_beyond(limit: float, u_relative: float, p: float) -> float:
    """Reading from which the true value exceeds `limit` with probability `p` (JCGM 106, 8.3.3).

    For an uncertainty that is a share of the reading, as of a speed: ``limit / (1 - z u)``.

    Raises
    ------
    ValueError
        Where no reading does, because the uncertainty grows as fast as the reading.
    """
    rest = 1 - guard_band(u_relative, p)
    if not rest > 0:
        raise ValueError(f"no reading exceeds a limit with {p} at a relative uncertainty so large")
    return limit / rest


@dataclass(frozen=True)
class GlobalRisks:
    """Risks over everything that may be measured (JCGM 106:2012, 9.5).

    Attributes
    ----------
    nonconforming : float
        Probability that a value lies outside its limits.
    consumer : float
        That it lies outside and is accepted all the same.
    producer : float
        That it lies inside and is rejected all the same.
    """

    nonconforming: float
    consumer: float
    producer: float


def global_risks(
    prior: Density,
    u: float,
    limits: tuple[float, float],
    acceptance: tuple[float, float] | None = None,
    support: tuple[float, float] = (-math.inf, math.inf),
) -> GlobalRisks:
    """Risks of accepting what reads within `acceptance`, by numerical integration.

    Parameters
    ----------
    prior : callable
        Probability density of the values before anything is measured.
    u : float
        Standard uncertainty of the reading, normal, above 0.
    limits : pair of float
        What conforms lies between them; one may be infinite.
    acceptance : pair of float, optional
        Readings between them are accepted; the limits themselves when not given.
    support : pair of float
        Where the density is not zero.
    """
    _check(*limits, u)
    if u == 0:
        raise ValueError("with an uncertainty of 0 there is no risk; give one above 0")
    low, high = limits if acceptance is None else acceptance

    def accepted(value: float) -> float:
        return float(special.ndtr((high - value) / u) - special.ndtr((low - value) / u))

    def share(a: float, b: float, weight: Callable[[float], float]) -> float:
        a, b = max(a, support[0]), min(b, support[1])
        if not b > a:
            return 0.0
        found, _ = scipy.integrate.quad(
            lambda x: prior(x) * weight(x), a, b, epsabs=RISK_PRECISION, limit=400
        )
        return float(found)

    outside = [(-math.inf, limits[0]), (limits[1], math.inf)]
    return GlobalRisks(
        nonconforming=sum(share(a, b, lambda _: 1.0) for a, b in outside),
        consumer=sum(share(a, b, accepted) for a, b in outside),
        producer=share(*limits, lambda value: 1.0 - accepted(value)),
    )


def guard_band_for_risk(
    prior: Density,
    u: float,
    limit: float,
    target: float,
    support: tuple[float, float] = (-math.inf, math.inf),
) -> float:
    """Guard band below an upper limit that brings the consumer's global risk to `target`.

    0 where the risk is no larger without one (JCGM 106:2012, 9.5.4).
    """

    def beyond(width: float) -> float:
        within = (-math.inf, limit - width)
        return global_risks(prior, u, (-math.inf, limit), within, support).consumer - target

    if beyond(0.0) <= 0:
        return 0.0
    return float(scipy.optimize.brentq(beyond, 0.0, 12 * u, xtol=1e-12))


def count_distribution(probabilities: Sequence[float]) -> FloatArray:
    """How many of n independent things are real, each with its own probability.

    Returns
    -------
    ndarray, shape (n + 1,)
        Probability of 0, 1, ..., n (the Poisson binomial distribution), by convolution.
    """
    found = np.ones(1)
    for p in probabilities:
        if not 0 <= p <= 1:
            raise ValueError(f"a probability lies between 0 and 1, not at {p}")
        found = np.convolve(found, [1 - p, p])
    return found


def _check(low: float, high: float, u: float) -> None:
    if not low <= high:
        raise ValueError(f"the lower limit {low} lies above the upper one, {high}")
    if not (u >= 0 and math.isfinite(u)):
        raise ValueError(f"the standard uncertainty must be a finite number of 0 or more, not {u}")
