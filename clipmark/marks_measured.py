"""Everything that a marks file asks for, measured: angle, side tilt, climb, crawl."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pandas as pd

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks_file import (
    LEVEL_U_DEG,
    MarksFile,
    Progress,
    angle_from,
    crawl_from,
    needed_line,
)
from clipmark.measure.climb import ClimbReading, measure_climb
from clipmark.measure.tilt import TiltReading, measure_tilt

Traced = Callable[[str, pd.DataFrame], None]  # measure, its trace


def measure_marks(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    traced: Traced | None = None,
    join: Mapping[str, object] | None = None,
) -> dict[str, dict[str, object]]:
    """Measure everything a marks file asks for; results by measure, as ``--json`` prints them.

    Parameters
    ----------
    clip : Clip
    marks : MarksFile
    progress : callable, optional
        Called with frames done and frames in all.
    traced : callable, optional
        Given the trace of whatever was followed, which is no part of the results.
    join : mapping, optional
        The result of the same truck's tilt to the other side.

    Raises
    ------
    ClipmarkError
        Of any kind the measurements raise; a sentence.
    """
    results: dict[str, dict[str, object]] = {}
    if "angle" in marks.measure:
        results["angle"] = angle_from(clip, marks).to_dict()
    followed: list[tuple[str, dict[str, object], pd.DataFrame]] = []
    if "tilt" in marks.measure:
        tilt = tilt_from(clip, marks, progress, join)
        followed.append(("tilt", tilt.to_dict(), tilt.table))
    if "climb" in marks.measure:
        climb = climb_from(clip, marks, progress)
        followed.append(("climb", climb.to_dict(), climb.table))
    if "crawl" in marks.measure:
        crawl = crawl_from(clip, marks, progress)
        followed.append(("crawl", crawl.to_dict(), crawl.table))
    for measure, result, table in followed:
        results[measure] = result
        if traced is not None:
            traced(measure, table)
    return results


def tilt_from(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    join: Mapping[str, object] | None = None,
) -> TiltReading:
    """The side tilt from the marks, as ``clipmark tilt`` measures it.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_tilt` raises.
    """
    return measure_tilt(
        clip,
        marks.frame,
        platform=needed_line(marks, "platform"),
        chassis=needed_line(marks, "chassis"),
        uphill_tyres=marks.uphill_tyres,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=LEVEL_U_DEG if marks.level_u_deg is None else marks.level_u_deg,
        scale=marks.lines.get("scale"),
        scale_mm=marks.scale_mm,
        track_mm=marks.track_mm,
        span=marks.span,
        join=join,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit,
        progress=progress,
    )


def climb_from(clip: Clip, marks: MarksFile, progress: Progress | None = None) -> ClimbReading:
    """The attempt at the board from the marks, as ``clipmark climb`` measures it.

    Raises
    ------
    ClipmarkError
        Of any kind that `measure_climb` raises.
    """
    if marks.patch is None:
        raise MarkError("the marks name no patch to follow; mark a textured part of the body")
    return measure_climb(
        clip,
        marks.frame if marks.patch_frame is None else marks.patch_frame,
        patch=marks.patch,
        ramp=needed_line(marks, "ramp"),
        hubs=marks.lines.get("hubs"),
        wheels=marks.wheels,
        wheel_mm=marks.wheel_mm,
        finish=marks.lines.get("finish"),
        mode=marks.mode,
        facing=marks.facing,
        level=marks.lines.get("level"),
        plumb=marks.lines.get("plumb"),
        level_u_deg=LEVEL_U_DEG if marks.level_u_deg is None else marks.level_u_deg,
        span=marks.span,
        scale=marks.lines.get("scale"),
        scale_mm=marks.scale_mm,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_deg,
        sheet=marks.sheet,
        edge_fit=marks.edge_fit,
        progress=progress,
    )
