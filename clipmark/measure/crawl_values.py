"""The figures of a crawl: mean speed, slowest speed held, ripple, rollback, with their budgets."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.special import ndtri

from clipmark.measure.crawl_noise import Noise, background_in_band
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray, Ruler
from clipmark.measure.values import Value
from clipmark.motion.ripple import LEAST_CYCLES, band_ripple, noise_in_band
from clipmark.motion.speed import LocalFit, stretches
from clipmark.motion.stalls import Standing, standing_mask
from clipmark.uncertainty.budget import Budget, Contribution

ROLLBACK_RISK = 0.005  # of calling noise a roll back
ROLLBACK_MEAN_OF = 3  # frames
SURE_CYCLES = 2.5  # of the band's low end, for a fair figure
STEADIER = "a tripod, or more texture in the still background"
SHARPER = "a larger or better textured patch, more light, a higher bit rate"


@dataclass(frozen=True)
class Trace:
    """What the figures are computed from: known instants only, shapes (n,).

    Attributes
    ----------
    times_s, s_mm, u_camera_mm : ndarray
        Instants, travel, and the camera's share of its uncertainty.
    fit : LocalFit
        Smoothed travel and speed.
    noise : Noise
    standing : Standing
    tick_s : float
        Step of the recorded time stamps.
    ruler : Ruler
    shaken : bool
        Whether the camera's motion was taken out frame by frame, so that its error is noise.
    """

    times_s: FloatArray
    s_mm: FloatArray
    u_camera_mm: FloatArray
    fit: LocalFit
    noise: Noise
    standing: Standing
    tick_s: float
    ruler: Ruler
    shaken: bool

    @property
    def duration_s(self) -> float:
        """From the first to the last known instant."""
        return float(self.times_s[-1] - self.times_s[0])

    def end_u(self, k: int) -> float:
        """Standard uncertainty of the smoothed travel at one instant, mm, following alone."""
        gain = float(np.nan_to_num(self.fit.value_gain[k], nan=1.0))
        inflated = gain * math.sqrt(self.noise.correlation)
        return self.noise.position_mm * min(inflated, 1.0)

    def camera_u(self, k: int) -> float:
        """The camera's share at one instant, mm."""
        gain = float(np.nan_to_num(self.fit.value_gain[k], nan=1.0)) if self.shaken else 1.0
        return float(self.u_camera_mm[k]) * gain

    def travel_at(self, k: int) -> float:
        """Smoothed travel, or the single position where smoothing had too few points."""
        value = float(self.fit.value[k])
        return value if math.isfinite(value) else float(self.s_mm[k])


def from_budget(estimate: float, budget: Budget) -> Value:
    """Value with the interval ``estimate +- k u`` for the budget's degrees of freedom."""
    reach = budget.expanded()
    return Value(estimate, budget.u, estimate - reach, estimate + reach)


def mean_over(trace: Trace, a: int, b: int) -> tuple[float, Budget]:
    """Mean speed between two instants, mm/s, and its budget."""
    elapsed = float(trace.times_s[b] - trace.times_s[a])
    speed = (trace.travel_at(b) - trace.travel_at(a)) / elapsed
    dof = max(float(len(trace.times_s) - 3), 1.0)
    rows = [
        Contribution(
            "following the body",
            "A",
            math.hypot(trace.end_u(a), trace.end_u(b)) / elapsed,
            dof,
            SHARPER,
        ),
        Contribution(
            "camera shake",
            "A",
            math.hypot(trace.camera_u(a), trace.camera_u(b)) / elapsed,
            dof,
            STEADIER,
        ),
        Contribution(
            "time stamps",
            "B",
            abs(speed) * trace.tick_s / math.sqrt(6) / elapsed,
            advice="a longer span",
        ),
    ]
    rows += _scale_rows(trace.ruler, speed)
    return speed, Budget.of(rows)


def _scale_rows(ruler: Ruler, value: float) -> list[Contribution]:
    return [
        Contribution(item.source, "B", abs(value) * item.u_relative, advice=item.advice)
        for item in ruler.sources
    ]


