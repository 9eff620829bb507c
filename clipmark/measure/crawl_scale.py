"""Which mark defines lengths: a scale mark, a sheet, or the known size of a marked wheel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from clipmark.marks import Line, Wheel, as_line

RIM_U_PX = 0.25  # standard uncertainty of a fitted rim's edge; the model of its lip is not exact


@dataclass(frozen=True)
class ScaleMark:
    """Two points a known length apart, or nothing where a sheet gives lengths.

    Attributes
    ----------
    line : Line or None
    length_mm : float or None
    u_px : float
        Standard uncertainty of each end along the line.
    u_mm : float or None
        Standard uncertainty of the length, where the mark itself says it.
    """

    line: Line | None
    length_mm: float | None
    u_px: float
    u_mm: float | None = None


def scale_from(
    scale: Line | Sequence[float] | None,
    scale_mm: float | None,
    scale_u_px: float,
    shows_plane: bool,
    wheels: Sequence[Wheel],
    wheel_mm: float | None,
    wheel_u_mm: float,
    rim_mm: float | None,
) -> tuple[ScaleMark, list[str]]:
    """The mark that lengths come from, and in words what was taken for granted.

    A scale mark comes first, then a sheet or tags (`shows_plane`), then the larger axis of the
    first marked wheel with the size said of it.

    Raises
    ------
    MarkError
        If the scale mark cannot be read.
    """
    if scale is not None or scale_mm is not None or shows_plane:
        line = None if scale is None else as_line(scale, "the scale mark")
        return ScaleMark(line, scale_mm, scale_u_px), []
    size_mm = rim_mm if rim_mm is not None else wheel_mm
    if not wheels or size_mm is None:
        return ScaleMark(None, None, scale_u_px), []
    notes = []
    if rim_mm is None:
        notes.append(
            f"Lengths are taken from the marked wheel, whose circle is taken to be {size_mm:g} mm "
            "across; if the rim was marked, not the tread, give its own diameter (--rim-mm)."
        )
    wheel = wheels[0]
    reach, turn = wheel.rx, math.radians(wheel.turn_deg)
    if wheel.ry > wheel.rx:
        reach, turn = wheel.ry, turn + math.pi / 2
    across, up = reach * math.cos(turn), reach * math.sin(turn)
    line = Line(wheel.cx - across, wheel.cy + up, wheel.cx + across, wheel.cy - up)
    return ScaleMark(line, size_mm, RIM_U_PX, wheel_u_mm), notes
