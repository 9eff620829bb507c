"""The four corners of a sheet as marked or fitted, and what is refused as no sheet.

Positions are px of the square picture (pixel aspect applied).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import PlaneError
from clipmark.geometry.camera import Kind

FloatArray = NDArray[np.float64]

MIN_SIDE_PX = 20.0  # 1 px at a corner of a shorter side turns it by 4 deg
MIN_CORNER_DEG = 12.0  # flatter corners: three of them lie nearly on one line


@dataclass(frozen=True, eq=False)
class SheetCorners:
    """The four corners as marked or fitted, and the size as stated.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2)
        Going round the sheet, either way, px of the square picture.
    covariance_px2 : ndarray, shape (4, 2, 2)
        Covariance of each corner.
    size_mm : (float, float)
        Length of the side from corner 1 to 2, and of the side from corner 2 to 3.
    side_u_mm : float
        Standard uncertainty of each side.
    kind : {'A', 'B'}
        How the corners were found: fitted edges or repeated marks, or declared.
    dof : float
        Degrees of freedom of the corners.
    """

    corners_px: FloatArray
    covariance_px2: FloatArray
    size_mm: tuple[float, float]
    side_u_mm: float = 0.5
    kind: Kind = "B"
    dof: float = math.inf

    @cached_property
    def handed(self) -> float:
        """1 when the corners go clockwise as seen in the picture, -1 otherwise."""
        return check_corners(self.corners_px)

    @cached_property
    def whitening(self) -> FloatArray:
        """Matrices that turn each corner's error into two of standard deviation 1, (4, 2, 2)."""
        # A tenth of a thousandth of a pixel keeps corners that are stated to be exact solvable.
        factors = np.linalg.cholesky(self.covariance_px2 + 1e-8 * np.eye(2))
        return np.asarray(np.linalg.inv(factors), dtype=np.float64)


def check_corners(corners_px: FloatArray) -> float:
    """Refuse corners that are no sheet; return 1 when they go clockwise as seen, else -1.

    Raises
    ------
    PlaneError
        A sentence: crossing order, dented, nearly in line, too small.
    """
    corners = np.asarray(corners_px, dtype=np.float64)
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise PlaneError(
            "a sheet needs four corners with finite positions; mark all four, in order"
        )
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    shortest = int(np.argmin(lengths))
    if lengths[shortest] < MIN_SIDE_PX:
        raise PlaneError(
            f"the sheet's side from corner {shortest + 1} to {(shortest + 1) % 4 + 1} is "
            f"{lengths[shortest]:.1f} px long, but at least {MIN_SIDE_PX:.0f} px is needed; "
            "use a larger sheet or film it from nearer"
        )
    ahead = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * ahead[:, 1] - sides[:, 1] * ahead[:, 0]
    sines = turns / (lengths * np.roll(lengths, -1))
    positive = int(np.sum(turns > 0))
    if positive == 2:
        raise PlaneError(
            "the sheet's corners are marked in crossing order, so its sides cross; "
            "mark them one after the other going round the sheet"
        )
    flattest = int(np.argmin(np.abs(sines)))
    if np.abs(sines[flattest]) < math.sin(math.radians(MIN_CORNER_DEG)):
        corner = (flattest + 1) % 4 + 1
        raise PlaneError(
            f"three of the sheet's corners lie nearly on one line at corner {corner}, "
            "so the sheet shows no plane; check the corners, or film it less steeply"
        )
    if positive in (1, 3):
        raise PlaneError(
            "one of the sheet's corners lies inside the triangle of the other three; "
            "check the corners, since a flat rectangle never looks like that"
        )
    return 1.0 if positive == 4 else -1.0
