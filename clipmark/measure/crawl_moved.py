"""Whether a truck moved at all in a span, or stood and only its followed place trembled."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtri

from clipmark.measure.crawl_values import Trace
from clipmark.motion.sampling import FloatArray

RISK = 0.005  # of taking noise for motion
PIECE_S = 0.25
LEAST_FRAMES = 4
DIRECTIONS = 2.0  # the way is laid along the larger of two directions of trembling, as if so many
UNKNOWN_DOUBT = 0.5  # of the noise's variance, where its colour is not known


def moved(trace: Trace) -> bool:
    """Whether net travel, or that between any two pieces of the span, stands out of the noise.

    The span is cut into pieces of a quarter of a second. The largest difference between means of
    two pieces is compared with what noise makes of as many pairs in 1 of 200 clips: noise of the
    trace's own size and colour, with the doubt about it, the floor that the background shows where
    that is higher, and the camera's share. The way's direction was chosen along the motion, which
    for a truck that stands is that of the larger trembling; the pairs are counted twice for it.
    """
    means, counts = _pieces(trace.times_s, trace.s_mm)
    if len(means) < 2:
        return False
    u, doubt = _noise_of_mean(trace, float(np.median(counts)))
    u = math.hypot(u, _camera_share(trace))
    if u <= 0:
        return bool(np.ptp(means) > 0)
    pairs = DIRECTIONS * len(means) * (len(means) - 1) / 2
    limit = math.sqrt(2) * float(-ndtri(RISK / pairs / 2)) * (1 + 2 * doubt)
    return bool(np.ptp(means) > limit * u)


def _pieces(times_s: FloatArray, s_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean travel and number of frames of each piece that holds enough of them."""
    index = np.floor((times_s - times_s[0]) / PIECE_S).astype(int)
    counts = np.bincount(index).astype(np.float64)
    sums = np.bincount(index, weights=s_mm)
    kept = counts >= LEAST_FRAMES
    if not kept.any():
        return np.asarray(s_mm, dtype=np.float64), np.ones(len(s_mm))
    return sums[kept] / counts[kept], counts[kept]


def _noise_of_mean(trace: Trace, frames: float) -> tuple[float, float]:
    """Standard uncertainty of the mean of so many positions, mm, and the relative doubt of it."""
    noise = trace.noise
    count = max(round(frames), 1)
    inflation, doubt = min(noise.correlation, float(count)), UNKNOWN_DOUBT
    if noise.colour is not None:
        inflation = noise.colour.inflation(np.full(count, 1 / count))
        doubt = noise.slow_doubt
    size = max(noise.position_mm, noise.slow_mm)
    return size * math.sqrt(inflation / count) * _background_excess(trace), doubt / 2


def _background_excess(trace: Trace) -> float:
    """By how much the background's trembling exceeds the body's own, at least 1."""
    noise = trace.noise
    own = noise.position_mm * math.sqrt(noise.correlation)
    own *= float(np.nanmedian(trace.fit.slope_gain))
    return max(1.0, noise.speed_mm_s / own) if own > 0 else 1.0


def _camera_share(trace: Trace) -> float:
    """What the camera's motion leaves in a mean over a piece, mm; a drift does not average out."""
    share = float(np.nanmedian(trace.u_camera_mm))
    return share / math.sqrt(LEAST_FRAMES) if trace.shaken else share
