"""The smallest difference between two climbing limits that tries can prove.

Tries are run up-and-down: after a pass one step up, after a fail one step down, and the limit (the
angle passed half the time) comes from the mean of the rarer outcome (W. J. Dixon, A. M. Mood, J.
Am. Stat. Assoc. 43 (1948) 109-126). Their formula for the standard error holds for many tries; for
the few of a bench test the same is simulated here, with a fixed seed. Pure numerics.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from clipmark.uncertainty.intervals import coverage_factor

LADDERS = 20_000  # the standard deviation is then good to 0.5 %
SEED = 20_261_126
START_BELOW = 1.0  # steps by which the first try is easier than the limit
LEAST_TRIES = 2


@lru_cache(maxsize=64)
def limit_u(tries: int, spread: float, step: float) -> float:
    """Standard uncertainty of one limit from up-and-down tries.

    Parameters
    ----------
    tries : int
        At least 2.
    spread : float
        Standard deviation, from try to try, of the angle that is just climbed (normal).
    step : float
        Between two rungs of the ladder, same unit.

    Returns
    -------
    float
        Same unit. Standard deviation over ladders whose limit lies anywhere between two rungs and
        whose first try is about one step easier; the mean error that such a start leaves is the
        same for both trucks.

    Raises
    ------
    ValueError
        If tries, spread or step are not as above.
    """
    if tries < LEAST_TRIES or not spread > 0 or not step > 0:
        raise ValueError(f"no ladder of {tries} tries, spread {spread:g}, step {step:g}")
    rng = np.random.default_rng(SEED)
    limit = rng.uniform(-0.5, 0.5, LADDERS) * step
    level = np.full(LADDERS, -START_BELOW * step)
    levels = np.empty((LADDERS, tries))
    passed = np.empty((LADDERS, tries), dtype=bool)
    for k in range(tries):
        levels[:, k] = level
        passed[:, k] = rng.random(LADDERS) < ndtr((limit - level) / spread)
        level = level + np.where(passed[:, k], step, -step)
    fails_rarer = 2 * passed.sum(axis=1) >= tries
    counted = np.where(fails_rarer[:, None], ~passed, passed)
    count = counted.sum(axis=1)
    mean = (counted * levels).sum(axis=1) / np.maximum(count, 1)
    found = mean + np.where(fails_rarer, -0.5, 0.5) * step
    seen = count > 0  # all alike is a bound, not a limit
    return float(np.std((found - limit)[seen]))


def smallest_difference(
    tries: int, spread: float, step: float, u_each: float = 0.0, u_between: float = 0.0
) -> float:
    """Smallest difference of two limits that is not put down to chance, at 95 %.

    Parameters
    ----------
    tries, spread, step
        Of each of the two, as in `limit_u`.
    u_each : float
        Standard uncertainty of the angle of one try that its neighbours do not share; it widens
        the spread.
    u_between : float
        Standard uncertainty of the difference from what all tries of one truck share but the two
        trucks do not.

    Returns
    -------
    float
        ``1.96 sqrt(2 u(limit)^2 + u_between^2)``, the same unit.

    Raises
    ------
    ValueError
        As `limit_u`.
    """
    own = limit_u(tries, math.hypot(spread, u_each), step)
    return coverage_factor() * math.sqrt(2 * own**2 + u_between**2)
