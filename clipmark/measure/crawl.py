"""Position, speed and evenness of a creeping truck, followed through a span of a clip.

The chain: body patch and background followed against the reference frame -> camera shake taken
out -> mm in the plane of motion -> travel along the way on true timestamps -> speed, stalls,
ripple, each with its uncertainty and above its noise floor, or said to be below it.

First stage: the body. Keys of what follows from wheels and from the shape of start and stop
(``ripple_orders, start_jump, start_delay_s, phases, slip, sparc, ldlj``) are there as null.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from clipmark.clip import Clip, Frame
from clipmark.errors import FollowError, MarkError
from clipmark.marks import Line, Patch, Sheet, Span, as_line, as_sheet, check_line, check_patch
from clipmark.measure.crawl_noise import measure_noise, smooth
from clipmark.measure.crawl_path import LEAST_FRAMES, Path, lay_along
from clipmark.measure.crawl_reading import CrawlReading
from clipmark.measure.crawl_ruler import SCALE_U_PX, PointMap, Ruler, plane_ruler
from clipmark.measure.crawl_table import trace_table
from clipmark.measure.crawl_values import (
    Trace,
    distance,
    from_budget,
    mean_over,
    ripple,
    rollback,
    slowest_held,
)
from clipmark.measure.crawl_view import ruler_for
from clipmark.measure.crawl_warnings import followed_warnings, still_warnings
from clipmark.measure.lens_file import LensSource
from clipmark.measure.values import Value
from clipmark.measure.view import ViewOptions
from clipmark.motion.passes import Following, Observer, follow
from clipmark.motion.stalls import find_standing
from clipmark.uncertainty.budget import Budget, Contribution

LineLike = Line | Sequence[float]
Progress = Callable[[int, int], None]
LONGEST_WINDOW_S = 5.0


def measure_crawl(
    clip: Clip,
    ordinal: int,
    *,
    patch: Patch | Sequence[float],
    span: Span | tuple[int, int] | None = None,
    travel: LineLike | None = None,
    scale: LineLike | None = None,
    scale_mm: float | None = None,
    scale_u_px: float = SCALE_U_PX,
    scale_u_mm: float = 0.0,
    lens: LensSource | None = None,
    view_angle_deg: float | None = None,
    square_within_deg: float = 5.0,
    sheet: Sheet | Sequence[float] | Sequence[Sequence[float]] | None = None,
    sheet_size: tuple[float, float] | None = None,
    sheet_u_mm: float = 0.5,
    edge_fit: bool = True,
    to_plane: PointMap | Ruler | None = None,
    to_plane_u: float = 0.0,
    hold_s: float = 2.0,
    band_hz: tuple[float, float] = (0.5, 5.0),
    window_s: float | None = None,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> CrawlReading:
    """Follow the body through a span and read how it crept.

    Parameters
    ----------
    clip : Clip
        An open clip with frame times.
    ordinal : int
        Reference frame: where the patch, the scale and the way were marked.
    patch : Patch or four numbers
        Left, top, width, height of a textured part of the body, px of the upright picture.
    span : Span or pair, optional
        First and last frame, both included; the whole clip when not given.
    travel : line, optional
        Along the way; the straight line through the body's places when not given.
    scale, scale_mm, scale_u_px, scale_u_mm
        Two points a known length apart in the plane of motion, that length, the standard
        uncertainty of each end along the line (0.5 px unless they were fitted) and of the length.
    lens, view_angle_deg, square_within_deg, sheet, sheet_size, sheet_u_mm, edge_fit
        The view, as in `measure_angle`. A sheet in the plane of motion gives mm without a scale.
    to_plane : callable or Ruler, optional
        Instead of all these: map ``(N, 2) upright px -> (N, 2) mm``, with ``to_plane_u`` the
        relative standard uncertainty of its lengths (a `Ruler` has its own).
    hold_s : float
        How long the slowest speed must be held, s.
    band_hz : tuple of float
        Low and high end of the ripple's band, Hz.
    window_s : float, optional
        Full width of the speed filter; chosen by the noise when not given.
    progress : callable, optional
        Called with frames done and frames in all.
    observer : callable, optional
        Called with each frame's ordinal, time and the body's place as it is followed (see
        `clipmark.motion.passes.follow`).

    Returns
    -------
    CrawlReading

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError
        A sentence each.
    """
    patch = _as_patch(patch)
    check_patch(patch, clip.width, clip.height)
    span = _checked_span(clip, ordinal, span)
    _check_settings(clip, hold_s, band_hz, window_s)
    way = None if travel is None else as_line(travel, "the travel line")
    if way is not None:
        check_line(way, clip.width, clip.height, "the travel line")
    reference = clip.frame(ordinal)
    view_notes: tuple[str, ...] = ()
    declared: dict[str, object] = {}
    if to_plane is not None:
        ruler = _given_ruler(to_plane, to_plane_u, scale is not None)
    else:
        options = ViewOptions.declared(
            lens, view_angle_deg, square_within_deg, as_sheet(sheet, sheet_size, sheet_u_mm)
        )
        declared = {**options.describe(), "edge_fit": edge_fit}
        ruler, view_notes = ruler_for(
            clip,
            ordinal,
            patch,
            scale=None if scale is None else as_line(scale, "the scale mark"),
            scale_mm=scale_mm,
            scale_u_px=scale_u_px,
            travel=way,
            options=options,
            edge_fit=edge_fit,
        )
        ruler = ruler.with_length_doubt(scale_mm, scale_u_mm)
    following = follow(clip, ordinal, patch, span, progress, observer)
    path = lay_along(following, ruler, way, (clip.width, clip.height))
    trace, window = _trace(path, ruler, _tick_s(reference), window_s, band_hz)
    settings: dict[str, object] = {
        "patch": [patch.x, patch.y, patch.w, patch.h],
        "span": [span.first, span.last],
        "travel": None if way is None else list(way.as_tuple()),
        "hold_s": hold_s,
        "band_hz": list(band_hz),
        "window_given_s": window_s,
        **declared,
        **ruler.describe,
    }
    reading = _read(
        clip, reference, span, following, path, trace, window, hold_s, band_hz, settings
    )
    return replace(reading, warnings=tuple(dict.fromkeys((*view_notes, *reading.warnings))))


def _as_patch(patch: Patch | Sequence[float]) -> Patch:
    if isinstance(patch, Patch):
        return patch
    numbers = [float(value) for value in patch]
    if len(numbers) != 4 or not all(math.isfinite(value) for value in numbers):
        raise MarkError(f"the patch needs four finite numbers x, y, w, h, but got {numbers}")
    return Patch(*numbers)


def _checked_span(clip: Clip, ordinal: int, span: Span | tuple[int, int] | None) -> Span:
    if span is None:
        span = Span(0, clip.frame_count - 1)
    elif not isinstance(span, Span):
        span = Span(int(span[0]), int(span[1]))
    span.checked()
    if span.last >= clip.frame_count:
        raise MarkError(
            f"the span {span.first}:{span.last} ends after the clip, whose last frame is "
            f"{clip.frame_count - 1}; give a last frame inside the clip"
        )
    if not span.first <= ordinal <= span.last:
        raise MarkError(
            f"the reference frame {ordinal} lies outside the span {span.first}:{span.last}; mark "
            "the patch in a frame of the span, or widen the span"
        )
    if span.last - span.first + 1 < LEAST_FRAMES:
        raise MarkError(
            f"the span {span.first}:{span.last} holds only {span.last - span.first + 1} frames, "
            f"and at least {LEAST_FRAMES} are needed; give a longer span"
        )
    return span


def _check_settings(
    clip: Clip, hold_s: float, band_hz: tuple[float, float], window_s: float | None
) -> None:
    if not clip.has_times:
        raise FollowError(
            "this file carries no frame times, so motion cannot be timed; use the file as the "
            "camera recorded it"
        )
    if not (0 < hold_s < math.inf):
        raise MarkError(f"the hold time is {hold_s:g} s; give a time above 0 s")
    low, high = band_hz
    if not (0 < low < high < math.inf):
        raise MarkError(
            f"the band {low:g}:{high:g} Hz cannot be used; give a low end above 0 and a higher "
            "high end, such as 0.5:5"
        )
    if window_s is not None and not (0 < window_s <= LONGEST_WINDOW_S):
        raise MarkError(
            f"the window of the speed filter is {window_s:g} s; give one above 0 and up to "
            f"{LONGEST_WINDOW_S:g} s"
        )


def _given_ruler(to_plane: PointMap | Ruler, u_relative: float, scale_too: bool) -> Ruler:
    if scale_too:
        raise MarkError(
            "both a scale mark and a map to the plane were given; give the one that is to define "
            "lengths"
        )
    return to_plane if isinstance(to_plane, Ruler) else plane_ruler(to_plane, u_relative)


def _tick_s(frame: Frame) -> float:
    return float(frame.time_base)


def _trace(
    path: Path, ruler: Ruler, tick_s: float, window_s: float | None, band_hz: tuple[float, float]
) -> tuple[Trace, float]:
    """Known instants, smoothed, with noise and stalls."""
    known = path.known
    times, s = path.times_s[known], path.s_mm[known]
    fit, window, position_mm = smooth(times, s, window_s)
    if not np.isfinite(fit.slope).any():
        raise FollowError(
            "the body was followed only in pieces too short for a speed; mark a patch that stays "
            "in view, or a shorter span"
        )
    noise = measure_noise(path, fit, window, position_mm, band_hz)
    standing = find_standing(times, s, noise.speed_mm_s, position_mm)
    trace = Trace(
        times_s=times,
        s_mm=s,
        u_camera_mm=path.u_camera_mm[known],
        fit=fit,
        noise=noise,
        standing=standing,
        tick_s=tick_s,
        ruler=ruler,
        shaken=path.camera.judged == "moving",
    )
    return trace, window


def _read(
    clip: Clip,
    reference: Frame,
    span: Span,
    following: Following,
    path: Path,
    trace: Trace,
    window_s: float,
    hold_s: float,
    band_hz: tuple[float, float],
    settings: dict[str, object],
) -> CrawlReading:
    """All figures of the reading."""
    values: dict[str, Value | None] = {}
    budgets: dict[str, Budget] = {}
    notes: list[str] = []

    def keep(name: str, found: tuple[float, Budget] | None) -> None:
        values[name] = None if found is None else from_budget(*found)
        if found is not None:
            budgets[name] = found[1]

    last = len(trace.times_s) - 1
    keep("duration_s", (trace.duration_s, _duration_budget(trace.tick_s)))
    keep("distance_mm", distance(trace))
    mean = mean_over(trace, 0, last)
    keep("mean_speed_mm_s", mean)
    back, largest, threshold = rollback(trace)
    values["rollback_mm"] = back
    figure = None
    if clip.interlaced:
        notes.append(
            "Interlaced: two moments in one picture; slowest speed, stalls and ripple need "
            "progressive video and are not given."
        )
        keep("slowest_speed_mm_s", None)
    else:
        slowest = slowest_held(trace, hold_s)
        keep("slowest_speed_mm_s", slowest)
        if slowest is None:
            notes.append(
                f"No stretch of {hold_s:g} s without a stall or a gap lies in the span, so no "
                "slowest speed is given; give a longer span or a shorter hold time."
            )
        figure, why = ripple(trace, path, band_hz, mean[0])
        notes += [why] if why else []
    values["ripple"] = None if figure is None else figure.value
    if figure is not None:
        budgets["ripple"] = figure.budget
        if not figure.seen:
            notes.append(
                f"The ripple is below the noise floor: at most {figure.value.high95:.2g} of the "
                f"mean speed between {band_hz[0]:g} and {band_hz[1]:g} Hz."
            )
    warnings = [*clip.warnings, *followed_warnings(clip, span, following, path)]
    warnings += [*still_warnings(trace, clip.interlaced), *notes]
    return CrawlReading(
        values=values,
        budgets=budgets,
        table=trace_table(clip, span, path, trace),
        stalls=None if clip.interlaced or trace.standing.blind else _stalls(trace),
        ripple_band_hz=band_hz,
        ripple_seen=None if figure is None else figure.seen,
        ripple_floor=None if figure is None else figure.floor,
        rollback_largest_mm=largest,
        rollback_threshold_mm=threshold,
        noise_floor_mm_s=trace.noise.speed_mm_s,
        noise_source=trace.noise.source,
        window_s=window_s,
        stall_limit_mm_s=trace.standing.limit,
        stood_at_start_s=trace.standing.at_start_s,
        stood_at_end_s=trace.standing.at_end_s,
        shake_px=path.camera.shake_px,
        camera=path.camera.judged,
        frame=reference.ordinal,
        t_s=float(clip.times_s[reference.ordinal]),
        clip_sha256=clip.sha256,
        fingerprints=following.fingerprints,
        first_frame=span.first,
        last_frame=span.last,
        warnings=tuple(dict.fromkeys(warnings)),
        settings=settings,
    )


def _duration_budget(tick_s: float) -> Budget:
    u = tick_s / math.sqrt(6)  # two stamps, each rounded to a tick
    return Budget.of([Contribution("time stamps", "B", u)])


def _stalls(trace: Trace) -> list[dict[str, float | bool]]:
    """Stalls as printed."""
    out: list[dict[str, float | bool]] = []
    for stall in trace.standing.stalls:
        inside = (trace.times_s >= stall.start_s) & (trace.times_s <= stall.end_s)
        place = trace.s_mm[inside]
        where = float(np.median(place)) if place.size else float("nan")
        out.append(
            {
                "t_s": stall.start_s,
                "dwell_s": stall.dwell_s,
                "dwell_u95_s": 2 * stall.u_dwell_s,
                "s_mm": where,
                "commanded": False,
            }
        )
    return out


__all__ = ["CrawlReading", "Observer", "Ruler", "measure_crawl"]
