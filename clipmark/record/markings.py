"""Marks as they are recorded: the types of `clipmark.marks` with a role and a frame.

The dataclasses of `clipmark.marks` are what measuring works with; these models are what the
journal keeps. `mark_of` and `to_mark` go from one to the other without loss.
"""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from clipmark import marks
from clipmark.errors import RecordError
from clipmark.record.texts import Count, Fact, Label, Name, NotNegative, Number, Positive

LineRole = Literal[
    "ramp", "level", "plumb", "chassis", "hubs", "platform", "finish", "travel", "scale"
]


class _Mark(Fact):
    frame: Count | None = None  # ordinal the mark was set on
    by: Label = ""  # who set it, where it was not the one who signs


class LineMark(_Mark):
    """A line by two points, px of the upright picture; hubs are rear first, front second."""

    shape: Literal["line"] = "line"
    role: LineRole
    x1: Number
    y1: Number
    x2: Number
    y2: Number
    edge_fit: bool = True  # whether measuring moves it onto the true edge
    length_mm: Positive | None = None  # of a scale mark
    u_deg: NotNegative | None = None  # standard uncertainty of a level or plumb line, degrees

    def to_mark(self) -> marks.Line:
        """The line as measuring takes it."""
        return marks.Line(self.x1, self.y1, self.x2, self.y2)


class PointMark(_Mark):
    """A point, px of the upright picture."""

    shape: Literal["point"] = "point"
    role: Name
    x: Number
    y: Number

    def to_mark(self) -> marks.Point:
        """The point as measuring takes it."""
        return marks.Point(self.x, self.y)


class PatchMark(_Mark):
    """A rectangle whose texture is followed: left, top, width, height, px."""

    shape: Literal["patch"] = "patch"
    role: Name = "body"
    x: Number
    y: Number
    w: Positive
    h: Positive

    def to_mark(self) -> marks.Patch:
        """The patch as measuring takes it."""
        return marks.Patch(self.x, self.y, self.w, self.h)


class WheelMark(_Mark):
    """Hub centre and rim radii, px, with the turn of the first axis, degrees."""

    shape: Literal["wheel"] = "wheel"
    role: Name = "wheel"
    cx: Number
    cy: Number
    rx: Positive
    ry: Positive
    turn_deg: Number = 0.0
    diameter_mm: Positive | None = None

    def to_mark(self) -> marks.Wheel:
        """The wheel as measuring takes it."""
        return marks.Wheel(self.cx, self.cy, self.rx, self.ry, self.turn_deg)


class SheetMark(_Mark):
    """Four corners in order, px, and the lengths of the first and second side, mm."""

    shape: Literal["sheet"] = "sheet"
    role: Name = "sheet"
    corners: tuple[
        tuple[Number, Number],
        tuple[Number, Number],
        tuple[Number, Number],
        tuple[Number, Number],
    ]
    width_mm: Positive
    height_mm: Positive
    side_u_mm: NotNegative = 0.5

    def to_mark(self) -> marks.Sheet:
        """The sheet as measuring takes it."""
        return marks.Sheet.from_values(
            self.corners, (self.width_mm, self.height_mm), self.side_u_mm
        )


Mark = Annotated[
    LineMark | PointMark | PatchMark | WheelMark | SheetMark, Field(discriminator="shape")
]
MarkType = LineMark | PointMark | PatchMark | WheelMark | SheetMark
_ANY_MARK: TypeAdapter[MarkType] = TypeAdapter(Mark)


def mark_of(
    mark: marks.Line | marks.Point | marks.Patch | marks.Wheel | marks.Sheet,
    role: str,
    frame: int | None = None,
) -> MarkType:
    """Record a mark of `clipmark.marks` under a role, on a frame.

    Raises
    ------
    RecordError
        When the role does not exist for that shape, or a number is not finite.
    """
    fields: dict[str, object] = {"role": role, "frame": frame}
    if isinstance(mark, marks.Sheet):
        fields |= {
            "shape": "sheet",
            "corners": [(corner.x, corner.y) for corner in mark.corners],
            "width_mm": mark.width_mm,
            "height_mm": mark.height_mm,
            "side_u_mm": mark.side_u_mm,
        }
    else:
        fields |= {"shape": type(mark).__name__.lower()} | vars(mark)
    try:
        return _ANY_MARK.validate_python(fields)
    except ValueError as error:
        raise RecordError(
            f"the mark {mark} cannot be recorded as '{role}': {str(error).splitlines()[2].strip()}"
        ) from None
