"""Stalls: where a creeping truck stood, for how long, and how surely.

Pure numerics. A stall is speed under ``max(10 % of the median moving speed, 3 x noise)`` for
0.15 s or longer. The filtered speed only says where to look, since its window smears the edges; the
edges come from fitting a ramp of speed to the positions around each (`clipmark.motion.edges`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.colour import noise_colour
from clipmark.motion.edges import Edge, Errors, falling_edge, rising_edge
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit, stretches

SLOW_SHARE = 0.10
NOISE_FACTOR = 3.0
LEAST_DWELL_S = 0.15
LOOK_SHARE = 0.6  # a dip below this share of the usual speed is looked into
LOOK_WINDOW_S = 0.15
ROUGH_SHARE = 0.35  # a dip not below this share is no stop
KNEE_REACH_S = 0.1  # how far from where the filtered speed falls the knee is looked for
SPARE_SHARE = 0.3  # past the middle of a dip no ramp of its other edge is met so soon
NEAR_S = 0.3  # of a dip, where noise is not told from motion
COLOUR_FROM_HZ = 5.0
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
    times_s: FloatArray,
    positions: FloatArray,
    speed_noise: float,
    position_noise: float,
    least_dwell_s: float = LEAST_DWELL_S,
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
    least_dwell_s : float
        What counts as a stall; less than the criterion's shows what nearly was one.
    """
    looked = local_fit(times_s, positions, LOOK_WINDOW_S, degree=1)
    speed = looked.slope
    usual = usual_moving_speed(speed)
    limit = max(SLOW_SHARE * usual, NOISE_FACTOR * speed_noise)
    blind = usual <= 0 or limit > BLIND_SHARE * usual
    if blind:
        return Standing((), 0.0, 0.0, usual, limit, True)
    dips = [
        (run, a, b) for run in stretches(times_s) for a, b in _dips(speed[run], LOOK_SHARE * usual)
    ]
    errors = _errors(times_s, positions, dips, position_noise)
    stalls: list[Stall] = []
    at_start = at_end = 0.0
    for run, a, b in dips:
        t, v = times_s[run], speed[run]
        first = run.start == 0 and a == 0 and _slow(v[:1], limit)
        last = run.stop == len(times_s) and b == len(t) and _slow(v[-1:], limit)
        around = _around(t, a, b, [dip[1:] for dip in dips if dip[0] == run])
        found = _dwell(t, positions[run], v, (a, b), around, limit, errors)
        if first and found is not None:
            at_start = found.end_s - float(t[0])
        elif last and found is not None:
            at_end = float(t[-1]) - found.start_s
        elif found is not None and found.dwell_s >= least_dwell_s:
            stalls.append(found)
    return Standing(tuple(stalls), at_start, at_end, usual, limit, False)


def rough_edges(times_s: FloatArray, positions: FloatArray) -> list[float]:
    """Instants, within some hundredths of a second, at which the truck stopped or set off, s."""
    speed = local_fit(times_s, positions, LOOK_WINDOW_S, degree=1).slope
    usual = usual_moving_speed(speed)
    edges = []
    for run in stretches(times_s):
        t, v = times_s[run], speed[run]
        for a, b in _dips(v, LOOK_SHARE * usual):
            if np.nanmin(v[a:b]) < ROUGH_SHARE * usual:
                edges += [float(t[a])] if a > 0 else []
                edges += [float(t[b - 1])] if b < len(t) else []
    return edges


def _errors(
    times_s: FloatArray,
    positions: FloatArray,
    dips: list[tuple[slice, int, int]],
    position_noise: float,
) -> Errors:
    """Size and correlation of the noise away from the dips; white where they cannot be told."""
    if not dips:
        return Errors(position_noise)
    near = np.zeros(len(times_s), dtype=bool)
    for run, a, b in dips:
        t = times_s[run]
        near |= (times_s > t[a] - NEAR_S) & (times_s < t[b - 1] + NEAR_S)
    colour = noise_colour(times_s, positions, ~near, COLOUR_FROM_HZ)
    if colour is None:
        return Errors(position_noise)
    return Errors(max(colour.size, position_noise / 2), colour.rho)


def _around(t: FloatArray, a: int, b: int, dips: list[tuple[int, int]]) -> tuple[float, float]:
    """How far the fit may reach on either side: halfway to the neighbouring dips at most, s."""
    before = [t[end - 1] for _, end in dips if end <= a]
    after = [t[start] for start, _ in dips if start >= b]
    low = t[0] if not before else (max(before) + t[a]) / 2
    high = t[-1] if not after else (min(after) + t[b - 1]) / 2
    return float(low), float(high)


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


def _dwell(
    times_s: FloatArray,
    positions: FloatArray,
    speed: FloatArray,
    dip: tuple[int, int],
    around: tuple[float, float],
    limit: float,
    errors: Errors,
) -> Stall | None:
    """Edges of one dip [a, b) of a stretch; None when it is no standing."""
    a, b = dip
    cut = _cut_off(times_s[a:b], speed[a:b], limit)
    falls, rises = a > 0, b < len(times_s)
    middle = float(times_s[a] + times_s[b - 1]) / 2
    low, high = float(times_s[a]), float(times_s[b - 1])
    spare = SPARE_SHARE * (high - low) / 2
    begin = end = None
    if falls:
        use = (times_s >= around[0]) & (times_s <= (middle + spare if rises else high))
        knees = (max(low - KNEE_REACH_S, around[0]), min(low + KNEE_REACH_S, middle))
        begin = falling_edge(times_s[use], positions[use], knees, limit, errors)
    if rises:
        use = (times_s <= around[1]) & (times_s >= (middle - spare if falls else low))
        knees = (max(high - KNEE_REACH_S, middle), min(high + KNEE_REACH_S, around[1]))
        end = rising_edge(times_s[use], positions[use], knees, limit, errors)
    if (falls and begin is None) or (rises and end is None):
        return None if falls and rises else cut
    if begin is None and end is None:
        return cut
    return _between(times_s, positions, begin, end, cut, limit)


def _between(
    times_s: FloatArray,
    positions: FloatArray,
    begin: Edge | None,
    end: Edge | None,
    cut: Stall | None,
    limit: float,
) -> Stall | None:
    """The stall between two edges, one of which may be a gap; None when it moved meanwhile."""
    if begin is not None and end is not None:
        start_s, end_s = begin.time_s, end.time_s
    elif cut is None:
        return None
    else:
        start_s = cut.start_s if begin is None else begin.time_s
        end_s = cut.end_s if end is None else end.time_s
    inside = (times_s >= start_s) & (times_s <= end_s)
    if inside.sum() < 3 or any(e is not None and e.moving <= limit for e in (begin, end)):
        return None
    t, s = times_s[inside], positions[inside]
    if float((s[-1] - s[0]) / (t[-1] - t[0])) >= limit:
        return None
    u = [edge.u_s for edge in (begin, end) if edge is not None]
    return Stall(start_s, end_s - start_s, float(np.hypot(u[0], u[-1])))


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
