"""Finding a piece again without a good guess: normalised correlation over a window.

Used when prediction fails: after an occlusion, a jolt, or at the start of a span that does not
begin at the reference frame. The answer is good to a few px; registration does the rest.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

COARSE_SIDE_PX = 20  # a piece is not shrunk below this, or its texture is lost
MOST_SHRINK = 8


def find_piece(
    piece: NDArray[np.generic],
    luma: NDArray[np.generic],
    guess_px: FloatArray,
    reach_px: float,
) -> tuple[FloatArray, float]:
    """Best place of `piece` in `luma` near a guess.

    Parameters
    ----------
    piece : ndarray, shape (h, w)
        Grey levels of the reference.
    luma : ndarray, shape (H, W)
        The picture searched.
    guess_px : ndarray, shape (2,)
        Expected position of the top-left pixel of the piece, px.
    reach_px : float
        How far from the guess to look, px, along either axis.

    Returns
    -------
    corner_px : ndarray, shape (2,)
        Top-left pixel of the best place, px.
    score : float
        Its normalised correlation, -1 to 1 (-1 when there is no room for the piece).
    """
    side = min(piece.shape)
    shrink = int(np.clip(side // COARSE_SIDE_PX, 1, MOST_SHRINK))
    if reach_px < 2 * shrink:
        shrink = 1
    corner, score = _scan(piece, luma, guess_px, reach_px, shrink)
    while shrink > 1 and score > -1:
        finer = max(1, shrink // 3)
        corner, score = _scan(piece, luma, corner, shrink + 2 * finer, finer)
        shrink = finer
    return corner, score


def _scan(
    piece: NDArray[np.generic],
    luma: NDArray[np.generic],
    guess_px: FloatArray,
    reach_px: float,
    shrink: int,
) -> tuple[FloatArray, float]:
    """One exhaustive scan at one size; see `find_piece`."""
    height, width = piece.shape
    x0 = int(np.clip(np.floor(guess_px[0] - reach_px), 0, luma.shape[1]))
    y0 = int(np.clip(np.floor(guess_px[1] - reach_px), 0, luma.shape[0]))
    x1 = int(np.clip(np.ceil(guess_px[0] + reach_px) + width, 0, luma.shape[1]))
    y1 = int(np.clip(np.ceil(guess_px[1] + reach_px) + height, 0, luma.shape[0]))
    window = luma[y0:y1, x0:x1]
    small_piece, small_window = _shrunk(piece, shrink), _shrunk(window, shrink)
    if any(s < p for s, p in zip(small_window.shape, small_piece.shape, strict=True)):
        return np.asarray(guess_px, dtype=np.float64), -1.0
    scores = cv2.matchTemplate(small_window, small_piece, cv2.TM_CCOEFF_NORMED)
    scores = np.where(np.isfinite(scores) & (np.abs(scores) <= 1.001), scores, -1.0)
    row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
    place = np.array([x0 + float(column) * shrink, y0 + float(row) * shrink])
    return place, float(scores[row, column])


def _shrunk(image: NDArray[np.generic], factor: int) -> NDArray[np.float32]:
    """Mean over `factor` x `factor` pixels, as float."""
    height, width = (side // factor * factor for side in image.shape)
    part = np.ascontiguousarray(image[:height, :width], dtype=np.float32)
    if factor == 1 or not part.size:
        return part
    size = (width // factor, height // factor)
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
