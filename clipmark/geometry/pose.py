"""A camera that stands somewhere before the plane of motion: where things there are seen.

The way from the plane to the picture, the reverse of `clipmark.geometry.plane`: for planning before
there is a picture, and for what a protractor laid on the picture would read.

Positions in the plane are mm from the point where the optical axis meets it: x along the level
direction, positive to the right, y up, z (where it is given) off the plane towards the camera.
Positions in the picture are px of the square picture. Angles are radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.distortion import rays_to_pixels

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Stand:
    """One camera before the plane of motion.

    Attributes
    ----------
    camera : ndarray, shape (9,) or (8,)
        Lens parameter vector; see `clipmark.geometry.distortion`.
    distance_mm : float
        From the camera's centre to the plane along the optical axis.
    yaw_rad, pitch_rad : float
        As in `clipmark.geometry.plane.normal_from_yaw_pitch`: yaw positive with the plane's right
        side farther, pitch positive with its top farther.
    roll_rad : float
        Of the camera about its axis; positive shows lines turned counter-clockwise.
    """

    camera: FloatArray
    distance_mm: float
    yaw_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0

    @cached_property
    def axes(self) -> FloatArray:
        """Columns: level, up and towards the camera, in camera axes, shape (3, 3).

        The plane is turned about the vertical (yaw), then the camera about its own horizontal
        (pitch) and its axis (roll), so that the vertical stays in the picture's middle column
        where there is no roll.
        """
        c, s = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        yaw = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
        c, s = math.cos(self.pitch_rad), math.sin(self.pitch_rad)
        pitch = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
        c, s = math.cos(self.roll_rad), math.sin(self.roll_rad)
        roll = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        turned = roll @ pitch @ yaw
        return np.asarray(turned @ np.diag([1.0, -1.0, -1.0]), dtype=np.float64)

    @property
    def normal(self) -> FloatArray:
        """Unit normal facing the camera, in camera axes, shape (3,)."""
        return np.asarray(self.axes[:, 2], dtype=np.float64)

    def depth_mm(self, points_mm: FloatArray) -> FloatArray:
        """How far before the camera points lie along its axis, shape (n,); below 0 behind it."""
        return np.asarray(self._seen(points_mm)[:, 2], dtype=np.float64)

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Where points of the plane, shape (n, 2), or off it, (n, 3), are seen, shape (n, 2).

        NaN behind the camera, or where the lens model does not reach.
        """
        seen = self._seen(points_mm)
        ahead = seen[:, 2:] > 0
        rays = np.where(ahead, seen[:, :2] / np.where(ahead, seen[:, 2:], 1.0), np.nan)
        return np.asarray(rays_to_pixels(rays[None], self.camera[None])[0], dtype=np.float64)

    def _seen(self, points_mm: FloatArray) -> FloatArray:
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        if points.shape[1] == 2:
            points = np.column_stack([points, np.zeros(len(points))])
        return np.asarray(points @ self.axes.T + [0.0, 0.0, self.distance_mm], dtype=np.float64)


def shown_rad(points_px: FloatArray) -> float:
    """Lean in the picture of the chord from the first to the last point.

    In (-pi/2, pi/2], positive when the right end is higher: what a protractor laid on the picture
    reads, whatever lens and view made it.
    """
    x, y = np.asarray(points_px, dtype=np.float64)[[0, -1]].T
    lean = math.atan2(float(y[0] - y[1]), float(x[1] - x[0]))
    return math.pi / 2 - (math.pi / 2 - lean) % math.pi
