"""When a tyre has left the platform by a stated gap, and when something has moved by a stated way.

Pure numerics: the way of a tyre off the platform over time in, an instant with its uncertainty out.
While the wheel is relieved the tyre swells and its place changes slowly with the tilt; the gap is
counted from where it stood just before it left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.local_fit import correlation_growth

FloatArray = NDArray[np.float64]
REST_S, REST_LEAST = 0.3, 8  # at the start of the span: where things stand
LEAVES_SHARE = 0.35  # of the gap: below it the tyre still stands, or nearly
BEFORE_S = 0.3  # of a slow leaving are left out of what is called standing
BASE_S, BASE_DEG = 6.0, 8.0
SUSTAINED = 3  # frames beyond
AROUND = 4  # frames either side for the crossing


@dataclass(frozen=True)
class Crossing:
    """An instant at which a way was exceeded.

    Attributes
    ----------
    t_s, u_t_s : float
    speed_per_s : float
        How fast the way grew then.
    base : float
        Where it was counted from.
    u_way : float
        Standard uncertainty of the way at that instant, from the picture alone.
    """

    t_s: float
    u_t_s: float
    speed_per_s: float
    base: float
    u_way: float


def crossing_of(
    t_s: FloatArray,
    tilt_deg: FloatArray,
    way: FloatArray,
    limit: float,
    *,
    base: float | None = None,
    u_way: float = 0.0,
) -> Crossing | None:
    """First instant at which a way exceeds `limit` and stays beyond.

    Parameters
    ----------
    t_s, tilt_deg : ndarray, shape (n,)
        Times and smoothed platform angles.
    way : ndarray, shape (n,)
        Place of the tyre off the platform, any origin; NaN where not seen.
    limit : float
        In the unit of `way`.
    base : float, optional
        Where it stood just before; found when not given.
    u_way : float
        Standard uncertainty of the way that the scatter at rest does not show.

    Returns
    -------
    Crossing or None
        None when it is not exceeded, or not seen around then.
    """
    seen = np.flatnonzero(np.isfinite(way))
    if len(seen) < REST_LEAST + SUSTAINED:
        return None
    t, tilt, y = t_s[seen], tilt_deg[seen], way[seen]
    rest = max(REST_LEAST, int(np.searchsorted(t, t[0] + REST_S)))
    rest = min(rest, len(t) // 2)
    start = float(np.median(y[:rest]))
    first = _sustained(y - start, limit)
    if first is None:
        return None
    level, u_level, sigma = _standing(t, tilt, y, start, first, limit)
    if base is not None:
        level = base
    first = _sustained(y - level, limit)
    if first is None or first < 2:
        return None
    low, high = max(first - AROUND, 0), min(first + AROUND, len(t))
    if t[first] - t[first - 1] > 4 * np.median(np.diff(t)):
        return None  # hidden just then
    at, speed, spread = _solve(
        t[low:high], y[low:high] - level, limit, float(t[first - 1 : first + 1].mean())
    )
    total = math.sqrt(u_level**2 + u_way**2 + max(spread, sigma / math.sqrt(AROUND)) ** 2)
    frame = float(np.median(np.diff(t)))
    u_t = min(total / max(speed, 1e-9), 10.0)
    return Crossing(at, math.hypot(u_t, 0.05 * frame), speed, level, total)


def _sustained(y: FloatArray, limit: float) -> int | None:
    """First index of a run beyond the limit that does not come back at once."""
    beyond = (y > limit).astype(np.int64)
    count = min(SUSTAINED, len(y))
    runs = np.convolve(beyond, np.ones(count, np.int64), mode="valid")
    # At the very end of what was seen two frames may have to do.
    found = np.flatnonzero(runs == count)
    if found.size:
        return int(found[0])
    if len(y) >= 2 and beyond[-1] and beyond[-2]:
        return len(y) - 2
    return None


def _standing(
    t: FloatArray, tilt: FloatArray, y: FloatArray, start: float, first: int, limit: float
) -> tuple[float, float, float]:
    """Where it stood before it left, how surely, and the scatter of one frame."""
    before = np.flatnonzero(y[:first] - start <= LEAVES_SHARE * limit)
    leaves = int(before[-1]) if before.size else 0
    until = int(np.searchsorted(t, t[leaves] - BEFORE_S))
    until = until if until >= REST_LEAST else max(leaves, 1)
    since = max(
        int(np.searchsorted(t, t[until - 1] - BASE_S)),
        int(np.argmax(tilt[:until] >= tilt[until - 1] - BASE_DEG)),
    )
    if until - since < REST_LEAST:
        since = max(until - REST_LEAST, 0)
    x, values = tilt[since:until], y[since:until]
    spread = float(np.ptp(x))
    if spread < 1e-6 or len(x) < 2 * REST_LEAST:
        left = values - values.mean()
        level, u_level = float(values.mean()), 1.0 / math.sqrt(len(values))
    else:
        middle = float(x.mean())
        slope, mean = np.polyfit(x - middle, values, 1)
        left = values - mean - slope * (x - middle)
        at = min(float(tilt[leaves]), float(x.max())) - middle
        level = float(mean + slope * at)
        u_level = math.sqrt(1 / len(x) + at**2 / float(np.sum((x - middle) ** 2)))
    sigma = float(np.sqrt(np.sum(left**2) / max(len(left) - 2, 1)))
    return level, u_level * sigma * math.sqrt(correlation_growth(left)), sigma


def _solve(t: FloatArray, y: FloatArray, limit: float, near: float) -> tuple[float, float, float]:
    """Where a parabola through the frames around crosses, its speed there, and u of its value."""
    span = max(float(np.ptp(t)), 1e-9)
    x = (t - near) / span
    order = 2 if len(t) >= 5 else 1
    coefficients = np.polyfit(x, y, order)
    left = y - np.polyval(coefficients, x)
    roots = np.roots(np.append(coefficients[:-1], coefficients[-1] - limit))
    real = roots[np.isreal(roots)].real
    slope = np.polyder(coefficients)
    rising = [r for r in real if np.polyval(slope, r) > 0]
    at = min(rising, key=abs, default=0.0)
    at = float(np.clip(at, x[0], x[-1]))
    speed = float(np.polyval(slope, at)) / span
    power = float(np.sum(left**2)) / max(len(t) - order - 1, 1)
    return near + at * span, max(speed, 1e-9), math.sqrt(power / max(len(t) - order, 1))
