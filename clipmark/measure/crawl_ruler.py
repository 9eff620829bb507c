"""From px of the upright picture to mm in the plane of motion, and how surely.

Two kinds of ruler: a scale mark (two points a known length apart), or any map from the picture to
the plane, such as the one a sheet gives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line, check_line

FloatArray = NDArray[np.float64]
PointMap = Callable[[FloatArray], FloatArray]
SCALE_U_PX = 0.5  # standard uncertainty of a marked end, per axis, unless declared otherwise
LEAST_SCALE_PX = 40.0  # 0.5 px at each end of a shorter mark is worse than 2 %


@dataclass(frozen=True)
class ScaleSource:
    """One source of uncertainty that all lengths share.

    Attributes
    ----------
    source, advice : str
        What it is, and what would make it smaller.
    u_relative : float
        Relative standard uncertainty of a length.
    """

    source: str
    u_relative: float
    advice: str = ""


@dataclass(frozen=True)
class Ruler:
    """Maps upright-picture px to mm.

    Attributes
    ----------
    to_mm : callable
        ``(N, 2) px -> (N, 2) mm`` in the plane of motion, axes and origin as it likes.
    sources : tuple of ScaleSource
        What makes lengths uncertain, in common for the whole clip.
    describe : dict
        How it was made, for the record.
    """

    to_mm: PointMap
    sources: tuple[ScaleSource, ...]
    describe: dict[str, object]

    def with_length_doubt(self, length_mm: float | None, u_mm: float) -> Ruler:
        """The same ruler, the known length of its mark being uncertain by `u_mm`."""
        if not u_mm >= 0:
            raise MarkError("the uncertainty of the scale mark is below 0; give 0 or more")
        if length_mm is None or u_mm == 0:
            return self
        doubt = ScaleSource("length of the scale mark", u_mm / length_mm, "measure it better")
        return Ruler(self.to_mm, (*self.sources, doubt), {**self.describe, "scale_u_mm": u_mm})

    def stretch(self, points_px: FloatArray) -> FloatArray:
        """Change of mm per px at each point, shape (N, 2, 2): rows mm, columns px."""
        step = 0.5
        columns = []
        for axis in range(2):
            shift = np.zeros(2)
            shift[axis] = step
            ahead, behind = self.to_mm(points_px + shift), self.to_mm(points_px - shift)
            columns.append((ahead - behind) / (2 * step))
        return np.stack(columns, axis=-1)


def scale_ruler(
    clip: Clip,
    scale: Line,
    scale_mm: float,
    scale_u_px: float = SCALE_U_PX,
    to_straight: PointMap | None = None,
) -> Ruler:
    """Ruler from two marked points a known length apart.

    Parameters
    ----------
    clip : Clip
        For picture size and pixel aspect.
    scale : Line
        The two points, px of the upright picture.
    scale_mm : float
        Their true distance.
    scale_u_px : float
        Standard uncertainty of each end along the line, px.
    to_straight : callable, optional
        Upright px to undistorted square px; when not given only the pixel aspect is applied.

    Raises
    ------
    MarkError
        If the mark leaves the picture, is too short, or its length makes no sense.
    """
    check_line(scale, clip.width, clip.height, "the scale mark")
    if not (math.isfinite(scale_mm) and scale_mm > 0):
        raise MarkError(
            f"the scale mark is said to be {scale_mm:g} mm long; give a length above 0 mm"
        )
    if not scale_u_px >= 0:
        raise MarkError("the uncertainty of the scale mark is below 0; give 0 or more")
    aspect = float(clip.pixel_aspect)

    def squared(points_px: FloatArray) -> FloatArray:
        points = np.asarray(points_px, dtype=np.float64)
        return np.asarray(points * np.array([aspect, 1.0]), dtype=np.float64)

    straight = to_straight or squared
    ends = straight(np.array([[scale.x1, scale.y1], [scale.x2, scale.y2]]))
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length < LEAST_SCALE_PX:
        raise MarkError(
            f"the scale mark is {length:.1f} px long, but at least {LEAST_SCALE_PX:.0f} px is "
            "needed for a useful scale; mark two points further apart"
        )
    per_px = scale_mm / length
    across = (ends[1] - ends[0]) / length
    stretch = math.hypot(across[0] * aspect, across[1])  # square px per upright px along the line
    marks = ScaleSource(
        "scale mark in the picture",
        math.sqrt(2) * scale_u_px * stretch / length,
        "mark two points further apart, or zoom in on them",
    )

    def to_mm(points_px: FloatArray) -> FloatArray:
        return np.asarray(straight(points_px) * per_px, dtype=np.float64)

    described: dict[str, object] = {
        "scale": list(scale.as_tuple()),
        "scale_mm": scale_mm,
        "scale_u_px": scale_u_px,
        "mm_per_px": per_px,
    }
    return Ruler(to_mm, (marks,), described)


def plane_ruler(
    to_plane: PointMap, u_relative: float = 0.0, source: str = "sheet in the plane"
) -> Ruler:
    """Ruler from a map ``(N, 2) upright px -> (N, 2) mm`` such as a sheet gives.

    Parameters
    ----------
    to_plane : callable
        The map.
    u_relative : float
        Relative standard uncertainty of lengths along the way, from the sheet's fit, its size and
        its distance from the plane of motion.
    source : str
        Name of that uncertainty in the budget.
    """
    advice = "a larger sheet, nearer the truck's own plane"
    return Ruler(
        to_plane, (ScaleSource(source, u_relative, advice),), {"plane_u_relative": u_relative}
    )
