"""SPARC and LDLJ of a whole movement from rest to rest, on the filtered speed."""

from __future__ import annotations

import numpy as np

from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_values import Trace
from clipmark.measure.values import Value
from clipmark.motion.smoothness import ldlj, sparc
from clipmark.motion.speed import local_fit, stretches

DRAWS = 60  # of noise on the smoothed way; a standard deviation good to 10 %
SEED = 20_260_611
LEAST_REST_S = 0.1
LONELY = "SPARC and LDLJ are for one movement from rest to rest; this span "


def rest_to_rest(
    trace: Trace, window_s: float, reverses: bool
) -> tuple[Value | None, Value | None, str]:
    """SPARC, LDLJ, and why they are not given (empty where they are).

    Their spread is that of noise like the trace's own laid on its smoothed way; what noise adds to
    the jerk of the trace itself is taken out of LDLJ no further than that.
    """
    standing = trace.standing
    if standing.blind:
        return None, None, LONELY + "is too noisy to see rest."
    if standing.at_start_s < LEAST_REST_S or standing.at_end_s < LEAST_REST_S:
        return None, None, LONELY + "does not begin and end at rest, so they are not given."
    if reverses:
        return None, None, LONELY + "holds more than one, so they are not given."
    if len(stretches(trace.times_s)) != 1:
        return None, None, LONELY + "has gaps, so they are not given."
    times = trace.times_s
    step = float(np.median(np.diff(times)))
    first = max(times[0], times[0] + standing.at_start_s - LEAST_REST_S)
    last = min(times[-1], times[-1] - standing.at_end_s + LEAST_REST_S)
    grid = np.arange(first, last + step / 2, step)
    speed = _speed_on(grid, times, trace.s_mm, window_s)
    rng = np.random.default_rng(SEED)
    drawn = []
    for _ in range(DRAWS):
        noisy = trace.fit.value + rng.normal(0.0, trace.noise.position_mm, len(times))
        drawn.append(_both(_speed_on(grid, times, noisy, window_s), step))
    spread = np.array(drawn, dtype=np.float64)
    found = _both(speed, step)
    values: list[Value | None] = []
    for k, estimate in enumerate(found):
        if not np.isfinite(estimate):
            values.append(None)
            continue
        u = float(np.nanstd(spread[:, k]))
        values.append(Value(estimate, u, estimate - 1.96 * u, estimate + 1.96 * u))
    return values[0], values[1], ""


def _speed_on(
    grid: FloatArray, times: FloatArray, positions: FloatArray, window_s: float
) -> FloatArray:
    slope = local_fit(times, positions, window_s).slope
    ok = np.isfinite(slope)
    return np.asarray(np.interp(grid, times[ok], slope[ok]), dtype=np.float64)


def _both(speed: FloatArray, step_s: float) -> tuple[float, float]:
    jerk = ldlj(speed, step_s)
    return sparc(speed, step_s), float("nan") if jerk is None else jerk
