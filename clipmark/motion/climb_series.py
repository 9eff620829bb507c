"""One attempt as series, and how it ended: what the facts are read from and given in.

Pure: arrays and small frozen dataclasses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.climb_nose import Nose
from clipmark.motion.climb_table import NOT_TOLD
from clipmark.motion.sampling import FloatArray

SLIP_SHARE = 0.35  # of the longer way: from here on a wheel slips
TURN_MM = 4.0  # of surface: less is standing


@dataclass(frozen=True, eq=False)
class ClimbSeries:
    """One attempt in K frames; NaN where not seen. Lengths mm, or in another unit throughout.

    Attributes
    ----------
    times_s : ndarray, shape (K,)
        Strictly increasing.
    travel_mm : ndarray, shape (K,)
        Rear axle's way up the board.
    surface_mm : ndarray, shape (K,) or None
        Way of the surface of the wheel that tells slip, positive as climbing turns it; None
        without a wheel.
    nose_deg : ndarray, shape (K,)
        Chassis to ramp, nose up positive.
    past_mm : ndarray, shape (K,) or None
        The rear-most contact point past the finish line; None without a line or a contact point.
    on_board : ndarray of bool, shape (K,) or None
        Where all wheels stood on the board, as far as its foot is known.
    entered : int or None
        First instant at which something else was in the patch.
    noise_mm, noise_surface_mm : float
        Standard deviation of a single value.
    """

    times_s: FloatArray
    travel_mm: FloatArray
    surface_mm: FloatArray | None
    nose_deg: FloatArray
    past_mm: FloatArray | None
    on_board: NDArray[np.bool_] | None
    entered: int | None
    noise_mm: float
    noise_surface_mm: float = 0.0

    def until(self, last: int) -> ClimbSeries:
        """The same up to an instant, which is included."""
        part = slice(0, last + 1)
        return ClimbSeries(
            self.times_s[part],
            self.travel_mm[part],
            None if self.surface_mm is None else self.surface_mm[part],
            self.nose_deg[part],
            None if self.past_mm is None else self.past_mm[part],
            None if self.on_board is None else self.on_board[part],
            self.entered,
            self.noise_mm,
            self.noise_surface_mm,
        )


@dataclass(frozen=True)
class Back:
    """One stretch of travel back down: instants, way, and how much of it the wheel turned back."""

    first: int
    last: int
    mm: float
    surface_mm: float | None

    @property
    def rolled(self) -> bool | None:
        """Whether the wheel rolled back with the body; None where it was not seen."""
        if self.surface_mm is None:
            return None
        return abs(self.surface_mm + self.mm) < max(SLIP_SHARE * self.mm, TURN_MM)


@dataclass(frozen=True)
class Ending:
    """How an attempt ended.

    Attributes
    ----------
    seen : str
        A row of `clipmark.motion.climb_table.OUTCOMES`.
    decided : int or None
        The deciding instant: crossing, lift that ran away, end of progress; None where undecided.
    t_s : float or None
        Its time, interpolated where it is a crossing.
    finish_t_s : float or None
    nose : Nose
    highest, highest_mm : int, float
        Where the travel was largest.
    progress_ended : int
        Last instant with progress up the board.
    after_s : float
        How long what followed was seen.
    backs : tuple of Back
        All travel back, in order of time.
    front, slip, wheels : str
        Facts for `clipmark.motion.climb_table.ended_by`.
    slip_share : float or None
        Surface less travel over the longer of the two, in the stretch that told `slip`.
    spun_mm : float or None
        Surface ahead of the body after progress ended.
    """

    seen: str
    decided: int | None
    t_s: float | None
    finish_t_s: float | None
    nose: Nose
    highest: int
    highest_mm: float
    progress_ended: int
    after_s: float
    backs: tuple[Back, ...] = ()
    front: str = NOT_TOLD
    slip: str = NOT_TOLD
    wheels: str = NOT_TOLD
    slip_share: float | None = None
    spun_mm: float | None = None
