"""How a truck begins to tip on a platform that goes on turning: the unstable-turning model.

While all wheels carry, the truck turns with the platform (and leans on its springs). When the
line of gravity comes to the downhill contact, the uphill side carries nothing, and from then on the
truck is a rigid body that pivots about that contact. Let m be its mass, r the distance from the
contact to the centre of gravity, I its moment of inertia about the contact, theta its roll less the
balance angle. Moments about the contact give, as for the rocking block of G. W. Housner, "The
behavior of inverted pendulum structures during earthquakes", Bulletin of the Seismological Society
of America 53 (1963), 403-417, equation 1 (there with both signs turned, and for a still base; the
rotation of a body about a fixed axis, I alpha = sum of moments, is in any mechanics text, such as
J. L. Meriam and L. G. Kraige, Engineering Mechanics: Dynamics, section 6/4)::

    I theta'' = m g r sin(theta)    and for small theta    theta'' = k^2 theta,  k^2 = m g r / I

The roll is the platform's P(t) plus the extra turn phi(t) of the truck against it, and the balance
angle is the platform's at the onset t0, so theta = P(t) - P(t0) + phi(t), and::

    phi'' = k^2 (phi + P(t) - P(t0)),    phi(t0) = phi'(t0) = 0

(It should be phi'' + P'' on the left, but P'' is zero for a platform that turns evenly; what a jerk
does is told apart, see `clipmark.motion.tilt_events`. The contact's own acceleration, rate^2 times
its distance from the hinge, is below 0.001 g at 5 deg/s.) For an even rate w the solution is::

    phi = (w / k) (sinh(k s) - k s),  s = t - t0;   at first phi = w k^2 s^3 / 6

a third power of time, then an exponential: nothing can be seen of it at first. A pocket crawler has
r = 55 to 80 mm and k = 9 to 11 per second, a 1:10 truck 6 to 8. The sine is kept linear: it is off
by 0.3 % at 8 deg, and nothing beyond is used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
LARGEST_DEG = 90.0  # the linear model means nothing beyond; also keeps numbers finite


def extra_turn_deg(
    t_s: FloatArray, platform_deg: FloatArray, onset_s: ArrayLike, k_per_s: ArrayLike
) -> FloatArray:
    """Extra turn of the truck against the platform, exact for a platform linear between frames.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Rising times, s.
    platform_deg : ndarray, shape (n,)
        Platform angle, rising towards tipping, deg.
    onset_s, k_per_s : array_like, shape (m,)
        When the uphill side carries nothing any more, s; rate of growth, 1/s.

    Returns
    -------
    ndarray, shape (n, m)
        deg, 0 before the onset; not above `LARGEST_DEG`.
    """
    onset = np.atleast_1d(np.asarray(onset_s, dtype=np.float64))
    k = np.atleast_1d(np.asarray(k_per_s, dtype=np.float64))
    onset, k = np.broadcast_arrays(onset, k)
    p0 = np.interp(onset, t_s, platform_deg)
    turn, speed = np.zeros(onset.shape), np.zeros(onset.shape)
    out = np.zeros((len(t_s), *onset.shape))
    for i in range(len(t_s) - 1):
        step = t_s[i + 1] - t_s[i]
        if not (onset < t_s[i + 1]).any():
            continue
        slope = (platform_deg[i + 1] - platform_deg[i]) / step
        begins = np.clip(onset, t_s[i], t_s[i + 1])
        left = t_s[i + 1] - begins
        theta = turn + platform_deg[i] + slope * (begins - t_s[i]) - p0
        theta_speed = speed + np.where(left > 0, slope, 0.0)
        cosh, sinh = np.cosh(k * left), np.sinh(k * left)
        turn = theta * cosh + theta_speed / k * sinh - (platform_deg[i + 1] - p0)
        speed = theta * k * sinh + theta_speed * cosh - np.where(left > 0, slope, 0.0)
        turn = np.where(left > 0, turn, 0.0)
        over = turn > LARGEST_DEG
        turn = np.where(over, LARGEST_DEG, turn)
        speed = np.where(over, 0.0, np.where(left > 0, speed, 0.0))
        out[i + 1] = turn
    return out


def even_extra_turn_deg(since_s: ArrayLike, rate_deg_s: float, k_per_s: float) -> FloatArray:
    """Extra turn for a platform that turns evenly: ``(w / k) (sinh(k s) - k s)``, 0 before.

    Parameters
    ----------
    since_s : array_like
        Time since the onset, s.
    rate_deg_s, k_per_s : float
    """
    s = np.maximum(np.asarray(since_s, dtype=np.float64), 0.0) * k_per_s
    return np.asarray(rate_deg_s / k_per_s * (np.sinh(s) - s))
