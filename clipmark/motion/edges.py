"""When a moving truck came to stand, or set off again, from positions around that moment.

Pure numerics. Speed falls from that of moving to that of standing along a raised cosine of unknown
middle (the knee) and length (the ramp); moving speed may change steadily and bend, as ripple makes
it, and standing may be a slow roll. For every knee and ramp of a grid the rest is linear and solved
by least squares with weak priors, errors of neighbouring frames taken together (a first-order
autoregression); the instant at which the speed crosses a limit is the mean over the grid by
likelihood, and its spread the standard uncertainty. Ramps of other shapes but equal spread cross a
tenth of the speed within a few hundredths of their length of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

REACH_S = 0.25  # of the moving stretch that is fitted
REST_S, PAST_S = 0.1, 0.05  # of standing that is fitted after the knee
STEP_S = 5e-4  # of the tables of travel along a ramp
RAMPS_S = (0.008, 0.015, 0.025, 0.035, 0.05, 0.07, 0.09, 0.12, 0.16, 0.22, 0.3, 0.4)
COARSE_S, FINE_S = 0.005, 0.0008
# priors, standard: first, second and third rate of change of moving speed (s^-1, s^-2, s^-3), then
# standing speed and its rate, in units of the moving speed; wide enough for 30 % of ripple at 2 Hz
PRIORS = (3.0, 40.0, 500.0, 0.15, 1.5)
LOOSE = 100.0  # of place (per s) and moving speed, in the same units: nearly free
USUAL_RAMP_S = 0.1
SHAPE_SHARE = 0.01  # of the ramp: what its unknown shape moves the crossing by
LEAST_FRAMES = 8
LEAST_MISFIT, MOST_MISFIT = 0.8, 9.0
UNLIKELY = 5.0  # log likelihood below the best at which a ramp is given up
LEAST_SHARE = 0.1  # of the likely solutions must cross the limit


@dataclass(frozen=True)
class Edge:
    """A crossing of the limit: instant, standard uncertainty, ramp, all s; speed while moving."""

    time_s: float
    u_s: float
    ramp_s: float
    moving: float


@dataclass(frozen=True)
class Errors:
    """Standard deviation of a single position, and correlation of neighbouring ones."""

    size: float
    rho: float = 0.0


def falling_edge(
    times_s: FloatArray,
    positions: FloatArray,
    knees_s: tuple[float, float],
    limit: float,
    errors: Errors,
) -> Edge | None:
    """When the speed falls below `limit`.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Moving at first, standing at last.
    knees_s : tuple of float
        First and last instant at which the middle of the ramp may lie.
    limit : float
        Speed at which the crossing is read, above 0.
    errors : Errors
        Of the positions.

    Returns
    -------
    Edge or None
        None where there are too few frames, or no fall through the limit.
    """
    coarse = np.arange(knees_s[0], knees_s[1], COARSE_S)
    use = _near(times_s, *knees_s)
    if use.sum() < LEAST_FRAMES or not coarse.size:
        return None
    found = _solve(times_s[use], positions[use], coarse, np.array(RAMPS_S), limit, errors)
    knee = coarse[found.best[0]]
    use = _near(times_s, knee, knee + REST_S)
    if use.sum() < LEAST_FRAMES:
        return None
    fine = np.arange(-9, 10) * max(FINE_S, found.knee_spread / 3) + knee
    ramps = np.geomspace(*found.likely_ramps, 15)
    return _solve(times_s[use], positions[use], fine, ramps, limit, errors).edge()


def _near(times_s: FloatArray, first: float, last: float) -> NDArray[np.bool_]:
    """Instants from `REACH_S` before the first knee up to the last one and a little more."""
    return np.asarray((times_s >= first - REACH_S) & (times_s <= last + PAST_S), dtype=bool)


def rising_edge(
    times_s: FloatArray,
    positions: FloatArray,
    knees_s: tuple[float, float],
    limit: float,
    errors: Errors,
) -> Edge | None:
    """When the speed rises above `limit`: a fall, seen backwards in time; see `falling_edge`."""
    back = (-knees_s[1], -knees_s[0])
    found = falling_edge(-times_s[::-1], -positions[::-1], back, limit, errors)
    return found and Edge(-found.time_s, found.u_s, found.ramp_s, found.moving)


@dataclass(frozen=True)
class _Grid:
    """Solutions over knees and ramps, shapes (N, R): log likelihood, crossing, speeds."""

    knees: FloatArray
    ramps: FloatArray
    likelihood: FloatArray
    crossing: FloatArray
    moving: FloatArray

    @property
    def best(self) -> tuple[int, int]:
        """Indices of the likeliest knee and ramp."""
        i, j = np.unravel_index(int(np.argmax(self.likelihood)), self.likelihood.shape)
        return int(i), int(j)

    @property
    def weights(self) -> FloatArray:
        """Posterior probability of each."""
        weights = np.exp(self.likelihood - np.max(self.likelihood))
        return np.asarray(weights / weights.sum(), dtype=np.float64)

    @property
    def knee_spread(self) -> float:
        """Standard deviation of the knee, s."""
        share = self.weights.sum(axis=1)
        mean = share @ self.knees
        return float(np.sqrt(share @ (self.knees - mean) ** 2))

    @property
    def likely_ramps(self) -> tuple[float, float]:
        """Shortest and longest ramp worth a finer look, s."""
        profile = np.max(self.likelihood, axis=0)
        likely = self.ramps[0][profile > np.max(profile) - UNLIKELY]
        return max(float(likely[0]) / 1.5, 0.006), min(float(likely[-1]) * 1.5, 0.6)

    def edge(self) -> Edge | None:
        """Mean crossing; None where hardly any likely solution crosses the limit."""
        crosses = np.isfinite(self.crossing)
        weights = np.where(crosses, self.weights, 0.0)
        total = float(weights.sum())
        if total < LEAST_SHARE:
            return None
        weights = weights / total
        crossing = np.where(crosses, self.crossing, 0.0)
        mean = float(np.sum(weights * crossing))
        variance = float(np.sum(weights * (crossing - mean) ** 2))
        ramp = float(np.sum(weights * self.ramps))
        moving = float(np.sum(weights * self.moving))
        return Edge(mean, float(np.hypot(np.sqrt(variance), SHAPE_SHARE * ramp)), ramp, moving)


@lru_cache(maxsize=512)
def _tables(ramp_s: float) -> tuple[FloatArray, FloatArray]:
    """Travel along a ramp by time from its knee: instants, and columns for unit speeds.

    Columns: moving speed and its first three rates of change; standing speed, its rate.
    """
    x = np.arange(-0.9, 0.9, STEP_S)
    share = 0.5 - 0.5 * np.sin(np.pi * np.clip(x / ramp_s, -0.5, 0.5))
    speeds = [share, share * x, share * x**2 / 2, share * x**3 / 6, 1 - share, (1 - share) * x]
    travel = np.stack([np.cumsum(speed) * STEP_S for speed in speeds], axis=1)
    return x, travel - travel[len(x) // 2]


def _solve(
    t: FloatArray,
    s: FloatArray,
    knees: FloatArray,
    ramps: FloatArray,
    limit: float,
    errors: Errors,
) -> _Grid:
    """Linear least squares at every knee and ramp; columns: place, then those of `_tables`."""
    usual = max(_usual(t, s), errors.size / REST_S, 1e-9)
    precision = np.diag(1 / (usual * np.array([LOOSE, LOOSE, *PRIORS])) ** 2)
    innovation = max(errors.size, 1e-9) * np.sqrt(1 - errors.rho**2)
    y = _whiten((s - s[0])[:, None], errors.rho)[:, 0] / innovation
    shape = (len(knees), len(ramps))
    drop, crossing, moving = (np.empty(shape) for _ in range(3))
    for j, ramp in enumerate(ramps):
        x, travel = _tables(round(float(ramp), 5))
        index = ((t - knees[:, None]) - x[0]) / STEP_S - 1.0
        low = np.clip(index.astype(int), 0, len(x) - 2)
        part = np.clip(index - low, 0.0, 1.0)[..., None]
        columns = travel[low] * (1 - part) + travel[low + 1] * part
        design = np.concatenate([np.ones((*low.shape, 1)), columns], axis=2)
        white = _whiten(np.moveaxis(design, 1, 0), errors.rho) / innovation  # (K, N, 7)
        normal = np.einsum("kni,knj->nij", white, white) + precision
        right = np.einsum("kni,k->ni", white, y)
        p = np.linalg.solve(normal, right[..., None])[..., 0]
        drop[:, j] = y @ y - np.einsum("ni,ni->n", p, right)
        crossing[:, j] = knees + _crossing(p, float(ramp), limit)
        moving[:, j] = p[:, 1]
    misfit = np.clip(np.min(drop) / max(len(t) - 5, 1), LEAST_MISFIT, MOST_MISFIT)
    ramped = np.broadcast_to(ramps, shape)
    prior = np.log(np.minimum(ramped, USUAL_RAMP_S))  # even in length up to it, in its log beyond
    return _Grid(knees, ramped, prior - drop / (2 * misfit), crossing, moving)


def _usual(t: FloatArray, s: FloatArray) -> float:
    """Moving speed, roughly: over the first third."""
    few = max(3, len(t) // 3)
    return abs(float((s[few - 1] - s[0]) / (t[few - 1] - t[0])))


def _whiten(columns: FloatArray, rho: float) -> FloatArray:
    """Errors of a first-order autoregression made independent, along the first axis."""
    first = columns[:1] * np.sqrt(1 - rho**2)
    return np.concatenate([first, columns[1:] - rho * columns[:-1]], axis=0)


def _crossing(p: FloatArray, ramp: float, limit: float) -> FloatArray:
    """When after the knee the modelled speed falls through the limit; NaN where it does not."""
    x = np.full(len(p), 0.3 * ramp)
    for _ in range(3):
        moving = p[:, 1] + p[:, 2] * x + p[:, 3] * x**2 / 2 + p[:, 4] * x**3 / 6
        standing = p[:, 5] + p[:, 6] * x
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (limit - standing) / (moving - standing)
        bad = ~((share > 0.0) & (share < 1.0))
        share = np.clip(np.nan_to_num(share, nan=0.5), 0.0, 1.0)
        x = ramp / np.pi * np.arcsin(1 - 2 * share)
    return np.asarray(np.where(bad, np.nan, x), dtype=np.float64)
