"""Light that flickers: how strongly, how fast it shows, and what it may be in truth.

Pure: brightness over true times in, numbers out. The spectrum is the periodogram on the true
times, which asks for no even steps (J. D. Scargle, Astrophysical Journal 263, 1982). A camera that
reads its rows one after another shows fast flicker as bands that wander, which the mean of the
picture hides: brightness is given by bands of rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy

from clipmark.motion.sampling import FloatArray
from clipmark.motion.slow import without_slow

LEAST_FRAMES = 16
SLOW_S = 1.0  # changes over longer than this are the scene's, or the exposure's
LOWEST_HZ = 2.0  # what changes more slowly is the scene's
FLOOR_WIDTHS = 12  # of a line, on either side: the floor that it must stand out of
# Least median over the bands of power over the floor. Noise that is the same in all bands, as of a
# lamp that is no steady light, comes to this in one record out of fifty (counted).
STANDS_OUT = 20.0
LEAST_SHARE = 0.0005  # of the brightness: less is of no concern to anything here
LEAST_LIGHT = 0.02  # of white: a darker band shows no change of light
MAINS_HZ = (100.0, 120.0)  # light of mains of 50 and 60 Hz, twice a period
MOST_FREQUENCIES = 2000


@dataclass(frozen=True)
class Flicker:
    """A periodic change of brightness.

    Attributes
    ----------
    share : float
        Amplitude over mean brightness, of the band of rows where it is strongest.
    seen_hz : float
        Frequency as the frames show it, below half the frame rate.
    resolution_hz : float
        One over the length of the record.
    may_be_hz : tuple of float
        Mains light that would show at this frequency at this frame rate.
    """

    share: float
    seen_hz: float
    resolution_hz: float
    may_be_hz: tuple[float, ...]


def flicker_of(times_s: FloatArray, brightness: FloatArray, rate_hz: float) -> Flicker | str | None:
    """Find the strongest line in brightness over time.

    Parameters
    ----------
    times_s : ndarray, shape (K,)
    brightness : ndarray, shape (K, B)
        Of B bands of rows, 0 black to 1 white.
    rate_hz : float
        Usual frames per second.

    Returns
    -------
    Flicker, None, or str
        None when nothing stands out; a sentence when it cannot be told.
    """
    known = np.isfinite(times_s) & np.isfinite(brightness).all(axis=1)
    t, values = times_s[known], brightness[known]
    if len(t) < LEAST_FRAMES or float(np.ptp(t)) <= 0:
        return (
            f"Flicker cannot be told: {len(t)} frames with times, and at least {LEAST_FRAMES} "
            "are needed."
        )
    level = values.mean(axis=0)
    lit = level > LEAST_LIGHT
    if not lit.any():
        return "Flicker cannot be told: the picture is black."
    swing = without_slow(t, values[:, lit] / level[lit], SLOW_S)
    span = float(np.ptp(t))
    low, high = max(LOWEST_HZ, 4.0 / span), 0.5 * rate_hz
    if high <= low:
        return "Flicker cannot be told: there are too few frames a second."
    count = min(MOST_FREQUENCIES, max(16, math.ceil(4 * span * (high - low))))
    grid = np.linspace(low, high, count)
    power = _power(t, swing, grid)  # (F, bands), variance of noise per frame
    beside = 8 * FLOOR_WIDTHS + 1  # the grid has four points a width of a line
    floor = scipy.ndimage.median_filter(
        power, size=(min(beside, len(power)), 1), mode="nearest"
    ) / math.log(2)
    tall = power / np.maximum(floor, 1e-12)  # exponential, where there is noise alone
    everywhere = np.median(tall, axis=1)  # lamps light all of the picture, what moves does not
    k = int(np.argmax(everywhere))
    band = int(np.argmax(power[k]))
    amplitude = 2 * math.sqrt(float(power[k, band]) / len(t))
    if everywhere[k] < STANDS_OUT or amplitude < LEAST_SHARE:
        return None
    seen, width = float(grid[k]), 1.0 / span
    off = max(width, 0.002 * MAINS_HZ[0])
    may_be = tuple(light for light in MAINS_HZ if abs(shown_at(light, rate_hz) - seen) <= off)
    return Flicker(amplitude, seen, width, may_be)


def _power(t: FloatArray, swing: FloatArray, grid_hz: FloatArray) -> FloatArray:
    """Periodogram on any times, shape (F, bands); for white noise its mean is the variance."""
    rows = [
        np.abs(np.exp(-2j * np.pi * part[:, None] * t) @ swing) ** 2
        for part in np.array_split(grid_hz, max(1, len(grid_hz) * len(t) // 500_000))
    ]
    return np.asarray(np.concatenate(rows) / len(t))


def shown_at(true_hz: float, rate_hz: float) -> float:
    """Frequency at which `true_hz` shows in frames at `rate_hz`: folded down about half of it."""
    folded = true_hz % rate_hz
    return min(folded, rate_hz - folded)