def distance(trace: Trace) -> tuple[float, Budget]:
    """Travel from the first to the last known instant, mm, and its budget."""
    speed, budget = mean_over(trace, 0, len(trace.times_s) - 1)
    rows = [
        Contribution(row.source, row.kind, row.u * trace.duration_s, row.dof, row.advice)
        for row in budget
        if row.source != "time stamps"
    ]
    return speed * trace.duration_s, Budget.of(rows)


def slowest_held(trace: Trace, hold_s: float) -> tuple[float, Budget] | None:
    """Lowest mean speed over `hold_s` without a stall or a gap, mm/s; None if never so long."""
    moving = ~standing_mask(trace.times_s, trace.standing)
    best: tuple[float, int, int] | None = None
    for run in stretches(trace.times_s):
        t = trace.times_s[run]
        for first, last in _unbroken(moving[run]):
            part = t[first:last]
            ends = np.searchsorted(part, part + hold_s - 1e-9)
            for i, j in enumerate(ends.tolist()):
                if j >= len(part):
                    break
                a, b = run.start + first + i, run.start + first + j
                rise = trace.travel_at(b) - trace.travel_at(a)
                speed = rise / float(part[j] - part[i])
                if best is None or speed < best[0]:
                    best = speed, a, b
    if best is None:
        return None
    return mean_over(trace, best[1], best[2])


