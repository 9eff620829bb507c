"""Spectral arc length and log dimensionless jerk, as published.

S. Balasubramanian, A. Melendez-Calderon, E. Burdet, IEEE Trans. Biomed. Eng. 59 (2012) 2126-2136;
S. Balasubramanian, A. Melendez-Calderon, A. Roby-Brami, E. Burdet, J. NeuroEng. Rehabil. 12 (2015)
112. Pure numerics.

Both were made for one movement from rest to rest. On a stretch of even speed the ends of the
window rule SPARC (about -2.4, worse than one smooth pulse), a steady ripple below the amplitude
threshold hardly moves it, and LDLJ has no value at all: neither is a grade for creeping.
"""

from __future__ import annotations

import math

import numpy as np

from clipmark.errors import FollowError
from clipmark.motion.sampling import FloatArray

PAD_LEVEL = 4
CUT_OFF_HZ = 10.0
AMPLITUDE_THRESHOLD = 0.05
ROUNDING = 16 * np.finfo(np.float64).eps  # second differences below this of the peak are rounding


def sparc(
    speed: FloatArray,
    step_s: float,
    pad_level: int = PAD_LEVEL,
    cut_off_hz: float = CUT_OFF_HZ,
    amplitude_threshold: float = AMPLITUDE_THRESHOLD,
) -> float:
    """Spectral arc length of a speed profile (2012; defaults of 2015).

    Parameters
    ----------
    speed : ndarray, shape (N,)
        Speed at even steps, any unit, from rest to rest; N at least 2.
    step_s : float
        Time between two samples, s.
    pad_level : int
        The spectrum has ``2**(ceil(log2 N) + pad_level)`` points.
    cut_off_hz : float
        Highest frequency looked at, Hz; half the sampling rate where that is lower.
    amplitude_threshold : float
        The arc runs from the first to the last frequency with at least this share of the largest
        magnitude.

    Returns
    -------
    float
        Without unit, negative; nearer to zero is smoother.

    Raises
    ------
    FollowError
        When there are fewer than two samples, one is not a number, all are zero, or the cut-off
        leaves less than two points of the spectrum.
    """
    v = _checked(speed, step_s)
    if not np.any(v):
        raise FollowError(
            "a speed of zero throughout has no spectral arc length; "
            "take a span in which the truck moves"
        )
    length = 2 ** (math.ceil(math.log2(len(v))) + pad_level)
    frequencies = np.fft.rfftfreq(length, step_s)
    heights = np.abs(np.fft.rfft(v, length))
    heights = (heights / heights.max())[frequencies <= cut_off_hz]
    high = np.flatnonzero(heights >= amplitude_threshold)
    if high.size == 0 or high[-1] == high[0]:
        raise FollowError(
            f"a cut-off of {cut_off_hz:g} Hz leaves no spectrum of a movement of "
            f"{len(v) * step_s:.3g} s; raise it, or take a longer span"
        )
    kept = heights[high[0] : high[-1] + 1]
    along = 1.0 / (len(kept) - 1)  # even steps of frequency, over the range kept
    return -float(np.sum(np.hypot(along, np.diff(kept))))


def dlj(speed: FloatArray, step_s: float) -> float | None:
    """Dimensionless jerk (2015): ``-(N dt)**3 / max|v|**2 * sum(jerk**2) dt``.

    The jerk is the second difference of speed over ``dt**2``, and the duration is N dt, not
    (N - 1) dt, as the authors take it.

    Parameters
    ----------
    speed : ndarray, shape (N,)
        Speed at even steps, any unit; N at least 3.
    step_s : float
        Time between two samples, s.

    Returns
    -------
    float or None
        Without unit, negative; None without speed or with fewer than 3 samples. Zero, when
        all the jerk there is comes from rounding.

    Raises
    ------
    FollowError
        When there are fewer than two samples or one is not a number.
    """
    v = _checked(speed, step_s)
    peak = float(np.max(np.abs(v)))
    if peak == 0 or len(v) < 3:
        return None
    bends = np.diff(v / peak, 2)
    if np.max(np.abs(bends)) <= ROUNDING:
        return 0.0
    # (N dt)**3 dt / dt**4 is N**3
    return -float(len(v) ** 3 * np.sum(bends**2))


def ldlj(speed: FloatArray, step_s: float) -> float | None:
    """Log dimensionless jerk (2015), ``-ln|dlj|``; None with zero jerk or no speed.

    Parameters, units and refusals as for `dlj`. Nearer to zero (or positive) is smoother.
    """
    jerk = dlj(speed, step_s)
    return -math.log(-jerk) if jerk else None


def _checked(speed: FloatArray, step_s: float) -> FloatArray:
    v = np.asarray(speed, dtype=np.float64).ravel()
    if len(v) < 2 or not np.all(np.isfinite(v)):
        raise FollowError(
            "smoothness needs a speed at every instant of the span, two at least; "
            "take a span without gaps"
        )
    if not (math.isfinite(step_s) and step_s > 0):
        raise FollowError(
            f"the time between two speeds is {step_s} s; it has to be above zero, so check the "
            "timestamps of the clip"
        )
    return v
