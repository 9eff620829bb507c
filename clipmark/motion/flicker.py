"""Light that flickers: how strongly, how fast it shows, and what it may be in truth.

Pure: brightness over true times in, numbers out. The spectrum is that of Lomb and Scargle, which
asks for no even steps (N. R. Lomb, Astrophysics and Space Science 39, 1976; J. D. Scargle, ApJ
263, 1982). A camera that reads its rows one after another shows fast flicker as bands that
wander, which the mean of the picture hides: brightness is given by bands of rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.signal import lombscargle

from clipmark.motion.sampling import FloatArray

LEAST_FRAMES = 16
SLOW_S = 1.0  # changes over longer than this are the scene's, or the exposure's
LOWEST_HZ = 2.0  # what changes more slowly is the scene's
FLOOR_WIDTHS = 12  # of a line, on either side: the floor that it must stand out of
# Least median over the bands of power over the floor. Noise that is the same in all bands, as of a
# lamp that is no steady light, comes to 12 in one record of a thousand frames out of fifty.
STANDS_OUT = 12.0
LEAST_SHARE = 0.0005  # of the brightness: less is of no concern to anything here
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
    if len(t) < LEAST_FRAMES or np.ptp(t) <= 0:
        return (
            f"Flicker cannot be told: {len(t)} frames with times, and at least {LEAST_FRAMES} "
            "are needed."
        )
    level = values.mean(axis=0)
    lit = level > 0.02
    if not lit.any():
        return "Flicker cannot be told: the picture is black."
    swing = _without_slow(t, values[:, lit] / level[lit])
    span = float(np.ptp(t))
    low, high = max(LOWEST_HZ, 4.0 / span), 0.5 * rate_hz
    if high <= low:
        return "Flicker cannot be told: there are too few frames a second."
    count = min(MOST_FREQUENCIES, max(16, math.ceil(4 * span * (high - low))))
    grid = np.linspace(low, high, count)
    power = np.array(
        [lombscargle(t, band, 2 * np.pi * grid, normalize=False) for band in swing.T]
    ).T  # (F, bands), variance units times N / 2
    beside = 8 * FLOOR_WIDTHS + 1  # the grid has four points a width of a line
    floor = median_filter(power, size=(min(beside, len(power)), 1), mode="nearest") / math.log(2)
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


def shown_at(true_hz: float, rate_hz: float) -> float:
    """Frequency at which `true_hz` shows in frames at `rate_hz`: folded down about half of it."""
    folded = true_hz % rate_hz
    return min(folded, rate_hz - folded)


def _without_slow(t: FloatArray, values: FloatArray) -> NDArray[np.float64]:
    """Values less their running mean and slope over `SLOW_S`, shape as given."""
    low = np.searchsorted(t, t - SLOW_S / 2, side="left")
    high = np.searchsorted(t, t + SLOW_S / 2, side="right")
    ones = np.ones_like(t)

    def sums(each: FloatArray) -> FloatArray:
        total = np.concatenate([np.zeros((1, *each.shape[1:])), np.cumsum(each, axis=0)])
        return np.asarray(total[high] - total[low])

    origin = t - t.mean()
    n, st, stt = sums(ones), sums(origin), sums(origin**2)
    sv, stv = sums(values), sums(values * origin[:, None])
    size = np.maximum(n * stt - st**2, 1e-12)
    slope = (n[:, None] * stv - st[:, None] * sv) / size[:, None]
    mean = sv / n[:, None]
    return np.asarray(values - mean - slope * (origin - st / n)[:, None])
