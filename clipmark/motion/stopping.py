"""How a truck comes to a stand: when, and over what way.

Pure numerics. Positions around a stop are fitted by a straight, slightly bent run whose speed falls
evenly to zero over a fitted time, and a stand: the filtered speed only says where to look, since
its window would smear an abrupt stop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from clipmark.motion.sampling import FloatArray

BEFORE_S, AFTER_S = 0.8, 0.5
SHORTEST_FALL_S, LONGEST_FALL_S = 0.01, 1.2
SHAPE_SHARE = 0.1  # of the stopping way: how the speed falls is not known, only for how long
LEAST_POINTS = 12


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


def fit_stop(times_s: FloatArray, positions: FloatArray, near_s: float, noise: float) -> Stop | None:
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
    speed = float(np.polyfit(t[t < 0], s[t < 0], 1)[0])
    best = None
    for fall in (0.03, 0.12, 0.4):
        start = np.array([float(s[-1]), speed, 0.0, -fall / 2, fall])
        low = [-np.inf, -np.inf, -np.inf, float(t[0]), SHORTEST_FALL_S]
        high = [np.inf, np.inf, np.inf, float(t[-1]), LONGEST_FALL_S]
        found = least_squares(
            lambda p: _model(p, t) - s,
            np.clip(start, np.array(low) + 1e-9, np.array(high) - 1e-9),
            bounds=(low, high),
            x_scale=[1.0, 10.0, 10.0, 0.05, 0.05],
            max_nfev=200,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    p = np.asarray(best.x, dtype=np.float64)
    scatter = max(noise, math.sqrt(2 * best.cost / max(len(t) - 5, 1)))
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * scatter**2
    way = abs(p[1]) * p[4] / 2
    change = np.array([0.0, p[4] / 2, 0.0, 0.0, p[1] / 2])
    u_way = math.sqrt(max(float(change @ covariance @ change), 0.0) + (SHAPE_SHARE * way) ** 2)
    ends = np.array([0.0, 0.0, 0.0, 1.0, 0.5])
    u_stands = math.sqrt(max(float(ends @ covariance @ ends), 0.0) + (0.1 * p[4]) ** 2)
    return Stop(
        near_s + float(p[3] - p[4] / 2), near_s + float(p[3] + p[4] / 2), way, u_way, u_stands
    )


def _model(p: FloatArray, t: FloatArray) -> FloatArray:
    """Positions: stand, speed before, bend of the run, middle of the fall, its length."""
    stand, speed, bend, knee, fall = p
    share = np.clip((t - knee) / fall + 0.5, 0.0, 1.0)
    lost = np.where(share < 1.0, share**2 * fall / 2, t - knee)
    run = speed * (t - knee) - speed * lost
    return np.asarray(stand + run + bend * np.minimum(t - knee, 0.0) ** 2, dtype=np.float64)
