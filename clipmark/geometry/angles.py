"""Signs and ranges of angles, written once.

A single unordered line is positive when its right-hand end is higher, in (-90, 90] deg. A
chassis given by its hubs, rear first and front second, is the elevation of its nose: positive
nose up whichever way the truck faces, in (-180, 180] deg, so that a truck on its roof is not
folded back. Radians throughout, except where a name says degrees. "Counter-clockwise" is as seen
by a person looking at the picture, in which y points down.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def fold_line(angle_rad: ArrayLike) -> FloatArray:
    """Fold the angle of an unordered line into (-pi/2, pi/2].

    Parameters
    ----------
    angle_rad : array_like, any shape

    Returns
    -------
    ndarray, same shape
    """
    angle = np.asarray(angle_rad, dtype=np.float64)
    return np.asarray(math.pi / 2 - np.mod(math.pi / 2 - angle, math.pi))


def wrap_turn(angle_rad: ArrayLike) -> FloatArray:
    """Wrap the angle of an ordered pair into (-pi, pi]; any shape."""
    angle = np.asarray(angle_rad, dtype=np.float64)
    return np.asarray(math.pi - np.mod(math.pi - angle, 2 * math.pi))


def unfold_near(angle_rad: ArrayLike, near_rad: float, period_rad: float = math.pi) -> FloatArray:
    """The same lines with the angle taken within half a period of `near_rad`; any shape.

    Draws of a line near upright would fall on both sides of the fold; unfolded about the
    estimate they form one heap and have an interval.
    """
    off = np.asarray(angle_rad, dtype=np.float64) - near_rad
    return np.asarray(near_rad + off - period_rad * np.round(off / period_rad))


def line_lean(ends_px: ArrayLike) -> FloatArray:
    """Lean of unordered lines in the picture, (-pi/2, pi/2], positive when the right end is higher.

    Parameters
    ----------
    ends_px : array_like, shape (..., 2, 2)
        Both ends ``(x, y)``, px, y down, in either order.

    Returns
    -------
    ndarray, shape (...)
    """
    ends = np.asarray(ends_px, dtype=np.float64)
    step = ends[..., 1, :] - ends[..., 0, :]
    return fold_line(np.arctan2(-step[..., 1], step[..., 0]))


def nose_elevation(turn_rad: ArrayLike, faces: Literal["left", "right"]) -> FloatArray:
    """Elevation of the nose of an ordered pair, rear first and front second, (-pi, pi].

    Parameters
    ----------
    turn_rad : array_like, any shape
        Angle from the level direction pointing right to the direction from rear to front,
        counter-clockwise.
    faces : {'left', 'right'}
        The way the truck faces as filmed: the side its nose is on when it stands on its wheels.

    Returns
    -------
    ndarray, same shape
        Positive nose up; beyond +-pi/2 the truck is past upright, onto its roof.
    """
    turn = np.asarray(turn_rad, dtype=np.float64)
    return wrap_turn(turn if faces == "right" else math.pi - turn)


def facing(turn_rad: float) -> Literal["left", "right"]:
    """The side the nose is on in this very frame, from the angle `nose_elevation` takes.

    Right for a truck on its wheels; for one past upright it must be known from another frame.
    """
    return "right" if math.cos(turn_rad) >= 0 else "left"


def grade_to_deg(grade_percent: ArrayLike) -> FloatArray:
    """Degrees of a slope given as percent grade: ``atan(grade / 100)``; any shape."""
    grade = np.asarray(grade_percent, dtype=np.float64)
    return np.asarray(np.degrees(np.arctan(grade / 100.0)))


def deg_to_grade(angle_deg: ArrayLike) -> FloatArray:
    """Percent grade of a slope in degrees: ``100 tan(angle)``; any shape."""
    angle = np.asarray(angle_deg, dtype=np.float64)
    return np.asarray(100.0 * np.tan(np.radians(angle)))
