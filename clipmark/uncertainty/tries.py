"""From tries at steps to a climbing limit. Pure.

A truck passes a step of angle x with probability F((limit - x) / spread), F normal (probit) or
logistic. The limit is the angle passed half the time, or any other stated share of the time.
Estimates: maximum likelihood with a profile-likelihood interval (Venzon and Moolgavkar 1988), with
Firth's penalty (Firth 1993; for other links than the logit Kosmidis and Firth 2021) where wanted,
and for up-and-down runs the closed form of Dixon and Mood (1948).

Tries must be independent of each other: warm tyres are not. Failures of different kinds do not
belong into one fit; whoever calls keeps them apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, logit, ndtr, ndtri

FloatArray = NDArray[np.float64]
Link = Literal["probit", "logit"]
CHI2_95 = 3.841458820694124  # 95 % point of chi-squared with one degree of freedom
STEEPEST = 60.0  # of the curve, in units of 1 over the distance of neighbouring steps
GRID = 65  # places looked at before the highest is closed in on
REACH = 40.0  # how far beyond the tried steps an end of the interval is looked for, in steps


@dataclass(frozen=True, eq=False)
class Tries:
    """Tries at steps, in the order in which they were run.

    Attributes
    ----------
    levels : ndarray, shape (n,)
        Step of each try, in any unit; harder upwards.
    passed : ndarray of bool, shape (n,)

    Raises
    ------
    ValueError
        The reason, where there is no try, the two differ in length, or a step is no finite number.
    """

    levels: FloatArray
    passed: NDArray[np.bool_]

    @classmethod
    def of(cls, levels: Sequence[float], passed: Sequence[bool]) -> Tries:
        """From plain sequences."""
        x, y = np.asarray(levels, dtype=np.float64), np.asarray(passed, dtype=bool)
        if x.ndim != 1 or x.shape != y.shape or not len(x):
            raise ValueError("every try needs its step and whether it was passed, and one at least")
        if not np.isfinite(x).all():
            raise ValueError("every step must be a finite number")
        return cls(x, y)

    @property
    def step(self) -> float:
        """Smallest distance of two steps that were tried; 1 where only one was."""
        different = np.unique(self.levels)
        return float(np.diff(different).min()) if len(different) > 1 else 1.0

    @property
    def highest_passed(self) -> float | None:
        """Highest step that was passed at least once."""
        return float(self.levels[self.passed].max()) if self.passed.any() else None

    @property
    def lowest_failed(self) -> float | None:
        """Lowest step that was failed at least once."""
        return None if self.passed.all() else float(self.levels[~self.passed].min())


@dataclass(frozen=True)
class Limit:
    """A climbing limit from tries.

    Attributes
    ----------
    share : float
        Share of tries that are passed at `limit`.
    limit, spread : float or None
        Unit of the steps; None where the tries do not tell it: passes and failures do not overlap
        and no penalty was asked for.
    low95, high95 : float
        95 % interval of the limit; minus or plus infinity where the tries set no bound.
    bracket : (float, float) or None
        Highest passed and lowest failed step, where they do not overlap.
    link : str
    penalised : bool
    log_likelihood : float
    """

    share: float
    limit: float | None
    spread: float | None
    low95: float
    high95: float
    bracket: tuple[float, float] | None
    link: Link
    penalised: bool
    log_likelihood: float


def fit_limit(
    tries: Tries, *, share: float = 0.5, link: Link = "probit", penalised: bool = False
) -> Limit:
    """The step that is passed in `share` of the tries, with its 95 % interval.

    Parameters
    ----------
    tries : Tries
    share : float
        Above 0 and below 1.
    link : {'probit', 'logit'}
    penalised : bool
        Firth's penalty: half the logarithm of the determinant of the information is added to the
        likelihood, which gives finite estimates whenever there is a pass and a failure.

    Raises
    ------
    ValueError
        The reason, where every try was passed or failed, only one step was tried, or harder steps
        were not failed more often.
    """
    if not 0.0 < share < 1.0:
        raise ValueError("the share of passes must lie between 0 and 1")
    if tries.passed.all() or not tries.passed.any():
        which = "passed" if tries.passed.all() else "failed"
        raise ValueError(f"every try was {which}, so there is only a bound on the limit")
    if len(np.unique(tries.levels)) < 2:
        raise ValueError("only one step was tried; a limit needs two at least")
    model = _Model(tries, share, link, penalised)
    bracket = _bracket(tries)
    if bracket is None or penalised:
        if not model.falls():
            raise ValueError("harder steps were not failed more often, so no limit can be told")
        best, steepness = model.best()
        limit: float | None = model.unscaled(best)
        spread: float | None = model.scale / steepness
        top = model.profile(best)
    else:
        limit = spread = None
        best = model.scaled(sum(bracket) / 2)
        top = 0.0
    low, high = (model.unscaled(model.end(best, top, way)) for way in (-1.0, 1.0))
    return Limit(share, limit, spread, low, high, bracket, link, penalised, top)


def _bracket(tries: Tries) -> tuple[float, float] | None:
    """Highest pass and lowest failure where all passes lie below (or at) all failures."""
    passed, failed = tries.highest_passed, tries.lowest_failed
    assert passed is not None
    assert failed is not None
    return (passed, failed) if passed < failed else None


class _Model:
    """Likelihood of tries by limit and steepness, steps counted in their smallest distance."""

    def __init__(self, tries: Tries, share: float, link: Link, penalised: bool) -> None:
        self.scale, self.middle = tries.step, float(tries.levels.mean())
        self.x = (tries.levels - self.middle) / self.scale
        self.sign = np.where(tries.passed, 1.0, -1.0)
        self.at_limit = float(ndtri(share) if link == "probit" else logit(share))
        self.link, self.penalised = link, penalised

    def scaled(self, level: float) -> float:
        return (level - self.middle) / self.scale

    def unscaled(self, x: float) -> float:
        return x * self.scale + self.middle

    def value(self, limit: float, steepness: float) -> float:
        """Log likelihood, with the penalty where it was asked for."""
        eta = self.at_limit + steepness * (limit - self.x)
        log_f = log_ndtr if self.link == "probit" else log_expit
        total = float(np.sum(log_f(self.sign * eta)))
        return total + self._penalty(eta) if self.penalised else total

    def _penalty(self, eta: FloatArray) -> float:
        """Half the log determinant of the Fisher information of both parameters."""
        if self.link == "logit":
            weight = expit(eta) * expit(-eta)
        else:
            log_density = -0.5 * eta**2 - 0.5 * math.log(2 * math.pi)
            weight = np.exp(2 * log_density - log_ndtr(eta) - log_ndtr(-eta))
        total = float(weight.sum())
        if total <= 0:
            return -math.inf
        middle = float(weight @ self.x) / total
        spread = float(weight @ (self.x - middle) ** 2)
        return 0.5 * (math.log(total) + math.log(spread)) if spread > 0 else -math.inf

    def steepest_at(self, limit: float) -> tuple[float, float]:
        """Best steepness for a fixed limit, from flat on, and the likelihood there."""
        if self.penalised:
            log_b, value = _highest(
                lambda log_b: self.value(limit, math.exp(log_b)), -9.0, math.log(STEEPEST)
            )
            return math.exp(log_b), value
        steepness = 0.0
        if self._slope(limit, 0.0) > 0:  # both curves are log-concave: one root at most
            too_steep = self._slope(limit, STEEPEST) > 0
            steepness = (
                STEEPEST
                if too_steep
                else float(
                    scipy.optimize.brentq(
                        lambda b: self._slope(limit, b), 0.0, STEEPEST, xtol=1e-14
                    )
                )
            )
        return steepness, self.value(limit, steepness)

    def _slope(self, limit: float, steepness: float) -> float:
        """Derivative of the likelihood by the steepness."""
        eta = self.sign * (self.at_limit + steepness * (limit - self.x))
        if self.link == "logit":
            pull = expit(-eta)
        else:
            pull = np.exp(-0.5 * eta**2 - 0.5 * math.log(2 * math.pi) - log_ndtr(eta))
        return float(np.sum(pull * self.sign * (limit - self.x)))

    def profile(self, limit: float) -> float:
        """Highest likelihood for a fixed limit, a flat curve included."""
        return self.steepest_at(limit)[1]

    def falls(self) -> bool:
        """Whether the tries show that harder steps are failed more often."""
        return bool(np.cov(self.x, self.sign)[0, 1] < 0)

    def best(self) -> tuple[float, float]:
        """Limit and steepness of the highest likelihood."""
        reach = REACH + np.ptp(self.x)
        limit, _ = _highest(self.profile, float(self.x.min() - reach), float(self.x.max() + reach))
        return limit, self.steepest_at(limit)[0]

    def end(self, best: float, top: float, way: float) -> float:
        """Where the profile has fallen by half of the 95 % point; infinite where it never does."""

        def above(limit: float) -> float:
            return self.profile(limit) - top + CHI2_95 / 2

        inner = best
        for distance in np.geomspace(0.25, REACH + float(np.ptp(self.x)), 40):
            outer = best + way * float(distance)
            if above(outer) < 0:
                return float(scipy.optimize.brentq(above, inner, outer, xtol=1e-10))
            inner = outer
        return way * math.inf


def _highest(function: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """Place and value of the highest point between two ends: a grid, then Brent's method."""
    grid = np.linspace(low, high, GRID)
    values = [function(float(at)) for at in grid]
    at = int(np.argmax(values))
    around = (float(grid[max(at - 1, 0)]), float(grid[min(at + 1, len(grid) - 1)]))
    found = scipy.optimize.minimize_scalar(
        lambda x: -function(float(x)), bounds=around, method="bounded", options={"xatol": 1e-11}
    )
    return (float(found.x), -float(found.fun)) if -found.fun > values[at] else (
        float(grid[at]), values[at]
    )  # fmt: skip


