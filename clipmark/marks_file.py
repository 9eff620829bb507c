"""Measuring from a file of marks: the same names as on the command line, as JSON.

A marks file says what an operator would type: ``frame``, ``ramp``, ``hubs``, ``plumb``, ``patch``
and so on. It is how the sample event is measured, and how a script may keep its marks.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, Sheet, Span, as_line
from clipmark.measure.angle import measure_angle
from clipmark.measure.crawl import measure_crawl

LINES = ("ramp", "chassis", "hubs", "level", "plumb", "travel", "scale")
Progress = Callable[[int, int], None]
RecordedMark = tuple[Line | Patch | Sheet, str]


@dataclass(frozen=True)
class MarksFile:
    """Marks of one clip, checked to be readable.

    Attributes
    ----------
    frame : int
        Frame they were set on.
    measure : tuple of str
        What is to be measured with them: "angle", "crawl".
    lines : dict of str to Line
    patch, span, sheet
        None where there is none.
    scale_mm, rim_px, square_within_deg, view_angle_deg : float or None
    lens : Path or None
    """

    frame: int
    measure: tuple[str, ...]
    lines: dict[str, Line]
    patch: Patch | None
    span: Span | None
    sheet: Sheet | None
    scale_mm: float | None
    rim_px: float | None
    square_within_deg: float | None
    view_angle_deg: float | None
    lens: Path | None

    @classmethod
    def read(cls, path: Path, lenses: Path) -> MarksFile:
        """Read a marks file; lens files are looked for in the folder `lenses`.

        Raises
        ------
        MarkError
            When it cannot be read, or a mark in it cannot mean what it says.
        """
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise MarkError(
                f"the marks file {path} cannot be read ({error}); give a JSON file of marks"
            ) from error
        if not isinstance(data, dict) or "frame" not in data:
            raise MarkError(f'the marks file {path} names no frame; add "frame": N')
        return cls.of(data, lenses)

    @classmethod
    def of(cls, data: Mapping[str, object], lenses: Path) -> MarksFile:
        """Take the marks from plain data; raises `MarkError` as `read` does."""
        lines = {name: _line(data[name], name) for name in LINES if data.get(name)}
        patch = _numbers(data, "patch", 4)
        span = data.get("span")
        size = _numbers(data, "sheet_size", 2)
        corners = data.get("sheet")
        sheet = None
        if corners is not None and size is not None:
            side_u = _number(data, "sheet_u_mm")
            sheet = Sheet.from_values(
                cast("list[float]", corners), (size[0], size[1]), 0.5 if side_u is None else side_u
            )
        lens = data.get("lens")
        return cls(
            frame=int(cast(int, data["frame"])),
            measure=tuple(cast("list[str]", data.get("measure", ["angle"]))),
            lines=lines,
            patch=Patch(*patch) if patch else None,
            span=_span(span),
            sheet=sheet,
            scale_mm=_number(data, "scale_mm"),
            rim_px=_number(data, "rim_px"),
            square_within_deg=_number(data, "square_within"),
            view_angle_deg=_number(data, "view_angle"),
            lens=lenses / str(lens) if lens else None,
        )

    @property
    def recorded(self) -> list[RecordedMark]:
        """Marks with their roles, as an attempt keeps them."""
        found: list[RecordedMark] = [(line, name) for name, line in self.lines.items()]
        if self.patch is not None:
            found.append((self.patch, "body"))
        if self.sheet is not None:
            found.append((self.sheet, "sheet"))
        return found


def measure_marks(
    clip: Clip, marks: MarksFile, progress: Progress | None = None
) -> dict[str, dict[str, object]]:
    """Measure everything a marks file asks for; results by measure, as ``--json`` prints them.

    Raises
    ------
    ClipmarkError
        Of any kind the measurements raise; a sentence.
    """
    results: dict[str, dict[str, object]] = {}
    square = 5.0 if marks.square_within_deg is None else marks.square_within_deg
    if "angle" in marks.measure:
        reading = measure_angle(
            clip,
            marks.frame,
            ramp=_needed(marks, "ramp"),
            chassis=marks.lines.get("chassis"),
            hubs=marks.lines.get("hubs"),
            rim_px=marks.rim_px,
            level=marks.lines.get("level"),
            plumb=marks.lines.get("plumb"),
            lens=marks.lens,
            view_angle_deg=marks.view_angle_deg,
            square_within_deg=square,
            sheet=marks.sheet,
        )
        results["angle"] = reading.to_dict()
    if "crawl" in marks.measure:
        if marks.patch is None:
            raise MarkError("the marks name no patch to follow; mark a textured part of the body")
        crawl = measure_crawl(
            clip,
            marks.frame,
            patch=marks.patch,
            span=marks.span,
            travel=marks.lines.get("travel"),
            scale=marks.lines.get("scale"),
            scale_mm=marks.scale_mm,
            lens=marks.lens,
            view_angle_deg=marks.view_angle_deg,
            square_within_deg=square,
            sheet=marks.sheet,
            progress=progress,
        )
        results["crawl"] = crawl.to_dict()
    return results


def _needed(marks: MarksFile, name: str) -> Line:
    if name not in marks.lines:
        raise MarkError(f"the marks name no {name} line; mark it")
    return marks.lines[name]


def _line(value: object, name: str) -> Line:
    return as_line(cast("list[float]", value), f"the {name} line")


def _span(value: object) -> Span | None:
    if value is None:
        return None
    if isinstance(value, str):
        return Span.parse(value)
    first, last = cast("list[int]", value)
    return Span(int(first), int(last)).checked()


def _numbers(data: Mapping[str, object], name: str, count: int) -> list[float] | None:
    value = data.get(name)
    if value is None:
        return None
    numbers = [float(item) for item in cast("list[float]", value)]
    if len(numbers) != count:
        raise MarkError(f"{name} has {len(numbers)} numbers in the marks file, but needs {count}")
    return numbers


def _number(data: Mapping[str, object], name: str) -> float | None:
    value = data.get(name)
    return None if value is None else float(cast(float, value))
