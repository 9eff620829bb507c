"""Following what stands still: background pieces that tell the camera's own motion.

Pieces are chosen in the reference picture, spread over it, away from the body patch, and each
frame is registered to that picture, never to the frame before. Which of them are truly background
is decided afterwards, from how they moved (`clipmark.motion.camera`).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.marks import Patch
from clipmark.motion.register import Pose, register
from clipmark.motion.sampling import Float32Array, FloatArray
from clipmark.motion.search import find_piece
from clipmark.motion.templates import Templates, build_templates

PIECE_PX = 41
PIECE_PIXELS = 256
MOST_PIECES = 12
TRUCK_REACH = 3.2  # patch sizes from its middle that a truck may reach to
GRID = (6, 4)  # cells across and down, so that the pieces spread over the picture
PER_CELL = 2
EDGE_PX = 24  # a piece this near the border would leave the picture with a slight shake
WORST_PIECE_PX = 0.15
LEAST_MATCH, LEAST_INLIERS = 0.6, 0.5
SEARCH_PX = 48.0
KEPT_SPEED = 0.8  # of the last common motion, expected again
GIVEN_UP, LOOKED_AGAIN = 8, 12  # a piece lost so many frames running is tried every so many only


def choose_background(luma: NDArray[np.generic], body: Patch, noise: float) -> Templates | None:
    """Up to `MOST_PIECES` textured pieces outside the body patch, or None when there are none.

    The zone kept clear is the patch grown by its own size on each side: most of a truck. Of what
    may still be the truck, its wheels above all, pieces are taken only where too little else is.
    """
    blocked = np.zeros(luma.shape, dtype=bool)
    x0, y0 = int(body.x - body.w) - PIECE_PX // 2, int(body.y - body.h) - PIECE_PX // 2
    x1, y1 = int(body.x + 2 * body.w) + PIECE_PX // 2, int(body.y + 2 * body.h) + PIECE_PX // 2
    blocked[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = True
    pieces = _candidates(luma, blocked, noise)
    if pieces is None:
        return None
    bounds = pieces.shift_bound_px().max(axis=1)
    good = np.flatnonzero(bounds < WORST_PIECE_PX)
    away = np.abs(pieces.centres - _middle(body)) / (body.w, body.h)
    near = np.asarray((away < TRUCK_REACH).all(axis=1), dtype=bool)
    far = good[~near[good]]
    close = good[near[good]]
    ranked = [group[np.argsort(bounds[group])] for group in (far, close)]
    best = np.concatenate(ranked)[:MOST_PIECES]
    return pieces.take(np.sort(best)) if len(best) else None


def pick_pieces(
    luma: NDArray[np.generic], blocked: NDArray[np.bool_], noise: float
) -> Templates | None:
    """Up to `MOST_PIECES` textured pieces, none with its middle where it is blocked, or None.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    blocked : ndarray of bool, shape (H, W)
    noise : float
        Of one pixel, grey levels.
    """
    pieces = _candidates(luma, blocked, noise)
    if pieces is None:
        return None
    bounds = pieces.shift_bound_px().max(axis=1)
    good = np.flatnonzero(bounds < WORST_PIECE_PX)
    best = good[np.argsort(bounds[good])][:MOST_PIECES]
    return pieces.take(np.sort(best)) if len(best) else None


def _candidates(
    luma: NDArray[np.generic], blocked: NDArray[np.bool_], noise: float
) -> Templates | None:
    """Pieces spread over what is not blocked and not too near the border, or None."""
    height, width = luma.shape
    reach = PIECE_PX // 2 + EDGE_PX
    inside = np.zeros(luma.shape, dtype=bool)
    inside[reach : height - reach, reach : width - reach] = True
    strength = corner_strength(luma, PIECE_PX)
    strength[blocked | ~inside] = -1.0
    centres = _spread_peaks(strength)
    if not len(centres):
        return None
    size = (PIECE_PX, PIECE_PX)
    return build_templates(luma, centres, size, noise=noise, most_pixels=PIECE_PIXELS)


def _middle(body: Patch) -> FloatArray:
    return np.array([body.x + body.w / 2, body.y + body.h / 2])


def corner_strength(luma: NDArray[np.generic], piece_px: int) -> Float32Array:
    """Smaller eigenvalue of the gradient matrix over a piece around each pixel, shape (H, W)."""
    half = cv2.resize(
        np.asarray(luma, dtype=np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA
    )
    values = cv2.cornerMinEigenVal(half, blockSize=piece_px // 2, ksize=3)
    size = (luma.shape[1], luma.shape[0])
    return np.array(cv2.resize(values, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _spread_peaks(strength: Float32Array) -> FloatArray:
    """The strongest places of each grid cell, at least one piece apart, shape (n, 2) px."""
    height, width = strength.shape
    found: list[tuple[float, float]] = []
    field = strength.copy()
    for row in range(GRID[1]):
        for column in range(GRID[0]):
            y0, y1 = row * height // GRID[1], (row + 1) * height // GRID[1]
            x0, x1 = column * width // GRID[0], (column + 1) * width // GRID[0]
            for _ in range(PER_CELL):
                cell = field[y0:y1, x0:x1]
                y, x = np.unravel_index(int(np.argmax(cell)), cell.shape)
                if cell[y, x] <= 0:
                    break
                at_x, at_y = x0 + int(x), y0 + int(y)
                found.append((at_x, at_y))
                top, left = max(at_y - PIECE_PX, 0), max(at_x - PIECE_PX, 0)
                field[top : at_y + PIECE_PX, left : at_x + PIECE_PX] = -1.0
    return np.array(found, dtype=np.float64).reshape(-1, 2)


class BackgroundFollower:
    """Follows background pieces from frame to frame; shifts are against the reference picture."""

    def __init__(self, luma: NDArray[np.generic], pieces: Templates) -> None:
        self.pieces = pieces
        self._shift = np.zeros((pieces.count, 2))
        self._usual = np.full(pieces.count, 1.4 * pieces.noise)
        contrast = pieces.contrast()
        self._best_match = contrast**2 / (contrast**2 + pieces.noise**2)
        corners = np.rint(pieces.centres - (PIECE_PX - 1) / 2).astype(int)
        self._corners = corners
        self._images = [np.array(luma[y : y + PIECE_PX, x : x + PIECE_PX]) for x, y in corners]
        self._variance_sum = np.zeros((pieces.count, 2))
        self._scores = np.zeros((2, pieces.count, 2))
        self._frames = np.zeros(pieces.count)
        self._missed = np.zeros(pieces.count, dtype=int)
        self._steps = self._tried = 0
        self._part: tuple[bytes, Templates] = (b"", pieces)
        self._last = np.full((pieces.count, 2), np.nan)  # where each was seen last
        self._known = True
        self._middle = np.zeros(2)  # common shift of the frame before
        self._steady = False

    def start_unknown(self) -> None:
        """Say that the next frame may show the background elsewhere."""
        self._known = False

    def u_px(self) -> FloatArray:
        """Mean standard uncertainty of each piece's shift over the frames, px, shape (P, 2)."""
        frames = np.maximum(self._frames, 1)[:, None]
        white, block = self._scores.sum(axis=1)
        inflation = np.maximum(1.0, block / np.maximum(white, 1e-12))
        return np.asarray(np.sqrt(self._variance_sum / frames * inflation))

    def step(self, luma: NDArray[np.generic]) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Shifts of all pieces in the next picture, px, shape (P, 2), and which were found."""
        if not self._known:
            self._search(luma)
        shift, valid = self._attempt(luma, self._shift)
        if valid.sum() < 0.5 * self._tried:
            self._search(luma)
            shift, valid = self._attempt(luma, self._shift)
        self._last[valid] = shift[valid]
        if valid.any():
            middle = np.median(shift[valid], axis=0)
            ahead = KEPT_SPEED * (middle - self._middle) if self._steady else 0.0
            self._shift = np.where(valid[:, None], shift, middle) + ahead
            self._middle, self._steady = middle, True
            self._known = True
        return shift, valid

    def _attempt(
        self, luma: NDArray[np.generic], start: FloatArray
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Register the pieces that are worth it; what was not tried is not found."""
        tried = self._worth_trying()
        self._tried = len(tried)
        fit = register(self._of(tried), luma, Pose.at(start[tried]), self._usual[tried], form=False)
        good = fit.converged & (fit.inliers > LEAST_INLIERS)
        good &= fit.match > LEAST_MATCH * self._best_match[tried]
        shift, valid = start.copy(), np.zeros(self.pieces.count, dtype=bool)
        shift[tried], valid[tried] = fit.pose.shift, good
        self._missed[tried] = np.where(good, 0, self._missed[tried] + 1)
        found = tried[good]
        scale = np.maximum(fit.scale[good], self.pieces.noise)
        self._usual[found] = 0.9 * self._usual[found] + 0.1 * scale
        self._variance_sum[found] += np.einsum("pii->pi", fit.covariance)[good]
        self._scores[0][found] += fit.score_white[good]
        self._scores[1][found] += fit.score_block[good]
        self._frames[found] += 1
        return shift, valid

    def _worth_trying(self) -> NDArray[np.intp]:
        """Numbers of the pieces to look for: not those hidden for long, but for now and then."""
        self._steps += 1
        given_up = self._missed >= GIVEN_UP
        if given_up.all() or self._steps % LOOKED_AGAIN == 0:
            return np.arange(self.pieces.count)
        return np.flatnonzero(~given_up)

    def _of(self, tried: NDArray[np.intp]) -> Templates:
        """Those pieces alone."""
        if len(tried) == self.pieces.count:
            return self.pieces
        name = tried.tobytes()
        if self._part[0] != name:
            self._part = name, self.pieces.take(tried)
        return self._part[1]

    def _search(self, luma: NDArray[np.generic]) -> None:
        """Each piece where correlation finds it near its last place, the rest by the median.

        Not all by the median: where most of the pieces are on the truck, those that stand still
        would be lost with it.
        """
        usual = np.median(self._shift, axis=0)
        guesses = np.full((self.pieces.count, 2), np.nan)
        for p, (corner, image) in enumerate(zip(self._corners, self._images, strict=True)):
            last = self._last[p] if np.isfinite(self._last[p]).all() else usual
            found, score = find_piece(image, luma, corner + last, SEARCH_PX)
            if score > 0.7 * self._best_match[p]:
                guesses[p] = found - corner
        seen = np.isfinite(guesses[:, 0])
        if seen.any():
            self._shift = np.where(seen[:, None], guesses, np.median(guesses[seen], axis=0))
