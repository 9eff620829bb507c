"""One exact frame of a clip, upright."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.clip.picture import Luma, Picture
from clipmark.clip.upright import UprightTransform


class Frame:
    """A frame: which one it is, when it was shown, and what it shows.

    Positions are px of the upright picture, the centre of the top-left pixel at (0, 0), x right,
    y down; pixel aspect and lens are not applied.

    Attributes
    ----------
    ordinal : int
        Place in presentation order, from 0.
    pts : int or None
        The container's presentation time stamp, ticks of `time_base`; None if it has none.
    time_base : Fraction
        Seconds per tick, as stored.
    time : Fraction or None
        Exact seconds from the first shown frame, the declared true rate applied.
    time_s : float
        The same, rounded once; NaN without times.
    bit_depth : int
        Significant bits of a luma value.
    black_level, white_level : int
        Luma code values of black and white.
    """

    def __init__(
        self,
        *,
        ordinal: int,
        pts: int | None,
        time_base: Fraction,
        time: Fraction | None,
        picture: Picture,
        upright: UprightTransform,
        colours_again: Callable[[int], NDArray[np.uint8]],
    ) -> None:
        self.ordinal = ordinal
        self.pts = pts
        self.time_base = time_base
        self.time = time
        self.time_s = float("nan") if time is None else float(time)
        self.bit_depth = picture.layout.bit_depth
        self.black_level, self.white_level = picture.layout.black, picture.layout.white
        self._picture, self._upright, self._colours_again = picture, upright, colours_again

    @cached_property
    def luma(self) -> Luma:
        """Luma as decoded, upright, shape (H, W); uint8, or uint16 above 8 bits; read-only."""
        stored = self._picture.luma
        if not self._upright.moves:
            return stored
        luma = np.ascontiguousarray(self._upright.apply(stored))
        luma.flags.writeable = False
        return luma

    @cached_property
    def fingerprint(self) -> str:
        """Proof of the picture: SHA-256 over size, depth and stored luma, hex."""
        return self._picture.fingerprint()

    def bgr(self) -> NDArray[np.uint8]:
        """Colours for show, upright, shape (H, W, 3), blue first; approximate, not for measuring.

        Raises
        ------
        FrameError
            If the colours were let go and the frame cannot be decoded again.
        """
        stored = self._picture.stored_bgr()
        if stored is None:
            return self._colours_again(self.ordinal)
        return np.ascontiguousarray(self._upright.apply(stored))

    def __repr__(self) -> str:
        return f"<Frame {self.ordinal} at {self.time_s:.6f} s>"
