"""Ripple: how unevenly a truck creeps, in a named band, with the noise taken out.

Pure numerics. Positions are laid on an even grid, differenced to speeds, and their power in the
band is summed over a multitaper spectrum (Thomson, Proc. IEEE 70, 1982, 1055-1096), which keeps
a slow change of speed from leaking into the band on a short span. The response of differencing,
``sin(pi f d) / (pi f d)``, is divided out. The power that measuring noise puts there is
subtracted: that of white position noise, ``(2 sin(pi f d))^2`` shaped, sized by the residuals or by
background pieces, whichever is larger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal.windows import dpss

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import stretches

BANDWIDTH = 2.0  # half bandwidth of the tapers in cycles per span
TAPERS = 3
LEAST_CYCLES = 2.0  # of the band's low end within a stretch, or it is not resolved
LEAST_FRAMES = 24
DECIDED = 1.645  # one-sided 95 %: band power must exceed its noise by this to count as seen


@dataclass(frozen=True)
class Ripple:
    """Variance of speed in a band, and what noise contributes to it.

    Attributes
    ----------
    variance : float
        Of the true speed in the band, noise taken out; may come out below zero.
    u_variance : float
        Its standard uncertainty, from noise alone.
    noise_variance : float
        What noise put into the band (taken out already).
    u_zero : float
        Standard uncertainty the variance would have if there were no ripple.
    low_hz, high_hz : float
        The band as covered.
    seconds : float
        Length of the stretches used.
    """

    variance: float
    u_variance: float
    noise_variance: float
    u_zero: float
    low_hz: float
    high_hz: float
    seconds: float

    @property
    def seen(self) -> bool:
        """Whether the ripple stands out of the noise."""
        return self.variance > DECIDED * self.u_zero


def band_ripple(
    times_s: FloatArray,
    positions: FloatArray,
    band_hz: tuple[float, float],
    position_noise: float,
    u_noise_share: float,
) -> Ripple | None:
    """Variance of speed within a band; see the module's docstring.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and positions.
    band_hz : tuple of float
        Low and high end, Hz.
    position_noise : float
        Standard deviation of a single position.
    u_noise_share : float
        Relative standard uncertainty of the noise's variance in the band.

    Returns
    -------
    Ripple or None
        None when no stretch is long enough for the band.
    """
    total = noise = seconds = noise_squares = signal_noise = 0.0
    high = band_hz[1]
    for run in stretches(times_s):
        t, s = times_s[run], positions[run]
        if len(t) < LEAST_FRAMES or t[-1] - t[0] < LEAST_CYCLES / band_hz[0]:
            continue
        part = _stretch_power(t, s, band_hz)
        if part is None:
            continue
        weight = float(t[-1] - t[0])
        from_noise = part.noise_gain * position_noise**2
        cells = max(2 * (high - band_hz[0]) * weight, 1.0)
        true = max(part.power - from_noise, 0.0)
        total += weight * part.power
        noise += weight * from_noise
        # independent cells of the band: noise power scatters by sqrt(2 / cells), and a ripple
        # sitting in them beats with the noise
        noise_squares += weight**2 * 2 * from_noise**2 / cells * part.loss
        signal_noise += weight**2 * 4 * true * from_noise / cells * part.loss * part.crowding
        seconds += weight
    if seconds == 0:
        return None
    shared = (u_noise_share * noise / seconds) ** 2
    zero = noise_squares / seconds**2 + shared
    return Ripple(
        variance=(total - noise) / seconds,
        u_variance=float(np.sqrt(zero + signal_noise / seconds**2)),
        noise_variance=noise / seconds,
        u_zero=float(np.sqrt(zero)),
        low_hz=band_hz[0],
        high_hz=high,
        seconds=seconds,
    )


@dataclass(frozen=True)
class _Part:
    """Band power of one stretch, and that of unit white position noise.

    ``loss`` is how much fewer independent values the tapers leave than the band holds;
    ``crowding`` how much stronger noise is where the ripple sits than on average (at most).
    """

    power: float
    noise_gain: float
    loss: float
    crowding: float


def _stretch_power(
    times_s: FloatArray, positions: FloatArray, band_hz: tuple[float, float]
) -> _Part | None:
    step = float(np.median(np.diff(times_s)))
    high = band_hz[1]
    if high > 0.45 / step:
        return None
    count = int(np.floor((times_s[-1] - times_s[0]) / step + 1e-6)) + 1
    grid = times_s[0] + np.arange(count) * step
    even = CubicSpline(times_s, positions)(np.minimum(grid, times_s[-1]))
    speed = np.diff(even) / step
    middle = np.linspace(-1.0, 1.0, len(speed))
    speed = speed - np.polynomial.polynomial.polyval(
        middle, np.polynomial.polynomial.polyfit(middle, speed, 1)
    )
    tapers = np.atleast_2d(dpss(len(speed), BANDWIDTH, Kmax=TAPERS))
    length = 1 << int(np.ceil(np.log2(len(speed) * 8)))
    frequencies = np.fft.rfftfreq(length, step)
    spectra = np.abs(np.fft.rfft(tapers * speed, length, axis=1)) ** 2
    density = 2 * step * spectra.mean(axis=0)  # one-sided, per Hz
    response = np.sinc(frequencies * step) ** 2
    cell = frequencies[1]
    # the fraction of a cell that each band end cuts off is counted in proportion
    inside = np.clip(
        (np.minimum(frequencies + cell / 2, high) - np.maximum(frequencies - cell / 2, band_hz[0]))
        / cell,
        0.0,
        1.0,
    )
    density_noise = 2 * step * (2 * np.sin(np.pi * frequencies * step) / step) ** 2
    noise_in_band = density_noise / response * inside
    mean_noise = float(np.sum(noise_in_band)) / max(float(np.sum(inside)), 1e-12)
    uneven = float(np.sum(noise_in_band**2) / max(np.sum(inside), 1e-12) / mean_noise**2)
    return _Part(
        power=float(np.sum(density / response * inside) * cell),
        noise_gain=float(np.sum(noise_in_band) * cell),
        loss=uneven * 1.4,  # three tapers keep about 70 % of the data's information
        crowding=float(np.max(noise_in_band)) / mean_noise,
    )
