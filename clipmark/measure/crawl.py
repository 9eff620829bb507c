"""Position, speed and evenness of a creeping truck, followed through a span of a clip.

The chain: body patch, wheels and background followed against the reference frame -> camera shake
taken out -> mm in the plane of motion -> travel along the way on true timestamps -> speed, stalls,
phases, ripple, slip, each with its uncertainty and above its noise floor, or said to be below it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from clipmark.clip import Clip
from clipmark.marks import Patch, SheetLike, Span
from clipmark.measure.crawl_checks import WheelLike
from clipmark.measure.crawl_expect import Expectation, expect
from clipmark.measure.crawl_figures import Figures, read_figures
from clipmark.measure.crawl_path import Path, lay_along
from clipmark.measure.crawl_prepare import (
    CrawlMarks,
    LineLike,
    Prepared,
    prepare,
    trace_and_stands,
)
from clipmark.measure.crawl_reading import CrawlReading
from clipmark.measure.crawl_ruler import SCALE_U_PX, PointMap, Ruler
from clipmark.measure.crawl_table import trace_table
from clipmark.measure.crawl_terms import BAND_HZ, HOLD_S
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_warnings import followed_warnings, still_warnings
from clipmark.measure.crawl_wheels import WHEEL_U_MM, WheelTrace, trace_wheel
from clipmark.measure.lens_file import LensSource
from clipmark.measure.tags import Tags
from clipmark.motion.passes import Following, Observer, follow

Progress = Callable[[int, int], None]


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
    sheet: SheetLike | None = None,
    sheet_size: tuple[float, float] | None = None,
    sheet_u_mm: float = 0.5,
    tags: Tags | None = None,
    edge_fit: bool = True,
    to_plane: PointMap | Ruler | None = None,
    to_plane_u: float = 0.0,
    wheels: Sequence[WheelLike] = (),
    wheel_mm: float | None = None,
    wheel_u_mm: float = WHEEL_U_MM,
    rim_mm: float | None = None,
    hold_s: float = HOLD_S,
    band_hz: tuple[float, float] = BAND_HZ,
    window_s: float | None = None,
    facing: str | None = None,
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
    lens, view_angle_deg, square_within_deg, sheet, sheet_size, sheet_u_mm, tags, edge_fit
        The view, as in `measure_angle`. A sheet in the plane of motion gives mm without a scale,
        of several sheets the first.
    to_plane : callable or Ruler, optional
        Instead of all these: map ``(N, 2) upright px -> (N, 2) mm``, with ``to_plane_u`` the
        relative standard uncertainty of its lengths (a `Ruler` has its own).
    wheels : sequence of Wheel or of four or five numbers, optional
        Hub, half axes and turn of each wheel to be followed, px; rough marks are moved onto the
        true hub unless `edge_fit` is False.
    wheel_mm, wheel_u_mm : float, optional
        Rolling diameter of the wheels and its standard uncertainty: gives slip.
    rim_mm : float, optional
        Diameter of the marked circle; without a scale mark and a sheet it defines lengths, else
        `wheel_mm` does, for wheels marked at their tread.
    hold_s : float
        How long the slowest speed must be held, s.
    band_hz : tuple of float
        Low and high end of the ripple's band, Hz.
    window_s : float, optional
        Full width of the speed filter; chosen by the noise when not given.
    facing : str, optional
        ``left`` or ``right``: where the truck's nose points in the picture, which is ahead. When
        not given, the first move that is a good part of the longest one says so.
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
    marks = CrawlMarks(
        patch=patch,
        span=span,
        travel=travel,
        scale=scale,
        scale_mm=scale_mm,
        scale_u_px=scale_u_px,
        scale_u_mm=scale_u_mm,
        lens=lens,
        view_angle_deg=view_angle_deg,
        square_within_deg=square_within_deg,
        sheet=sheet,
        sheet_size=sheet_size,
        sheet_u_mm=sheet_u_mm,
        tags=tags,
        edge_fit=edge_fit,
        to_plane=to_plane,
        to_plane_u=to_plane_u,
        wheels=wheels,
        wheel_mm=wheel_mm,
        wheel_u_mm=wheel_u_mm,
        rim_mm=rim_mm,
        hold_s=hold_s,
        band_hz=band_hz,
        window_s=window_s,
        facing=facing,
    )
    return measure_marked(clip, ordinal, marks, progress, observer)


def expect_crawl(clip: Clip, ordinal: int, marks: CrawlMarks) -> Expectation:
    """What a crawl from these marks will be able to tell, before it is measured.

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError
        A sentence each.
    """
    return expect(clip, ordinal, prepare(clip, ordinal, marks))


def measure_marked(
    clip: Clip,
    ordinal: int,
    marks: CrawlMarks,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> CrawlReading:
    """The same as `measure_crawl`, from marks in one piece; raises the same."""
    ready = prepare(clip, ordinal, marks)
    following = follow(clip, ordinal, ready.patch, ready.span, progress, observer, ready.wheels)
    return read_followed(clip, ready, following).reading


@dataclass(frozen=True, eq=False)
class Crawled:
    """A crawl with what its figures were computed from, for measurements that build on it."""

    reading: CrawlReading
    path: Path
    trace: Trace
    wheels: list[WheelTrace]
    figures: Figures


def read_followed(
    clip: Clip, ready: Prepared, following: Following, facing: str | None = None
) -> Crawled:
    """The crawl from what was followed of it; `facing` overrides where ahead is in the picture.

    Raises
    ------
    FollowError
        If the body was found in too few frames.
    """
    span, ruler, reference = ready.span, ready.ruler, ready.reference
    size = (clip.width, clip.height)
    path = lay_along(following, ruler, ready.way, size, facing or ready.facing)
    trace, stands, window = trace_and_stands(
        path, ruler, float(reference.time_base), ready.window_s, ready.band_hz
    )
    turned = [
        trace_wheel(number, seen, path, ruler, window, ready.radius)
        for number, seen in enumerate(following.wheels, 1)
    ]
    figures = read_figures(
        trace,
        stands,
        path,
        turned,
        window_s=window,
        hold_s=ready.hold_s,
        band_hz=ready.band_hz,
        interlaced=clip.interlaced,
    )
    warnings = [*ready.notes, *clip.warnings, *followed_warnings(clip, span, following, path)]
    warnings += [*still_warnings(trace, clip.interlaced), *figures.notes]
    reading = CrawlReading(
        values=figures.values,
        budgets=figures.budgets,
        table=trace_table(clip, span, path, trace, turned),
        stalls=figures.stalls,
        phases=figures.phases,
        moved=figures.moved,
        wheels=figures.wheels,
        slip=figures.slip,
        ripple_orders=figures.orders,
        ripple_band_hz=ready.band_hz,
        ripple_span_s=figures.ripple_span_s,
        ripple_seen=figures.ripple_seen,
        ripple_floor=figures.ripple_floor,
        rollback_largest_mm=figures.rollback_largest_mm,
        rollback_threshold_mm=figures.rollback_threshold_mm,
        noise_floor_mm_s=trace.noise.speed_mm_s,
        noise_source=trace.noise.source,
        window_s=window,
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
        settings=ready.settings,
        trace=trace,
    )
    return Crawled(reading, path, trace, turned, figures)


def _trace(
    path: Path, ruler: Ruler, tick_s: float, window_s: float | None, band_hz: tuple[float, float]
) -> tuple[Trace, float]:
    trace, _, window = trace_and_stands(path, ruler, tick_s, window_s, band_hz)
    return trace, window


__all__ = [
    "CrawlMarks",
    "CrawlReading",
    "Crawled",
    "Expectation",
    "Observer",
    "Ruler",
    "expect_crawl",
    "measure_crawl",
    "measure_marked",
    "read_followed",
    "trace_and_stands",
]
