"""How far a truck crept or rolled while it was held, and where it was as a stand began or ended."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_values import Trace
from clipmark.measure.values import Value
from clipmark.motion.phases import CREEP_MM_S, Phase
from clipmark.motion.speed import local_weights

EDGE_S = 0.01  # left out beside an end of a stand that was fitted, with its uncertainty
LEAST_ROWS = 6
END_S = 0.25  # of either end of a stand within which a truck rolled
END_SHARE = 0.3
SAME_RATE = 4.0  # standard deviations of chi square within which it crept at one rate
GAP_S, GAP_SIGMAS = 0.1, 6.0
PLACE_S = 0.15  # of a stand, to read where it began or ended
Z95 = 1.96
Rows = NDArray[np.intp]


@dataclass(frozen=True)
class Edge:
    """An end of a phase, s: when, and standard uncertainty; 0 where the span begins or ends."""

    t_s: float
    u_s: float
    fitted: bool


def roll_off(
    trace: Trace, phase: Phase, begins: Edge, ends: Edge
) -> tuple[Value | None, Value | None]:
    """Travel of a held truck from one end of a stand to the other, mm, and its mean rate, mm/s.

    Where it crept at one rate all along, a straight line gives both; where it rolled in between,
    its places at the two ends do. None where too little was seen, or it moved unseen.
    """
    times = trace.times_s
    since = begins.t_s + (min(begins.u_s, 0.1) + EDGE_S) * begins.fitted
    until = ends.t_s - (min(ends.u_s, 0.1) + EDGE_S) * ends.fitted
    rows = np.flatnonzero((times >= since) & (times <= until))
    lasts = ends.t_s - begins.t_s
    if rows.size < LEAST_ROWS or lasts <= 0 or _moved_unseen(trace, rows):
        return None, None
    t, s = times[rows], trace.s_mm[rows]
    slope = local_weights(t - t.mean(), 1, 1)
    mean = np.full(len(t), 1 / len(t))
    left = s - mean @ s - (slope @ s) * (t - t.mean())
    excess = float(left @ left) / trace.noise.position_mm**2 if trace.noise.position_mm else 0.0
    free = max(len(t) - 2, 1)
    inflation = _inflation(trace, mean)
    if excess < free + SAME_RATE * math.sqrt(2 * free * inflation):
        weights = slope * lasts
    else:
        found = _between_ends(trace, phase, rows, begins.t_s, ends.t_s)
        if found is None:
            return None, None
        weights, excess, free = found
    rolled = float(weights @ s)
    u = trace.noise.position_mm * math.sqrt(float(weights @ weights) * _inflation(trace, weights))
    u *= max(1.0, math.sqrt(excess / free))
    rate = float(slope @ s)
    shared = math.hypot(*(source.u_relative for source in trace.ruler.sources), 0.0)
    u = math.hypot(u, float(np.median(trace.u_camera_mm[rows])), rolled * shared)
    u_ends = math.hypot(begins.u_s, ends.u_s)
    u_rate = math.hypot(u, (rolled / lasts - rate) * u_ends) / lasts
    return normal(rolled, math.hypot(u, rate * u_ends)), normal(rolled / lasts, u_rate)


def normal(estimate: float, u: float) -> Value:
    """A value with the interval of a normal distribution."""
    return Value(estimate, u, estimate - Z95 * u, estimate + Z95 * u)


def _moved_unseen(trace: Trace, rows: Rows) -> bool:
    """Whether it stood elsewhere after a gap than before it."""
    t, s = trace.times_s[rows], trace.s_mm[rows]
    steps, jumps = np.diff(t), np.abs(np.diff(s))
    limit = np.maximum(GAP_SIGMAS * trace.noise.position_mm, CREEP_MM_S * steps)
    return bool(np.any((steps > GAP_S) & (jumps > limit)))


def _between_ends(
    trace: Trace, phase: Phase, rows: Rows, begins_s: float, ends_s: float
) -> tuple[FloatArray, float, int] | None:
    """Weights on the positions of `rows` that give the travel from end to end; squares, freedom.

    Two pieces at the ends, each with a place of its own and both with one rate.
    """
    t = trace.times_s[rows]
    reach = min(END_S, END_SHARE * (ends_s - begins_s))
    early = (t <= t[0] + reach) & (rows <= max(phase.settled, rows[2]))
    late = (t >= t[-1] - reach) & (rows >= min(phase.wakes, rows[-3]))
    if early.sum() < 3 or late.sum() < 3 or np.any(early & late):
        return None
    used = early | late
    near = np.where(early, t - begins_s, t - ends_s)[used]
    design = np.stack([early[used], late[used], near], axis=1).astype(np.float64)
    solve = np.linalg.pinv(design)
    weights = np.zeros(len(t))
    weights[used] = solve[1] - solve[0]
    s = trace.s_mm[rows][used]
    left = s - design @ (solve @ s)
    return weights, float(left @ left) / max(trace.noise.position_mm, 1e-12) ** 2, len(left) - 3


def place(trace: Trace, stand: Phase, edge: Edge, begins: bool) -> tuple[float, float] | None:
    """Where the truck was as a stand began or ended, mm, and its uncertainty; None if unseen."""
    times = trace.times_s
    if begins:
        use = (times >= edge.t_s) & (times <= edge.t_s + PLACE_S)
        use[stand.settled + 1 :] = False
    else:
        use = (times <= edge.t_s) & (times >= edge.t_s - PLACE_S)
        use[: stand.wakes] = False
    rows = np.flatnonzero(use)
    if rows.size < 3:
        return None
    degree = 1 if rows.size >= LEAST_ROWS else 0
    weights = local_weights(times[rows] - edge.t_s, degree, 0)
    u = trace.noise.position_mm * math.sqrt(float(weights @ weights) * _inflation(trace, weights))
    creeps = float(local_weights(times[rows] - edge.t_s, 1, 1) @ trace.s_mm[rows])
    return float(weights @ trace.s_mm[rows]), math.hypot(u, creeps * edge.u_s)


def _inflation(trace: Trace, weights: FloatArray) -> float:
    """Variance of a weighted sum over that for white noise."""
    colour = trace.noise.colour
    return trace.noise.correlation if colour is None else max(colour.inflation(weights), 1.0)
