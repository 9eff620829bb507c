"""``clipmark tilt``: a side tilt on the platform, its four events and the angle of each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.crawl_show import check_chart, draw_chart
from clipmark.cli.located import located
from clipmark.cli.saving import Saving
from clipmark.cli.sheet_option import sheets_from, tags_from
from clipmark.cli.show import emit_json, progress_bar
from clipmark.cli.stand_option import (
    StandName,
    check_options,
    given_or,
    stand_for,
    tell_stand,
)
from clipmark.cli.tilt_show import print_tilt
from clipmark.clip import open_clip
from clipmark.marks import Line, Patch, Span
from clipmark.measure.tilt import TiltMarks, TiltReading, measure_marked_tilt
from clipmark.measure.tilt_marks import GAP_MM, TRACK_U_MM
from clipmark.record.models import Span as RecordedSpan
from clipmark.workbench import AttemptDetails, Declaration, MarkedThing, span_of

TRUCK = "Truck and platform"


def run(
    context: typer.Context,
    clip: opt.ClipFile,
    frame: Annotated[
        int, typer.Option("--frame", metavar="N", help="Frame the marks were set on, from 0.")
    ],
    platform: Annotated[
        str,
        typer.Option(
            "--platform",
            metavar="x1,y1,x2,y2",
            help="Rough line along the platform's edge.",
            rich_help_panel=TRUCK,
        ),
    ],
    chassis: Annotated[
        str,
        typer.Option(
            "--chassis",
            metavar="x1,y1,x2,y2",
            help="Rough line along a straight edge of the truck, across it.",
            rich_help_panel=TRUCK,
        ),
    ],
    uphill_tyre: Annotated[
        list[str] | None,
        typer.Option(
            "--uphill-tyre",
            metavar="x,y,w,h",
            help="A textured part of an uphill tyre; repeat the option for the other one.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(
            "--scale",
            metavar="x1,y1,x2,y2",
            help="Two points a known length apart in the plane of motion.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    scale_mm: Annotated[
        float | None,
        typer.Option("--scale-mm", metavar="MM", help="That length.", rich_help_panel=TRUCK),
    ] = None,
    track_mm: Annotated[
        float | None,
        typer.Option(
            "--track-mm",
            metavar="MM",
            help="Between the lines about which it tips: the outer edges of the tyres' contact.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    track_u_mm: Annotated[
        float,
        typer.Option(
            "--track-u-mm",
            metavar="MM",
            help="Standard uncertainty of the track.",
            rich_help_panel=TRUCK,
        ),
    ] = TRACK_U_MM,
    gap_mm: Annotated[
        float,
        typer.Option(
            "--gap-mm",
            metavar="MM",
            help="Gap under an uphill tyre at which it counts as off.",
            rich_help_panel=TRUCK,
        ),
    ] = GAP_MM,
    low_side: Annotated[
        str | None,
        typer.Option(
            "--low-side",
            metavar="left|right",
            help="Which side of the truck is low; as seen in the picture when not given.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(
            "--span",
            metavar="A:B",
            help="First and last frame; the whole clip when not given.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    by_ends: Annotated[
        list[str] | None,
        typer.Option(
            "--by-ends",
            metavar="platform|chassis",
            help="This line shows no straight edge: take it as marked and follow its ends. Repeat "
            "for both.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    join: Annotated[
        Path | None,
        typer.Option(
            "--join",
            metavar="OTHER.json",
            help="What --json printed for the run with the other side low: gives the centre of "
            "gravity.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    trace: Annotated[
        Path | None, typer.Option("--trace", metavar="TRACE.csv", help="Write the trace here.")
    ] = None,
    chart: Annotated[
        Path | None,
        typer.Option(
            "--chart", metavar="CHART.png|.svg", help="Draw the trace here, as PNG or SVG."
        ),
    ] = None,
    level: opt.LevelLine = None,
    plumb: opt.PlumbLine = None,
    level_u: opt.LevelU = 0.05,
    lens: opt.Lens = None,
    view_angle: opt.ViewAngle = None,
    square_within: opt.SquareWithin = 5.0,
    sheet: opt.SheetCorners = None,
    sheet_size: opt.SheetSize = None,
    sheet_u_mm: opt.SheetU = 0.5,
    tags: opt.TagsSeen = None,
    stand: StandName = None,
    no_edge_fit: opt.NoEdgeFit = False,
    true_fps: opt.TrueFps = None,
    into: opt.Into = None,
    attempt: opt.AttemptId = None,
    entry: opt.Entry = None,
    test: opt.Test = None,
    try_no: opt.TryNo = None,
    setup: opt.Setup = None,
    surface: opt.Surface = None,
    step_deg: opt.StepDeg = None,
    set_start_deg: opt.SetStartDeg = None,
    set_end_deg: opt.SetEndDeg = None,
    verdict: opt.Verdict = None,
    reason: opt.Reason = None,
    called_by: opt.CalledBy = None,
    by: opt.MarkedBy = None,
    note: opt.Note = None,
    as_json: opt.Json = False,
) -> None:
    """Follow platform and truck through a side tilt: first motion, wheels off, topple, slide.

    Example: clipmark tilt left.mp4 --frame 0 --platform 139,436,464,180 --chassis 140,321,247,233
    --uphill-tyre 268,252,32,32 --level 10,503,790,503 --scale 160,418,443,196 --scale-mm 200
    --track-mm 108 --join right.json
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, None,
        verdict, reason, called_by, note,
    )  # fmt: skip
    saving = Saving(into, attempt, by, details)
    saving.check()
    check_options(stand, None, saving)
    if chart is not None:
        check_chart(chart)
    with located(clip, frame):
        platform_line = Line.parse(platform, "the platform line")
        rail = Line.parse(chassis, "the chassis line")
        tyres = tuple(Patch.parse(text, "the uphill tyre") for text in uphill_tyre or ())
        level_lines = [Line.parse(text, "the level line") for text in level or []]
        plumb_lines = [Line.parse(text, "the plumb line") for text in plumb or []]
        scale_line = Line.parse(scale, "the scale mark") if scale else None
        frames = Span.parse(span) if span else None
        sheets = sheets_from(sheet, sheet_size, sheet_u_mm)
        used = None
        if stand is not None:
            with open_clip(clip, true_fps=true_fps) as footage:
                used = stand_for(stand, saving, footage, frame)
        if used is not None:
            no_level = not level_lines and not plumb_lines
            level_lines = [used.level] if no_level and used.level else level_lines
            plumb_lines = [used.plumb] if no_level and used.plumb else plumb_lines
            if scale_line is None and not sheets and tags is None:
                scale_line, scale_mm = used.scale, used.scale_mm if used.scale else scale_mm
            sheets = (used.sheet,) if not sheets and tags is None and used.sheet else sheets
            angle_given = view_angle is not None
            lens = lens or (None if angle_given else used.lens)
            view_angle = view_angle if angle_given or lens else used.view_angle_deg
            square_within = given_or(
                context, "square_within", square_within, used.square_within_deg
            )
            level_u = given_or(context, "level_u", level_u, used.level_u_deg)
            saving = replace(saving, details=replace(details, stand=used.ref))
        marked = TiltMarks(
            platform=platform_line,
            chassis=rail,
            uphill_tyres=tyres,
            level=level_lines or None,
            plumb=plumb_lines or None,
            level_u_deg=level_u,
            scale=scale_line,
            scale_mm=scale_mm,
            track_mm=track_mm,
            track_u_mm=track_u_mm,
            low_side=low_side,
            gap_mm=gap_mm,
            span=frames,
            lens=lens,
            view_angle_deg=view_angle,
            square_within_deg=square_within,
            sheet=sheets or None,
            tags=tags_from(tags),
            edge_fit=not no_edge_fit,
            by_ends=by_ends or (),
        )
        reading, recorded = _measure(clip, frame, marked, join, true_fps, as_json)
        if trace is not None:
            reading.write_trace(trace)
    result = reading.to_dict()
    if used is not None:
        result["stand"] = used.to_dict()
        tell_stand(used, result)
    marks: list[tuple[MarkedThing, str]] = [(platform_line, "platform"), (rail, "chassis")]
    marks += [(Line(*line.as_tuple()), "level") for line in level_lines]
    marks += [(Line(*line.as_tuple()), "plumb") for line in plumb_lines]
    marks += [(scale_line, "scale")] if scale_line else []
    marks += [(item, "uphill tyre") for item in tyres]
    marks += [(item, "sheet") for item in sheets]
    declared = Declaration(
        lens=lens,
        view_angle_deg=view_angle,
        square_within_deg=square_within,
        level_u_deg=level_u,
        scale_mm=scale_mm,
        edge_fit=not no_edge_fit,
        true_fps=true_fps,
        motion="tilt",
        gap_mm=gap_mm,
        track_mm=track_mm,
        track_u_mm=track_u_mm,
        low_side=low_side,
    )
    saved = saving.save(clip, "tilt", result, marks, declared, recorded)
    saving.keep_trace(saved, result, reading.table, "tilt")
    result.update(saved)
    if chart is not None:
        draw_chart(result, reading.table, chart, "tilt")
    if as_json:
        emit_json(result)
    else:
        print_tilt(reading, result)


def _measure(
    clip: Path,
    frame: int,
    marked: TiltMarks,
    join: Path | None,
    true_fps: float | None,
    quiet: bool,
) -> tuple[TiltReading, RecordedSpan]:
    """The reading and the recorded times of its span, with a progress bar."""
    with (
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("following", quiet=quiet) as bar,
    ):
        task = bar.add_task("following", total=None)
        reading = measure_marked_tilt(
            footage,
            frame,
            marked,
            join,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
        return reading, span_of(footage, reading.first_frame, reading.last_frame)
