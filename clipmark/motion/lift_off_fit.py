"""When the truck began to tip: the unstable-turning model fitted to what was seen.

Two kinds of series tell it: the turn of the chassis against the platform, whose extra turn has the
size that the model says, and the way of a tyre off the platform, whose size per degree is not known
beforehand. Both have slow parts of their own, which end when the wheel carries nothing any more:
the truck leans on its springs, the tyre swells as it is relieved. Onset and growth are tried on a
grid; everything that enters linearly is integrated out, so that the interval of the onset holds
what is not known of the rest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.lift_off_model import extra_turn_deg
from clipmark.motion.local_fit import correlation_growth

FloatArray = NDArray[np.float64]
K_MIDDLE, K_SPREAD = 9.0, 0.35  # of trucks from 1:24 to 1:10, log-normal, per second
K_LIMITS = (3.0, 25.0)
GRID = (45, 27)  # onsets, growths
REFINEMENTS = 2
FAR = 12.0  # log-likelihood below the best, beyond which the grid need not go
SIZE_SPREAD = 0.05  # of the extra turn: springs give a little more or less than a rigid body turns
LEAN_STOPS, LEAN_STOPS_U = 0.5, 0.3  # share of the lean per degree that ends with the onset
ARM_SPREAD = 0.2  # relative, of a tyre's way per degree as read from the series themselves
EARLY_BLOCKS, EDGE_FRAMES = 40, 3
MISFIT_FLOOR = 1.0


@dataclass(frozen=True, eq=False)
class OnsetFit:
    """First motion by the model.

    Attributes
    ----------
    t_s, u_t_s, low95_s, high95_s : float
        The onset: mean, standard deviation and 95 % interval of what is likely.
    tilt_deg : float
        Platform angle then; its uncertainty from the onset's is `u_tilt_deg` with the interval
        `low95_deg`, `high95_deg`.
    k_per_s : float
        Rate of growth.
    turn_fit_deg : ndarray, shape (n,)
        Extra turn by the best of the model.
    rest_turn_deg : float
        Turn of the chassis against the platform at the onset, lean included.
    rest_gaps : tuple of float
        Place of each tyre at the onset.
    arms : tuple of float
        Way of each tyre per degree of extra turn.
    misfit : float
        Mean square residual over the noise, while it tips; about 1 for a truck that tips freely.
    evidence : float
        Log-likelihood of the best over that of no lift-off at all.
    """

    t_s: float
    u_t_s: float
    low95_s: float
    high95_s: float
    tilt_deg: float
    u_tilt_deg: float
    low95_deg: float
    high95_deg: float
    k_per_s: float
    turn_fit_deg: FloatArray
    rest_turn_deg: float
    rest_gaps: tuple[float, ...]
    arms: tuple[float, ...]
    misfit: float
    evidence: float


@dataclass(frozen=True, eq=False)
class _Series:
    """One series with its noise: variance per frame, grown for errors that go together.

    `weights` are the frames behind each value; 0 where there is none.
    """

    y: FloatArray
    weights: FloatArray
    variance: float
    is_turn: bool
    lean: float = 0.0
    arm: float = 1.0


@dataclass(frozen=True, eq=False)
class _Solved:
    log_likelihood: FloatArray  # shape (m,)
    coefficients: FloatArray  # shape (m, p)


def fit_onset(
    t_s: FloatArray,
    platform_deg: FloatArray,
    turn_deg: FloatArray,
    gaps: Sequence[FloatArray],
    *,
    quiet_until_s: float,
    between_s: tuple[float, float],
    u_turn_deg: float = 0.0,
    u_gap: float = 0.0,
) -> OnsetFit | None:
    """Fit the onset of tipping in a window of frames.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Rising times, s; the window should end before the extra turn reaches 8 deg.
    platform_deg : ndarray, shape (n,)
        Platform angle, smoothed, without gaps, rising towards tipping, deg.
    turn_deg : ndarray, shape (n,)
        Chassis less platform, positive towards tipping, deg; NaN where not seen.
    gaps : sequence of ndarray, shape (n,)
        Distance of each uphill tyre from the platform, any unit and origin; NaN where not seen.
    quiet_until_s : float
        Before it nothing has lifted: the noise is read there.
    between_s : (float, float)
        The onset lies between these.
    u_turn_deg, u_gap : float
        Least standard noise of one frame.

    Returns
    -------
    OnsetFit or None
        None where neither the chassis nor a tyre is seen often enough.
    """
    quiet = t_s <= quiet_until_s
    span = max(float(np.ptp(platform_deg)), 1e-6)
    q = (platform_deg - platform_deg[0]) / span
    blocks = _blocks(t_s, between_s[0])
    t, platform = _averaged(t_s, blocks)[0], _averaged(platform_deg, blocks)[0]
    series = []
    if _enough(turn_deg, quiet):
        variance, lean = _noise(q, turn_deg, quiet, u_turn_deg)
        series.append(_Series(*_averaged(turn_deg, blocks), variance, True, lean / span))
    for gap in gaps:
        if _enough(gap, quiet):
            variance, _ = _noise(q, gap, quiet, u_gap)
            arm = _arm(turn_deg, gap, quiet)
            series.append(_Series(*_averaged(gap, blocks), variance, False, arm=arm))
    if not series:
        return None
    q = (platform - platform_deg[0]) / span
    found = _search(t, platform, q, series, between_s)
    misfit = _misfit(t, platform, q, series, found)
    if misfit > MISFIT_FLOOR:
        series = [replace(each, variance=each.variance * misfit) for each in series]
        found = _search(t, platform, q, series, between_s)
    return _told(t_s, platform_deg, t, platform, q, series, found, misfit)


def _blocks(t_s: FloatArray, until_s: float) -> NDArray[np.intp]:
    """Which frames are taken together, numbered from 0: only such before anything can have grown.

    The last `EDGE_FRAMES` before stay single, since a block must not straddle the onset.
    """
    early = max(int(np.searchsorted(t_s, until_s)) - EDGE_FRAMES, 0)
    size = max(1, early // EARLY_BLOCKS)
    first = np.arange(early) // size
    start = int(first[-1]) + 1 if early else 0
    return np.concatenate([first, start + np.arange(len(t_s) - early)])


def _averaged(y: FloatArray, blocks: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Mean of every block and how many values are behind it."""
    use = np.isfinite(y)
    count = np.bincount(blocks, use.astype(np.float64))
    total = np.bincount(blocks, np.where(use, y, 0.0))
    return np.asarray(total / np.maximum(count, 1.0)), np.asarray(count)


