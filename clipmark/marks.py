"""What can be marked in a picture: the types shared by measuring, recording and the page.

Pure: no files, no pictures. All positions are px of the upright picture (after the stored
rotation or mirroring, before pixel aspect and lens), with the centre of the top-left pixel at
(0, 0), x right, y down. Marks are facts: small, frozen, corrected only by new facts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self, cast

from clipmark.errors import MarkError

MIN_LINE_PX = 20.0  # 1 px at each end of a shorter line is worse than 4 degrees
MIN_PATCH_PX = 12.0  # below this a patch holds too few independent pixels to be followed
UPRIGHT_LIMIT_DEG = 45.0  # a level line shown steeper, or a plumb line flatter, is a mix-up


def _numbers(text: str, count: int, what: str, form: str) -> tuple[float, ...]:
    """Read `count` comma-separated numbers, or say how `what` is written."""
    parts = [part.strip() for part in text.split(",")]
    try:
        values = tuple(float(part) for part in parts)
    except ValueError:
        values = ()
    if len(values) != count or not all(math.isfinite(value) for value in values):
        raise MarkError(f"{what} '{text}' cannot be read: write it as {form}")
    return values


@dataclass(frozen=True)
class Point:
    """A marked point, px of the upright picture."""

    x: float
    y: float

    @classmethod
    def parse(cls, text: str, what: str = "the point") -> Self:
        """Read ``x,y``; raises `MarkError` when it is not two numbers."""
        return cls(*_numbers(text, 2, what, "x,y"))


@dataclass(frozen=True)
class Line:
    """A marked line by two points, px of the upright picture, in the order given."""

    x1: float
    y1: float
    x2: float
    y2: float

    @classmethod
    def parse(cls, text: str, what: str = "the line") -> Self:
        """Read ``x1,y1,x2,y2``; raises `MarkError` when it is not four numbers."""
        return cls(*_numbers(text, 4, what, "x1,y1,x2,y2"))

    @property
    def ends(self) -> tuple[Point, Point]:
        """Both ends in the order marked."""
        return Point(self.x1, self.y1), Point(self.x2, self.y2)

    @property
    def length_px(self) -> float:
        """Distance between the ends, px."""
        return math.hypot(self.x2 - self.x1, self.y2 - self.y1)

    @property
    def shown_deg(self) -> float:
        """Lean in the raw picture, degrees in (-90, 90], positive when the right end is higher."""
        angle = math.degrees(math.atan2(self.y1 - self.y2, self.x2 - self.x1))
        return 90.0 - (90.0 - angle) % 180.0

    def as_tuple(self) -> tuple[float, float, float, float]:
        """``(x1, y1, x2, y2)``."""
        return self.x1, self.y1, self.x2, self.y2


@dataclass(frozen=True)
class Patch:
    """A marked rectangle: left, top, width, height, px of the upright picture."""

    x: float
    y: float
    w: float
    h: float

    @classmethod
    def parse(cls, text: str, what: str = "the patch") -> Self:
        """Read ``x,y,w,h``; raises `MarkError` when it is not four numbers."""
        return cls(*_numbers(text, 4, what, "x,y,w,h"))

    @property
    def centre(self) -> Point:
        """Middle of the rectangle."""
        return Point(self.x + self.w / 2, self.y + self.h / 2)


@dataclass(frozen=True)
class Wheel:
    """A marked wheel: hub centre, rim radii along its axes, turn of the first axis from x.

    Lengths px; ``turn_deg`` counter-clockwise as seen. A circle has ``rx == ry``.
    """

    cx: float
    cy: float
    rx: float
    ry: float
    turn_deg: float = 0.0

    @classmethod
    def parse(cls, text: str, what: str = "the wheel") -> Self:
        """Read ``cx,cy,rx,ry`` or ``cx,cy,rx,ry,turn_deg``; raises `MarkError` otherwise."""
        count = 5 if text.count(",") == 4 else 4
        return cls(*_numbers(text, count, what, "cx,cy,rx,ry or cx,cy,rx,ry,turn_deg"))


@dataclass(frozen=True)
class Sheet:
    """A flat rectangle of known size by its four corners.

    ``corners`` in order around the sheet, px; the first side (corner 1 to 2) has length
    ``width_mm``, the second ``height_mm``. ``side_u_mm`` is the standard uncertainty of each side.
    """

    corners: tuple[Point, Point, Point, Point]
    width_mm: float
    height_mm: float
    side_u_mm: float = 0.5

    @classmethod
    def parse(cls, corners: str, size: str, side_u_mm: float = 0.5) -> Self:
        """Read ``x,y,x,y,x,y,x,y`` and ``297x210``; raises `MarkError` otherwise."""
        return cls.from_corners(corners, parse_size(size, "the sheet size"), side_u_mm)

    @classmethod
    def from_corners(
        cls, corners: str, size_mm: tuple[float, float], side_u_mm: float = 0.5
    ) -> Self:
        """Read ``x,y,x,y,x,y,x,y``; raises `MarkError` when it is not eight numbers."""
        values = _numbers(corners, 8, "the sheet", "x,y,x,y,x,y,x,y, four corners in order")
        return cls.from_values(values, size_mm, side_u_mm)

    @classmethod
    def from_values(
        cls,
        corners: Sequence[float] | Sequence[Sequence[float]],
        size_mm: tuple[float, float],
        side_u_mm: float = 0.5,
    ) -> Self:
        """Build from eight numbers or four pairs, and a size in mm."""
        flat: list[float] = []
        for item in corners:
            if isinstance(item, (int, float)):
                flat.append(float(item))
            else:
                flat.extend(float(value) for value in item)
        if len(flat) != 8:
            raise MarkError(
                f"a sheet has four corners, but {len(flat) / 2:g} were given; "
                "mark all four, in order"
            )
        points = [Point(flat[i], flat[i + 1]) for i in range(0, 8, 2)]
        return cls(
            (points[0], points[1], points[2], points[3]),
            float(size_mm[0]),
            float(size_mm[1]),
            float(side_u_mm),
        )


@dataclass(frozen=True)
class Span:
    """Frames from ``first`` to ``last``, both included, by ordinal."""

    first: int
    last: int

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``FIRST:LAST``; raises `MarkError` when unreadable or reversed."""
        try:
            first, last = (int(part) for part in text.split(":"))
        except ValueError:
            raise MarkError(
                f"the span '{text}' cannot be read: write it as FIRST:LAST, two frame ordinals"
            ) from None
        return cls(first, last).checked()

    def checked(self) -> Self:
        """Return itself; raises `MarkError` when it is reversed or starts below 0."""
        if self.first < 0:
            raise MarkError(
                f"the span starts at frame {self.first}, but frames are counted from 0; "
                "give a first frame of 0 or later"
            )
        if self.last <= self.first:
            raise MarkError(
                f"the span {self.first}:{self.last} runs backwards; give the earlier frame first"
            )
        return self


