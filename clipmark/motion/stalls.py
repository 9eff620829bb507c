"""Stalls: where a creeping truck stood, for how long, and how surely.

Pure numerics. A stall is speed under ``max(10 % of the median moving speed, 3 x noise)`` for
0.15 s or longer. The filtered speed only says where to look, since its window smears the edges; the
edges come from fitting move, dwell, move to the positions themselves: three straight pieces joined
by short ramps of speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit, stretches

SLOW_SHARE = 0.10
NOISE_FACTOR = 3.0
LEAST_DWELL_S = 0.15
LOOK_SHARE = 0.6  # a dip below this share of the usual speed is looked into
LOOK_WINDOW_S = 0.15
FLANK_S = 0.3  # moving stretch on either side that is fitted with the dwell
USUAL_RAMP_S = 0.04
LONGEST_RAMP_S = 0.8
RAMPS_SHOWN = 16.0  # drop in squares, in noise variances, that two fitted ramps must earn
BLIND_SHARE = 0.5  # with a limit above this share of the usual speed nothing can be told


@dataclass(frozen=True)
class Stall:
    """One stall: start, dwell, standard uncertainty of the dwell and of an edge, all s."""

    start_s: float
    dwell_s: float
    u_dwell_s: float

    @property
    def end_s(self) -> float:
        """When it moved again."""
        return self.start_s + self.dwell_s


@dataclass(frozen=True)
class Standing:
    """What stood still in a trace.

    Attributes
    ----------
    stalls : tuple of Stall
        In the middle of the motion.
    at_start_s, at_end_s : float
        How long the truck stood at the beginning and at the end of the span.
    usual_speed : float
        Median speed while moving.
    limit : float
        Speed below which it counts as standing.
    blind : bool
        The noise is too large to tell standing from moving.
    """

    stalls: tuple[Stall, ...]
    at_start_s: float
    at_end_s: float
    usual_speed: float
    limit: float
    blind: bool


def usual_moving_speed(speed: FloatArray) -> float:
    """Median of the speed over the instants at which it is above 10 % of that median."""
    known = speed[np.isfinite(speed)]
    if not known.size:
        return 0.0
    usual = float(np.quantile(known, 0.75))
    for _ in range(20):
        moving = known[known > SLOW_SHARE * usual]
        again = float(np.median(moving)) if moving.size and usual > 0 else 0.0
        if again == usual:
            break
        usual = again
    return usual


def find_standing(
    times_s: FloatArray, positions: FloatArray, speed_noise: float, position_noise: float
) -> Standing:
    """Find every stall in a trace; see the module's docstring.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Instants at which the position is known, increasing.
    speed_noise : float
        Standard deviation of the filtered speed of a body at rest, per s.
    position_noise : float
        Standard deviation of a single position.
    """
    looked = local_fit(times_s, positions, LOOK_WINDOW_S, degree=1)
    speed = looked.slope
    usual = usual_moving_speed(speed)
    limit = max(SLOW_SHARE * usual, NOISE_FACTOR * speed_noise)
    blind = usual <= 0 or limit > BLIND_SHARE * usual
    if blind:
        return Standing((), 0.0, 0.0, usual, limit, True)
    stalls: list[Stall] = []
    at_start = at_end = 0.0
    for run in stretches(times_s):
        t, s, v = times_s[run], positions[run], speed[run]
        for a, b in _dips(v, LOOK_SHARE * usual):
            first = run.start == 0 and a == 0 and _slow(v[:1], limit)
            last = run.stop == len(times_s) and b == len(t) and _slow(v[-1:], limit)
            found = None
            if a == 0 or b == len(t):
                found = _cut_off(t[a:b], v[a:b], limit)
                if first and found is not None:
                    at_start = found.end_s - float(t[0])
                elif last and found is not None:
                    at_end = float(t[-1]) - found.start_s
                if first or last:
                    continue
            else:
                found = _fit_dwell(t, s, a, b, limit, position_noise)
            if found is not None and found.dwell_s >= LEAST_DWELL_S:
                stalls.append(found)
    return Standing(tuple(stalls), at_start, at_end, usual, limit, False)


def _slow(speed: FloatArray, limit: float) -> bool:
    """Whether the outermost instants of a span are below the limit."""
    known = speed[np.isfinite(speed)]
    return bool(known.size and np.min(np.abs(known)) < limit)


def _dips(speed: FloatArray, level: float) -> list[tuple[int, int]]:
    """Runs [a, b) of instants below `level`, neighbours two instants apart joined."""
    below = np.concatenate([[False], np.nan_to_num(speed, nan=np.inf) < level, [False]])
    edges = np.flatnonzero(np.diff(below.astype(np.int8)))
    runs: list[tuple[int, int]] = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and a - runs[-1][1] <= 2:
            runs[-1] = (runs[-1][0], b)
        else:
            runs.append((a, b))
    return [(a, b) for a, b in runs if b - a >= 2]


def _cut_off(times_s: FloatArray, speed: FloatArray, limit: float) -> Stall | None:
    """A dwell that runs into a gap or an end of the span: only what was seen of it."""
    slow = times_s[speed < limit]
    if slow.size < 2:
        return None
    return Stall(float(slow[0]), float(slow[-1] - slow[0]), LOOK_WINDOW_S / 2)


def _hinge(x: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    """Zero, then a slope of 1 reached over `width` around 0; and its derivative."""
    share = np.clip(x / width + 0.5, 0.0, 1.0)
    value = np.where(share < 1.0, share**2 * width / 2, x)
    return value, share


def _model(p: FloatArray, t: FloatArray) -> FloatArray:
    """Positions of move, dwell, move.

    `p` = position at the first knee, speeds before, during and after, bends of the way before and
    after (ripple makes the flanks bend), knees, ramps.
    """
    c, before, during, after, bend1, bend2, knee1, knee2, ramp1, ramp2 = p
    entered, _ = _hinge(t - knee1, ramp1)
    left, _ = _hinge(t - knee2, ramp2)
    straight = c + before * (t - knee1) + (during - before) * entered + (after - during) * left
    bent = bend1 * np.minimum(t - knee1, 0.0) ** 2 + bend2 * np.maximum(t - knee2, 0.0) ** 2
    return np.asarray(straight + bent, dtype=np.float64)


def _fit_dwell(
    times_s: FloatArray, positions: FloatArray, a: int, b: int, limit: float, noise: float
) -> Stall | None:
    """Fit one dip [a, b) of a stretch; None when it is no stall."""
    use = (times_s >= times_s[a] - FLANK_S) & (times_s <= times_s[b - 1] + FLANK_S)
    t, s = times_s[use], positions[use]
    if len(t) < 10:
        return None
    start = _knees_by_grid(t, s, float(times_s[a]), float(times_s[b - 1]))
    if start is None:
        return None
    best = _refine(t, s, start, free_ramps=False)
    freer = _refine(t, s, best, free_ramps=True)
    sigma = max(noise, 1e-9)
    if best is None or freer is None:
        return None
    gain = _squares(t, s, best) - _squares(t, s, freer)
    free = gain > RAMPS_SHOWN * sigma**2 and _edge_u(t, freer, sigma, True) < FLANK_S / 4
    chosen = freer if free else best
    _, before, during, after, _, _, knee1, knee2, ramp1, ramp2 = chosen
    if during >= limit or before <= limit or after <= limit:
        return None
    start_s = knee1 + ramp1 * (0.5 - limit / before)
    end_s = knee2 - ramp2 * (0.5 - limit / after)
    if end_s - start_s < LEAST_DWELL_S:
        return None
    spread = max(sigma, float(np.sqrt(_squares(t, s, chosen) / max(len(t) - 10, 1))))
    u_edges = _edge_u(t, chosen, spread, free)
    return Stall(float(start_s), float(end_s - start_s), u_edges)


def _squares(t: FloatArray, s: FloatArray, p: FloatArray) -> float:
    return float(np.sum((s - _model(p, t)) ** 2))


def _knees_by_grid(t: FloatArray, s: FloatArray, low: float, high: float) -> FloatArray | None:
    """Best pair of knees on a grid of instants, speeds by linear least squares."""
    pad = 0.12
    firsts = t[(t > low - pad) & (t < (low + high) / 2 + pad)]
    lasts = t[(t > (low + high) / 2 - pad) & (t < high + pad)]
    best: tuple[float, FloatArray] | None = None
    skip = max(1, len(firsts) // 14), max(1, len(lasts) // 14)
    for knee1 in firsts[:: skip[0]]:
        for knee2 in lasts[:: skip[1]]:
            if knee2 - knee1 < 0.05 or knee1 - t[0] < 0.05 or t[-1] - knee2 < 0.05:
                continue
            entered = _hinge(t - knee1, USUAL_RAMP_S)[0]
            left = _hinge(t - knee2, USUAL_RAMP_S)[0]
            design = np.stack([np.ones_like(t), t - knee1, entered, left], axis=1)
            solution, *_ = np.linalg.lstsq(design, s, rcond=None)
            squares = float(np.sum((s - design @ solution) ** 2))
            if best is None or squares < best[0]:
                c, before, bend1, bend2 = solution
                ramps = (USUAL_RAMP_S, USUAL_RAMP_S)
                speeds = before, before + bend1, before + bend1 + bend2
                p = [c, *speeds, 0.0, 0.0, knee1, knee2, *ramps]
                best = squares, np.array(p)
    return None if best is None else best[1]


def _refine(
    t: FloatArray, s: FloatArray, start: FloatArray | None, free_ramps: bool
) -> FloatArray | None:
    """Least squares over all parameters, ramps included or kept."""
    if start is None:
        return None
    begin = start
    count = 10 if free_ramps else 8
    scale = np.array([1.0] * 6 + [0.05] * 4)[:count]
    low = np.array([-np.inf] * 6 + [t[0], t[0]] + [0.005] * 2)[:count]
    high = np.array([np.inf] * 6 + [t[-1], t[-1]] + [LONGEST_RAMP_S] * 2)[:count]

    def full(p: FloatArray) -> FloatArray:
        return np.concatenate([p, begin[count:]])

    inside = np.clip(begin[:count], low + 1e-6, high - 1e-6)

    def misses(p: FloatArray) -> FloatArray:
        return np.asarray(_model(full(p), t) - s, dtype=np.float64)

    result = least_squares(misses, inside, bounds=(low, high), x_scale=scale, max_nfev=60)
    return full(np.asarray(result.x, dtype=np.float64))


def _edge_u(t: FloatArray, p: FloatArray, noise: float, free_ramps: bool) -> float:
    """Standard uncertainty of the dwell from the fit's Jacobian and unknown ramp shape, s.

    Ramps that were not fitted are taken as anything from 0 to twice `USUAL_RAMP_S`, which moves
    each edge by up to 0.4 of that (rectangular); of fitted ones the shape stays unknown, worth a
    tenth of their length.
    """
    count = 10 if free_ramps else 8
    steps = np.array([1e-4] * 6 + [1e-3] * 4)
    columns = []
    for i in range(count):
        up, down = p.copy(), p.copy()
        up[i] += steps[i]
        down[i] -= steps[i]
        columns.append((_model(up, t) - _model(down, t)) / (2 * steps[i]))
    jacobian = np.stack(columns, axis=1)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * noise**2
    change = np.zeros(count)
    change[6:8] = (-1.0, 1.0)
    if free_ramps:
        change[8:10] = (-0.4, -0.4)
    variance = float(change @ covariance @ change)
    fitted = 0.01 * (p[8] ** 2 + p[9] ** 2)
    shape = fitted if free_ramps else 2 * (0.4 * USUAL_RAMP_S) ** 2 / 3
    return float(np.sqrt(variance + shape))


def standing_mask(times_s: FloatArray, standing: Standing) -> NDArray[np.bool_]:
    """Which instants lie in a stall or in a stand at either end, shape (K,)."""
    mask = np.zeros(len(times_s), dtype=bool)
    for stall in standing.stalls:
        mask |= (times_s >= stall.start_s) & (times_s <= stall.end_s)
    if standing.at_start_s > 0:
        mask |= times_s < times_s[0] + standing.at_start_s
    if standing.at_end_s > 0:
        mask |= times_s > times_s[-1] - standing.at_end_s
    return mask