def _enough(y: FloatArray, quiet: NDArray[np.bool_]) -> bool:
    return int(np.isfinite(y[quiet]).sum()) >= 8 and int(np.isfinite(y[~quiet]).sum()) >= 4


def _noise(
    q: FloatArray, y: FloatArray, quiet: NDArray[np.bool_], least_u: float
) -> tuple[float, float]:
    """Variance per frame, grown for neighbours that err together, and the slope while quiet."""
    use = quiet & np.isfinite(y)
    x, values = q[use], y[use]
    degree = 2 if len(x) > 12 and float(np.ptp(x)) > 1e-9 else 0
    line = np.polynomial.Polynomial.fit(x, values, degree) if degree else None
    left = values - (line(x) if line is not None else values.mean())
    power = float(np.sum(left**2)) / max(len(x) - degree - 1, 1)
    power = max(power, least_u**2, 1e-12)
    slope = float(line.deriv()(x[-1])) if line is not None else 0.0
    return power * correlation_growth(left), slope


def _arm(turn_deg: FloatArray, gap: FloatArray, quiet: NDArray[np.bool_]) -> float:
    """Way of a tyre per degree, from how far both went at last; 0 where that cannot be told."""
    both = np.isfinite(turn_deg) & np.isfinite(gap)
    rest, late = both & quiet, np.flatnonzero(both & ~quiet)[-5:]
    if not rest.any() or len(late) < 3:
        return 0.0
    turned = float(np.median(turn_deg[late]) - np.median(turn_deg[rest]))
    went = float(np.median(gap[late]) - np.median(gap[rest]))
    return went / turned if abs(turned) > 1.0 else 0.0


