"""The figures of a climb with their uncertainties: run-up, finish, progress, back, tip-over."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from clipmark.measure.climb_marks import ClimbReady
from clipmark.measure.climb_place import Placed
from clipmark.measure.crawl import Crawled
from clipmark.measure.crawl_held import normal
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.values import Value
from clipmark.motion.climb_series import Back, Ending
from clipmark.motion.speed import local_fit, local_weights

RUN_UP_S = 0.2  # before the foot, over which the speed is read
LEAST_POINTS = 4
CORRELATED = 2.0  # compression errs alike for some frames
SPEED_AT_S = 0.15


def shared_u(ready: ClimbReady) -> float:
    """Relative standard uncertainty that all lengths share."""
    return math.hypot(*(source.u_relative for source in ready.crawl.ruler.sources), 0.0)


def run_up(ready: ClimbReady, placed: Placed, crawled: Crawled) -> tuple[Value | None, str, float]:
    """Speed at the foot of the ramp line, or where the span begins; mm/s, where, and when.

    The way of the upper axle in the plane, whichever way it leads, so that a run-up on the floor
    counts whole.
    """
    times = placed.series.times_s
    places, front = placed.upper_place_mm, placed.front_mm
    if places is None or front is None:
        along = crawled.path.s_mm
        places, front = np.stack([along, np.zeros_like(along)], axis=1), None
    seen = np.flatnonzero(np.isfinite(places).all(axis=1))
    if seen.size < LEAST_POINTS:
        return None, "", math.nan
    where, rows = "start of the span", seen[times[seen] <= times[seen[0]] + RUN_UP_S]
    at = float(times[seen[0]])
    if front is not None:
        over = front[seen] > 0
        cross = np.flatnonzero(over[1:] & ~over[:-1]) + 1
        if cross.size:
            at = float(times[seen[cross[0]]])
            rows = seen[(times[seen] >= at - RUN_UP_S) & (times[seen] <= at)]
            where = "foot of the ramp line"
    if rows.size < LEAST_POINTS:
        return None, where, at
    weights = local_weights(times[rows] - float(np.mean(times[rows])), 1, 1)
    speed = float(np.hypot(*(weights @ places[rows])))
    noise = placed.series.noise_mm * math.sqrt(CORRELATED * float(weights @ weights))
    value = normal(speed, math.hypot(noise, speed * shared_u(ready)))
    return Value(value.estimate, value.u, max(value.low95, 0.0), value.high95), where, at


def finish_time(ready: ClimbReady, placed: Placed, ending: Ending) -> tuple[Value | None, float]:
    """When the line was crossed, s, and how fast, mm/s."""
    if ending.finish_t_s is None or placed.series.past_mm is None:
        return None, math.nan
    times, past = placed.series.times_s, placed.series.past_mm
    near = np.flatnonzero(np.isfinite(past) & (np.abs(times - ending.finish_t_s) <= SPEED_AT_S))
    if near.size < 3:
        return None, math.nan
    weights = local_weights(times[near] - ending.finish_t_s, 1, 1)
    speed = max(float(weights @ past[near]), 1e-6)
    u_place = math.hypot(placed.series.noise_mm * math.sqrt(CORRELATED), placed.finish_u_mm)
    u = math.hypot(u_place / speed, float(ready.crawl.reference.time_base) / math.sqrt(12))
    return normal(ending.finish_t_s, u), speed


def progress(ready: ClimbReady, placed: Placed, ending: Ending) -> Value | None:
    """Way up the board from where the truck was first seen to its highest place, mm."""
    travel = placed.series.travel_mm
    seen = np.flatnonzero(np.isfinite(travel))
    if not seen.size or not math.isfinite(ending.highest_mm):
        return None
    few = seen[: max(1, min(5, seen.size // 10))]
    way = ending.highest_mm - float(np.mean(travel[few]))
    own = placed.series.noise_mm * math.sqrt(CORRELATED)
    return normal(max(way, 0.0), math.hypot(own, way * shared_u(ready)))


def back_value(ready: ClimbReady, placed: Placed, backs: Sequence[Back]) -> Value:
    """Way back in all, mm."""
    total = float(sum(back.mm for back in backs))
    own = placed.series.noise_mm * math.sqrt(CORRELATED * max(len(backs), 1))
    value = normal(total, math.hypot(own, total * shared_u(ready)))
    return Value(value.estimate, value.u, max(value.low95, 0.0), value.high95)


def tip_time(placed: Placed, ending: Ending) -> Value | None:
    """When the front left the board for good, s."""
    tipped = ending.nose.tipped
    if tipped is None:
        return None
    times, nose = placed.series.times_s, placed.series.nose_deg
    near = np.flatnonzero(np.isfinite(nose) & (np.abs(times - tipped.t_s) <= SPEED_AT_S))
    step = float(np.median(np.diff(times)))
    if near.size < 3:
        return normal(tipped.t_s, step / 2)
    weights = local_weights(times[near] - tipped.t_s, 1, 1)
    rate = abs(float(weights @ nose[near]))
    u = max(ending.nose.noise_deg, 0.1) / max(rate, 1e-6)
    return normal(tipped.t_s, math.hypot(min(u, 10 * step), step / math.sqrt(12)))


def filtered_speed(times_s: FloatArray, values: FloatArray, window_s: float = 0.2) -> FloatArray:
    """Slope of a series through a filter of that width, NaN where it is not known, (K,)."""
    out = np.full(len(values), np.nan)
    known = np.flatnonzero(np.isfinite(values))
    if known.size >= 5:
        out[known] = local_fit(times_s[known], values[known], window_s, degree=1).slope
    return out
