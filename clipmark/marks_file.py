"""Measuring from a file of marks: the same names as on the command line, as JSON.

A marks file says what an operator would type: ``frame``, ``ramp``, ``hubs``, ``plumb``, ``patch``
and so on. It is how the sample event is measured, how a script may keep its marks, and what the
marking page sends; what is measured from it equals what the verbs measure from the same marks.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, Sheet, Span, Wheel, as_line
from clipmark.measure.angle import measure_angle
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS
from clipmark.measure.crawl import CrawlReading, Observer, measure_crawl
from clipmark.measure.crawl_terms import NOTHING_SAID, CrawlTerms
from clipmark.measure.view import ViewOptions

LINES = (
    "ramp", "chassis", "hubs", "level", "plumb", "travel", "scale", "finish", "platform",
)  # fmt: skip
LIVE_DRAWS = 400  # ends of the interval good to about 8 % of its length, in a few ms
LEVEL_U_DEG, SQUARE_WITHIN_DEG = 0.05, 5.0  # as the command line has them
Progress = Callable[[int, int], None]
RecordedMark = tuple[Line | Patch | Sheet | Wheel, str]


@dataclass(frozen=True)
class MarksFile:
    """Marks of one clip, checked to be readable.

    Attributes
    ----------
    frame : int
        Frame they were set on.
    measure : tuple of str
        What is to be measured with them: "angle", "crawl", "tilt", "climb".
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
    track_mm : float or None
    mode : str
        Of a climb: ``climb`` or ``descend``.
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
    track_mm: float | None = None
    mode: str = "climb"

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
            level_u_deg=_number(data, "level_u"),
            facing=None if data.get("facing") is None else str(data["facing"]),
            edge_fit=data.get("edge_fit") is not False,
            patch_frame=_whole(data, "patch_frame"),
            wheels=_wheels(data.get("wheels")),
            wheel_mm=_number(data, "wheel_mm"),
            true_fps=_number(data, "true_fps"),
            terms=_terms(data),
            uphill_tyres=_patches(data.get("uphill_tyres")),
            track_mm=_number(data, "track_mm"),
            mode=str(data.get("mode") or "climb"),
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


def angle_from(clip: Clip, marks: MarksFile, *, live: bool = False) -> AngleReading:
    """The angles on the marked frame, as ``clipmark angle`` measures them.

    Parameters
    ----------
    clip : Clip
    marks : MarksFile
    live : bool
        While a point is dragged: lines as marked, few draws, no budget; not to be recorded.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_angle` raises.
    """
    return measure_angle(
        clip,
        marks.frame,
        ramp=needed_line(marks, "ramp"),
        chassis=marks.lines.get("chassis"),
        hubs=marks.lines.get("hubs"),
        rim_px=marks.rim_px,
        facing=marks.facing,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=LEVEL_U_DEG if marks.level_u_deg is None else marks.level_u_deg,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit and not live,
        draws=LIVE_DRAWS if live else DRAWS,
        budget_draws=0 if live else BUDGET_DRAWS,
    )


def crawl_from(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> CrawlReading:
    """The crawl from the marked patch, as ``clipmark crawl`` measures it.

    Parameters
    ----------
    clip : Clip
    marks : MarksFile
    progress, observer : callable, optional
        See `measure_crawl`; an exception raised in either ends the measurement.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_crawl` raises.
    """
    if marks.patch is None:
        raise MarkError("the marks name no patch to follow; mark a textured part of the body")
    hold_s, band_hz = marks.terms.settings()
    return measure_crawl(
        clip,
        marks.frame if marks.patch_frame is None else marks.patch_frame,
        patch=marks.patch,
        span=marks.span,
        travel=marks.lines.get("travel"),
        scale=marks.lines.get("scale"),
        scale_mm=marks.scale_mm,
        wheels=marks.wheels,
        wheel_mm=marks.wheel_mm,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit,
        facing=marks.nose,
        hold_s=hold_s,
        band_hz=band_hz,
        progress=progress,
        observer=observer,
    )


def needed_line(marks: MarksFile, name: str) -> Line:
    """A line that cannot be missing; raises `MarkError` where it is."""
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


def _whole(data: Mapping[str, object], name: str) -> int | None:
    value = data.get(name)
    return None if value is None else int(cast(int, value))


def _terms(data: Mapping[str, object]) -> CrawlTerms:
    band = _numbers(data, "band_hz", 2)
    return CrawlTerms(_number(data, "hold_s"), (band[0], band[1]) if band else None)


def _patches(value: object) -> tuple[Patch, ...]:
    rows = [[float(item) for item in row] for row in cast("list[list[float]]", value or [])]
    if any(len(row) != 4 for row in rows):
        raise MarkError(
            "an uphill tyre in the marks file has not 4 numbers; write left, top, width, height"
        )
    return tuple(Patch(*row) for row in rows)


def _wheels(value: object) -> tuple[Wheel, ...]:
    if value is None:
        return ()
    rows = [[float(item) for item in row] for row in cast("list[list[float]]", value)]
    if any(len(row) not in (4, 5) for row in rows):
        raise MarkError(
            "a wheel in the marks file has neither 4 nor 5 numbers; write cx, cy, rx, ry and, for "
            "an ellipse, its turn in degrees"
        )
    return tuple(Wheel(*row) for row in rows)