def parse_size(text: str, what: str = "the size") -> tuple[float, float]:
    """Read ``297x210`` as two positive lengths; raises `MarkError` otherwise."""
    parts = text.lower().replace("\N{MULTIPLICATION SIGN}", "x").split("x")
    try:
        width, height = (float(part) for part in parts)
    except ValueError:
        raise MarkError(
            f"{what} '{text}' cannot be read: write it as WIDTHxHEIGHT in mm, such as 297x210"
        ) from None
    if not (0 < width < math.inf and 0 < height < math.inf):
        raise MarkError(f"{what} '{text}' is not a size: both lengths must be above 0 mm")
    return width, height


def as_line(value: Line | Sequence[float], what: str) -> Line:
    """Take a `Line` or four numbers; raises `MarkError` naming `what` otherwise."""
    if isinstance(value, Line):
        return value
    try:
        numbers = [float(item) for item in value]
    except (TypeError, ValueError):
        raise MarkError(
            f"{what} needs four numbers x1, y1, x2, y2, but got {value!r:.80}"
        ) from None
    if len(numbers) != 4 or not all(math.isfinite(number) for number in numbers):
        raise MarkError(f"{what} needs four finite numbers x1, y1, x2, y2, but got {numbers}")
    return Line(*numbers)


SheetLike = Sheet | Sequence[float] | Sequence[Sequence[float]] | Sequence[Sheet]


def as_sheets(
    given: SheetLike | None, size: tuple[float, float] | None, side_u_mm: float
) -> tuple[Sheet, ...]:
    """Sheets from whatever form they were given in; raises `MarkError` when a size is missing."""
    if given is None:
        return ()
    if isinstance(given, Sheet):
        return (given,)
    sheets = tuple(item for item in given if isinstance(item, Sheet))
    if sheets:
        return sheets
    if size is None:
        raise MarkError("a sheet needs its size in mm; give sheet_size, such as (297, 210)")
    corners = cast("Sequence[float] | Sequence[Sequence[float]]", given)
    return (Sheet.from_values(corners, size, side_u_mm),)


def check_inside(x: float, y: float, width: int, height: int, what: str) -> None:
    """Raise `MarkError` when a marked point lies outside a picture of `width` x `height` px."""
    if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
        raise MarkError(
            f"{what} has a point at ({x:g}, {y:g}), outside the picture of "
            f"{width} x {height} px; mark it inside"
        )


def check_line(line: Line, width: int, height: int, what: str) -> None:
    """Raise `MarkError` when a line leaves the picture or is too short to give a direction."""
    for end in line.ends:
        check_inside(end.x, end.y, width, height, what)
    if line.length_px < MIN_LINE_PX:
        raise MarkError(
            f"{what} is {line.length_px:.1f} px long, but at least {MIN_LINE_PX:.0f} px is "
            "needed; mark its ends further apart"
        )


def check_reference(line: Line, kind: str) -> None:
    """Raise `MarkError` when a ``level`` line stands nearly upright or a ``plumb`` lies flat."""
    lean = abs(line.shown_deg)
    if kind == "level" and lean > UPRIGHT_LIMIT_DEG:
        raise MarkError(
            f"the level line leans by {lean:.1f} deg in the picture, but a level line cannot stand "
            "nearly upright; give it as a plumb line (--plumb) if it hangs, or mark another line"
        )
    if kind == "plumb" and lean < UPRIGHT_LIMIT_DEG:
        raise MarkError(
            f"the plumb line leans by only {lean:.1f} deg in the picture, but a plumb line cannot "
            "lie nearly flat; give it as a level line (--level) if it is levelled, or mark another "
            "line"
        )


def check_patch(patch: Patch, width: int, height: int, what: str = "the patch") -> None:
    """Raise `MarkError` when a patch leaves the picture or is too small to be followed."""
    if patch.w < MIN_PATCH_PX or patch.h < MIN_PATCH_PX:
        raise MarkError(
            f"{what} is {patch.w:g} x {patch.h:g} px, but at least {MIN_PATCH_PX:.0f} px a side is "
            "needed; mark a larger part of the body"
        )
    check_inside(patch.x, patch.y, width, height, what)
    check_inside(patch.x + patch.w - 1, patch.y + patch.h - 1, width, height, what)
