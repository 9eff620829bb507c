"""Ripple: how unevenly a truck creeps, in a named band, with the noise taken out.

Pure numerics. Positions are laid on an even grid, differenced to speeds, and their power in the
band is summed over a multitaper spectrum (Thomson, Proc. IEEE 70, 1982, 1055-1096), which keeps
a slow change of speed from leaking into the band on a short span. The response of differencing,
``sin(pi f d) / (pi f d)``, is divided out. The power that measuring noise puts there is
subtracted: that of white position noise, ``(2 sin(pi f d))^2`` shaped, sized by the residuals or by
background pieces, whichever is larger.

Where a few steady lines make up nearly all of it, as turning wheels and gears do, their power is
that of their least squares fit, which a short span does not smear, and only the rest is summed.
Ripple counts as seen when the power in the band exceeds what noise alone, of uncertain size, gives
in 199 of 200 clips: the ratio of the two follows Fisher's F.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy
from scipy.special import fdtri

from clipmark.motion.lines import Lines, find_lines
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import stretches

NoiseShape = Callable[[FloatArray], FloatArray]
MOST_BANDWIDTH = 2.0  # half bandwidth of the tapers in cycles per span, where it is long enough
LEAST_CYCLES = 1.0  # of the band's low end within a stretch, or nothing can be said of it
EDGE_LOSS = 0.05  # of the power, at one cycle of the low end: what short tapers smear over it
LEAST_FRAMES = 24
DECIDED = 0.995  # share of clips without ripple whose band power stays below what counts as seen
FLOOR_SHARE = 0.975
LINES_SHARE = 0.85  # of the power, from which lines are taken for what it is made of


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
    seen_from, floor : float
        Variance that noise alone exceeds in 1 of 200 and in 1 of 40 clips.
    tapered : float
        The variance by the spectrum alone, which decides whether it is seen.
    low_hz, high_hz : float
        The band as covered.
    seconds : float
        Length of the stretches used.
    """

    variance: float
    u_variance: float
    noise_variance: float
    u_zero: float
    seen_from: float
    floor: float
    tapered: float
    low_hz: float
    high_hz: float
    seconds: float

    @property
    def seen(self) -> bool:
        """Whether the ripple stands out of the noise."""
        return self.tapered > self.seen_from


