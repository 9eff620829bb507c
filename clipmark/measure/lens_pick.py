"""Choosing which sightings of a board to calibrate with: sharp, at rest, and unlike each other."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.measure.lens_board import Board
from clipmark.measure.lens_views import SeenBoard

FloatArray = NDArray[np.float64]

MOST_VIEWS = 36
BLUR_SHARE = 0.12  # of a square: beyond it edges of neighbouring squares run together
BLUR_OVER_BEST = 2.0  # times the best fifth of the source
MOVED_PX = 2.0  # a board that goes this far between frames counts half
ALIKE = 0.04  # distance of two views that add nothing to each other


def sharp_enough(boards: Sequence[SeenBoard]) -> list[SeenBoard]:
    """Sightings whose corners can be trusted."""
    fair = [b for b in boards if b.sighting.blur_px <= BLUR_SHARE * b.sighting.square_px]
    if not fair:
        return []
    best = float(np.quantile([b.sighting.blur_px for b in fair], 0.2))
    return [b for b in fair if b.sighting.blur_px <= max(BLUR_OVER_BEST * best, 1.5)]


def pick(
    boards: Sequence[SeenBoard], board: Board, size: tuple[int, int], most: int = MOST_VIEWS
) -> list[SeenBoard]:
    """At most `most` sightings, in their own order, spread over place, size and tilt.

    Each next one is the one least like those chosen, its distance to the most similar of them
    weighed by how sharp and still it is.
    """
    if len(boards) <= 1:
        return list(boards)
    features = np.array([_looks(b, board, size) for b in boards])
    best = min(b.sighting.blur_px for b in boards)
    worth = np.array(
        [(best / b.sighting.blur_px) ** 0.5 / (1.0 + (b.moved_px / MOVED_PX) ** 2) for b in boards]
    )
    chosen = [int(np.argmax(worth))]
    apart = np.linalg.norm(features - features[chosen[0]], axis=1)
    while len(chosen) < min(most, len(boards)):
        following = int(np.argmax(apart * worth))
        if apart[following] < ALIKE:
            break
        chosen.append(following)
        apart = np.minimum(apart, np.linalg.norm(features - features[following], axis=1))
    return [boards[k] for k in sorted(chosen)]


def _looks(seen: SeenBoard, board: Board, size: tuple[int, int]) -> FloatArray:
    """Place, size and tilt of a board as seen, each on a scale where 1 is a great difference.

    Place in pictures, the logarithm of its size, and what tilt does to a rectangle: how its sides
    differ from the opposite ones, and its shape.
    """
    grid = seen.sighting.corners_px.reshape(board.down, board.across, 2)
    flat = grid.reshape(-1, 2)
    known = np.isfinite(flat[:, 0])
    places = board.places_mm
    # An affine map with perspective terms, by least squares, tells outer corners even when hidden.
    middle = np.nanmean(flat, axis=0)
    unit = (places - places.mean(axis=0)) / np.abs(places - places.mean(axis=0)).max()
    u, v = unit.T
    terms = np.column_stack([np.ones_like(u), u, v, u * v, u * u, v * v])
    fitted = np.linalg.lstsq(terms[known], flat[known], rcond=None)[0]
    across, below, twist, bend_u, bend_v = fitted[1:]
    width, height = float(np.hypot(*across)), float(np.hypot(*below))
    area = abs(float(across[0] * below[1] - across[1] * below[0]))
    scale = math.sqrt(max(area, 1e-6))
    lean = (np.abs(bend_u).sum() + np.abs(bend_v).sum()) / scale
    return np.array(
        [
            *(1.5 * middle / max(size)),
            0.5 * math.log(scale / max(size)),
            1.5 * float(twist @ across) / max(width * scale, 1e-6) * 2,
            1.5 * float(twist @ below) / max(height * scale, 1e-6) * 2,
            0.7 * math.log(max(width, 1e-6) / max(height, 1e-6)),
            0.5 * float(across @ below) / max(width * height, 1e-6),
            0.2 * float(lean),
        ]
    )
