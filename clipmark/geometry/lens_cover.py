"""Where in the picture a calibration has seen its board, and what is known beyond."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.distortion import pixels_to_rays

FloatArray = NDArray[np.float64]

CELLS = 16  # along the longer side of the picture
REACH = 0.06  # of the picture's diagonal: how far a corner of the board vouches for
EMPTY = 0.16  # of the diagonal: a corner of the picture further than this from any is empty
FINE = 4  # samples along a side of each cell
CORNERS = ("top left", "top right", "bottom right", "bottom left")


@dataclass(frozen=True, eq=False)
class Cover:
    """The covered part of a picture.

    Attributes
    ----------
    share : float
        Of the picture's area that lies within 6 % of its diagonal of a corner found, 0 to 1.
    cells : ndarray, shape (rows, columns)
        The same for each cell of a coarse grid of nearly square cells over the picture.
    empty : tuple of str
        Corners of the picture without any corner of the board within 16 % of the diagonal.
    """

    share: float
    cells: FloatArray
    empty: tuple[str, ...]


def covered(corners_px: FloatArray, size_px: tuple[float, float]) -> Cover:
    """Cover of a picture by corners.

    Parameters
    ----------
    corners_px : ndarray, shape (M, 2)
        All corners used, px of the square picture.
    size_px : (float, float)
        Its width and height.
    """
    width, height = size_px
    diagonal = math.hypot(width, height)
    cell = max(size_px) / CELLS
    columns, rows = max(1, round(width / cell)), max(1, round(height / cell))
    x = (np.arange(columns * FINE) + 0.5) * width / (columns * FINE) - 0.5
    y = (np.arange(rows * FINE) + 0.5) * height / (rows * FINE) - 0.5
    places = np.stack(np.meshgrid(x, y), axis=-1)
    near = _nearest(places.reshape(-1, 2), corners_px).reshape(places.shape[:2])
    inside = (near <= REACH * diagonal).astype(np.float64)
    cells = inside.reshape(rows, FINE, columns, FINE).mean(axis=(1, 3))
    tips = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - 0.5
    far = _nearest(tips, corners_px) > EMPTY * diagonal
    return Cover(
        share=float(inside.mean()),
        cells=cells,
        empty=tuple(name for name, is_far in zip(CORNERS, far, strict=True) if is_far),
    )


def corner_u_px(lens: FloatArray, covariance: FloatArray, size_px: tuple[float, float]) -> float:
    """Standard uncertainty of the straight place of the picture's corners, px, the worst of four.

    Only the bending counts: what a change of focal length, centre and a turn of the camera does to
    all places alike is taken out by fitting a similar map to the inner half of the picture.

    Returns inf where the lens does not reach a corner.
    """
    width, height = size_px
    tips = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - 0.5
    share = np.linspace(0.25, 0.75, 5)
    inner = np.stack(np.meshgrid(share * width, share * height), axis=-1).reshape(-1, 2)
    points = np.vstack([inner, tips])
    fitted = np.flatnonzero(np.diag(covariance) > 0)
    if not fitted.size:
        return 0.0
    sd = np.sqrt(np.diag(covariance))
    # One step for all parameters together: draws of the covariance's own directions.
    scale = np.outer(sd[fitted], sd[fitted])
    values, vectors = np.linalg.eigh(covariance[np.ix_(fitted, fitted)] / scale)
    directions = sd[fitted, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    lenses = np.repeat(lens[None], 1 + directions.shape[1], axis=0)
    small = 0.1  # of a standard deviation, so that the far corner moves in proportion
    lenses[1:, fitted] += small * directions.T
    straight = pixels_to_rays(points, lenses) * math.sqrt(lens[0] * lens[1])
    if not np.isfinite(straight).all():
        return math.inf
    moved = (straight[1:] - straight[0]) / small
    count = len(inner)
    x, y = straight[0, :, 0], straight[0, :, 1]
    one, none = np.ones_like(x), np.zeros_like(x)
    # Scale, turn and shift, with the two perspective terms that turning a camera brings.
    map_x = np.column_stack([one, none, x, -y, x * x, x * y])
    map_y = np.column_stack([none, one, y, x, x * y, y * y])
    inner_map = np.vstack([map_x[:count], map_y[:count]])
    worst = np.zeros(4)
    for move in moved:
        held = np.concatenate([move[:count, 0], move[:count, 1]])
        common = np.linalg.lstsq(inner_map, held, rcond=None)[0]
        rest_x = move[count:, 0] - map_x[count:] @ common
        rest_y = move[count:, 1] - map_y[count:] @ common
        worst += rest_x**2 + rest_y**2
    return float(np.sqrt(worst.max()))


def _nearest(places: FloatArray, corners: FloatArray) -> FloatArray:
    """Distance of each place, shape (K, 2), to the nearest corner, shape (M, 2)."""
    best = np.full(len(places), np.inf)
    for part in np.array_split(corners, max(1, len(corners) // 200)):
        apart = places[:, None] - part[None]
        best = np.minimum(best, np.sqrt(np.square(apart).sum(axis=-1)).min(axis=1, initial=np.inf))
    return best