def _solve(
    t_s: FloatArray,
    platform_deg: FloatArray,
    q: FloatArray,
    series: Sequence[_Series],
    onset: FloatArray,
    k: FloatArray,
) -> list[_Solved]:
    """Every series at every onset and growth: what is linear is solved for and integrated out."""
    growth = extra_turn_deg(t_s, platform_deg, onset, k).T
    p0 = np.interp(onset, t_s, platform_deg)[:, None]
    over = np.maximum(platform_deg - p0, 0.0)
    under = np.minimum(platform_deg - p0, 0.0)
    one = np.ones_like(growth)
    out = []
    for each in series:
        if each.is_turn:
            columns = [one, one * q, one * q**2, over, growth]
            stops = -LEAN_STOPS * each.lean
            u_stops = LEAN_STOPS_U * abs(each.lean) + 1e-6
            mean = np.array([0, 0, 0, stops, 1.0])
            precision = np.array([0, 0, 0, u_stops**-2, SIZE_SPREAD**-2])
        else:
            columns = [one, under, growth]
            known = each.arm != 0
            mean = np.array([0, 0, each.arm])
            u_arm = ARM_SPREAD * abs(each.arm) if known else 1e6
            precision = np.array([0, 0, u_arm**-2])
        out.append(_marginal(np.stack(columns, axis=1), each, mean, precision))
    return out


def _marginal(x: FloatArray, series: _Series, mean: FloatArray, precision: FloatArray) -> _Solved:
    """Log-likelihood with the linear part integrated out, x (m, p, n)."""
    weights = series.weights / series.variance
    origin = float(np.average(series.y, weights=series.weights))
    y = series.y - origin
    weighted = x * weights
    a = weighted @ x.transpose(0, 2, 1) + np.diag(precision + 1e-9)
    b = weighted @ y + precision * mean
    coefficients = np.asarray(np.linalg.solve(a, b[..., None])[..., 0], dtype=np.float64)
    chi2 = float(weights @ y**2) + float(mean**2 @ precision)
    chi2 = chi2 - np.sum(b * coefficients, axis=1)
    _, log_det = np.linalg.slogdet(a)
    coefficients[:, 0] += origin
    return _Solved(np.asarray(-0.5 * (chi2 + log_det), dtype=np.float64), coefficients)


@dataclass(frozen=True, eq=False)
class _Found:
    onset: FloatArray  # grid, shape (m,)
    k: FloatArray
    log_p: FloatArray
    solved: list[_Solved]
    evidence: float


def _log_prior(k: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (np.log(k / K_MIDDLE) / K_SPREAD) ** 2)


def _search(
    t_s: FloatArray,
    platform_deg: FloatArray,
    q: FloatArray,
    series: Sequence[_Series],
    between_s: tuple[float, float],
) -> _Found:
    """The grid, made finer around what is likely."""
    low, high = between_s
    k_low, k_high = K_LIMITS
    evidence = 0.0
    for turn in range(REFINEMENTS + 1):
        onsets = np.linspace(low, high, GRID[0])
        ks = np.geomspace(k_low, k_high, GRID[1])
        onset, k = (each.ravel() for each in np.meshgrid(onsets, ks, indexing="ij"))
        solved = _solve(t_s, platform_deg, q, series, onset, k)
        log_p = np.sum([each.log_likelihood for each in solved], axis=0) + _log_prior(k)
        if turn == 0:
            none = _solve(t_s, platform_deg, q, series, np.array([t_s[-1]]), np.array([K_MIDDLE]))
            evidence = float(log_p.max() - sum(float(each.log_likelihood[0]) for each in none))
        if turn == REFINEMENTS:
            break
        likely = log_p > log_p.max() - FAR
        step, ratio = onsets[1] - onsets[0], ks[1] / ks[0]
        low = max(between_s[0], float(onset[likely].min() - step))
        high = min(between_s[1], float(onset[likely].max() + step))
        k_low = max(K_LIMITS[0], float(k[likely].min() / ratio))
        k_high = min(K_LIMITS[1], float(k[likely].max() * ratio))
    return _Found(onset, k, log_p, solved, evidence)


