"""Start jump: how far a truck overshoots its steady speed as it starts.

Pure numerics. The largest of a noisy series of speeds is too large, and that of a smoothed one too
small where the jump is short. So a rise of speed that decays to a steady one is fitted to the
positions by least squares, with rises of four shapes and without a jump at all, and the peak is
read from the fitted speed. The shapes are averaged by how well they fit (Bayesian information
criterion: G. Schwarz, Ann. Stat. 6, 1978, 461-464), and their spread counts as uncertainty. So does
the unevenness of the steady speed: a crest of ripple at the start cannot be told from a jump.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from clipmark.errors import FollowError
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit, local_weights

PEAK_S = 0.5  # after the start: where the peak is looked for, and where steady speed begins
STEADY_END_S = 1.5
LEAST_STEADY_S = 0.3
REST_S = 0.4  # before the start, fitted too
FITTED_S = 0.8  # after the start
END_WINDOW_S = 0.1  # either side of an end of the steady stretch, to read its position
LEAST_FRAMES = 12
START_OFF_S = 0.1  # the start given may be wrong by this
LEAST_DECAY_S, MOST_DECAY_S = 0.05, 0.6
LEAST_RISE_S, MOST_RISE_S = 0.004, 0.6
UNEVEN_WINDOW_S = 0.06  # short, for a longer one would level out what it is to find
GRID_S = np.arange(0, PEAK_S + 1e-9, 0.001)  # where fitted speeds are read
FIRST_GUESSES = ((0.1, 0.02), (0.2, 0.1), (0.1, 0.3))  # decay and rise, s


@dataclass(frozen=True)
class Jump:
    """Start jump.

    Attributes
    ----------
    ratio, u : float
        Peak over steady speed, 1 where there is no jump, and standard uncertainty.
    peak_mm_s, steady_mm_s : float
        Largest speed of the first 0.5 s, and mean speed from 0.5 to 1.5 s (or to the end of what
        is known), without sign.
    """

    ratio: float
    u: float
    peak_mm_s: float
    steady_mm_s: float


# A rise gives, for times since the start, decay and rise, the ways gained at unit steady
# speed and at unit jump, shape (K,) each.
Rise = Callable[[FloatArray, float, float], tuple[FloatArray, FloatArray]]


def _decayed(x: FloatArray, decay: float) -> FloatArray:
    return np.asarray(decay * -np.expm1(-np.maximum(x, 0.0) / decay), dtype=np.float64)


def _straight(x: FloatArray, decay: float, rise: float) -> tuple[FloatArray, FloatArray]:
    """Speed rises evenly to its peak, then decays."""
    since = np.maximum(x, 0.0)
    gained = np.where(since < rise, since**2 / (2 * rise), rise / 2)
    after = np.maximum(since - rise, 0.0)
    return gained + after, gained + _decayed(after, decay)


def _rounded(x: FloatArray, decay: float, rise: float) -> tuple[FloatArray, FloatArray]:
    """Speed rises as half a cosine to its peak, then decays."""
    inside = np.clip(x, 0.0, rise)
    gained = (inside - rise / math.pi * np.sin(math.pi * inside / rise)) / 2
    after = np.maximum(x - rise, 0.0)
    return gained + after, gained + _decayed(after, decay)


def _lagging(x: FloatArray, decay: float, rise: float) -> tuple[FloatArray, FloatArray]:
    """Speed follows a decaying command with a lag of a third of the rise."""
    lag = rise / 3
    since = np.maximum(x, 0.0)
    both = 1 / (1 / lag + 1 / decay)
    return since - _decayed(x, lag), _decayed(x, decay) - _decayed(x, both)


def _at_once(x: FloatArray, decay: float, rise: float) -> tuple[FloatArray, FloatArray]:
    """Speed is at its peak from the first instant; `rise` means nothing."""
    return np.maximum(x, 0.0), _decayed(x, decay)


RISES: tuple[Rise, ...] = (_straight, _rounded, _lagging, _at_once)


@dataclass(frozen=True, eq=False)
class _Fit:
    """One shape fitted.

    Speeds on `GRID_S`, the uncertainty of their peak, what the positions miss it by, decay and
    count of parameters.
    """

    speeds: FloatArray
    u_peak: float
    missed: FloatArray
    decay: float
    count: int

    @property
    def peak(self) -> float:
        return float(self.speeds.max())

    @property
    def squares(self) -> float:
        return float(self.missed @ self.missed)


def start_jump(
    times_s: FloatArray, s_mm: FloatArray, start_s: float, position_noise: float
) -> Jump | None:
    """Peak speed of the first 0.5 s over the steady speed after it.

    Parameters
    ----------
    times_s, s_mm : ndarray, shape (K,)
        Increasing times, s, and way along the travel, mm; NaN where not known. Either way of going.
    start_s : float
        When it left rest, s, from `onset`.
    position_noise : float
        Standard deviation of a single position, mm; where the fitted shapes miss by more, that
        is used.

    Returns
    -------
    Jump or None
        None where too few positions are known around the start.

    Raises
    ------
    FollowError
        When less than 0.3 s of motion is known after the first 0.5 s, or it does not go on.
    """
    known = np.isfinite(times_s) & np.isfinite(s_mm)
    t, s = times_s[known] - start_s, s_mm[known]
    steady, u_steady = _steady(t, s, position_noise)
    near = (t >= -REST_S) & (t <= FITTED_S)
    if np.sum((t > 0) & (t <= PEAK_S)) < LEAST_FRAMES or not np.any(t < 0):
        return None
    x, y = t[near], math.copysign(1.0, steady) * (s[near] - s[near][0])
    sigma = max(position_noise, 1e-9)
    fits = [_fit(rise, x, y, jumps, sigma) for rise in RISES for jumps in (True, False)]
    peak, u_peak = _average(fits, len(x), sigma)
    size = abs(steady)
    best = min(fits, key=lambda f: f.squares)
    uneven = _uneven(t, s, best.decay, position_noise) * peak / size
    u_peak = math.hypot(u_peak, uneven)
    ratio = peak / size
    u = math.hypot(u_peak / size, ratio * u_steady / size)
    return Jump(ratio=ratio, u=u, peak_mm_s=peak, steady_mm_s=size)


def _steady(t: FloatArray, s: FloatArray, noise: float) -> tuple[float, float]:
    """Mean speed after the first `PEAK_S`, from the positions at its ends, and uncertainty."""
    end = min(STEADY_END_S, float(t[-1]) if len(t) else 0.0)
    if end - PEAK_S < LEAST_STEADY_S - 1e-6:
        raise FollowError(
            f"only {max(end, 0.0):.2g} s are known after the start; a start jump needs "
            f"{PEAK_S + LEAST_STEADY_S:g} s, so let the span run on"
        )
    ends, gains = [], []
    for at in (PEAK_S, end):
        use = np.abs(t - at) <= END_WINDOW_S + 1e-9
        if np.sum(use) < 4:
            raise FollowError(
                f"the truck is not seen around {at:.2g} s after its start, so it has no steady "
                "speed to compare with; film it without anything in front"
            )
        weights = local_weights(t[use], 2, 0, at)
        ends.append(float(weights @ (s[use] - s[use][0]) + s[use][0]))
        gains.append(float(weights @ weights))
    speed = (ends[1] - ends[0]) / (end - PEAK_S)
    u = noise * math.sqrt(gains[0] + gains[1]) / (end - PEAK_S)
    if abs(speed) <= 3 * u or speed == 0:
        raise FollowError(
            f"after the start the truck goes on at {abs(speed):.2g} mm/s, which is within noise; "
            "a start jump needs a steady speed to compare with"
        )
    return speed, u


def _design(rise: Rise, x: FloatArray, shape: FloatArray, jumps: bool) -> FloatArray:
    """Columns of the position at rest, the steady way and the way of the jump, shape (K, 2 or 3).

    `shape` = start, rise and, with a jump, decay, s.
    """
    steady, jump = rise(x - shape[0], float(shape[2]) if jumps else 1.0, float(shape[1]))
    columns = [np.ones_like(x), steady, jump] if jumps else [np.ones_like(x), steady]
    return np.stack(columns, axis=1)


def _fit(rise: Rise, x: FloatArray, y: FloatArray, jumps: bool, sigma: float) -> _Fit:
    """Fit one shape: start, rise and decay by search, speeds by linear least squares within."""
    low = np.array([-START_OFF_S, LEAST_RISE_S, LEAST_DECAY_S])[: 2 + jumps]
    high = np.array([START_OFF_S, MOST_RISE_S, MOST_DECAY_S])[: 2 + jumps]

    def misses(shape: FloatArray) -> FloatArray:
        design = _design(rise, x, shape, jumps)
        solution = np.linalg.lstsq(design, y, rcond=None)[0]
        return np.asarray(design @ solution - y, dtype=np.float64)

    best: tuple[float, FloatArray] | None = None
    for decay, length in FIRST_GUESSES:
        guess = np.array([0.0, length, decay])[: 2 + jumps]
        found = scipy.optimize.least_squares(
            misses, guess, bounds=(low, high), x_scale=np.array([0.02, 0.05, 0.1])[: 2 + jumps]
        )
        if best is None or found.cost < best[0]:
            best = float(found.cost), np.asarray(found.x, dtype=np.float64)
    assert best is not None
    design = _design(rise, x, best[1], jumps)
    speeds = np.linalg.lstsq(design, y, rcond=None)[0]
    p = np.concatenate([best[1], speeds])
    count = len(p) - (rise is _at_once)
    spread = max(sigma, math.sqrt(2 * best[0] / max(len(x) - count, 1)))
    return _Fit(
        speeds=_speeds(rise, p, jumps),
        u_peak=_u_peak(rise, x, p, jumps, spread),
        missed=y - design @ speeds,
        decay=float(p[2]) if jumps else MOST_DECAY_S,
        count=count,
    )


def _speeds(rise: Rise, p: FloatArray, jumps: bool) -> FloatArray:
    """Fitted speed on `GRID_S`."""
    shape, speeds = p[: 2 + jumps], p[2 + jumps :]
    h = 1e-5
    ahead, behind = (_design(rise, GRID_S + d, shape, jumps) @ speeds for d in (h, -h))
    return np.asarray((ahead - behind) / (2 * h), dtype=np.float64)


def _u_peak(rise: Rise, x: FloatArray, p: FloatArray, jumps: bool, noise: float) -> float:
    """Standard uncertainty of the peak from the fit's Jacobian.

    A rise within one frame leaves no trace but in the start, so a rise is taken as known to
    its own length or a frame anyway, and looked at where it is half a frame long at least.
    """
    frame = float(np.median(np.diff(x)))
    p = p.copy()
    longer = max(p[1], frame / 2)
    p[:2] = p[0] - (longer - p[1]) / 2, longer

    def way(q: FloatArray) -> FloatArray:
        fitted = _design(rise, x, q[: 2 + jumps], jumps) @ q[2 + jumps :]
        return np.append(fitted, noise * q[1] / max(longer, frame))

    columns, changes = [], []
    for i in range(len(p)):
        h = 1e-4 if i < 2 + jumps else 1e-3 * max(abs(p[i]), 1.0)
        up, down = p.copy(), p.copy()
        up[i] += h
        down[i] -= h
        columns.append((way(up) - way(down)) / (2 * h))
        peaks = (float(_speeds(rise, q, jumps).max()) for q in (up, down))
        changes.append((next(peaks) - next(peaks)) / (2 * h))
    jacobian = np.stack(columns, axis=1)
    size = np.linalg.norm(jacobian, axis=0) + 1e-300
    inverse = np.linalg.pinv((jacobian / size).T @ (jacobian / size), rcond=1e-9)
    change = np.array(changes) / size
    return noise * math.sqrt(max(float(change @ inverse @ change), 0.0))


def _average(fits: list[_Fit], frames: int, sigma: float) -> tuple[float, float]:
    """Mean of the peaks, weighted by how well each shape fits, and its uncertainty."""
    spread = max(sigma, min(math.sqrt(f.squares / max(frames - f.count, 1)) for f in fits))
    criterion = np.array([f.squares / spread**2 + f.count * math.log(frames) for f in fits])
    weights = np.exp(-(criterion - criterion.min()) / 2)
    weights /= weights.sum()
    peaks = np.array([f.peak for f in fits])
    variances = np.array([f.u_peak**2 for f in fits])
    mean = float(weights @ peaks)
    return mean, math.sqrt(float(weights @ (variances + (peaks - mean) ** 2)))


def _uneven(t: FloatArray, s: FloatArray, decay: float, noise: float) -> float:
    """Standard deviation of the steady speed around its decay, noise taken out, mm/s.

    From local polynomials over `UNEVEN_WINDOW_S`; zero where it is no larger than noise makes it.
    """
    use = (t >= PEAK_S) & (t <= STEADY_END_S)
    x, y = t[use], s[use]
    design = np.stack([np.ones_like(x), x, np.exp(-x / decay)], axis=1)
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    local = local_fit(x, left, UNEVEN_WINDOW_S, degree=2)
    known = np.isfinite(local.slope)
    # of noise alone: its mean square, and how far that may scatter among few windows
    expected = float(np.mean(local.slope_gain[known] ** 2)) * noise**2 if known.any() else 0.0
    windows = max(float(x[-1] - x[0]) / UNEVEN_WINDOW_S, 1.0)
    seen = float(np.mean(local.slope[known] ** 2)) if known.any() else 0.0
    if seen < expected * (1 + 2 * math.sqrt(2 / windows)):
        return 0.0
    return math.sqrt(seen - expected)
