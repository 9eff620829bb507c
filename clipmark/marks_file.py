"""Measuring from a file of marks: the same names as on the command line, as JSON.

A marks file says what an operator would type: ``frame``, ``ramp``, ``hubs``, ``plumb``, ``patch``
and so on. It is how the sample event is measured, how a script may keep its marks, and what the
marking page sends; what is measured from it equals what the verbs measure from the same marks.
"""

from __future__ import annotations

from collections.abc import Callable

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line
from clipmark.marks_given import LEVEL_U_DEG, MarksFile
from clipmark.measure.angle import measure_angle
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS
from clipmark.measure.climb import ClimbReading, measure_climb
from clipmark.measure.crawl import CrawlReading, Observer, measure_crawl
from clipmark.measure.tilt import TiltReading, measure_tilt
from clipmark.measure.tilt_join import OtherTilt
from clipmark.measure.tilt_marks import GAP_MM, TRACK_U_MM
from clipmark.motion.climb_facts import GIVE_UP_S

LIVE_DRAWS = 400  # ends of the interval good to about 8 % of its length, in a few ms
__all__ = [
    "LEVEL_U_DEG",
    "MarksFile",
    "angle_from",
    "climb_from",
    "crawl_from",
    "tilt_from",
]
Progress = Callable[[int, int], None]


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
        ramp=_needed(marks, "ramp"),
        chassis=marks.lines.get("chassis"),
        hubs=marks.lines.get("hubs"),
        rim_px=marks.rim_px,
        facing=marks.facing,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=marks.level_deg,
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


def climb_from(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> ClimbReading:
    """The attempt at the board, as ``clipmark climb`` measures it.

    Parameters are those of `crawl_from`.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_climb` raises.
    """
    if marks.patch is None:
        raise MarkError("the marks name no patch to follow; mark a textured part of the body")
    if marks.patch_frame not in (None, marks.frame):
        raise MarkError(
            f"the body patch is marked on frame {marks.patch_frame}, but the ramp line on frame "
            f"{marks.frame}; a climb is measured from marks of one frame, so mark the patch and "
            "the wheels on that one as well"
        )
    return measure_climb(
        clip,
        marks.frame,
        patch=marks.patch,
        ramp=_needed(marks, "ramp"),
        hubs=marks.lines.get("hubs"),
        wheels=marks.wheels,
        wheel_mm=marks.wheel_mm,
        finish=marks.lines.get("finish"),
        mode=marks.mode or "climb",
        facing=marks.facing,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=marks.level_deg,
        span=marks.span,
        scale=marks.lines.get("scale"),
        scale_mm=marks.scale_mm,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit,
        give_up_s=GIVE_UP_S if marks.give_up_s is None else marks.give_up_s,
        progress=progress,
        observer=observer,
    )


def tilt_from(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    join: OtherTilt | None = None,
) -> TiltReading:
    """The side tilt, as ``clipmark tilt`` measures it.

    Parameters
    ----------
    clip : Clip
    marks : MarksFile
    progress : callable, optional
        See `measure_tilt`; an exception raised in it ends the measurement.
    join : path or mapping, optional
        The run with the other side low.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_tilt` raises.
    """
    return measure_tilt(
        clip,
        marks.frame,
        platform=_needed(marks, "platform"),
        chassis=_needed(marks, "chassis"),
        uphill_tyres=marks.uphill_tyres,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=marks.level_deg,
        scale=marks.lines.get("scale"),
        scale_mm=marks.scale_mm,
        track_mm=marks.track_mm,
        track_u_mm=TRACK_U_MM if marks.track_u_mm is None else marks.track_u_mm,
        low_side=marks.low_side,
        gap_mm=GAP_MM if marks.gap_mm is None else marks.gap_mm,
        span=marks.span,
        join=join,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit,
        progress=progress,
    )


def _needed(marks: MarksFile, name: str) -> Line:
    if name not in marks.lines:
        raise MarkError(f"the marks name no {name} line; mark it")
    return marks.lines[name]
