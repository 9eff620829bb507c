"""Marks and measured lines of an attempt, drawn on a picture of its clip.

As marked: a thin dashed line in black and white, which is seen on any ground. As measured: a solid
line in the colour of what it is, edged in white, with its name beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from clipmark.record.models import Attempt
from clipmark.report import ink
from clipmark.report.canvas import Canvas
from clipmark.report.lettering import width_of

WHITE = "#FFFFFF"
NAMES = {
    "ramp": "ramp",
    "chassis": "chassis",
    "hubs": "hubs",
    "level": "level",
    "plumb": "plumb",
    "platform": "platform",
    "finish": "finish",
    "travel": "travel",
    "scale": "scale",
    "sheet": "sheet",
}
# Solid, dashed and dotted ways of lines tell them apart in grey too; names stand beside each.
COLOURS = {
    "ramp": ink.BLUE,
    "platform": ink.BLUE,
    "chassis": ink.VERMILLION,
    "hubs": ink.VERMILLION,
    "level": ink.BLACK,
    "plumb": ink.BLACK,
    "finish": ink.GREEN,
    "travel": ink.GREEN,
    "scale": ink.GREEN,
    "sheet": ink.GREEN,
}
SHEET, PATCH = ink.GREEN, ink.VERMILLION
Four = tuple[float, float, float, float]


class Scale(NamedTuple):
    """From px of the upright picture to px of the drawn one: pixel centres onto pixel centres."""

    x: float
    y: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point lies on the drawn picture."""
        return (x + 0.5) * self.x - 0.5, (y + 0.5) * self.y - 0.5


@dataclass(frozen=True)
class DrawnLine:
    """One line: role, as marked (perhaps several times), as measured or None; upright px."""

    role: str
    marked: tuple[Four, ...]
    measured: Four | None


def lines_of(attempt: Attempt) -> list[DrawnLine]:
    """Lines of the angle reading that counts, and marks that no reading moved."""
    reading = attempt.reading("angle")
    told = reading.result.get("lines") if reading is not None else None
    found = list(_read(told)) if isinstance(told, Mapping) else []
    seen = {line.role for line in found}
    for mark in attempt.marks:
        if mark.shape == "line" and mark.role not in seen:
            found.append(DrawnLine(mark.role, ((mark.x1, mark.y1, mark.x2, mark.y2),), None))
    return found


def _read(told: Mapping[str, object]) -> Iterator[DrawnLine]:
    for role, described in told.items():
        many = isinstance(described, Sequence) and any(isinstance(d, Mapping) for d in described)
        for item in described if many and isinstance(described, Sequence) else [described]:
            if isinstance(item, Mapping):
                raw = item.get("marked")
                marked = tuple(
                    four for one in (raw if isinstance(raw, Sequence) else ())
                    if (four := _four(one)) is not None
                )  # fmt: skip
                yield DrawnLine(role, marked, _four(item.get("measured")))
            elif (four := _four(item)) is not None:
                yield DrawnLine(role, (four,), four)


def _four(value: object) -> Four | None:
    numbers = value if isinstance(value, Sequence) and not isinstance(value, str) else ()
    if len(numbers) != 4 or not all(isinstance(v, (int, float)) for v in numbers):
        return None
    x1, y1, x2, y2 = (float(v) for v in numbers)
    return (x1, y1, x2, y2) if all(map(math.isfinite, (x1, y1, x2, y2))) else None


def draw_lines(canvas: Canvas, lines: Iterable[DrawnLine], scale: Scale, size: float) -> None:
    """Draw lines with their names; `size` is the height of letters, px of the drawn picture."""
    thick = max(2.0, size / 9)
    taken: list[tuple[float, float, float]] = []
    lines = list(lines)
    for line in lines:
        shown = line.measured or (line.marked[0] if line.marked else None)
        if shown is None:
            continue
        a, b = scale.at(shown[0], shown[1]), scale.at(shown[2], shown[3])
        colour = COLOURS.get(line.role, ink.PURPLE)
        if line.measured is not None:
            canvas.line(*a, *b, WHITE, thick + 2 * max(1.0, thick / 3))
            canvas.line(*a, *b, colour, thick)
    for line in lines:  # above the measured ones, else a good mark would not be seen
        for x1, y1, x2, y2 in line.marked:
            draw_marked(canvas, scale.at(x1, y1), scale.at(x2, y2), max(1.0, size / 18))
        if line.role == "hubs" and line.measured is not None:
            for x, y in (line.measured[:2], line.measured[2:]):
                draw_cross(canvas, *scale.at(x, y), size / 2, COLOURS["hubs"])
    named: set[str] = set()
    for line in lines:
        shown = line.measured or (line.marked[0] if line.marked else None)
        if shown is not None and line.role not in named:
            named.add(line.role)
            a, b = scale.at(shown[0], shown[1]), scale.at(shown[2], shown[3])
            name = NAMES.get(line.role, line.role)
            draw_name(canvas, a, b, name, size, COLOURS.get(line.role, ink.PURPLE), taken)


def draw_marked(
    canvas: Canvas, a: tuple[float, float], b: tuple[float, float], thick: float
) -> None:
    """A line as it was marked: dashed in black on white, so that it is seen on any ground."""
    canvas.line(*a, *b, WHITE, thick)
    canvas.dashes(*a, *b, ink.BLACK, thick, (6 * thick, 6 * thick))


def draw_cross(canvas: Canvas, x: float, y: float, reach: float, colour: str) -> None:
    """A point: a cross with an open middle."""
    for edge, tint in ((4.0, WHITE), (2.0, colour)):
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            canvas.line(
                x + 0.3 * dx * reach, y + 0.3 * dy * reach, x + dx * reach, y + dy * reach,
                tint, edge,
            )  # fmt: skip


def draw_rectangle(
    canvas: Canvas, corners: Sequence[tuple[float, float]], colour: str, thick: float
) -> None:
    """A closed outline, edged in white."""
    for edge, tint in ((thick + 2, WHITE), (thick, colour)):
        for here, there in zip(corners, [*corners[1:], corners[0]], strict=True):
            canvas.line(*here, *there, tint, edge)


def draw_name(
    canvas: Canvas,
    a: tuple[float, float],
    b: tuple[float, float],
    name: str,
    size: float,
    colour: str,
    taken: list[tuple[float, float, float]],
) -> None:
    """The name of a line beside one of its ends, clear of names that stand there already."""
    wide = width_of(name, size, bold=True)
    along = math.hypot(b[0] - a[0], b[1] - a[1]) or 1.0
    ux, uy = (b[0] - a[0]) / along, (b[1] - a[1]) / along
    for at in (0.9, 0.1, 0.5, 0.7, 0.3):
        for side in (-1, 1):
            off = 0.75 * size + abs(ux * 0.3 * size) + abs(uy) * wide / 2
            x = a[0] + at * (b[0] - a[0]) + side * -uy * off
            y = a[1] + at * (b[1] - a[1]) + side * ux * off
            clear = all(
                abs(x - ox) > (wide + ow) / 2 or abs(y - oy) > 1.2 * size for ox, oy, ow in taken
            )
            inside = wide / 2 < x < canvas.width - wide / 2 and size < y < canvas.height - size
            if clear and inside:
                taken.append((x, y, wide))
                canvas.text(
                    x, y + 0.36 * size, name, size, colour, bold=True, anchor="middle", halo=WHITE
                )
                return
