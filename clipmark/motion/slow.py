"""What changes slowly, taken out: a straight line through a window around each instant. Pure."""

from __future__ import annotations

import numpy as np

from clipmark.motion.sampling import FloatArray


def without_slow(times_s: FloatArray, values: FloatArray, window_s: float) -> FloatArray:
    """Values less a running straight line.

    Parameters
    ----------
    times_s : ndarray, shape (K,)
        Rising, s.
    values : ndarray, shape (K, B)
    window_s : float
        Full width of the window; at the ends it is one-sided.

    Returns
    -------
    ndarray, shape (K, B)
    """
    low = np.searchsorted(times_s, times_s - window_s / 2 - 1e-9, side="left")
    high = np.searchsorted(times_s, times_s + window_s / 2 + 1e-9, side="right")
    t = times_s - times_s.mean()
    level = values.mean(axis=0)
    v = values - level

    def sums(each: FloatArray) -> FloatArray:
        total = np.concatenate([np.zeros((1, *each.shape[1:])), np.cumsum(each, axis=0)])
        return np.asarray(total[high] - total[low])

    n, st, stt = sums(np.ones_like(t))[:, None], sums(t)[:, None], sums(t**2)[:, None]
    sv, stv = sums(v), sums(v * t[:, None])
    size = n * stt - st**2
    slope = np.where(size > 1e-9 * n**2, (n * stv - st * sv) / np.maximum(size, 1e-12), 0.0)
    return np.asarray(v - sv / n - slope * (t[:, None] - st / n))
