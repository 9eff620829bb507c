"""How far a line's ends moved along it, from what lies beside it.

Pure numerics. An edge does not show motion along itself; the brightness along its own side does.
It is told to a fraction of the strips' distance, which is enough to keep the same stretch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clipmark.motion.line_follow_strip import REACH_PX, Strips
from clipmark.motion.sampling import FloatArray

FROM_PX = 3  # of the edge: nearer, its own blur lies over what is beside it
MOST_STEPS = 5  # strips, to either side
LEAST_CORRELATION = 0.75
LEAST_LEVELS = 2.0  # of contrast along a side
LEAST_AHEAD = 0.03  # of correlation, by which the best place must beat standing still


@dataclass(frozen=True, eq=False)
class Sides:
    """Brightness along a line before and beyond it, shape (2, n), less its mean."""

    levels: FloatArray


def sides_of(strips: Strips) -> Sides:
    """Brightness along the line on both sides."""
    flat = strips.values.reshape(-1, strips.values.shape[2])
    before = flat[:, : REACH_PX - FROM_PX + 1].mean(axis=1, dtype=np.float64)
    beyond = flat[:, REACH_PX + FROM_PX :].mean(axis=1, dtype=np.float64)
    return Sides(np.stack([before, beyond]))


def slide_px(reference: Sides, now: Sides, grain_px: float) -> float:
    """How far the line moved along itself, px, positive from its first end to its last.

    0 where neither side tells. Where both tell and differ, the larger motion counts: what stands
    still is behind the thing, not the thing.
    """
    found = 0.0
    for then, today in zip(reference.levels, now.levels, strict=True):
        told = _shift(then, today)
        if abs(told) > abs(found):
            found = told
    return found * grain_px


def _shift(then: FloatArray, today: FloatArray) -> float:
    """Shift of one side in strips, 0 where it cannot be told."""
    inner = then[MOST_STEPS:-MOST_STEPS]
    count = len(inner)
    inner = inner - inner.sum() / max(count, 1)
    size = math.sqrt(float(inner @ inner) / max(count, 1))
    if count < 4 * MOST_STEPS or size < LEAST_LEVELS:
        return 0.0
    level = today - today.sum() / len(today)
    sums, squares = np.cumsum(level), np.cumsum(level * level)
    ends = np.arange(count - 1, len(today))
    mean = (sums[ends] - sums[ends - count + 1] + level[: len(ends)]) / count
    power = (squares[ends] - squares[ends - count + 1] + level[: len(ends)] ** 2) / count
    spread = np.sqrt(np.maximum(power - mean * mean, 1e-6))
    scores = np.correlate(level, inner, mode="valid") / (count * size * spread)
    k = int(np.argmax(scores))
    if scores[k] < LEAST_CORRELATION or k in (0, len(scores) - 1):
        return 0.0
    if scores[k] < scores[MOST_STEPS] + LEAST_AHEAD * (1 - scores[MOST_STEPS]):
        return 0.0
    bend = scores[k - 1] - 2 * scores[k] + scores[k + 1]
    part = 0.5 * (scores[k - 1] - scores[k + 1]) / bend if bend < 0 else 0.0
    return float(k - MOST_STEPS + np.clip(part, -0.5, 0.5))
