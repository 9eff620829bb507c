"""The marks of a side tilt: checked, fitted on the reference frame, ready to be followed."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TypeVar

from clipmark.clip import Clip, Frame
from clipmark.errors import FitError, FollowError, MarkError
from clipmark.marks import Line, Patch, SheetLike, Span, as_line, as_sheets, check_patch
from clipmark.measure.angle_marks import AngleMarks, Repeated, lines_told
from clipmark.measure.angle_model import AngleModel
from clipmark.measure.angle_place import PlacedMarks, place_marks
from clipmark.measure.crawl_checks import as_patch, checked_span
from clipmark.measure.crawl_ruler import SCALE_U_PX, Ruler
from clipmark.measure.crawl_view import ruler_for
from clipmark.measure.lens_file import LensSource
from clipmark.measure.marked_line import PlacedLine
from clipmark.measure.tags import Tags
from clipmark.measure.view import Picture, ViewOptions

LineLike = Line | Sequence[float]
MOST_TYRES = 4
GAP_MM = 1.0
SLIDE_MM = 2.0
TRACK_U_MM = 0.5
AS_PLACED = {"platform": "ramp", "chassis": "chassis"}  # as the angle's own marks name them
_Made = TypeVar("_Made")


@dataclass(frozen=True, eq=False)
class TiltMarks:
    """Everything marked and said for a side tilt; see `clipmark.measure.tilt.measure_tilt`."""

    platform: LineLike
    chassis: LineLike
    uphill_tyres: Sequence[Patch | Sequence[float]] = ()
    level: Repeated | None = None
    plumb: Repeated | None = None
    level_u_deg: float = 0.05
    scale: LineLike | None = None
    scale_mm: float | None = None
    track_mm: float | None = None
    track_u_mm: float = TRACK_U_MM
    low_side: str | None = None
    gap_mm: float = GAP_MM
    span: Span | tuple[int, int] | None = None
    lens: LensSource | None = None
    view_angle_deg: float | None = None
    square_within_deg: float = 5.0
    sheet: SheetLike | None = None
    sheet_size: tuple[float, float] | None = None
    sheet_u_mm: float = 0.5
    tags: Tags | None = None
    edge_fit: bool = True
    by_ends: Collection[str] = ()


@dataclass(frozen=True, eq=False)
class PreparedTilt:
    """Checked and fitted marks.

    Attributes
    ----------
    reference : Frame
    picture : Picture
    span : Span
    platform, chassis : Line
        As marked.
    tyres : tuple of Patch
    by_ends : frozenset of {'platform', 'chassis'}
        Lines that are followed by two patches at their ends.
    placed : PlacedMarks
    model : AngleModel
        Platform (as the ramp) and chassis on the reference frame.
    levelled : bool
        Whether anything says where level is.
    ruler : Ruler or None
        None where lengths in mm are not known.
    notes : tuple of str
    settings : dict
    """

    reference: Frame
    picture: Picture
    span: Span
    platform: Line
    chassis: Line
    tyres: tuple[Patch, ...]
    by_ends: frozenset[str]
    placed: PlacedMarks
    model: AngleModel
    levelled: bool
    ruler: Ruler | None
    notes: tuple[str, ...]
    settings: dict[str, object]


def prepare_tilt(clip: Clip, ordinal: int, marks: TiltMarks) -> PreparedTilt:
    """Check and fit the marks; raises `MarkError`, `FitError`, `FollowError` and others."""
    if not clip.has_times:
        raise FollowError(
            "this file carries no frame times, so motion cannot be timed; use the file as the "
            "camera recorded it"
        )
    _check_numbers(marks)
    span = checked_span(clip, ordinal, marks.span)
    platform = as_line(marks.platform, "the platform line")
    chassis = as_line(marks.chassis, "the chassis line")
    tyres = _tyres(clip, marks.uphill_tyres)
    by_ends = _by_ends(marks)
    notes: list[str] = []
    level, plumb = marks.level, marks.plumb
    levelled = bool(level) or bool(plumb)
    if not levelled:
        level = _rows_of(clip)
        notes.append(
            "neither a level line nor a plumb line was given, so the platform's angle is not "
            "known, only how far it has turned since the first frame; give a level or plumb line "
            "(--level, --plumb) for angles"
        )
    checked = _worded(
        lambda: AngleMarks.checked(
            clip, platform, chassis, None, level, plumb, None, marks.level_u_deg
        )
    )
    options = ViewOptions.declared(
        marks.lens,
        marks.view_angle_deg,
        marks.square_within_deg,
        as_sheets(marks.sheet, marks.sheet_size, marks.sheet_u_mm),
        marks.tags,
    )
    reference = clip.frame(ordinal)
    picture = Picture(
        reference.luma,
        (float(clip.black_level), float(clip.white_level)),
        float(clip.pixel_aspect),
    )
    placed = _worded(
        lambda: place_marks(
            picture,
            checked,
            options,
            marks.level_u_deg,
            marks.edge_fit,
            None,
            as_marked={AS_PLACED[name] for name in by_ends},
        )
    )
    ruler = _ruler(clip, ordinal, marks, tyres, platform, options, notes)
    warnings = [text.replace("ramp line", "platform line") for text in placed.warnings]
    return PreparedTilt(
        reference=reference,
        picture=picture,
        span=span,
        platform=platform,
        chassis=chassis,
        tyres=tyres,
        by_ends=by_ends,
        placed=placed,
        model=placed.model(None, 0.0),
        levelled=levelled,
        ruler=ruler,
        notes=(*notes, *warnings),
        settings=_settings(clip, ordinal, marks, span, tyres, options),
    )


def _check_numbers(marks: TiltMarks) -> None:
    if not 0 < marks.gap_mm < math.inf:
        raise MarkError(f"the gap is {marks.gap_mm:g} mm; give one above 0 mm (--gap-mm)")
    if marks.track_mm is not None and not 0 < marks.track_mm < math.inf:
        raise MarkError(f"the track is {marks.track_mm:g} mm; give one above 0 mm (--track-mm)")
    if not 0 <= marks.track_u_mm < math.inf:
        raise MarkError("the uncertainty of the track is below 0; give 0 mm or more (--track-u-mm)")
    if marks.low_side not in (None, "left", "right"):
        raise MarkError(f"the low side cannot be '{marks.low_side}'; give left or right")


def _by_ends(marks: TiltMarks) -> frozenset[str]:
    """Which lines are followed by their ends: names checked."""
    for name in marks.by_ends:
        if name not in AS_PLACED:
            raise MarkError(
                f"'{name}' is no line that is followed; give platform or chassis (--by-ends)"
            )
    return frozenset(marks.by_ends)


def _tyres(clip: Clip, given: Sequence[Patch | Sequence[float]]) -> tuple[Patch, ...]:
    tyres = tuple(as_patch(item) for item in given)
    if len(tyres) > MOST_TYRES:
        raise MarkError(
            f"{len(tyres)} uphill tyres were marked; a truck has two on that side, mark those "
            "that are seen (--uphill-tyre)"
        )
    for tyre in tyres:
        check_patch(tyre, clip.width, clip.height, "the patch on the uphill tyre")
    return tyres


def _rows_of(clip: Clip) -> PlacedLine:
    """The picture's own rows, in place of a level line."""
    y, right = (clip.height - 1) / 2, clip.width - 1.0
    points = ((0.0, y), (right, y))
    return PlacedLine(0.0, y, right, y, points, right / 2, 0.0, 0.0)


