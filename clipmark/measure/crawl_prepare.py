"""From the marks of a crawl to what following needs: checked, fitted, with a ruler."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from clipmark.clip import Clip, Frame
from clipmark.errors import FollowError, MarkError
from clipmark.marks import (
    Line,
    Patch,
    SheetLike,
    Span,
    Wheel,
    as_line,
    as_sheets,
    check_line,
    check_patch,
)
from clipmark.measure.crawl_checks import (
    WheelLike,
    as_patch,
    as_wheels,
    check_diameters,
    check_facing,
    check_settings,
    checked_span,
)
from clipmark.measure.crawl_noise import measure_noise, smooth
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import SCALE_U_PX, PointMap, Ruler, plane_ruler
from clipmark.measure.crawl_scale import scale_from
from clipmark.measure.crawl_standing import Stands, find_stands
from clipmark.measure.crawl_terms import BAND_HZ, HOLD_S
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_view import ruler_for
from clipmark.measure.crawl_wheels import WHEEL_U_MM, Radius, fitted_wheel
from clipmark.measure.lens_file import LensSource
from clipmark.measure.tags import Tags
from clipmark.measure.view import ViewOptions

LineLike = Line | Sequence[float]


@dataclass(frozen=True, eq=False)
class CrawlMarks:
    """Everything marked and said for a crawl; see `clipmark.measure.crawl.measure_crawl`."""

    patch: Patch | Sequence[float]
    span: Span | tuple[int, int] | None = None
    travel: LineLike | None = None
    scale: LineLike | None = None
    scale_mm: float | None = None
    scale_u_px: float = SCALE_U_PX
    scale_u_mm: float = 0.0
    lens: LensSource | None = None
    view_angle_deg: float | None = None
    square_within_deg: float = 5.0
    sheet: SheetLike | None = None
    sheet_size: tuple[float, float] | None = None
    sheet_u_mm: float = 0.5
    tags: Tags | None = None
    edge_fit: bool = True
    to_plane: PointMap | Ruler | None = None
    to_plane_u: float = 0.0
    wheels: Sequence[WheelLike] = ()
    wheel_mm: float | None = None
    wheel_u_mm: float = WHEEL_U_MM
    rim_mm: float | None = None
    hold_s: float = HOLD_S
    band_hz: tuple[float, float] = BAND_HZ
    window_s: float | None = None
    facing: str | None = None


@dataclass(frozen=True, eq=False)
class Prepared:
    """Checked marks with what was made of them.

    Attributes
    ----------
    reference : Frame
    patch, span, way
        As checked; `way` None where the path itself is the way.
    wheels : tuple of Wheel
        Moved onto their hubs.
    radius : Radius or None
        Of rolling.
    ruler : Ruler
    hold_s, band_hz, window_s, facing
        Settings.
    notes : tuple of str
        What an operator should know already.
    settings : dict
        Marks and settings for the record.
    """

    reference: Frame
    patch: Patch
    span: Span
    way: Line | None
    wheels: tuple[Wheel, ...]
    radius: Radius | None
    ruler: Ruler
    hold_s: float
    band_hz: tuple[float, float]
    window_s: float | None
    facing: str | None
    notes: tuple[str, ...]
    settings: dict[str, object]


def prepare(clip: Clip, ordinal: int, marks: CrawlMarks) -> Prepared:
    """Check the marks of a crawl and make its ruler.

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError
        A sentence each.
    """
    patch = as_patch(marks.patch)
    check_patch(patch, clip.width, clip.height)
    span = checked_span(clip, ordinal, marks.span)
    check_settings(clip, marks.hold_s, marks.band_hz, marks.window_s)
    check_facing(marks.facing)
    wheels = as_wheels(marks.wheels)
    check_diameters(wheels, marks.wheel_mm, marks.wheel_u_mm, marks.rim_mm)
    way = None if marks.travel is None else as_line(marks.travel, "the travel line")
    if way is not None:
        check_line(way, clip.width, clip.height, "the travel line")
    reference = clip.frame(ordinal)
    fitted, kept = _refined(clip, reference, wheels, marks.edge_fit)
    notes: list[str] = []
    declared: dict[str, object] = {}
    if marks.to_plane is not None:
        ruler = _given_ruler(marks.to_plane, marks.to_plane_u, marks.scale is not None)
    else:
        options = ViewOptions.declared(
            marks.lens,
            marks.view_angle_deg,
            marks.square_within_deg,
            as_sheets(marks.sheet, marks.sheet_size, marks.sheet_u_mm),
            marks.tags,
        )
        declared = {**options.describe(), "edge_fit": marks.edge_fit}
        ruler, said = _marked_ruler(clip, ordinal, marks, patch, way, fitted, options)
        notes += said
    return Prepared(
        reference=reference,
        patch=patch,
        span=span,
        way=way,
        wheels=fitted,
        radius=None
        if marks.wheel_mm is None
        else Radius(marks.wheel_mm / 2, marks.wheel_u_mm / marks.wheel_mm),
        ruler=ruler,
        hold_s=marks.hold_s,
        band_hz=marks.band_hz,
        window_s=marks.window_s,
        facing=marks.facing,
        notes=(*notes, *kept),
        settings={
            "patch": [patch.x, patch.y, patch.w, patch.h],
            "span": [span.first, span.last],
            "travel": None if way is None else list(way.as_tuple()),
            "hold_s": marks.hold_s,
            "band_hz": list(marks.band_hz),
            "window_given_s": marks.window_s,
            "wheels": [[w.cx, w.cy, w.rx, w.ry, w.turn_deg] for w in wheels],
            "wheel_mm": marks.wheel_mm,
            "wheel_u_mm": marks.wheel_u_mm,
            "rim_mm": marks.rim_mm,
            "facing": marks.facing,
            "true_fps": clip.true_fps,
            "scale_marked": marks.scale is not None,
            **declared,
            **ruler.describe,
        },
    )


def trace_and_stands(
    path: Path, ruler: Ruler, tick_s: float, window_s: float | None, band_hz: tuple[float, float]
) -> tuple[Trace, Stands, float]:
    """Known instants, smoothed, with noise; where the truck stood; and the filter's width, s.

    Raises
    ------
    FollowError
        When no piece of the path is long enough for a speed.
    """
    known = path.known
    times, s = path.times_s[known], path.s_mm[known]
    fit, window, position_mm = smooth(times, s, window_s)
    if not np.isfinite(fit.slope).any():
        raise FollowError(
            "the body was followed only in pieces too short for a speed; mark a patch that stays "
            "in view, or a shorter span"
        )
    noise = measure_noise(path, fit, window, position_mm, band_hz)
    stands = find_stands(times, s, noise.speed_mm_s, position_mm)
    trace = Trace(
        times_s=times,
        s_mm=s,
        u_camera_mm=path.u_camera_mm[known],
        fit=fit,
        noise=noise,
        standing=stands.standing,
        tick_s=tick_s,
        ruler=ruler,
        shaken=path.camera.judged == "moving",
    )
    return trace, stands, window


def _marked_ruler(
    clip: Clip,
    ordinal: int,
    marks: CrawlMarks,
    patch: Patch,
    way: Line | None,
    wheels: tuple[Wheel, ...],
    options: ViewOptions,
) -> tuple[Ruler, list[str]]:
    """Lengths by a scale mark, a sheet, or the known size of a wheel."""
    mark, said = scale_from(
        marks.scale,
        marks.scale_mm,
        marks.scale_u_px,
        options.shows_plane,
        wheels,
        marks.wheel_mm,
        marks.wheel_u_mm,
        marks.rim_mm,
    )
    ruler, view_notes = ruler_for(
        clip,
        ordinal,
        patch,
        scale=mark.line,
        scale_mm=mark.length_mm,
        scale_u_px=mark.u_px,
        travel=way,
        options=options,
        edge_fit=marks.edge_fit,
    )
    doubt = marks.scale_u_mm if mark.u_mm is None else mark.u_mm
    return ruler.with_length_doubt(mark.length_mm, doubt), [*view_notes, *said]


def _given_ruler(to_plane: PointMap | Ruler, u_relative: float, scale_too: bool) -> Ruler:
    if scale_too:
        raise MarkError(
            "both a scale mark and a map to the plane were given; give the one that is to define "
            "lengths"
        )
    return to_plane if isinstance(to_plane, Ruler) else plane_ruler(to_plane, u_relative)


def _refined(
    clip: Clip, frame: Frame, wheels: tuple[Wheel, ...], edge_fit: bool
) -> tuple[tuple[Wheel, ...], list[str]]:
    """Wheel marks moved onto their hubs, and what to say of those that were not."""
    if not edge_fit:
        return wheels, []
    found = [fitted_wheel(frame, clip, wheel) for wheel in wheels]
    return tuple(wheel for wheel, _ in found), [note for _, note in found if note]