def _misfit(
    t_s: FloatArray,
    platform_deg: FloatArray,
    q: FloatArray,
    series: Sequence[_Series],
    found: _Found,
) -> float:
    """Mean square residual of the best over the noise, from the onset on."""
    best = int(np.argmax(found.log_p))
    onset, k = found.onset[best : best + 1], found.k[best : best + 1]
    growth = extra_turn_deg(t_s, platform_deg, onset, k)[:, 0]
    p0 = float(np.interp(onset[0], t_s, platform_deg))
    squares, count = 0.0, 0
    for each, solved in zip(series, found.solved, strict=True):
        c = solved.coefficients[best]
        if each.is_turn:
            over = np.maximum(platform_deg - p0, 0.0)
            model = c[0] + c[1] * q + c[2] * q**2 + c[3] * over + c[4] * growth
        else:
            model = c[0] + c[1] * np.minimum(platform_deg - p0, 0.0) + c[2] * growth
        late = (each.weights > 0) & (t_s > onset[0])
        squares += float(np.sum((each.y[late] - model[late]) ** 2)) / each.variance
        count += int(late.sum())
    return squares / max(count - 2 * len(series), 1) if count > 4 else 1.0


def _told(
    all_t_s: FloatArray,
    all_platform_deg: FloatArray,
    t_s: FloatArray,
    platform_deg: FloatArray,
    q: FloatArray,
    series: Sequence[_Series],
    found: _Found,
    misfit: float,
) -> OnsetFit:
    """Mean, spread and interval of the onset, and what the best of the grid makes of the rest."""
    weights = np.exp(found.log_p - found.log_p.max())
    weights /= weights.sum()
    onset = float(weights @ found.onset)
    spread = float(np.sqrt(weights @ (found.onset - onset) ** 2))
    low, high = _ends(found.onset, weights)
    tilts = np.interp(found.onset, t_s, platform_deg)
    tilt = float(weights @ tilts)
    best = int(np.argmax(found.log_p))
    likeliest = found.onset[best : best + 1]
    growth = extra_turn_deg(all_t_s, all_platform_deg, likeliest, found.k[best])[:, 0]
    rests, arms, rest_turn = [], [], math.nan
    q0 = float(np.interp(found.onset[best], t_s, q))
    for each, solved in zip(series, found.solved, strict=True):
        c = solved.coefficients[best]
        if each.is_turn:
            rest_turn = float(c[0] + c[1] * q0 + c[2] * q0**2)
        else:
            rests.append(float(c[0]))
            arms.append(float(c[2]))
    return OnsetFit(
        t_s=onset,
        u_t_s=spread,
        low95_s=low,
        high95_s=high,
        tilt_deg=tilt,
        u_tilt_deg=float(np.sqrt(weights @ (tilts - tilt) ** 2)),
        low95_deg=float(np.interp(low, t_s, platform_deg)),
        high95_deg=float(np.interp(high, t_s, platform_deg)),
        k_per_s=float(weights @ found.k),
        turn_fit_deg=growth,
        rest_turn_deg=rest_turn,
        rest_gaps=tuple(rests),
        arms=tuple(arms),
        misfit=misfit,
        evidence=found.evidence,
    )


def _ends(onset: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Ends of the 95 % interval by equal tails, within half a step of the grid."""
    times, place = np.unique(onset, return_inverse=True)
    mass = np.bincount(place, weights)
    below = np.cumsum(mass)
    step = (times[1] - times[0]) / 2 if len(times) > 1 else 0.0
    edges = np.concatenate([[times[0] - step], times + step])
    total = np.concatenate([[0.0], below])
    low, high = np.interp([0.025, 0.975], total, edges)
    return float(low), float(high)
