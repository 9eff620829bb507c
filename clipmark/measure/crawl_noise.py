"""How much of a speed trace is noise: from the body itself, and from what stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.motion.colour import Colour, noise_colour
from clipmark.motion.ripple import band_ripple
from clipmark.motion.speed import LEAST_POINTS, LocalFit, choose_window, local_fit, local_weights
from clipmark.motion.stalls import rough_edges, usual_moving_speed

FINE_WINDOW_S = 0.10  # short enough that the truck's own ripple stays out of the residuals
LEAST_SEEN = 0.8
EDGE_S = 0.15  # around a stop or start, where residuals are motion, not noise
LEAST_CORRELATION = 2.0  # following errs alike over some frames beyond what any spectrum shows
UNKNOWN_DOUBT = 0.5  # where too little of the trace tells the colour
LEAST_SHARE = 0.5  # of the scatter around a short fit, below which the spectrum is not believed


@dataclass(frozen=True)
class Noise:
    """Noise of a trace.

    Attributes
    ----------
    position_mm : float
        Standard deviation of a single position, from the spectrum of the body's own residuals.
    speed_mm_s : float
        Standard deviation of the filtered speed of a body at rest: the noise floor.
    source : str
        Where the floor comes from: "following the body" or "background".
    correlation : float
        Factor on the variance of local means for errors that go together in time.
    slow_mm, slow_doubt : float
        White noise that puts as much into the ripple's band as the errors do, by their colour,
        and the relative standard uncertainty of its variance.
    colour : Colour or None
        How errors go together from frame to frame; None where the trace does not tell.
    """

    position_mm: float
    speed_mm_s: float
    source: str
    correlation: float
    slow_mm: float
    slow_doubt: float
    colour: Colour | None = None

    def over_slow(self, hz: FloatArray, step_s: float) -> FloatArray:
        """Density of the position noise over that of white noise of `slow_mm`, like `hz`."""
        if self.colour is None or self.slow_mm <= 0:
            return np.ones_like(hz)
        return self.colour.over_white(hz, step_s) / self.slow_mm**2


def smooth(
    times_s: FloatArray, s_mm: FloatArray, window_s: float | None
) -> tuple[LocalFit, float, float]:
    """Local fit with a given or chosen window; also the window, s, and the position noise, mm.

    The noise is that of the steady part: where the truck stops or starts within some frames, no
    short fit follows it, and what is left over is motion.
    """
    fine = local_fit(times_s, s_mm, FINE_WINDOW_S)
    steady = steady_part(times_s, s_mm)
    noise = usual_noise(fine, times_s, steady)
    if window_s is None:
        rough = local_fit(times_s, s_mm, 0.25).slope
        window_s = choose_window(times_s, s_mm, noise, usual_moving_speed(np.abs(rough)))
    return local_fit(times_s, s_mm, window_s), window_s, noise


def steady_part(times_s: FloatArray, s_mm: FloatArray) -> NDArray[np.bool_]:
    """Instants farther than `EDGE_S` from where the truck stopped or started, shape (K,)."""
    near = np.zeros(len(times_s), dtype=bool)
    for edge in rough_edges(times_s, s_mm):
        near |= np.abs(times_s - edge) < EDGE_S
    return ~near if (~near).sum() > len(near) / 4 else np.ones(len(near), dtype=bool)


def usual_noise(fit: LocalFit, times_s: FloatArray, where: NDArray[np.bool_]) -> float:
    """Root mean square of the scatter around a fit; single wild frames count."""
    ok = where & np.isfinite(fit.residual)
    if not ok.any():
        return float("nan")
    freed = 1 - np.minimum(fit.value_gain[ok] ** 2, 0.9)
    return float(np.sqrt(np.sum(fit.residual[ok] ** 2) / np.sum(freed)))


def measure_noise(
    path: Path,
    fit: LocalFit,
    window_s: float,
    position_mm: float,
    band_hz: tuple[float, float],
) -> Noise:
    """Noise floor of the speed for this window: the larger of two ways to know it.

    Background pieces are pushed through the same chain and scaled by their uncertainty against the
    body's; the body's own residuals are carried through the filter's weights.
    """
    known = path.known
    times, s_mm = path.times_s[known], path.s_mm[known]
    step = float(np.median([step for step in np.diff(times) if step > 0]))
    steady = steady_part(times, s_mm)
    colour = noise_colour(times, s_mm, steady, band_hz[1])
    gain = float(np.nanmedian(fit.slope_gain))
    if colour is None:
        size, correlation = position_mm, LEAST_CORRELATION
        slow, doubt = position_mm * math.sqrt(correlation), UNKNOWN_DOUBT
    else:
        size = max(colour.size, LEAST_SHARE * position_mm)
        correlation = max(LEAST_CORRELATION, *_inflations(colour, window_s, step))
        band, doubt = colour.in_band(band_hz, step)
        slow = math.sqrt(band)
    own = size * gain * math.sqrt(correlation)
    still = background_speed(path, window_s)
    floor, source = own, "following the body"
    if still is not None and still > own:
        floor, source = still, "background"
    return Noise(size, floor, source, correlation, slow, doubt, colour)


def _inflations(colour: Colour, window_s: float, step_s: float) -> tuple[float, float]:
    """Variance of smoothed ends and of speeds over that for white noise."""
    reach = max(2, round(window_s / step_s / 2))
    offsets = step_s * np.arange(-reach, reach + 1, dtype=np.float64)
    ahead = step_s * np.arange(max(reach, LEAST_POINTS - 1) + 1, dtype=np.float64)
    end = local_weights(ahead, 2, 0)
    return colour.inflation(end), colour.inflation(local_weights(offsets, 2, 1))


def background_speed(path: Path, window_s: float) -> float | None:
    """Root mean square filtered speed of background pieces, scaled to the body, or None."""
    found = []
    for q, ratio in enumerate(path.background_ratio):
        times, travel = _piece(path, q)
        if len(times) >= LEAST_SEEN * len(path.times_s) and len(times) > 10:
            slope = local_fit(times, travel, window_s).slope
            found.append(float(np.sqrt(np.nanmean(slope**2))) * float(ratio))
    return float(np.median(found)) if len(found) >= 3 else None


def background_in_band(path: Path, band_hz: tuple[float, float]) -> float | None:
    """Variance of background speed in the band, scaled to the body, mm^2/s^2, or None."""
    found = []
    for q, ratio in enumerate(path.background_ratio):
        times, travel = _piece(path, q)
        if len(times) < LEAST_SEEN * len(path.times_s):
            continue
        seen = band_ripple(times, travel, band_hz, 0.0, 0.0)
        if seen is not None:
            found.append(seen.variance * float(ratio) ** 2)
    return float(np.median(found)) if len(found) >= 3 else None


def _piece(path: Path, q: int) -> tuple[FloatArray, FloatArray]:
    """Instants and travel of one background piece where it was seen, single misses bridged."""
    travel = path.background_mm[:, q]
    ok = np.isfinite(travel)
    if ok.mean() < LEAST_SEEN:
        return np.zeros(0), np.zeros(0)
    usable = np.concatenate([[True], np.diff(path.times_s) > 0])
    times = path.times_s[usable]
    return times, np.interp(times, path.times_s[ok], travel[ok])