def _worded(make: Callable[[], _Made]) -> _Made:
    """Speak of the platform where the angle's own sentences speak of the ramp."""
    try:
        return make()
    except (MarkError, FitError) as error:
        words = str(error).replace("ramp line", "platform line").replace("--ramp", "--platform")
        raise type(error)(words.replace("the board's edge", "the platform's edge")) from error


def _ruler(
    clip: Clip,
    ordinal: int,
    marks: TiltMarks,
    tyres: tuple[Patch, ...],
    platform: Line,
    options: ViewOptions,
    notes: list[str],
) -> Ruler | None:
    """Lengths in the plane, from a scale mark or a sheet; None with a note where there is none."""
    if marks.scale is None and marks.scale_mm is None and not options.shows_plane:
        if tyres:
            notes.append(
                f"no scale was given, so a gap of {marks.gap_mm:g} mm cannot be told; give two "
                "points with their distance (--scale, --scale-mm) or a sheet (--sheet)"
            )
        return None
    scale = None if marks.scale is None else as_line(marks.scale, "the scale mark")
    where = tyres[0] if tyres else Patch(platform.x1, platform.y1, 0.0, 0.0)
    ruler, said = ruler_for(
        clip,
        ordinal,
        where,
        scale=scale,
        scale_mm=marks.scale_mm,
        scale_u_px=SCALE_U_PX,
        travel=platform,
        options=options,
        edge_fit=marks.edge_fit,
    )
    notes.extend(said)
    return ruler


def _settings(
    clip: Clip,
    ordinal: int,
    marks: TiltMarks,
    span: Span,
    tyres: tuple[Patch, ...],
    options: ViewOptions,
) -> dict[str, object]:
    """Marks and settings for the record."""
    scale = None if marks.scale is None else list(as_line(marks.scale, "the scale").as_tuple())
    return {
        "frame": ordinal,
        "span": [span.first, span.last],
        "platform": list(as_line(marks.platform, "the platform line").as_tuple()),
        "chassis": list(as_line(marks.chassis, "the chassis line").as_tuple()),
        "uphill_tyres": [[tyre.x, tyre.y, tyre.w, tyre.h] for tyre in tyres],
        "level": lines_told(marks.level),
        "plumb": lines_told(marks.plumb),
        "level_u_deg": marks.level_u_deg,
        "scale": scale,
        "scale_mm": marks.scale_mm,
        "track_mm": marks.track_mm,
        "track_u_mm": marks.track_u_mm,
        "gap_mm": marks.gap_mm,
        "edge_fit": marks.edge_fit,
        "by_ends": sorted(marks.by_ends),
        "true_fps": clip.true_fps,
        **options.describe(),
    }
