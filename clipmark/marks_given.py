"""Marks out of plain data, as a marks file or the marking page gives them; refused in words.

Positions are px of the upright picture.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, Sheet, Span, Wheel, as_line
from clipmark.measure.crawl_terms import NOTHING_SAID, CrawlTerms
from clipmark.measure.view import ViewOptions

Given = Mapping[str, object]
MOST = 1e15  # a larger number in a marks file is none
LEVEL_U_DEG, SQUARE_WITHIN_DEG = 0.05, 5.0  # as the command line has them
RecordedMark = tuple[Line | Patch | Sheet | Wheel, str]
LINES = (
    "ramp", "chassis", "hubs", "level", "plumb", "travel", "scale", "finish", "platform"
)  # fmt: skip


@dataclass(frozen=True)
class MarksFile:
    """Marks of one clip, checked to be readable.

    Attributes
    ----------
    frame : int
        Frame they were set on.
    measure : tuple of str
        What is to be measured with them: "angle", "crawl", "climb", "tilt".
    lines : dict of str to Line
    patch, span, sheet
        None where there is none.
    scale_mm, rim_px, square_within_deg, view_angle_deg : float or None
    lens : Path or None
    level_u_deg : float or None
        Standard uncertainty of the level or plumb line itself.
    facing : str or None
        "left" or "right".
    edge_fit : bool
    patch_frame : int or None
        Frame the patch was set on, where it is another than `frame`.
    wheels : tuple of Wheel
    wheel_mm : float or None
        Their diameter.
    true_fps : float or None
        What the camera really took; to be given to `open_clip`.
    terms : CrawlTerms
        Hold time and band of a crawl (``hold_s``, ``band_hz``).
    uphill_tyres : tuple of Patch
        Textured parts of a tilted truck's uphill tyres.
    gap_mm, track_mm, track_u_mm, low_side
        As `clipmark.measure_tilt` takes them; None where nothing is said.
    mode, give_up_s
        As `clipmark.measure_climb` takes them; None where nothing is said.
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
    level_u_deg: float | None = None
    facing: str | None = None
    edge_fit: bool = True
    patch_frame: int | None = None
    wheels: tuple[Wheel, ...] = ()
    wheel_mm: float | None = None
    true_fps: float | None = None
    terms: CrawlTerms = NOTHING_SAID
    uphill_tyres: tuple[Patch, ...] = ()
    gap_mm: float | None = None
    track_mm: float | None = None
    track_u_mm: float | None = None
    low_side: str | None = None
    mode: str | None = None
    give_up_s: float | None = None

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
        lines = {name: line_of(data[name], name) for name in LINES if data.get(name)}
        patch = numbers(data, "patch", 4)
        span = data.get("span")
        size = numbers(data, "sheet_size", 2)
        corners = data.get("sheet")
        sheet = None
        if corners is not None and size is not None:
            side_u = number(data, "sheet_u_mm")
            sheet = Sheet.from_values(
                cast("list[float]", corners), (size[0], size[1]), 0.5 if side_u is None else side_u
            )
        lens = data.get("lens")
        return cls(
            frame=whole(data, "frame") or 0,
            measure=_measures(data.get("measure", ["angle"])),
            lines=lines,
            patch=Patch(*patch) if patch else None,
            span=span_of(span),
            sheet=sheet,
            scale_mm=number(data, "scale_mm"),
            rim_px=number(data, "rim_px"),
            square_within_deg=number(data, "square_within"),
            view_angle_deg=number(data, "view_angle"),
            lens=lenses / str(lens) if lens else None,
            level_u_deg=number(data, "level_u"),
            facing=word(data, "facing"),
            edge_fit=data.get("edge_fit") is not False,
            patch_frame=whole(data, "patch_frame"),
            wheels=wheels(data.get("wheels")),
            wheel_mm=number(data, "wheel_mm"),
            true_fps=number(data, "true_fps"),
            terms=_terms_of(data),
            uphill_tyres=patches(data.get("uphill_tyres"), "an uphill tyre"),
            gap_mm=number(data, "gap_mm"),
            track_mm=number(data, "track_mm"),
            track_u_mm=number(data, "track_u_mm"),
            low_side=word(data, "low_side"),
            mode=word(data, "mode"),
            give_up_s=number(data, "give_up_s"),
        )

    @property
    def recorded(self) -> list[RecordedMark]:
        """Marks with their roles, as an attempt keeps them."""
        found: list[RecordedMark] = [(line, name) for name, line in self.lines.items()]
        if self.patch is not None:
            found.append((self.patch, "body"))
        if self.sheet is not None:
            found.append((self.sheet, "sheet"))
        found += [(wheel, "wheel") for wheel in self.wheels]
        found += [(tyre, "uphill tyre") for tyre in self.uphill_tyres]
        return found

    @property
    def square_deg(self) -> float:
        """What is promised of yaw and pitch, or what the command line takes for it."""
        return SQUARE_WITHIN_DEG if self.square_within_deg is None else self.square_within_deg

    @property
    def level_deg(self) -> float:
        """Standard uncertainty of the level, or what the command line takes for it."""
        return LEVEL_U_DEG if self.level_u_deg is None else self.level_u_deg

    @property
    def nose(self) -> str | None:
        """Where the nose points: as said, else by the hubs, rear first; None when not known."""
        if self.facing is not None or "hubs" not in self.lines:
            return self.facing
        return "right" if self.lines["hubs"].x2 > self.lines["hubs"].x1 else "left"

    def view(self) -> ViewOptions:
        """How the camera saw it, sheet included; raises `LensError` when the lens is unreadable."""
        return ViewOptions.declared(self.lens, self.view_angle_deg, self.square_deg, self.sheet)

    def can_angle(self) -> bool:
        """Whether enough is marked for an angle."""
        return "ramp" in self.lines and ("level" in self.lines or "plumb" in self.lines)

    def can_crawl(self) -> bool:
        """Whether enough is marked for a crawl."""
        scaled = "scale" in self.lines and self.scale_mm is not None
        scaled = scaled or (bool(self.wheels) and self.wheel_mm is not None)
        return self.patch is not None and (scaled or self.sheet is not None)

    def can_climb(self) -> bool:
        """Whether enough is marked for an attempt at the board."""
        return self.patch is not None and "ramp" in self.lines

    def can_tilt(self) -> bool:
        """Whether enough is marked for a side tilt."""
        return "platform" in self.lines and "chassis" in self.lines


