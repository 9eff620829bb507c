"""How a followed line swings and shakes: what is left of its angle when the slow course is out.

A swing is one tone that stands out of everything else (a strap, a plumb line, a truck that rocks
on its springs); vibration is what remains above a rate at which nothing that is tilted by hand
moves. Both are told beside the noise that the line itself would show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy

from clipmark.motion.sampling import FloatArray

LEAST_FRAMES = 24
KNOT_S = 1.5  # of the slow course that is taken out: slower swings are the motion itself
LOWEST_HZ = 0.6  # of a tone that such a course leaves whole
FAST_HZ = 5.0
FALSE_ALARM = 1e-4  # of a tone in mere noise
SURE = 4.0  # standard uncertainties of the amplitude
LEAST_CYCLES = 2.0
LEAST_IN_PIECE, LEAST_BINS = 5, 8
WINDOW_SHARES = 2.0  # neighbouring bins go together under a Hann window


@dataclass(frozen=True)
class Sway:
    """What a line's angle does beside its slow course.

    Attributes
    ----------
    swing_deg, swing_hz : float or None
        Amplitude and rate of the one tone that stands out; None where none does.
    u_swing_deg : float or None
        Standard uncertainty of the amplitude.
    vibration_deg : float or None
        Root mean square of what is faster than 5 Hz, noise taken out; None where the frame rate
        shows nothing so fast, or no more than noise is there.
    noise_deg : float
        Root mean square that the line's own noise would show.
    """

    swing_deg: float | None
    swing_hz: float | None
    u_swing_deg: float | None
    vibration_deg: float | None
    noise_deg: float

    def to_dict(self) -> dict[str, float | None]:
        """As printed."""
        return {
            "swing_deg": self.swing_deg,
            "swing_u95_deg": None if self.u_swing_deg is None else 1.96 * self.u_swing_deg,
            "swing_hz": self.swing_hz,
            "vibration_deg": self.vibration_deg,
            "noise_deg": self.noise_deg,
        }


def sway_of(t_s: FloatArray, angle_deg: FloatArray, u_deg: FloatArray) -> Sway | None:
    """Swing and vibration of a followed line; None where too few frames tell.

    Parameters
    ----------
    t_s, angle_deg, u_deg : ndarray, shape (n,)
        Time, angle (NaN where lost) and its random standard uncertainty in each frame.

    Notes
    -----
    The tone is the highest peak of the normalised periodogram of unevenly spaced data, judged by
    Scargle's false alarm, ``1 - (1 - exp(-z))^M`` (J. D. Scargle, Astrophys. J. 263, 835, 1982).
    """
    known = np.flatnonzero(np.isfinite(angle_deg))
    if known.size < LEAST_FRAMES:
        return None
    t, angle = t_s[known], angle_deg[known]
    course = _course(t)
    noise = float(np.sqrt(np.mean(u_deg[known] ** 2)))
    step = float(np.median(np.diff(t)))
    span = float(t[-1] - t[0])
    lowest, highest = max(LOWEST_HZ, LEAST_CYCLES / span), 0.45 / step
    swing, hz, u = None, None, None
    if highest > lowest:
        swing, hz, u = _tone(t, angle, course, (lowest, highest), noise)
    fast = _faster(t, _without(course, angle), noise) if highest > FAST_HZ else None
    return Sway(swing, hz, u, fast, noise)


def _course(t: FloatArray) -> FloatArray:
    """A cubic spline with a knot every `KNOT_S` as columns, shape (n, c)."""
    pieces = int((t[-1] - t[0]) / KNOT_S)
    inner = np.linspace(t[0], t[-1], pieces + 2)[1:-1] if pieces > 0 else np.zeros(0)
    counts = np.histogram(t, np.concatenate([[t[0]], inner, [t[-1]]]))[0]
    if (counts < LEAST_IN_PIECE).any():  # a gap that no knot may lie in
        inner = np.zeros(0)
    knots = np.concatenate([np.full(4, t[0]), inner, np.full(4, t[-1])])
    return np.asarray(
        scipy.interpolate.BSpline.design_matrix(t, knots, 3).toarray(), dtype=np.float64
    )


def _without(rows: FloatArray, values: FloatArray) -> FloatArray:
    found, *_ = np.linalg.lstsq(rows, values, rcond=None)
    return np.asarray(values - rows @ found, dtype=np.float64)


def _tone(
    t: FloatArray,
    angle: FloatArray,
    course: FloatArray,
    band_hz: tuple[float, float],
    noise: float,
) -> tuple[float | None, float | None, float | None]:
    """Amplitude, rate and uncertainty of the tone that stands out, or three times None.

    The tone and the course are fitted together, so that the course takes none of the tone.
    """
    span = float(t[-1] - t[0])
    lowest, highest = band_hz
    hz = np.linspace(lowest, highest, max(32, math.ceil(8 * span * (highest - lowest))))
    left = _without(course, angle)
    power = np.asarray(scipy.signal.lombscargle(t, left, 2 * math.pi * hz, floating_mean=True))
    top = int(np.argmax(power))

    def rest(rate: float) -> tuple[float, FloatArray]:
        phase = 2 * math.pi * rate * t
        rows = np.column_stack([np.sin(phase), np.cos(phase), course])
        found, *_ = np.linalg.lstsq(rows, angle, rcond=None)
        return float(np.std(angle - rows @ found)), found

    step = float(hz[1] - hz[0])
    near = (max(lowest, hz[top] - 2 * step), min(highest, hz[top] + 2 * step))
    best = float(
        scipy.optimize.minimize_scalar(lambda rate: rest(rate)[0], bounds=near, method="bounded").x
    )
    scatter, found = rest(best)
    scatter = max(scatter, noise, 1e-9)
    amplitude = float(np.hypot(found[0], found[1]))
    z = len(t) * amplitude**2 / (4 * scatter**2)
    independent = max(1.0, span * (highest - lowest))
    alarm = -math.expm1(independent * math.log1p(-math.exp(-min(z, 700.0))))
    u = scatter * math.sqrt(2 / len(t))
    if alarm > FALSE_ALARM or amplitude < SURE * u:
        return None, None, None
    return amplitude, best, u


def _faster(t: FloatArray, left: FloatArray, noise: float) -> float | None:
    """Root mean square above `FAST_HZ`, noise taken out; None where it is only noise."""
    step = float(np.median(np.diff(t)))
    even = np.arange(t[0], t[-1] + step / 2, step)
    window = np.hanning(len(even))
    seen = np.abs(np.fft.rfft(window * np.interp(even, t, left))) ** 2
    fast = np.fft.rfftfreq(len(even), step) > FAST_HZ
    if fast.sum() < LEAST_BINS:
        return None
    # Per bin of white noise: its variance times the window's power.
    whole = float(np.sum(window**2))
    excess = seen[fast] / whole - noise**2
    spread = noise**2 * math.sqrt(WINDOW_SHARES / int(fast.sum()))
    if float(np.mean(excess)) < SURE * spread:
        return None
    return math.sqrt(2 * float(np.sum(excess)) / len(even))
