"""The board a lens is calibrated with, and finding its corners in one picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError

FloatArray = NDArray[np.float64]
Luma8 = NDArray[np.uint8]

SMALL_PX = 640  # longer side of the picture a chessboard is looked for in
CODED_PX = 1280  # the same with markers, which must be read
WINDOW_SHARE = 0.3  # of the smallest square, half the window a corner is refined in
WINDOW_PX = (2, 8)
LEAST_CODED = 8  # corners of a board with markers that make a sighting
LEAST_CORNERS, MOST_CORNERS = 3, 60
PROFILE = 31  # samples across an edge
PROFILE_REACH_PX = 14.0
SEARCHED = (3, 3)  # inner corners that any board has, for telling another count
# The thorough search gives up only after 40 ms at 640 px, the quick one after 8; on drawn boards in
# slanting light and on the photographs of `tests/published` both find the same.
_QUICK = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
_THOROUGH = _QUICK | cv2.CALIB_CB_ADAPTIVE_THRESH
_STOP = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 40, 1e-3)


@dataclass(frozen=True)
class Board:
    """A printed board.

    Attributes
    ----------
    across, down : int
        Inner corners across and down.
    square_mm : float
    dictionary : str or None
        Name of the marker dictionary of a board with markers, as OpenCV names them (``4x4_50``);
        None for a plain chessboard.
    marker_mm : float or None
    """

    across: int
    down: int
    square_mm: float
    dictionary: str | None = None
    marker_mm: float | None = None

    @property
    def places_mm(self) -> FloatArray:
        """Places of the inner corners, row by row, shape (N, 2)."""
        a, b = np.meshgrid(np.arange(self.across), np.arange(self.down))
        places = np.column_stack([a.ravel(), b.ravel()]) * self.square_mm
        return np.asarray(places, dtype=np.float64)

    @property
    def words(self) -> str:
        """How an operator was asked for it."""
        if self.dictionary is None:
            return f"{self.across} x {self.down} inner corners"
        return (
            f"{self.across} x {self.down} inner corners and markers of the dictionary "
            f"{self.dictionary}"
        )

    @cached_property
    def detector(self) -> cv2.aruco.CharucoDetector:
        """Finder of a board with markers."""
        assert self.dictionary is not None
        assert self.marker_mm is not None
        size = (self.across + 1, self.down + 1)
        markers = cv2.aruco.getPredefinedDictionary(_dictionary(self.dictionary))
        return cv2.aruco.CharucoDetector(
            cv2.aruco.CharucoBoard(size, self.square_mm, self.marker_mm, markers)
        )


@dataclass(frozen=True, eq=False)
class Sighting:
    """A board found in one picture.

    Attributes
    ----------
    corners_px : ndarray, shape (N, 2)
        Upright px, in the order of `Board.places_mm`; NaN where a corner was not found.
    square_px : float
        Smallest distance between neighbouring corners.
    blur_px : float
        Standard deviation of the blur across the squares' edges, along the worse direction.
    """

    corners_px: FloatArray
    square_px: float
    blur_px: float


def board_of(
    board: str, square_mm: float, dictionary: str | None = None, marker_mm: float | None = None
) -> Board:
    """Read what board was asked for.

    Parameters
    ----------
    board : str
        ``9x6``: inner corners across and down, where four squares meet.
    square_mm : float
    dictionary, marker_mm : optional
        For a board with markers.

    Raises
    ------
    LensError
        When it is no board.
    """
    try:
        across, down = (int(part) for part in board.lower().replace("*", "x").split("x"))
    except ValueError:
        raise LensError(
            f"the board '{board}' (--board) is not two whole numbers; give its inner corners "
            "across x down, such as 9x6"
        ) from None
    if dictionary is None and marker_mm is not None:
        raise LensError(
            "a marker size (--marker-mm) was given without a dictionary; name it (--charuco), such "
            "as 4x4_50, or leave the size out"
        )
    if min(across, down) < LEAST_CORNERS or max(across, down) > MOST_CORNERS:
        raise LensError(
            f"a board of {board} inner corners (--board) cannot be used; it must have "
            f"{LEAST_CORNERS} to {MOST_CORNERS} each way"
        )
    if not (math.isfinite(square_mm) and square_mm > 0):
        raise LensError(
            f"squares of {square_mm:g} mm (--square-mm) cannot be; measure one side of a printed "
            "square"
        )
    if dictionary is None:
        return Board(across, down, float(square_mm))
    if marker_mm is None or not 0 < marker_mm < square_mm:
        raise LensError(
            "a board with markers needs the side of a marker (--marker-mm), smaller than that of a "
            f"square ({square_mm:g} mm)"
        )
    number = _dictionary(dictionary)
    needed = (across + 1) * (down + 1) // 2
    held = len(cv2.aruco.getPredefinedDictionary(number).bytesList)
    if needed > held:
        raise LensError(
            f"a board of {board} inner corners needs {needed} markers, but the dictionary "
            f"{dictionary} has {held}; use a larger one"
        )
    return Board(across, down, float(square_mm), dictionary.lower(), float(marker_mm))


def find_board(luma: Luma8, board: Board, *, full: bool = False) -> Sighting | None:
    """Look for the board in one picture.

    Parameters
    ----------
    luma : ndarray of uint8, shape (H, W)
    board : Board
    full : bool
        Whether to look thoroughly, and in the full picture, when a quick look shows nothing.

    Returns
    -------
    Sighting or None
        Corners refined in the full picture.
    """
    found = _coarse(luma, board, SMALL_PX if board.dictionary is None else CODED_PX)
    if found is None and full:
        found = _coarse(luma, board, SMALL_PX, _THOROUGH)
    if found is None and full:
        found = _coarse(luma, board, max(luma.shape), _THOROUGH)
    if found is None:
        return None
    return _refined(luma, found, board)


def other_count(luma: Luma8) -> tuple[int, int] | None:
    """Inner corners across and down of whatever chessboard is in the picture, if any is."""
    small, _ = _shrunk(luma, SMALL_PX)
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, _, meta = cv2.findChessboardCornersSBWithMeta(small, SEARCHED, flags)
    if not found or min(meta.shape[:2]) < min(SEARCHED):
        return None
    down, across = (int(n) for n in meta.shape[:2])
    return max(across, down), min(across, down)


def _dictionary(name: str) -> int:
    number = getattr(cv2.aruco, f"DICT_{name.upper().removeprefix('DICT_')}", None)
    if not isinstance(number, int):
        raise LensError(
            f"no marker dictionary is called '{name}' (--charuco); use one of OpenCV's names, such "
            "as 4x4_50, 5x5_100 or apriltag_36h11"
        )
    return number


def _shrunk(luma: Luma8, longest: int) -> tuple[Luma8, float]:
    scale = longest / max(luma.shape)
    if scale >= 1.0:
        return luma, 1.0
    size = (round(luma.shape[1] * scale), round(luma.shape[0] * scale))
    small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), size[0] / luma.shape[1]


def _coarse(luma: Luma8, board: Board, longest: int, flags: int = _QUICK) -> FloatArray | None:
    """Corners to about a small pixel, shape (N, 2), NaN where not found."""
    small, scale = _shrunk(luma, longest)
    if board.dictionary is None:
        found, corners = cv2.findChessboardCorners(small, (board.across, board.down), flags=flags)
        if not found:
            return None
        places = np.asarray(corners, np.float64).reshape(board.down, board.across, 2)
        along, below = places[0, -1] - places[0, 0], places[-1, 0] - places[0, 0]
        if along[0] * below[1] - along[1] * below[0] < 0:  # never seen from behind
            places = places[:, ::-1]
        flat = places.reshape(-1, 2)
    else:
        coded, names = board.detector.detectBoard(small)[:2]
        if not _some(coded):
            return None
        flat = np.full((board.across * board.down, 2), np.nan)
        flat[np.asarray(names).ravel()] = np.asarray(coded, np.float64).reshape(-1, 2)
    return np.asarray((flat + 0.5) / scale - 0.5, np.float64)


def _some(coded: object) -> bool:
    """Whether the marker finder gave enough corners (it gives None for none, whatever it says)."""
    return isinstance(coded, np.ndarray) and len(coded) >= LEAST_CODED


def _refined(luma: Luma8, coarse: FloatArray, board: Board) -> Sighting | None:
    """Corners refined by the saddle search, in a window that fits the smallest square.

    A window that reaches the next corner spoils corners quietly, by pixels (measured on the
    photographs of `tests/published`).
    """
    grid = coarse.reshape(board.down, board.across, 2)
    sides = np.concatenate(
        [np.hypot(*np.moveaxis(np.diff(grid, axis=axis), -1, 0)).ravel() for axis in (0, 1)]
    )
    if not np.isfinite(sides).any():
        return None
    smallest = float(np.nanmin(sides))
    half = int(np.clip(round(WINDOW_SHARE * smallest), *WINDOW_PX))
    seen = np.isfinite(coarse[:, 0])
    start = coarse[seen].astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(luma, start.copy(), (half, half), (-1, -1), _STOP)
    corners = np.full_like(coarse, np.nan)
    corners[seen] = np.asarray(fine, np.float64).reshape(-1, 2)
    moved = np.hypot(*(corners - coarse).T)
    corners[~(moved <= max(half, 0.35 * smallest))] = np.nan
    edge = np.min(np.minimum(corners, np.array(luma.shape[::-1]) - 1 - corners), axis=1)
    corners[~(edge > half + 1)] = np.nan  # the window must lie in the picture
    if np.isfinite(corners[:, 0]).sum() < LEAST_CODED:
        return None
    return Sighting(corners, smallest, _blur_px(luma, corners.reshape(grid.shape)))


def _blur_px(luma: Luma8, grid: FloatArray) -> float:
    """Blur across edges between neighbouring corners, px (standard deviation), worse direction.

    A straight edge blurred by a Gaussian rises by at most its height over ``sigma sqrt(2 pi)`` per
    px; the steepest rise along lines across the middle of each edge gives sigma.
    """
    worst = 0.0
    for axis in (0, 1):
        steps = np.diff(grid, axis=axis)
        middles = (np.delete(grid, -1, axis) + steps / 2).reshape(-1, 2)
        steps = steps.reshape(-1, 2)
        good = np.isfinite(middles).all(axis=1)
        if not good.any():
            continue
        middles, steps = middles[good], steps[good]
        length = np.hypot(*steps.T)
        across = np.column_stack([-steps[:, 1], steps[:, 0]]) / length[:, None]
        reach = min(0.35 * float(np.median(length)), PROFILE_REACH_PX)
        way = np.linspace(-reach, reach, PROFILE)
        at = (middles[:, None] + way[None, :, None] * across[:, None]).astype(np.float32)
        at_x, at_y = (np.ascontiguousarray(at[..., i]) for i in (0, 1))
        seen = cv2.remap(luma, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        lines = np.asarray(seen, dtype=np.float64)
        height = np.abs(lines[:, -3:].mean(axis=1) - lines[:, :3].mean(axis=1))
        steepest = np.abs(np.diff(lines, axis=1)).max(axis=1) / (way[1] - way[0])
        clear = height > 20
        if clear.any():
            sigma = height[clear] / np.maximum(steepest[clear], 1e-6) / math.sqrt(2 * math.pi)
            worst = max(worst, float(np.median(sigma)))
    return worst if worst > 0 else math.inf
