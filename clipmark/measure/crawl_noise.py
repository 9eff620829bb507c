"""How much of a speed trace is noise: from the body itself, and from what stands still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.motion.ripple import band_ripple
from clipmark.motion.speed import (
    LocalFit,
    choose_window,
    correlation_factor,
    local_fit,
    residual_noise,
)
from clipmark.motion.stalls import usual_moving_speed

FINE_WINDOW_S = 0.10  # short enough that the truck's own ripple stays out of the residuals
LEAST_SEEN = 0.8
STANDING_S = 0.8


@dataclass(frozen=True)
class Noise:
    """Noise of a trace.

    Attributes
    ----------
    position_mm : float
        Standard deviation of a single position, white part, from the body's own residuals.
    speed_mm_s : float
        Standard deviation of the filtered speed of a body at rest: the noise floor.
    source : str
        Where the floor comes from: "following the body" or "background".
    correlation : float
        Factor on the variance of local means for errors that go together in time.
    """

    position_mm: float
    speed_mm_s: float
    source: str
    correlation: float


def smooth(
    times_s: FloatArray, s_mm: FloatArray, window_s: float | None
) -> tuple[LocalFit, float, float]:
    """Local fit with a given or chosen window; also the window, s, and the position noise, mm."""
    fine = local_fit(times_s, s_mm, FINE_WINDOW_S)
    noise = usual_noise(fine, times_s)
    if window_s is None:
        rough = local_fit(times_s, s_mm, 0.25).slope
        window_s = choose_window(times_s, s_mm, noise, usual_moving_speed(np.abs(rough)))
    return local_fit(times_s, s_mm, window_s), window_s, noise


def usual_noise(fit: LocalFit, times_s: FloatArray) -> float:
    """Root mean square over the clip of the scatter around a fit; single wild frames count."""
    return float(np.sqrt(np.nanmean(residual_noise(fit, times_s) ** 2)))


def measure_noise(path: Path, fit: LocalFit, window_s: float, position_mm: float) -> Noise:
    """Noise floor of the speed for this window: the larger of two ways to know it.

    Background pieces are pushed through the same chain and scaled by their uncertainty against the
    body's; the body's own residuals are carried through the filter's weights.
    """
    known = path.known
    times = path.times_s[known]
    steps = np.diff(times)
    reach = max(2, round(window_s / float(np.median(steps[steps > 0]))))
    fine = local_fit(times, path.s_mm[known], FINE_WINDOW_S)
    correlation = correlation_factor(
        np.nan_to_num(fine.residual), np.isfinite(fine.residual), reach
    )
    gain = float(np.nanmedian(fit.slope_gain))
    own = position_mm * gain * float(np.sqrt(correlation))
    still = background_speed(path, window_s)
    if still is not None and still > own:
        return Noise(position_mm, still, "background", correlation)
    return Noise(position_mm, own, "following the body", correlation)


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
