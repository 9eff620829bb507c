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

MOST_BANDWIDTH = 2.0  # half bandwidth of the tapers in cycles per span, where it is long enough
LEAST_CYCLES = 1.0  # of the band's low end within a stretch, or nothing can be said of it
EDGE_LOSS = 0.05  # of the power, at one cycle of the low end: what short tapers smear over it
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
    total = noise = seconds = zero = beat = 0.0
    low, high = band_hz
    for part in _parts(times_s, positions, band_hz):
        from_noise = part.noise_gain * position_noise**2
        signal = max(part.power - from_noise, 0.0)
        total += part.seconds * part.power
        noise += part.seconds * from_noise
        # noise power scatters like chi square; a ripple beats with the noise at its frequency:
        # var = 2 P S / T for power P, one-sided noise density S, span T
        independent = max((high - low) * part.seconds, 1.0)
        zero += part.seconds**2 * from_noise**2 * part.uneven * part.loss / independent
        density = part.noise_at_signal * position_noise**2
        beat += part.seconds * 2 * signal * density * part.loss
        seconds += part.seconds
    if seconds == 0:
        return None
    zero = zero / seconds**2 + (u_noise_share * noise / seconds) ** 2
    cycles = seconds * low
    cut = EDGE_LOSS / cycles**2 * max(total - noise, 0.0) / seconds
    return Ripple(
        variance=(total - noise) / seconds,
        u_variance=float(np.sqrt(zero + beat / seconds**2 + cut**2)),
        noise_variance=noise / seconds,
        u_zero=float(np.sqrt(zero)),
        low_hz=low,
        high_hz=high,
        seconds=seconds,
    )


def noise_above(
    times_s: FloatArray, positions: FloatArray, band_hz: tuple[float, float]
) -> tuple[float, float] | None:
    """Noise of a single position as the spectrum just above the band tells it.

    The median density from the band's end to twice that, so that single lines of real
    unevenness do not count; errors that go together in time show here, as they do in the band, but
    not in the scatter of neighbouring frames.

    Returns
    -------
    noise, u_share : float
        Standard deviation of a white noise of that density, and the relative standard uncertainty
        of its variance; None where the frame rate leaves nothing above the band.
    """
    parts = [part for part in _parts(times_s, positions, band_hz) if part.cells_above >= 6]
    if not parts:
        return None
    weights = np.array([part.cells_above for part in parts])
    variances = np.array([part.noise_above for part in parts])
    noise = float(np.sqrt(np.average(variances, weights=weights)))
    return noise, float(1.3 / np.sqrt(weights.sum()))


def _parts(times_s: FloatArray, positions: FloatArray, band_hz: tuple[float, float]) -> list[_Part]:
    """Spectra of the stretches that are long enough."""
    found = []
    for run in stretches(times_s):
        t, s = times_s[run], positions[run]
        if len(t) >= LEAST_FRAMES and t[-1] - t[0] >= LEAST_CYCLES / band_hz[0]:
            part = _stretch_power(t, s, band_hz)
            found += [] if part is None else [part]
    return found


@dataclass(frozen=True)
class _Part:
    """Band power of one stretch of ``seconds``, and that of unit white position noise.

    ``uneven`` is the mean square of the noise's density in the band over its squared mean,
    ``noise_at_signal`` its density where the power lies, ``loss`` by how much the tapers raise
    variances, ``noise_above`` the variance of position noise that fits above the band, from
    ``cells_above`` independent values.
    """

    seconds: float
    power: float
    noise_gain: float
    uneven: float
    noise_at_signal: float
    loss: float
    noise_above: float
    cells_above: float


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
    # half the band's low end at most, so that a ripple well inside the band stays in it
    bandwidth = float(np.clip(band_hz[0] * count * step / 2, 1.0, MOST_BANDWIDTH))
    tapers = np.atleast_2d(dpss(len(speed), bandwidth, Kmax=max(1, int(2 * bandwidth) - 1)))
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
    unit = 2 * step * (2 * np.sin(np.pi * frequencies * step) / step) ** 2 / response
    density /= response
    noise_gain = float(np.sum(unit * inside) * cell)
    power = float(np.sum(density * inside) * cell)
    squares = float(np.sum(unit**2 * inside) * cell)
    above = (frequencies > high) & (frequencies < min(2 * high, 0.45 / step))
    ratio = density[above] / unit[above]
    seconds = float(times_s[-1] - times_s[0])
    shape = len(tapers)  # the mean of so many squared values; median below mean by 1 / (3 shape)
    return _Part(
        seconds=seconds,
        power=power,
        noise_gain=noise_gain,
        uneven=squares * (high - band_hz[0]) / noise_gain**2,
        noise_at_signal=float(np.sum(unit * density * inside) * cell) / max(power, 1e-300),
        loss=1.05 if len(tapers) > 2 else 1.4,  # measured on simulated traces
        noise_above=float(np.median(ratio)) / (1 - 1 / (3 * shape)) if ratio.size else 0.0,
        cells_above=float(np.sum(above)) * cell * seconds,
    )
