"""How the speed of a move grew: as that of a body that rolls freely, or as one that is driven.

Pure numerics. What rolls freely down an even slope from rest gains speed all along at one rate: its
way goes with the square of time. What is driven rises to a speed and keeps it, evenly or not. Where
neither is clearly so, neither is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clipmark.motion.sampling import FloatArray

LEAST_S, LEAST_FRAMES = 0.25, 12
EDGE_S = 0.02  # left out where it starts and where it is stopped
SIGMAS = 3.0
# of a roll from rest: early speed over the mean is 0.44 (0.64 where it breaks loose with a jerk of
# a quarter of its last speed), late growth over the mean of the later half 0.29 (0.23)
FREE_EARLY, FREE_LATE, FREE_LATE_MOST = 0.68, 0.18, 0.55
FREE_MISFIT = 0.008  # of the way, beside noise: how far from the square of time it may go
DRIVEN_EARLY, DRIVEN_LATE = 0.82, 0.08
FELL = 0.15  # of the mean: a speed that fell so much between two quarters
SEEN_FREE, SEEN_EVEN = 0.7, 0.05  # gained over the mean, where the start was not seen
LEAST_SEEN_S = 0.8
ROUGH_FACTOR = 2.0  # errors that go together are larger than they look from frame to frame


@dataclass(frozen=True)
class Growth:
    """How a speed grew.

    Attributes
    ----------
    kind : str
        ``freely``, ``driven`` or ``not told``.
    early, late : float
        Speed of the second eighth to the third over the mean speed since, and growth from the third
        to the fourth quarter over the mean speed of both.
    u_early, u_late : float
        Standard uncertainties.
    """

    kind: str
    early: float
    late: float
    u_early: float
    u_late: float


def growth(
    times_s: FloatArray,
    way: FloatArray,
    starts_s: float | None,
    ends_s: float,
    noise: float,
) -> Growth | None:
    """How the speed grew from a start to where it was stopped; None where too little is seen.

    Parameters
    ----------
    times_s, way : ndarray, shape (K,)
        Increasing times, and positions in the sense of the move.
    starts_s : float or None
        When it left rest; None when it moved already as the span began.
    ends_s : float
        When its speed began to fall, or the span ended.
    noise : float
        Standard deviation of a single position at most, what goes together in time included.
    """
    since = float(times_s[0]) if starts_s is None else starts_s
    use = (times_s >= since + EDGE_S) & (times_s <= ends_s - EDGE_S)
    t, s = times_s[use], way[use]
    lasts = ends_s - since
    if lasts < LEAST_S or len(t) < LEAST_FRAMES:
        return None
    x = (t - since) / lasts
    noise = min(noise, ROUGH_FACTOR * _rough_noise(s))

    def speed(low: float, high: float) -> tuple[float, float]:
        return _speed(t[(x >= low) & (x <= high)], s[(x >= low) & (x <= high)], noise)

    quarters = [speed(k / 4, (k + 1) / 4) for k in range(4)]
    rest, _ = speed(0.125, 1.0)
    later = (quarters[2][0] + quarters[3][0]) / 2
    if not (math.isfinite(later) and rest > 0 and later > 0):
        return None
    first, u_first = speed(0.125, 0.375)
    early, u_early = first / rest, u_first / rest
    late = (quarters[3][0] - quarters[2][0]) / later
    u_late = math.hypot(quarters[2][1], quarters[3][1]) / later
    fell = min(
        (b[0] - a[0] + SIGMAS * math.hypot(a[1], b[1])) / later for a, b in pairwise(quarters)
    )
    if starts_s is None:
        kind = _kind_unstarted(t, s, noise)
    elif (
        fell < -FELL
        or early - SIGMAS * u_early > DRIVEN_EARLY
        or late + SIGMAS * u_late < DRIVEN_LATE
    ):
        kind = "driven"
    elif (
        early - u_early < FREE_EARLY
        and late - SIGMAS * u_late > FREE_LATE
        and late - u_late < FREE_LATE_MOST
        and _squares(t, s, noise)
    ):
        kind = "freely"
    else:
        kind = "not told"
    return Growth(kind, early, late, u_early, u_late)


def _rough_noise(s: FloatArray) -> float:
    """Standard deviation of single positions by their third differences, blind to smooth motion."""
    return float(np.sqrt(np.mean(np.diff(s, 3) ** 2) / 20))


def _speed(t: FloatArray, s: FloatArray, noise: float) -> tuple[float, float]:
    """Slope of a straight line, and its standard uncertainty."""
    if len(t) < 3:
        return math.nan, math.inf
    x = t - t.mean()
    squares = float(x @ x)
    return float(x @ s) / squares, noise / math.sqrt(squares)


def _squares(t: FloatArray, s: FloatArray, noise: float) -> bool:
    """Whether the way goes with time and its square, but for noise and a small share."""
    left = s - np.polynomial.Polynomial.fit(t, s, 2)(t)
    allowed = math.hypot(1.3 * noise, FREE_MISFIT * float(s[-1] - s[0]))
    return float(np.sqrt(np.mean(left**2))) < allowed


def _kind_unstarted(t: FloatArray, s: FloatArray, noise: float) -> str:
    """By growth over what is seen alone, where it must be clear."""
    x = (t - t.mean()) / float(t[-1] - t[0])
    design = np.stack([np.ones_like(x), x, x**2], axis=1)
    found = np.linalg.lstsq(design, s, rcond=None)[0]
    mean = float(found[1])
    u = 2 * noise * math.sqrt(float(np.linalg.inv(design.T @ design)[2, 2])) / max(mean, 1e-9)
    gained = 2 * float(found[2]) / max(mean, 1e-9)
    if float(t[-1] - t[0]) < LEAST_SEEN_S or mean <= 0:
        return "not told"
    if gained - SIGMAS * u > SEEN_FREE and _squares(t, s, noise):
        return "freely"
    return "driven" if gained + SIGMAS * u < SEEN_EVEN else "not told"
