"""A line as it enters a measurement: where it lies in the picture, and how else it may lie.

Positions are px of the square picture (pixel aspect applied); angles radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineMark:
    """A line by points along it, with its uncertainty in the picture.

    Attributes
    ----------
    points_px : ndarray, shape (K, 2)
        Along the line, px of the square picture.
    u_offset_px, u_turn_rad : float
        Standard uncertainty across the line at its middle, and of its turn, in the picture.
    dof, correlation : float
        Degrees of freedom of both, and the correlation between them.
    repeat_u_rad, repeat_dof : float
        Scatter of the mean over repeated marks.
    """

    points_px: FloatArray
    u_offset_px: float
    u_turn_rad: float
    dof: float = math.inf
    correlation: float = 0.0
    repeat_u_rad: float = 0.0
    repeat_dof: float = math.inf

    @property
    def length_px(self) -> float:
        """From the first point to the last."""
        return float(np.hypot(*(self.points_px[-1] - self.points_px[0])))

    def draw(self, rng: np.random.Generator, n: int, fit: bool, repeat: bool) -> FloatArray:
        """Points of n possible lines, shape (n, K, 2); (1, K, 2) when nothing is drawn."""
        placed = fit and (self.u_offset_px > 0 or self.u_turn_rad > 0)
        if not placed and not (repeat and self.repeat_u_rad > 0):
            return self.points_px[None]
        middle = self.points_px.mean(axis=0)
        span = self.points_px[-1] - self.points_px[0]
        along = span / np.hypot(*span)
        across = np.array([-along[1], along[0]])
        place = (self.points_px - middle) @ along
        offset = np.zeros(n)
        turn = np.zeros(n)
        if placed:
            first, second = _student(rng, n, self.dof), _student(rng, n, self.dof)
            offset += self.u_offset_px * first
            rest = math.sqrt(max(0.0, 1 - self.correlation**2))
            turn += self.u_turn_rad * (self.correlation * first + rest * second)
        if repeat and self.repeat_u_rad:
            turn += self.repeat_u_rad * _student(rng, n, self.repeat_dof)
        shift = offset[:, None] + turn[:, None] * place[None, :]
        return np.asarray(self.points_px[None] + shift[..., None] * across, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Reference:
    """A line known to be level or plumb, in the plane of motion or a plane parallel to it.

    Attributes
    ----------
    name : str
        For people: "plumb line", "second level line", ...
    plumb : bool
        Whether it hangs; otherwise it is level.
    line : LineMark
    itself_u_rad : float
        Standard uncertainty of its being level or plumb.
    """

    name: str
    plumb: bool
    line: LineMark
    itself_u_rad: float

    @property
    def in_picture(self) -> str:
        """Name of its place in the picture as a source of uncertainty."""
        return f"{self.name} in the picture"

    @property
    def itself(self) -> str:
        """Name of its being level or plumb as a source of uncertainty."""
        return f"{self.name} itself"

    @property
    def advice(self) -> str:
        """What would make it truer."""
        if self.plumb:
            return "let the bob come to rest, out of the wind, and state how well it hangs"
        return "level the edge with a better instrument, and state how well it is level"

    @property
    def picture_u_rad(self) -> float:
        """Standard uncertainty of its turn in the picture."""
        return math.hypot(self.line.u_turn_rad, self.line.repeat_u_rad)

    @property
    def u_rad(self) -> float:
        """Standard uncertainty of the level direction it gives, rad."""
        return math.hypot(self.picture_u_rad, self.itself_u_rad)


def _student(rng: np.random.Generator, n: int, dof: float) -> FloatArray:
    """Scaled draws of a Type A quantity: Student t (JCGM 101:2008, 6.4.9), normal for many dof."""
    if math.isinf(dof) or dof > 1000:
        return rng.standard_normal(n)
    return rng.standard_t(max(dof, 1.0), n)
