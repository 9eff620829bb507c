"""Which way up: the stored picture turned and mirrored to how it is to be shown.

Only exact moves of whole pixels are made (quarter turns and mirror images); no value is
resampled. The stored display matrix is read itself: a single rotation angle hides mirroring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FootageError

Pixel = TypeVar("Pixel", bound=np.generic)
_TURN_TOLERANCE = 1e-3  # of the longest entry; 16.16 fixed point holds a quarter turn to 2e-5


@dataclass(frozen=True)
class UprightTransform:
    """Exact move from the stored to the upright picture: swap axes first, then mirror.

    Attributes
    ----------
    transpose : bool
        Rows and columns change places.
    flip_x, flip_y : bool
        Then left and right, or top and bottom, change places.
    """

    transpose: bool = False
    flip_x: bool = False
    flip_y: bool = False

    @classmethod
    def from_matrix(cls, matrix: NDArray[np.int32], name: str = "the file") -> UprightTransform:
        """Read a 3x3 display matrix (ISO/IEC 14496-12, 6.2.2; nine 32-bit integers by rows).

        The first two rows say where the stored x and y axes point in the upright picture.

        Raises
        ------
        FootageError
            If the matrix is neither a quarter turn nor the mirror image of one.
        """
        (a, b), (c, d) = matrix.reshape(3, 3)[:2, :2].astype(float)
        longest = max(abs(a), abs(b), abs(c), abs(d))
        if longest == 0:
            raise FootageError(
                f"{name} carries a display matrix without meaning, so which way is up is not "
                "known; export it upright from the camera's own program"
            )
        straight = max(abs(b), abs(c)) <= _TURN_TOLERANCE * longest
        crossed = max(abs(a), abs(d)) <= _TURN_TOLERANCE * longest
        if straight and a != 0 and d != 0:
            return cls(False, bool(a < 0), bool(d < 0))
        if crossed and b != 0 and c != 0:
            return cls(True, bool(c < 0), bool(b < 0))
        turn = math.degrees(math.atan2(b, a))
        raise FootageError(
            f"{name} asks to be shown turned by {abs(turn):.1f} degrees, and angles would be "
            "wrong; export it upright from the camera's own program"
        )

    @property
    def moves(self) -> bool:
        """Whether anything has to be moved at all."""
        return self.transpose or self.flip_x or self.flip_y

    @property
    def mirrored(self) -> bool:
        """Whether left and right are exchanged, beyond any turn."""
        return (self.transpose + self.flip_x + self.flip_y) % 2 == 1

    @property
    def clockwise_deg(self) -> int:
        """Turn of the stored picture to the right, degrees: 0, 90, 180 or 270.

        For a mirrored picture the turn that follows after left and right were exchanged.
        """
        table = {  # (transpose, flip_x, flip_y)
            (False, False, False): 0,
            (True, True, False): 90,
            (False, True, True): 180,
            (True, False, True): 270,
            (False, True, False): 0,
            (True, True, True): 90,
            (False, False, True): 180,
            (True, False, False): 270,
        }
        return table[(self.transpose, self.flip_x, self.flip_y)]

    def size(self, width: int, height: int) -> tuple[int, int]:
        """Width and height of the upright picture, px."""
        return (height, width) if self.transpose else (width, height)

    def pixel_aspect(self, stored: Fraction) -> Fraction:
        """Width over height of one upright pixel; a quarter turn swaps them."""
        return 1 / stored if self.transpose else stored

    def apply(self, stored: NDArray[Pixel]) -> NDArray[Pixel]:
        """The upright picture as a view; shape (H, W) or (H, W, channels)."""
        picture = stored.swapaxes(0, 1) if self.transpose else stored
        if self.flip_x:
            picture = picture[:, ::-1]
        if self.flip_y:
            picture = picture[::-1]
        return picture
