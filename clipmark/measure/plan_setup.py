"""What is planned to be filmed: camera, board, and what stands in the shot."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Self

from clipmark.errors import MarkError
from clipmark.geometry.lens import Lens
from clipmark.geometry.paper import parse_size_or_name
from clipmark.geometry.planned_edge import PictureQuality, usual_quality
from clipmark.measure.tags import TAG_SIDE_U_MM

Place = tuple[float, float]
LEAST_DISTANCE_MM = 100.0
SPREAD_DEG = 0.8  # from try to try (common practice, no source)
STEP_DEG = 1.0
TRIES = 10


@dataclass(frozen=True)
class PlannedLine:
    """A plumb or level line in the shot.

    Attributes
    ----------
    at_mm : (float, float)
        Its middle, right of and over the optical axis in the plane of motion.
    length_mm : float
        In view; inf where it goes from edge to edge of the picture.
    """

    at_mm: Place
    length_mm: float = math.inf

    @classmethod
    def parse(cls, text: str, plumb: bool, length_mm: float) -> Self:
        """Read ``x`` (plumb) or ``y`` (level) from edge to edge, or ``x,y`` for its middle."""
        what = "the plumb line" if plumb else "the level line"
        values = _numbers(text, what, "one number, or x,y, in mm from the optical axis", (1, 2))
        if len(values) == 2:
            return cls((values[0], values[1]), length_mm)
        return cls((values[0], 0.0) if plumb else (0.0, values[0]))


@dataclass(frozen=True)
class PlannedSheet:
    """A sheet, or a printed tag, in the plane of motion.

    Attributes
    ----------
    size_mm : (float, float)
        Width and height.
    at_mm : (float, float) or None
        Its middle; None lets the plan find a place beside the board.
    side_u_mm : float
        Standard uncertainty of each side.
    tag : bool
        Whether it is a tag, which finds itself.
    """

    size_mm: Place
    at_mm: Place | None
    side_u_mm: float
    tag: bool = False

    @classmethod
    def parse(cls, text: str, side_u_mm: float) -> Self:
        """Read ``A4``, ``A4@x,y`` or ``297x210@x,y``; raises `MarkError` otherwise."""
        size, at, place = text.partition("@")
        return cls(
            parse_size_or_name(size, "the sheet"), _place(place, text) if at else None, side_u_mm
        )

    @classmethod
    def parse_tag(cls, text: str, side_u_mm: float = TAG_SIDE_U_MM) -> Self:
        """Read ``80@x,y``: side and middle in mm; raises `MarkError` otherwise."""
        size, at, place = text.partition("@")
        if not at:
            raise MarkError(f"the tag '{text}' has no place: write it as SIDE@x,y in mm")
        (side,) = _numbers(size, "the tag's side", "a length in mm, as in 80@-200,150", (1,))
        return cls((side, side), _place(place, text), side_u_mm, tag=True)


@dataclass(frozen=True)
class Setup:
    """Everything that is planned; lengths mm in the plane of motion, from the optical axis.

    Attributes
    ----------
    distance_mm : float
        From the camera to the plane of motion, along the axis.
    size_px : (int, int)
        Of the upright picture, square pixels.
    board_mm, ramp_deg, ramp_at_mm
        Length of the board, its angle, and where the middle of its edge lies.
    lens, view_angle_deg
        What is known of the camera; at most one of them.
    plumbs, levels, sheets : tuples
    line_u_deg, square_within_deg : float
        As in a reading: standard uncertainty of each plumb or level line itself, and the promise.
    yaw_deg, pitch_deg : float
        How the camera will really stand, where it cannot be square.
    wheelbase_mm, rim_mm : float or None
        Of the truck; diameter of its rims. None leaves the chassis out.
    string_mm : float
        Width of a plumb line.
    quality : PictureQuality
    """

    distance_mm: float
    size_px: tuple[int, int]
    board_mm: float
    ramp_deg: float = 45.0
    ramp_at_mm: Place = (0.0, 0.0)
    lens: Lens | None = None
    view_angle_deg: float | None = None
    plumbs: tuple[PlannedLine, ...] = ()
    levels: tuple[PlannedLine, ...] = ()
    sheets: tuple[PlannedSheet, ...] = ()
    level_u_deg: float = 0.05
    square_within_deg: float = 5.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    wheelbase_mm: float | None = 133.0
    rim_mm: float = 34.0
    string_mm: float = 1.6
    quality: PictureQuality = field(default_factory=usual_quality)

    def check(self) -> None:
        """Refuse numbers that no stand can have; raises `MarkError`."""
        for value, what in (
            (self.distance_mm, "the distance"),
            (self.board_mm, "the board's length"),
            (self.rim_mm, "the rim's diameter"),
            (self.string_mm, "the string's width"),
            (self.wheelbase_mm if self.wheelbase_mm is not None else 1.0, "the wheelbase"),
            *((side, "the sheet's side") for sheet in self.sheets for side in sheet.size_mm),
        ):
            if not 0 < value < math.inf:
                raise MarkError(f"{what} is {value:g} mm; give a length above 0 mm")
        if self.distance_mm < LEAST_DISTANCE_MM:
            raise MarkError(
                f"the camera would stand {self.distance_mm:g} mm from the board, which is inside "
                "anything that has a lens; give the distance in mm, such as 1500"
            )
        if min(self.size_px) < 64:
            raise MarkError(
                f"a picture of {self.size_px[0]} x {self.size_px[1]} px is too small to plan for; "
                "give its size in px, such as 1920x1080"
            )
        if not -89.0 <= self.ramp_deg <= 89.0:
            raise MarkError(f"a ramp of {self.ramp_deg:g} deg is none; give -89 to 89 deg")
        if not 0.0 <= self.level_u_deg < 45.0:
            raise MarkError(
                f"an uncertainty of {self.level_u_deg:g} deg was stated for the level reference; "
                "give a standard uncertainty from 0 to 45 deg"
            )
        if not self.plumbs and not self.levels:
            raise MarkError(
                "nothing in the shot would say where level is; hang a plumb line (--plumb-at) or "
                "show a levelled edge (--level-at)"
            )
        self._check_square()

    def _check_square(self) -> None:
        """A camera known to stand askew cannot promise to stand square."""
        askew = max(abs(self.yaw_deg), abs(self.pitch_deg))
        if askew > 60.0:
            raise MarkError(
                f"the camera would stand {askew:g} deg from square; at most 60 deg is planned for"
            )
        if not self.sheets and askew > self.square_within_deg:
            raise MarkError(
                f"the camera would stand {askew:g} deg from square, but is promised square within "
                f"{self.square_within_deg:g} deg (--square-within); put a sheet in the shot, or "
                "promise what is true"
            )


def parse_picture(text: str) -> tuple[int, int]:
    """Read ``1920x1080``; raises `MarkError` otherwise."""
    try:
        width, height = (int(part) for part in text.lower().split("x"))
    except ValueError:
        raise MarkError(
            f"the picture '{text}' cannot be read: write its size in px as 1920x1080"
        ) from None
    return width, height


def parse_place(text: str, what: str) -> Place:
    """Read ``x,y`` in mm; raises `MarkError` otherwise."""
    x, y = _numbers(text, what, "x,y in mm from the optical axis", (2,))
    return x, y


def _place(text: str, whole: str) -> Place:
    return parse_place(text, f"the place of '{whole}'")


def _numbers(text: str, what: str, form: str, counts: tuple[int, ...]) -> tuple[float, ...]:
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) not in counts or not all(math.isfinite(value) for value in values):
        raise MarkError(f"{what} '{text}' cannot be read: write it as {form}")
    return values