def line_of(value: object, name: str) -> Line:
    """A line by four numbers; raises `MarkError` otherwise."""
    return as_line(cast("list[float]", value), f"the {name} line")


def span_of(value: object) -> Span | None:
    """A span as ``FIRST:LAST`` or as two ordinals; None for none; raises `MarkError`."""
    if value is None:
        return None
    if isinstance(value, str):
        return Span.parse(value)
    first, last = (int(end) for end in numbers({"span": value}, "span", 2) or ())
    return Span(first, last).checked()


def numbers(data: Given, name: str, count: int) -> list[float] | None:
    """So many numbers under a name, None for none; raises `MarkError` for another count."""
    value = data.get(name)
    if value is None:
        return None
    items = value if isinstance(value, (list, tuple)) else [value]
    found = [_float(item, name) for item in items]
    if len(found) != count:
        raise MarkError(f"{name} has {len(found)} numbers in the marks file, but needs {count}")
    return found


def number(data: Given, name: str) -> float | None:
    """A number under a name; None for none."""
    value = data.get(name)
    return None if value is None else _float(value, name)


def _float(value: object, name: str) -> float:
    """A finite number; raises `MarkError` naming the field."""
    if isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < MOST:
        return float(value)
    raise MarkError(f"{name} in the marks file holds {value!r:.60}; write a plain number")


def whole(data: Given, name: str) -> int | None:
    """A whole number under a name; None for none."""
    value = data.get(name)
    if value is None:
        return None
    found = _float(value, name)
    if found != int(found):
        raise MarkError(f"{name} in the marks file holds {value!r}; write a whole number")
    return int(found)


def word(data: Given, name: str) -> str | None:
    """A word under a name; None for none."""
    value = data.get(name)
    return None if value is None else str(value)


def wheels(value: object) -> tuple[Wheel, ...]:
    """Wheels by four or five numbers each; raises `MarkError` otherwise."""
    rows = _rows(value, "wheels")
    if any(len(row) not in (4, 5) for row in rows):
        raise MarkError(
            "a wheel in the marks file has neither 4 nor 5 numbers; write cx, cy, rx, ry and, for "
            "an ellipse, its turn in degrees"
        )
    return tuple(Wheel(*row) for row in rows)


def patches(value: object, what: str) -> tuple[Patch, ...]:
    """Rectangles by four numbers each; raises `MarkError` naming `what` otherwise."""
    rows = _rows(value, what)
    if any(len(row) != 4 for row in rows):
        raise MarkError(
            f"{what} in the marks file has not 4 numbers; write left, top, width, height"
        )
    return tuple(Patch(*row) for row in rows)


def _rows(value: object, name: str) -> list[list[float]]:
    if value is None:
        return []
    if not isinstance(value, (list, tuple)) or not all(isinstance(r, (list, tuple)) for r in value):
        raise MarkError(f"{name} in the marks file holds {value!r:.60}; write a list of lists")
    return [[_float(item, name) for item in row] for row in value]


def _measures(value: object) -> tuple[str, ...]:
    known = ("angle", "crawl", "climb", "tilt")
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, (list, tuple)) or not all(name in known for name in names):
        raise MarkError(
            f"measure in the marks file holds {value!r:.60}; write some of {', '.join(known)}"
        )
    return tuple(str(name) for name in names)


def _terms_of(data: Mapping[str, object]) -> CrawlTerms:
    band = numbers(data, "band_hz", 2)
    return CrawlTerms(number(data, "hold_s"), (band[0], band[1]) if band else None)
