"""Points of a picture that may stand still, spread over it, and where they lie in another one.

Each is a small piece registered by `clipmark.motion.register`, which has no pull to whole pixels
and takes a change of light as gain and bias. Which of them really stand still is decided from how
they moved (`clipmark.motion.picture_move`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.background import corner_strength
from clipmark.motion.register import Fit, Pose, register
from clipmark.motion.sampling import FloatArray
from clipmark.motion.templates import Templates, build_templates, picture_noise

PIECE_PX = 41
PIECE_PIXELS = 256
GRID = (12, 8)  # cells across and down: one piece from each
EDGE_PX = 24  # a piece this near the border would leave the picture with a slight move
WORST_PIECE_PX = 0.15
LEAST_MATCH, LEAST_INLIERS = 0.6, 0.5


@dataclass(frozen=True, eq=False)
class FixedPoints:
    """Pieces of a reference picture.

    Attributes
    ----------
    pieces : Templates
    points_px : ndarray, shape (P, 2)
        Their middles.
    size_px : (int, int)
        Width and height of the picture.
    """

    pieces: Templates
    points_px: FloatArray
    size_px: tuple[int, int]

    def found(
        self,
        luma: NDArray[np.generic],
        guess_px: FloatArray,
        form: FloatArray | None = None,
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Where the points lie in another picture.

        Parameters
        ----------
        luma : ndarray, shape (H, W)
        guess_px : ndarray, shape (P, 2)
            Where each is expected, within about 3 px.
        form : ndarray, shape (2,) or (P, 2), optional
            Growth a and turn b that the pieces are seen with: [[1+a, -b], [b, 1+a]].

        Returns
        -------
        places_px : ndarray, shape (P, 2)
        seen : ndarray of bool, shape (P,)
        """
        start = np.asarray(guess_px, dtype=np.float64) - self.points_px
        shape = np.zeros_like(start) if form is None else np.broadcast_to(form, start.shape)
        width, height = self.size_px
        inside = (
            (guess_px > PIECE_PX / 2) & (guess_px < np.array([width, height]) - PIECE_PX / 2)
        ).all(axis=1)
        usual = np.full(self.pieces.count, 1.4 * self.pieces.noise)
        fit = register(self.pieces, luma, Pose(start, shape.copy()), usual, form=False)
        return self.points_px + fit.pose.shift, self._good(fit, start) & inside

    def _good(self, fit: Fit, start: FloatArray) -> NDArray[np.bool_]:
        contrast = self.pieces.contrast()
        best = contrast**2 / (contrast**2 + self.pieces.noise**2)
        good = fit.converged & (fit.inliers > LEAST_INLIERS) & (fit.match > LEAST_MATCH * best)
        return np.asarray(good & (np.hypot(*(fit.pose.shift - start).T) < PIECE_PX / 4))


def choose_points(luma: NDArray[np.generic], grid: tuple[int, int] = GRID) -> FixedPoints | None:
    """The best-textured piece of each cell of a grid over a picture, shape (H, W).

    None where the picture has no texture. Cells without texture give nothing.
    """
    height, width = luma.shape
    strength = corner_strength(luma, PIECE_PX)
    reach = PIECE_PX // 2 + EDGE_PX
    if min(height, width) < 4 * reach:
        return None
    centres = []
    for row in range(grid[1]):
        for column in range(grid[0]):
            y0 = max(row * height // grid[1], reach)
            y1 = min((row + 1) * height // grid[1], height - reach)
            x0 = max(column * width // grid[0], reach)
            x1 = min((column + 1) * width // grid[0], width - reach)
            if y1 <= y0 or x1 <= x0:
                continue
            cell = strength[y0:y1, x0:x1]
            y, x = np.unravel_index(int(np.argmax(cell)), cell.shape)
            if cell[y, x] > 0:
                centres.append((x0 + int(x), y0 + int(y)))
                top, left = max(y0 + int(y) - PIECE_PX, 0), max(x0 + int(x) - PIECE_PX, 0)
                strength[top : top + 2 * PIECE_PX, left : left + 2 * PIECE_PX] = 0.0
    if not centres:
        return None
    places = np.array(centres, dtype=np.float64)
    pieces = build_templates(
        luma, places, (PIECE_PX, PIECE_PX), noise=picture_noise(luma), most_pixels=PIECE_PIXELS
    )
    good = np.flatnonzero(pieces.shift_bound_px().max(axis=1) < WORST_PIECE_PX)
    if not len(good):
        return None
    pieces = pieces.take(good)
    return FixedPoints(pieces, pieces.centres.copy(), (width, height))
