"""When something starts to move from rest, and by how much one start lags behind another.

Pure numerics. Values are constant, then leave with a smooth rise of unknown length. A constant is
fitted to them that turns into a slope over a ramp of speed of fitted length, with a bend after
it; its start is where the ramp starts. A soft rise of another shape starts earlier or later than
the fitted ramp by a share of its length: that share is a contribution of its own, and two starts of
the same shape have it in common.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import chdtri

from clipmark.motion.sampling import FloatArray

LEAST_REST = 5  # frames at rest before a start
LEFT_NOISES = 5.0  # so many noises away from rest, in LEFT_FRAMES running, is having left
LEFT_FRAMES = 3
BEFORE_S = 1.5  # of rest that is fitted
LONGEST_RAMP_S = 0.8
SHORTEST_RAMP_S = 0.002
RAMPS_S = (0.01, 0.05, 0.15, 0.4)
AFTER_S = (0.5, 0.35, 0.25, 0.18, 0.12, 0.08)  # of motion fitted, as much as the model can follow
FOLLOWED = 0.99  # chi square below this quantile: the model follows
U_LOG_POWER = 0.5  # the slope rises with about the first power of time, give or take
RESOLVED_FRAMES = 1.0
SHAPE_SHARE = 0.10  # of the ramp: standard uncertainty of the start from its unknown shape
MOVES = 5.0  # the slope fitted must be so many times its uncertainty


@dataclass(frozen=True)
class Onset:
    """A start from rest.

    Attributes
    ----------
    t_s, u_t_s : float
        When it left rest, and standard uncertainty, s.
    u_noise_s : float
        The part of it that comes from noise alone, s.
    ramp_s : float
        Length of the rise of speed as fitted, s; its unknown shape makes the other part.
    slope : float
        Speed after the rise, per s, with its sign.
    """

    t_s: float
    u_t_s: float
    u_noise_s: float
    ramp_s: float
    slope: float


@dataclass(frozen=True)
class Delay:
    """One start after another, s: `value_s` above zero when the body starts after the wheel."""

    value_s: float
    u_s: float


def onset(times_s: FloatArray, values: FloatArray, noise: float) -> Onset | None:
    """Find the start of what is at rest first; see the module's docstring.

    Parameters
    ----------
    times_s, values : ndarray, shape (K,)
        Increasing times, s, and positions or turns, any unit; NaN where not known.
    noise : float
        Standard deviation of a single value; where the values at rest scatter more, theirs is used.

    Returns
    -------
    Onset or None
        None where it does not rest for the first five values, or does not leave.
    """
    known = np.isfinite(times_s) & np.isfinite(values)
    t, y = np.asarray(times_s[known], dtype=np.float64), np.asarray(values[known], dtype=np.float64)
    left = _first_left(y, noise)
    if left is None:
        return None
    sigma = max(noise, _scatter(y[: max(left - 2, LEAST_REST)]), 1e-12)
    best: tuple[FloatArray, FloatArray, FloatArray] | None = None
    for after in AFTER_S:
        use = (t >= t[left] - BEFORE_S) & (t <= t[left] + after)
        if np.sum(t[use] >= t[left]) < LEFT_FRAMES:
            break
        best = t[use], y[use], _fit(t[use], y[use], float(t[left]), sigma)
        squares = float(np.sum(((best[1] - hinged(best[2], best[0])) / sigma) ** 2))
        if squares < chdtri(max(len(best[0]) - 5, 1), 1 - FOLLOWED):
            break
    return None if best is None else _read(*best, sigma)


def delay(onset_wheel: Onset, onset_body: Onset) -> Delay:
    """How long after the wheel the body starts, with uncertainty.

    What the unknown shape of the rise does is taken as the same share of either ramp, so it
    remains only as far as the two ramps differ.
    """
    shape = SHAPE_SHARE * (onset_body.ramp_s - onset_wheel.ramp_s)
    u = math.hypot(onset_wheel.u_noise_s, onset_body.u_noise_s, shape)
    return Delay(onset_body.t_s - onset_wheel.t_s, u)


def hinged(p: FloatArray, t: FloatArray) -> FloatArray:
    """Constant, then a slope reached over a ramp, with a bend after it, shape of `t`.

    `p` = value at rest, slope after the ramp, bend (half the change of slope per s), start and
    length of the ramp, and the logarithm of the power of time with which the slope rises over it.
    """
    rest, slope, bend, start, ramp, log_power = p
    power = math.exp(log_power)
    since = t - start
    share = np.clip(since / ramp, 0.0, 1.0)
    curved = ramp * share ** (power + 1) / (power + 1)
    way = curved + np.maximum(since - ramp, 0.0)
    return np.asarray(
        rest + slope * way + bend * np.maximum(since - ramp, 0.0) ** 2, dtype=np.float64
    )


def _first_left(y: FloatArray, noise: float) -> int | None:
    """First of the instants at which the values have left the mean of those before."""
    means = np.cumsum(y) / np.arange(1, len(y) + 1)
    for k in range(LEAST_REST, len(y) - LEFT_FRAMES + 1):
        limit = LEFT_NOISES * max(noise, 1e-12) * math.sqrt(1 + 1 / k)
        away = y[k : k + LEFT_FRAMES] - means[k - 1]
        if np.all(away > limit) or np.all(away < -limit):
            return k
    return None


def _scatter(rest: FloatArray) -> float:
    """Standard deviation of values at rest, insensitive to a slow start among them."""
    if len(rest) < 3 * LEAST_REST:
        return 0.0
    return float(np.median(np.abs(np.diff(rest))) / 0.6745 / math.sqrt(2))


def _misses(p: FloatArray, t: FloatArray, y: FloatArray, sigma: float) -> FloatArray:
    """Misses in noises, and last that of the power of the rise from 1, in its usual spread."""
    misses = (hinged(p, t) - y) / sigma
    return np.append(misses, p[5] / U_LOG_POWER)


def _fit(t: FloatArray, y: FloatArray, left_s: float, sigma: float) -> FloatArray:
    """Best of the fits that start with ramps of different lengths, shape (6,)."""
    rest = float(np.median(y[t < left_s])) if np.any(t < left_s) else float(y[0])
    slope = (float(y[-1]) - rest) / max(float(t[-1]) - left_s, 1e-3)
    scale = max(abs(slope), sigma)
    low = np.array([-np.inf, -np.inf, -np.inf, t[0], SHORTEST_RAMP_S, -1.2])
    high = np.array([np.inf, np.inf, np.inf, t[-1], LONGEST_RAMP_S, 1.2])
    best: tuple[float, FloatArray] | None = None
    for ramp in RAMPS_S:
        start = np.array([rest, slope, 0.0, left_s - 0.4 * ramp - 0.01, ramp, 0.0])
        start[3] = np.clip(start[3], t[0] + 1e-6, t[-1] - 1e-6)
        found = scipy.optimize.least_squares(
            _misses,
            start,
            bounds=(low, high),
            x_scale=np.array([sigma, scale, scale / 0.1, 0.02, 0.05, 0.5]),
            loss="soft_l1",
            f_scale=3.0,
            max_nfev=60,
            args=(t, y, sigma),
        )
        if best is None or found.cost < best[0]:
            best = float(found.cost), np.asarray(found.x, dtype=np.float64)
    assert best is not None
    return best[1]


def _read(t: FloatArray, y: FloatArray, p: FloatArray, sigma: float) -> Onset | None:
    """The start, its uncertainty from the fit's Jacobian and the unknown shape of the rise."""
    step = float(np.median(np.diff(t)))
    at = p.copy()
    at[4] = max(at[4], RESOLVED_FRAMES * step)  # within fewer frames a ramp leaves no trace
    at[3] -= (at[4] - p[4]) / 2
    steps = np.array([1e-3 * sigma, *[1e-4 * abs(p[1]) + 1e-9] * 2, 1e-4, 1e-4, 1e-3])
    columns = [
        (_misses(at + h, t, y, sigma) - _misses(at - h, t, y, sigma)) / (2 * np.max(h))
        for h in np.diag(steps)
    ]
    jacobian = np.stack(columns, axis=1)
    size = np.linalg.norm(jacobian, axis=0) + 1e-300
    squares = float(np.sum(_misses(p, t, y, sigma) ** 2))
    spread = max(1.0, math.sqrt(squares / max(len(t) - 5, 1)))
    inverse = np.linalg.pinv((jacobian / size).T @ (jacobian / size), rcond=1e-10)
    u = spread * np.sqrt(np.diag(inverse)) / size
    if abs(p[1]) < MOVES * min(float(u[1]), sigma / max(float(t[-1] - p[3]), 1e-3)):
        return None
    if np.sum(t < p[3]) < LEAST_REST:  # it moved from the first
        return None
    u_noise = min(float(u[3]), LONGEST_RAMP_S)
    return Onset(
        t_s=float(p[3]),
        u_t_s=math.hypot(u_noise, SHAPE_SHARE * float(p[4])),
        u_noise_s=u_noise,
        ramp_s=float(p[4]),
        slope=float(p[1]),
    )
