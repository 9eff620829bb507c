"""From lines in a picture to angles in the plane, for the estimate and for every draw.

Pure numerics: arrays in, arrays out. All angles here are radians, positive counter-clockwise as
seen by the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.plane import (
    angle_between,
    directions,
    level_from_plumb,
    pointing_right,
)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineMark:
    """A line as it enters the angle: points along it and how it may lie.

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


def _student(rng: np.random.Generator, n: int, dof: float) -> FloatArray:
    """Scaled draws of a Type A quantity: Student t (JCGM 101:2008, 6.4.9), normal for many dof."""
    if math.isinf(dof) or dof > 1000:
        return rng.standard_normal(n)
    return rng.standard_t(max(dof, 1.0), n)


def level_directions(
    points_px: FloatArray, camera: FloatArray, normal: FloatArray, plumb: bool
) -> FloatArray:
    """Level direction in the plane, pointing right, from a level or a plumb line."""
    seen = directions(points_px, camera, normal)
    return level_from_plumb(seen, normal) if plumb else pointing_right(seen)


def elevation(
    level: FloatArray, points_px: FloatArray, camera: FloatArray, normal: FloatArray
) -> FloatArray:
    """Angle from the level direction to an ordered line, rad in (-pi, pi], shape () or (n,)."""
    return angle_between(level, directions(points_px, camera, normal), normal)