def band_ripple(
    times_s: FloatArray,
    positions: FloatArray,
    band_hz: tuple[float, float],
    position_noise: float,
    u_noise_share: float,
    noise_shape: NoiseShape | None = None,
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
    noise_shape : callable, optional
        Of frequencies, Hz: density of the position noise over that of white noise of
        `position_noise`; white when not given.

    Returns
    -------
    Ripple or None
        None when no stretch is long enough for the band.
    """
    parts = _parts(times_s, positions, band_hz, noise_shape, lines=True)
    if not parts:
        return None
    each = np.array([_part_variance(part, band_hz, position_noise) for part in parts])
    share = np.array([part.seconds for part in parts])
    seconds = float(share.sum())
    share = share / seconds
    variance, tapered, noise = (float(share @ column) for column in each.T[:3])
    zero, beat, cut = (float(share**2 @ column) for column in each.T[3:])
    dof = 2 * noise**2 / zero if zero > 0 else np.inf
    least, floor = (noise * (_ratio(p, dof, u_noise_share) - 1) for p in (DECIDED, FLOOR_SHARE))
    zero += (u_noise_share * noise) ** 2
    return Ripple(
        variance=variance,
        u_variance=float(np.sqrt(zero + beat + cut)),
        noise_variance=noise,
        u_zero=float(np.sqrt(zero)),
        seen_from=least,
        floor=floor,
        tapered=tapered,
        low_hz=band_hz[0],
        high_hz=band_hz[1],
        seconds=seconds,
    )


def noise_in_band(
    times_s: FloatArray,
    positions: FloatArray,
    band_hz: tuple[float, float],
    noise_shape: NoiseShape | None = None,
) -> float | None:
    """Variance of speed that unit white position noise, or one so shaped, puts into the band.

    None when no stretch is long enough for the band; see `band_ripple`.
    """
    parts = _parts(times_s, positions, band_hz, noise_shape)
    if not parts:
        return None
    return float(np.average([p.noise_gain for p in parts], weights=[p.seconds for p in parts]))


def _ratio(p: float, dof: float, u_noise_share: float) -> float:
    """Quantile of band power over its expected noise, whose size is known to `u_noise_share`."""
    of_noise = 2 / max(u_noise_share, 1e-3) ** 2
    return float(fdtri(max(min(dof, 1e7), 1.0), max(of_noise, 1.0), p))


def _part_variance(
    part: _Part, band_hz: tuple[float, float], position_noise: float
) -> tuple[float, float, float, float, float, float]:
    """One stretch: variance, the same by its spectrum alone, noise, and variances of the first.

    Noise power scatters like chi square; a ripple beats with the noise at its frequency, ``var = 2
    P S / T`` for power P, one-sided noise density S, span T; short tapers cut some off.
    """
    low, high = band_hz
    noise = part.noise_gain * position_noise**2
    independent = max((high - low) * part.seconds, 1.0)
    zero = noise**2 * part.uneven * part.loss / independent
    tapered = part.power - noise
    variance, rest, loss = tapered, max(tapered, 0.0), part.loss
    if part.lines is not None:
        rest = max(part.rest - noise, 0.0)
        variance = float(np.sum(part.lines.variance_of_speed(low, high))) + part.rest - noise
        loss = 1.0
    density = part.noise_at_signal * position_noise**2
    beat = 2 * max(tapered, 0.0) * density * loss / part.seconds
    cut = (EDGE_LOSS / (part.seconds * low) ** 2 * rest) ** 2
    return variance, tapered, noise, zero, beat, cut


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


def _parts(
    times_s: FloatArray,
    positions: FloatArray,
    band_hz: tuple[float, float],
    noise_shape: NoiseShape | None = None,
    lines: bool = False,
) -> list[_Part]:
    """Spectra of the stretches that are long enough."""
    found = []
    for run in stretches(times_s):
        t, s = times_s[run], positions[run]
        if len(t) >= LEAST_FRAMES and t[-1] - t[0] >= LEAST_CYCLES / band_hz[0]:
            part = _stretch_power(t, s, band_hz, noise_shape)
            if part is not None:
                found.append(_with_lines(part, t, s, band_hz) if lines else part)
    return found


def _with_lines(
    part: _Part, times_s: FloatArray, positions: FloatArray, band_hz: tuple[float, float]
) -> _Part:
    """The part with its lines where these make up nearly all of its power."""
    lines = find_lines(times_s, positions, 1.2 * band_hz[1])
    if not len(lines.hz):
        return part
    rest = _stretch_power(times_s, positions - lines.swing, band_hz)
    if rest is None or rest.power > (1 - LINES_SHARE) * part.power:
        return part
    return replace(part, lines=lines, rest=rest.power)


@dataclass(frozen=True)
class _Part:
    """Band power of one stretch of ``seconds``, and that of unit white position noise.

    ``uneven`` is the mean square of the noise's density in the band over its squared mean,
    ``noise_at_signal`` its density where the power lies, ``loss`` by how much the tapers raise
    variances, ``noise_above`` the variance of position noise that fits above the band, from
    ``cells_above`` independent values, ``lines`` what nearly all of the power is made of, if so,
    and ``rest`` the power without them.
    """

    seconds: float
    power: float
    noise_gain: float
    uneven: float
    noise_at_signal: float
    loss: float
    noise_above: float
    cells_above: float
    lines: Lines | None = None
    rest: float = 0.0


@lru_cache(maxsize=64)
def _tapers(count: int, bandwidth: float) -> FloatArray:
    found = scipy.signal.windows.dpss(count, bandwidth, Kmax=max(1, int(2 * bandwidth) - 1))
    return np.asarray(np.atleast_2d(found), dtype=np.float64)


def _stretch_power(
    times_s: FloatArray,
    positions: FloatArray,
    band_hz: tuple[float, float],
    noise_shape: NoiseShape | None = None,
) -> _Part | None:
    step = float(np.median(np.diff(times_s)))
    high = band_hz[1]
    if high > 0.45 / step:
        return None
    count = int(np.floor((times_s[-1] - times_s[0]) / step + 1e-6)) + 1
    grid = times_s[0] + np.arange(count) * step
    even = np.asarray(
        scipy.interpolate.CubicSpline(times_s, positions)(np.minimum(grid, times_s[-1]))
    )
    speed = np.diff(even) / step
    middle = np.linspace(-1.0, 1.0, len(speed))
    speed = speed - np.polynomial.polynomial.polyval(
        middle, np.polynomial.polynomial.polyfit(middle, speed, 1)
    )
    # half the band's low end at most, so that a ripple well inside the band stays in it
    bandwidth = float(np.clip(band_hz[0] * count * step / 2, 1.0, MOST_BANDWIDTH))
    tapers = _tapers(len(speed), bandwidth)
    length = 1 << int(np.ceil(np.log2(len(speed) * 8)))
    frequencies = np.asarray(np.fft.rfftfreq(length, step), dtype=np.float64)
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
    if noise_shape is not None:
        unit = unit * noise_shape(frequencies)
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