def _unbroken(moving: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs [a, b) of true values."""
    padded = np.concatenate([[0], np.asarray(moving, dtype=np.int8), [0]])
    edges = np.flatnonzero(np.diff(padded))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


@dataclass(frozen=True)
class RippleFigure:
    """Ripple as given: value, whether it stands out of the noise, and the floor beneath it."""

    value: Value
    seen: bool
    floor: float
    budget: Budget


def ripple(
    trace: Trace, path: Path, band_hz: tuple[float, float], mean_mm_s: float
) -> tuple[RippleFigure | None, str]:
    """Ripple in the band over mean speed; None with the reason in words where it cannot be told.

    The noise taken out is the larger of the body's own and the background's in the band.
    """
    times, s = trace.times_s, trace.s_mm
    steps = np.diff(times)
    step = float(np.median(steps[steps > 0]))
    rate = 1 / step

    def shape(hz: FloatArray) -> FloatArray:
        return trace.noise.over_slow(hz, step)

    gain = noise_in_band(times, s, band_hz, shape)
    if band_hz[1] > 0.45 * rate:
        return None, (
            f"The band ends at {band_hz[1]:g} Hz, but {rate:.1f} frames a second show nothing "
            f"above {0.45 * rate:.1f} Hz; ripple is not given."
        )
    if gain is None:
        longest = max(float(times[run][-1] - times[run][0]) for run in stretches(times))
        return None, (
            f"The longest stretch without a gap is {longest:.2f} s, too short for the band's low "
            f"end of {band_hz[0]:g} Hz, which needs {LEAST_CYCLES / band_hz[0]:g} s; ripple is not "
            "given. Give a longer span or a narrower band."
        )
    sized, doubt = _noise_in_band(trace, path, band_hz, gain)
    found = band_ripple(times, s, band_hz, math.sqrt(sized), doubt, shape)
    if found is None or mean_mm_s <= 0:
        return None, "The truck made no way in this span; ripple is not given."
    reach = 1.96 * found.u_variance
    estimate = math.sqrt(max(found.variance, 0.0)) / mean_mm_s
    low = math.sqrt(max(found.variance - reach, 0.0)) / mean_mm_s if found.seen else 0.0
    high = math.sqrt(max(found.variance, 0.0) + reach) / mean_mm_s
    floor = math.sqrt(max(found.floor, 0.0)) / mean_mm_s
    u = (high - low) / (2 * 1.96)
    budget = Budget.of([Contribution("noise in the band", "A", u, advice=SHARPER)])
    figure = RippleFigure(Value(estimate, u, low, high), found.seen, floor, budget)
    return figure, _short_span_note(trace.times_s, band_hz)


def _noise_in_band(
    trace: Trace, path: Path, band_hz: tuple[float, float], gain: float
) -> tuple[float, float]:
    """Variance of white position noise that stands for all noise in the band, and its doubt.

    The larger of two ways to know it: the spectrum above the band, its colour carried down into it,
    and background pieces in the band itself (`gain` is the band's response to unit noise). The
    doubt is relative, standard.
    """
    own, doubt = trace.noise.slow_mm**2, trace.noise.slow_doubt
    still = background_in_band(path, band_hz)
    if still is None or still / gain <= own:
        return own, doubt
    return still / gain, 0.3


def _short_span_note(times_s: FloatArray, band_hz: tuple[float, float]) -> str:
    longest = max(float(times_s[run][-1] - times_s[run][0]) for run in stretches(times_s))
    cycles = longest * band_hz[0]
    if cycles >= SURE_CYCLES:
        return ""
    return (
        f"The longest stretch of {longest:.2f} s holds only {cycles:.1f} cycles of the band's low "
        f"end ({band_hz[0]:g} Hz): slow unevenness is told poorly. A span of "
        f"{SURE_CYCLES / band_hz[0]:g} s or more tells it."
    )


def rollback(trace: Trace) -> tuple[Value, float, float]:
    """Backward travel beyond the noise: total as a value, the largest piece, and the threshold, mm.

    A running mean of the travel is walked from turning point to turning point; only those further
    apart than the threshold count. A plain mean keeps forward travel forward; the polynomial of
    the speed filter would swing back where the truck stops abruptly.
    """
    s = scipy.ndimage.uniform_filter1d(trace.s_mm, ROLLBACK_MEAN_OF, mode="nearest")
    u_point, threshold = _rollback_noise(trace)
    pieces = _falls(s, threshold)
    total = float(sum(pieces))
    u = math.sqrt(2 * max(len(pieces), 1)) * u_point
    u = math.hypot(u, total * math.hypot(*(item.u_relative for item in trace.ruler.sources), 0.0))
    if not pieces:
        return Value(0.0, u, 0.0, threshold), 0.0, threshold
    return Value(total, u, max(total - 1.96 * u, 0.0), total + 1.96 * u), max(pieces), threshold


def _rollback_noise(trace: Trace) -> tuple[float, float]:
    """Noise of the running mean, mm, and the fall that noise makes in 1 of 200 clips at most, mm.

    Any two of the instants at which the truck stands, or nearly so, may be the turning points.
    """
    noise = trace.noise
    u_point = noise.position_mm * min(math.sqrt(noise.correlation / ROLLBACK_MEAN_OF), 1.0)
    doubt = 0.3
    if noise.colour is not None:
        gain = noise.colour.inflation(np.full(ROLLBACK_MEAN_OF, 1 / ROLLBACK_MEAN_OF))
        u_point = noise.position_mm * math.sqrt(gain / ROLLBACK_MEAN_OF)
        doubt = noise.colour.size_doubt / 2
    slow = np.abs(trace.fit.slope) < 2 * max(trace.standing.limit, noise.speed_mm_s)
    turns = max(int(np.sum(slow)) / ROLLBACK_MEAN_OF, 5.0)
    reach = float(-ndtri(ROLLBACK_RISK / (turns * (turns - 1) / 2)))
    return u_point, math.sqrt(2) * reach * max(u_point, 1e-6) * (1 + 2.5 * doubt)


def _falls(s: FloatArray, threshold: float) -> list[float]:
    """Falls between turning points of `s` that differ by more than `threshold`."""
    falls: list[float] = []
    if not len(s):
        return falls
    top = bottom = float(s[0])
    falling = False
    for value in s.tolist():
        if falling:
            bottom = min(bottom, value)
            if value - bottom > threshold:
                falls.append(top - bottom)
                falling, top = False, value
        else:
            top = max(top, value)
            if top - value > threshold:
                falling, bottom = True, value
    if falling:
        falls.append(top - bottom)
    return falls
