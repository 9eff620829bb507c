"""Lines in the motion of a creeping truck: steady swings of speed, each at one frequency.

Pure numerics. Wheels, gears and motors make a truck's speed swing at a few fixed frequencies. On a
span of a few cycles a spectrum smears such a line over its neighbours and its edges; least squares
for frequency, size and phase, together with steady speed and its steady change, does not. Lines
are added one at a time at the peak of the tapered spectrum of what is left (Hogbom, Astron.
Astrophys. Suppl. 15, 1974, 417-426), and all of them are fitted anew each time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clipmark.motion.sampling import FloatArray

MOST_LINES = 4
LEAST_GAIN = 40.0  # drop in squares, in variances of what is left, that a line must bring
LEAST_CYCLES = 1.2  # of a line in the span
LEAST_APART = 0.8  # of two lines, cycles per span
OVERSAMPLING = 6
LEAST_FRAMES = 24


@dataclass(frozen=True)
class Lines:
    """Lines found in a stretch.

    Attributes
    ----------
    hz, amplitude : ndarray, shape (L,)
        Frequency and size of the swing of position.
    swing : ndarray, shape (K,)
        Their sum at each instant, in the unit of the positions.
    """

    hz: FloatArray
    amplitude: FloatArray
    swing: FloatArray

    def variance_of_speed(self, low_hz: float, high_hz: float) -> FloatArray:
        """Mean square speed of each line within a band, zero outside it, shape (L,)."""
        inside = (self.hz >= low_hz) & (self.hz <= high_hz)
        return np.asarray(np.where(inside, (2 * np.pi * self.hz * self.amplitude) ** 2 / 2, 0.0))


def find_lines(times_s: FloatArray, positions: FloatArray, high_hz: float) -> Lines:
    """Lines up to `high_hz` in one stretch without gaps.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and positions.
    high_hz : float
        Highest frequency looked at, Hz.
    """
    seconds = float(times_s[-1] - times_s[0])
    t = times_s - times_s[0] - seconds / 2
    hz = np.zeros(0)
    coefficients, left = _solve(t, positions, hz)
    if len(t) < LEAST_FRAMES or LEAST_CYCLES / seconds >= high_hz:
        return Lines(hz, hz, np.zeros_like(t))
    for _ in range(MOST_LINES):
        more = _refine(t, positions, np.append(hz, _peak(t, left, high_hz)), seconds)
        if _too_close(more, seconds, high_hz):
            break
        again, rest = _solve(t, positions, more)
        drop = float(left @ left - rest @ rest)
        if drop < LEAST_GAIN * float(rest @ rest) / max(len(t) - len(again), 1):
            break
        hz, coefficients, left = more, again, rest
    pairs = coefficients[3:].reshape(-1, 2)
    swing = _columns(t, hz)[:, 3:] @ coefficients[3:]
    return Lines(hz, np.hypot(pairs[:, 0], pairs[:, 1]), swing)


def _peak(t: FloatArray, left: FloatArray, high_hz: float) -> float:
    """Frequency at which the speed of what is left is largest; an even grid will do to find it."""
    seconds = float(t[-1] - t[0])
    grid = np.linspace(t[0], t[-1], len(t))
    tapered = np.interp(grid, t, left) * (0.5 + 0.5 * np.cos(2 * np.pi * grid / seconds))
    hz = np.fft.rfftfreq(OVERSAMPLING * len(t), grid[1] - grid[0])
    size = np.abs(np.fft.rfft(tapered, OVERSAMPLING * len(t))) * hz
    return float(
        hz[int(np.argmax(np.where((hz * seconds > LEAST_CYCLES) & (hz < high_hz), size, 0)))]
    )


def _columns(t: FloatArray, hz: FloatArray) -> FloatArray:
    """Steady speed and its steady change, then cosine and sine of each line, shape (K, 3 + 2 L)."""
    x = t / max(float(t[-1]), 1e-12)
    turns = 2 * np.pi * np.outer(t, hz)
    waves = np.stack([np.cos(turns), np.sin(turns)], axis=2).reshape(len(t), -1)
    return np.concatenate([np.stack([np.ones_like(x), x, x * x], axis=1), waves], axis=1)


def _solve(t: FloatArray, s: FloatArray, hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients of the least squares fit, and what it leaves."""
    design = _columns(t, hz)
    solution, *_ = np.linalg.lstsq(design, s, rcond=None)
    coefficients: FloatArray = np.asarray(solution, dtype=np.float64)
    return coefficients, np.asarray(s - design @ coefficients, dtype=np.float64)


def _refine(t: FloatArray, s: FloatArray, hz: FloatArray, seconds: float) -> FloatArray:
    """Frequencies of least squares, by Gauss and Newton from a start within half a bin."""
    for _ in range(5):
        design = _columns(t, hz)
        coefficients, *_ = np.linalg.lstsq(design, s, rcond=None)
        left = s - design @ coefficients
        cosine, sine = design[:, 3::2], design[:, 4::2]
        slopes = 2 * np.pi * t[:, None] * (coefficients[4::2] * cosine - coefficients[3::2] * sine)
        change, *_ = np.linalg.lstsq(np.concatenate([design, slopes], axis=1), left, rcond=None)
        step = np.clip(change[-len(hz) :], -0.2 / seconds, 0.2 / seconds)
        hz = hz + step
        if np.max(np.abs(step)) < 1e-4 / seconds:
            break
    return hz


def _too_close(hz: FloatArray, seconds: float, high_hz: float) -> bool:
    """Whether lines lie nearer to each other, or to standing still, than a span can part them."""
    ordered = np.sort(hz)
    low = ordered[0] < 0.8 * LEAST_CYCLES / seconds
    near = len(hz) > 1 and float(np.min(np.diff(ordered))) < LEAST_APART / seconds
    return bool(low or near or ordered[-1] > high_hz * 1.2)
