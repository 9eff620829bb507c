"""From lines in a picture to angles in the plane, for the estimate and for every draw.

Pure numerics: arrays in, arrays out. All angles here are radians, positive counter-clockwise as
seen by the camera.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.plane import (
    angle_between,
    directions,
    level_from_plumb,
    pointing_right,
)

FloatArray = NDArray[np.float64]


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
