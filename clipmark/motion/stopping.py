"""How a truck comes to a stand: when, and over what way.

Pure numerics. Positions around a stop are fitted by a straight, slightly bent run whose speed falls
to zero over a fitted time, and a stand: the filtered speed only says where to look, since its
window would smear an abrupt stop. How the speed falls is not known beforehand: an even fall and one
that begins and ends softly (a raised cosine) are both fitted, and weighed by how well they fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from clipmark.motion.sampling import FloatArray

BEFORE_S, AFTER_S = 0.8, 0.5
SHORTEST_FALL_S, LONGEST_FALL_S = 0.01, 1.2
LEAST_POINTS = 12
FALLS_S = (0.03, 0.12, 0.4)
SHAPE_SHARE = 0.05  # of the fall: standard uncertainty of its length, for shapes beyond the two


@dataclass(frozen=True)
class Stop:
    """One coming to a stand.

    Attributes
    ----------
    slows_s, stands_s : float
        When the speed began to fall, and when the truck stood.
    distance : float
        Way between the two, in the unit of the positions.
    u_distance, u_stands_s : float
        Standard uncertainties.
    """

    slows_s: float
    stands_s: float
    distance: float
    u_distance: float
    u_stands_s: float


@dataclass(frozen=True)
class _Fitted:
    """One shape fitted: half its squares over the noise's, and its middle, length, way, their u."""

    cost: float
    middle_s: float
    fall_s: float
    way: float
    u_way: float
    u_stands_s: float


def fit_stop(
    times_s: FloatArray, positions: FloatArray, near_s: float, noise: float
) -> Stop | None:
    """Fit the stop near an instant; None where there is too little on either side.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Of one run into a stand, nothing else; increasing times.
    near_s : float
        About when it came to a stand.
    noise : float
        Standard deviation of a single position.
    """
    use = (times_s >= near_s - BEFORE_S) & (times_s <= near_s + AFTER_S)
    t, s = times_s[use] - near_s, positions[use]
    if len(t) < LEAST_POINTS or (t < -0.1).sum() < 4 or (t > 0.02).sum() < 4:
        return None
    fits = [_fit(shape, t, s, noise) for shape in (_even_fall, _soft_fall)]
    best = min(fit.cost for fit in fits)
    weights = np.array([math.exp(max(best - fit.cost, -50.0)) for fit in fits])
    weights /= weights.sum()
    stands = [fit.middle_s + fit.fall_s / 2 for fit in fits]
    slows = [fit.middle_s - fit.fall_s / 2 for fit in fits]
    way, u_way = _mixed(weights, [fit.way for fit in fits], [fit.u_way for fit in fits])
    stood, u_stood = _mixed(weights, stands, [fit.u_stands_s for fit in fits])
    slowed, _ = _mixed(weights, slows, [0.0, 0.0])
    return Stop(near_s + slowed, near_s + stood, way, u_way, u_stood)


def _mixed(weights: FloatArray, values: list[float], u: list[float]) -> tuple[float, float]:
    """Mean and standard deviation of a mixture."""
    mean = float(weights @ np.array(values))
    variance = float(weights @ (np.array(u) ** 2 + (np.array(values) - mean) ** 2))
    return mean, math.sqrt(variance)


def _fit(
    shape: Callable[[FloatArray], FloatArray], t: FloatArray, s: FloatArray, noise: float
) -> _Fitted:
    speed = float(np.polyfit(t[t < 0], s[t < 0], 1)[0])
    low = np.array([-np.inf, -np.inf, -np.inf, float(t[0]), SHORTEST_FALL_S])
    high = np.array([np.inf, np.inf, np.inf, float(t[-1]), LONGEST_FALL_S])

    def misses(p: FloatArray) -> FloatArray:
        return _model(p, t, shape) - s

    best = None
    for fall in FALLS_S:
        start = np.array([float(s[-1]), speed, 0.0, -fall / 2, fall])
        found = least_squares(
            misses,
            np.clip(start, low + 1e-9, high - 1e-9),
            bounds=(low, high),
            x_scale=[1.0, 10.0, 10.0, 0.05, 0.05],
            max_nfev=200,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    p = np.asarray(best.x, dtype=np.float64)
    scatter = max(noise, math.sqrt(2 * float(best.cost) / max(len(t) - 5, 1)), 1e-9)
    jacobian = np.asarray(best.jac, dtype=np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * scatter**2
    change = np.array([0.0, p[4] / 2, 0.0, 0.0, p[1] / 2])
    ends = np.array([0.0, 0.0, 0.0, 1.0, 0.5])
    way = abs(float(p[1] * p[4])) / 2
    unknown = SHAPE_SHARE * float(p[4])
    return _Fitted(
        cost=float(best.cost) / scatter**2,
        middle_s=float(p[3]),
        fall_s=float(p[4]),
        way=way,
        u_way=math.hypot(
            math.sqrt(max(float(change @ covariance @ change), 0.0)), SHAPE_SHARE * way
        ),
        u_stands_s=math.hypot(math.sqrt(max(float(ends @ covariance @ ends), 0.0)), unknown),
    )


def _even_fall(x: FloatArray) -> FloatArray:
    """Way lost within an even fall of speed from 1 to 0 over x = 0 to 1."""
    return np.asarray(x**2 / 2, dtype=np.float64)


def _soft_fall(x: FloatArray) -> FloatArray:
    """The same for a raised cosine."""
    return np.asarray(x / 2 - np.sin(np.pi * x) / (2 * np.pi), dtype=np.float64)


def _model(p: FloatArray, t: FloatArray, shape: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Positions: stand, speed before, bend of the run, middle of the fall, its length."""
    stand, speed, bend, knee, fall = p
    x = np.clip((t - knee) / fall + 0.5, 0.0, 1.0)
    lost = np.where(x < 1.0, shape(x) * fall, t - knee)
    run = speed * (t - knee) - speed * lost
    return np.asarray(stand + run + bend * np.minimum(t - knee, 0.0) ** 2, dtype=np.float64)
