"""How far beside a line the picture stays even, so that the fit does not reach further.

The other edge of a thin board, a shadow or a stripe beside the line would be taken for part
of its levels. Pure maths.
"""

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.edge_bed import Bed
from clipmark.geometry.edge_model import Shape

Floats = NDArray[np.float64]

LEAST_BLURS = 2.5  # never cut nearer than this: the edge itself would be lost
_STRUCTURE = 0.12  # change of level, as a share of the contrast, that ends the even part
_DISTURBED = 0.25  # the same for a single segment
_MARGIN_PX = 1.5


def clear_reach(
    bed: Bed, shape: Shape, wanted: tuple[float, float], patience: float = 0.5
) -> tuple[float, float]:
    """Reach on the negative and positive side, px, at most `wanted`.

    `patience` is the share of segments that may show something else (a wheel on a board) before
    the reach ends there. Pixels are binned by distance (1 px) in every segment; the typical
    change of level over the segments, from just beside the line outward, must stay small.
    """
    distance = bed.distance(shape.place)
    half_width = 0.5 * (shape.width or 0.0)
    start = half_width + 2.0 * shape.blur + 0.5
    least = max(half_width + LEAST_BLURS * shape.blur, 3.0)
    low, high = (_profile(bed, side * distance, start, max(wanted)) for side in (-1.0, 1.0))
    contrast = _typical(low[:, 0] - high[:, 0])
    if shape.width is not None:
        core = bed.luma[np.abs(distance) < max(half_width, 0.6)]
        if len(core):
            contrast = max(contrast, _typical(float(np.median(core)) - low[:, 0]))
    return (
        _even(low, contrast, start, least, wanted[0], patience),
        _even(high, contrast, start, least, wanted[1], patience),
    )


def _profile(bed: Bed, distance: Floats, start: float, far: float) -> Floats:
    """Mean luma per segment and distance, shape (S, bins); bin 0 is 2 px wide from `start`."""
    bins = max(int(np.ceil(far - start)), 1)
    index = np.floor(distance - start).astype(np.int64) - 1
    index = np.where((distance >= start) & (index < 1), 0, index)
    keep = (distance >= start) & (index < bins)
    flat = bed.segment[keep] * bins + index[keep]
    size = len(bed.starts) * bins
    count = np.bincount(flat, minlength=size)
    total = np.bincount(flat, bed.luma[keep], minlength=size)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count > 0, total / count, np.nan)
    return mean.reshape(len(bed.starts), bins)


def _typical(change: Floats) -> float:
    """Median size of a change over the segments that show it; 0 where none does."""
    known = np.abs(change[np.isfinite(change)])
    return float(np.median(known)) if len(known) else 0.0


def _even(
    profile: Floats,
    contrast: float,
    start: float,
    least: float,
    wanted: float,
    patience: float,
) -> float:
    """Distance up to which the typical segment keeps its level."""
    change = profile - profile[:, :1]
    for index in range(1, profile.shape[1]):
        column = change[:, index]
        column = column[np.isfinite(column)]
        place = start + 1.0 + index
        if place > wanted:
            break
        if len(column) < 0.5 * len(profile):  # the border of the picture
            return max(least, place - 0.5)
        typical = float(np.median(column))
        spread = 1.4826 * float(np.median(np.abs(column - typical))) / np.sqrt(len(column))
        disturbed = float(np.mean(np.abs(column) > _DISTURBED * contrast))
        if abs(typical) > _STRUCTURE * contrast + 4.0 * spread or disturbed > patience:
            return max(least, place - _MARGIN_PX - 0.5)
    return wanted