@dataclass(frozen=True)
class UpAndDown:
    """The closed estimate of an up-and-down run.

    Attributes
    ----------
    limit, spread : float
        Unit of the steps.
    counted : str
        "passes" or "failures": the rarer outcome, which is counted.
    spread_holds : bool
        False where the formula of the spread is outside its range (its ratio at or below 0.3).
    """

    limit: float
    spread: float
    counted: Literal["passes", "failures"]
    spread_holds: bool


def up_and_down(tries: Tries) -> UpAndDown:
    """Limit of an up-and-down run: after a pass one step up, after a failure one step down.

    Dixon and Mood 1948: of the rarer outcome, with N tries, levels numbered i from its lowest
    level X0, A = sum(i n_i) and B = sum(i^2 n_i): limit = X0 + d (A / N -+ 1 / 2), minus where
    failures are counted, and spread = 1.62 d ((N B - A^2) / N^2 + 0.029).

    Raises
    ------
    ValueError
        The reason, where the run does not follow the rule, or has one outcome alone.
    """
    if tries.passed.all() or not tries.passed.any():
        raise ValueError("an up-and-down run needs passes and failures")
    step = tries.step
    wanted = np.where(tries.passed[:-1], step, -step)
    off = np.abs(np.diff(tries.levels) - wanted)
    if (off > 1e-6 * step).any():
        at = int(np.argmax(off > 1e-6 * step)) + 2
        raise ValueError(
            f"try {at} does not stand one step above a pass or one below a failure, so this is no "
            "up-and-down run"
        )
    failures_counted = int((~tries.passed).sum()) <= int(tries.passed.sum())
    chosen = tries.levels[~tries.passed if failures_counted else tries.passed]
    lowest = float(chosen.min())
    number = np.round((chosen - lowest) / step)
    count, a, b = len(chosen), float(number.sum()), float((number**2).sum())
    ratio = (count * b - a**2) / count**2
    half = -0.5 if failures_counted else 0.5
    return UpAndDown(
        limit=lowest + step * (a / count + half),
        spread=1.62 * step * (ratio + 0.029),
        counted="failures" if failures_counted else "passes",
        spread_holds=ratio > 0.3,
    )


def least_share(passed: int, tried: int, confidence: float = 0.95) -> float:
    """What `passed` of `tried` prove at least of the share of passes (Clopper and Pearson 1934).

    One-sided; 5 of 5 prove 0.549 at 95 %.

    Raises
    ------
    ValueError
        Where the counts make no sense.
    """
    if not 0 <= passed <= tried or tried < 1:
        raise ValueError("passes must be from 0 to the number of tries, and one try at least")
    if passed == 0:
        return 0.0
    from scipy.stats import beta

    return float(beta.ppf(1 - confidence, passed, tried - passed + 1))


def pass_probability(level: float, limit: float, spread: float, link: Link = "probit") -> float:
    """Probability of passing a step, of a limit passed half the time and its spread."""
    eta = (limit - level) / spread
    return float(ndtr(eta) if link == "probit" else expit(eta))
