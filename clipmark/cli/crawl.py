"""``clipmark crawl``: position, speed and evenness of a creeping truck."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.crawl_show import (
    check_chart,
    draw_chart,
    named_test,
    print_crawl,
    print_expectation,
)
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
from clipmark.clip import open_clip
from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, Span, Wheel
from clipmark.measure.crawl import CrawlMarks, CrawlReading, expect_crawl, measure_marked
from clipmark.measure.crawl_terms import BAND_HZ, HOLD_S
from clipmark.measure.crawl_wheels import WHEEL_U_MM
from clipmark.record.models import Span as RecordedSpan
from clipmark.sheet_grade import grade_of_test
from clipmark.workbench import AttemptDetails, Declaration, MarkedThing, span_of

MOTION = "What is followed"


def run(
    context: typer.Context,
    clip: opt.ClipFile,
    frame: Annotated[
        int, typer.Option("--frame", metavar="N", help="Frame the marks were set on, from 0.")
    ],
    patch: Annotated[
        str,
        typer.Option(
            "--patch",
            metavar="x,y,w,h",
            help="A textured part of the body.",
            rich_help_panel=MOTION,
        ),
    ],
    span: Annotated[
        str | None,
        typer.Option(
            "--span",
            metavar="A:B",
            help="First and last frame; the whole clip when not given.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    travel: Annotated[
        str | None,
        typer.Option(
            "--travel",
            metavar="x1,y1,x2,y2",
            help="Along the way; the path itself when not given.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(
            "--scale",
            metavar="x1,y1,x2,y2",
            help="Two points a known length apart in the plane of motion.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    scale_mm: Annotated[
        float | None,
        typer.Option("--scale-mm", metavar="MM", help="That length.", rich_help_panel=MOTION),
    ] = None,
    wheel: Annotated[
        list[str] | None,
        typer.Option(
            "--wheel",
            metavar="cx,cy,rx,ry[,turn]",
            help="Hub and rim of a wheel, px: a circle, or an ellipse with the turn of its first "
            "axis; may be repeated.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    wheel_mm: Annotated[
        float | None,
        typer.Option(
            "--wheel-mm",
            metavar="MM",
            help="Rolling diameter of the wheels, for slip: the way of ten turns over 31.4.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    wheel_u_mm: Annotated[
        float,
        typer.Option(
            "--wheel-u-mm",
            metavar="MM",
            help="Standard uncertainty of that diameter.",
            rich_help_panel=MOTION,
        ),
    ] = WHEEL_U_MM,
    rim_mm: Annotated[
        float | None,
        typer.Option(
            "--rim-mm",
            metavar="MM",
            help="Diameter of the marked circle; defines lengths when there is neither a scale "
            "mark nor a sheet.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    facing: Annotated[
        str | None,
        typer.Option(
            "--facing",
            metavar="left|right",
            help="Where the nose points in the picture, which is ahead; the first move when not "
            "given.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    hold_s: Annotated[
        float | None,
        typer.Option(
            "--hold-s",
            metavar="S",
            help=f"How long the slowest speed must be held; else as the rule sheet has it for "
            f"--test, or {HOLD_S:g}.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    band: Annotated[
        str | None,
        typer.Option(
            "--band",
            metavar="LOW:HIGH",
            help="Band of the ripple, Hz; else as the rule sheet has it for --test, or "
            f"{BAND_HZ[0]:g}:{BAND_HZ[1]:g}.",
            rich_help_panel=MOTION,
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
    rules: Annotated[
        Path | None,
        typer.Option(
            "--rules",
            metavar="FOLDER",
            help="Grade by the rule sheet in this event folder, for the test named by --test; "
            "nothing is saved.",
        ),
    ] = None,
    expect: Annotated[
        bool,
        typer.Option(
            "--expect",
            help="Do not measure: say what speed, ripple and slip this clip can resolve.",
        ),
    ] = False,
    lens: opt.Lens = None,
    view_angle: opt.ViewAngle = None,
    square_within: opt.SquareWithin = 5.0,
    sheet: opt.SheetCorners = None,
    sheet_size: opt.SheetSize = None,
    sheet_u_mm: opt.SheetU = 0.5,
    tags: opt.TagsSeen = None,
    stand: StandName = None,
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
    travel_way: opt.Travel = None,
    verdict: opt.Verdict = None,
    reason: opt.Reason = None,
    called_by: opt.CalledBy = None,
    by: opt.MarkedBy = None,
    note: opt.Note = None,
    as_json: opt.Json = False,
) -> None:
    """Follow body and wheels through a span: speed, stalls, phases, ripple, slip.

    Example: clipmark crawl creep.mp4 --frame 0 --patch 300,220,120,60
    --scale 310,400,540,402 --scale-mm 133 --wheel 312,300,30,30 --wheel-mm 54
    --trace creep.csv --chart creep.png
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, travel_way,
        verdict, reason, called_by, note,
    )  # fmt: skip
    if rules is not None and into is None:
        details = AttemptDetails()  # the test is named for its grade alone
    saving = Saving(into, attempt, by, details)
    saving.check()
    check_options(stand, None, saving)
    sheet_grade = grade_of_test(rules, named_test(rules, test)) if rules is not None else None
    terms = saving.terms() if sheet_grade is None else sheet_grade.terms
    with located(clip, frame):
        held_s, band_hz = terms.settings(hold_s, None if band is None else _band(band))
        way = Line.parse(travel, "the travel line") if travel else None
        scale_line = Line.parse(scale, "the scale mark") if scale else None
        wheels = tuple(Wheel.parse(text) for text in wheel or ())
        sheets = sheets_from(sheet, sheet_size, sheet_u_mm)
        used = None
        if stand is not None:
            with open_clip(clip, true_fps=true_fps) as footage:
                used = stand_for(stand, saving, footage, frame)
        if used is not None:
            no_length = scale_line is None and not sheets and tags is None
            if no_length:
                scale_line, scale_mm = used.scale, used.scale_mm if used.scale else scale_mm
            sheets = (used.sheet,) if not sheets and tags is None and used.sheet else sheets
            angle_given = view_angle is not None
            lens = lens or (None if angle_given else used.lens)
            view_angle = view_angle if angle_given or lens else used.view_angle_deg
            square_within = given_or(
                context, "square_within", square_within, used.square_within_deg
            )
            saving = replace(saving, details=replace(details, stand=used.ref))
        marked = CrawlMarks(
            patch=Patch.parse(patch),
            span=Span.parse(span) if span else None,
            travel=way,
            scale=scale_line,
            scale_mm=scale_mm,
            wheels=wheels,
            wheel_mm=wheel_mm,
            wheel_u_mm=wheel_u_mm,
            rim_mm=rim_mm,
            facing=facing,
            hold_s=held_s,
            band_hz=band_hz,
            lens=lens,
            view_angle_deg=view_angle,
            square_within_deg=square_within,
            sheet=sheets or None,
            tags=tags_from(tags),
        )
        if expect:
            _expect(clip, frame, marked, true_fps, as_json)
            return
        if chart is not None:
            check_chart(chart)
        reading, recorded = _measure(clip, frame, marked, true_fps, as_json)
        if trace is not None:
            reading.write_trace(trace)
    result = reading.to_dict()
    if sheet_grade is not None:
        result = sheet_grade.graded("crawl", result)
    if used is not None:
        result["stand"] = used.to_dict()
        tell_stand(used, result)
    marks: list[tuple[MarkedThing, str]] = [(Patch.parse(patch), "body")]
    marks += [(line, name) for line, name in ((way, "travel"), (scale_line, "scale")) if line]
    marks += [(item, "wheel") for item in wheels]
    marks += [(item, "sheet") for item in sheets]
    declared = Declaration(
        lens=lens,
        view_angle_deg=view_angle,
        square_within_deg=square_within,
        scale_mm=scale_mm,
        true_fps=true_fps,
        wheel_mm=wheel_mm,
        facing=facing,
    )
    saved = saving.save(clip, "crawl", result, marks, declared, recorded)
    saving.keep_trace(saved, result, reading.table)
    result.update(saved)
    if chart is not None:
        draw_chart(result, reading.table, chart)
    if as_json:
        emit_json(result)
    else:
        print_crawl(reading, result)


def _measure(
    clip: Path, frame: int, marked: CrawlMarks, true_fps: float | None, quiet: bool
) -> tuple[CrawlReading, RecordedSpan]:
    """The reading and the recorded times of its span, with a progress bar."""
    with (
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("following", quiet=quiet) as bar,
    ):
        task = bar.add_task("following", total=None)
        reading = measure_marked(
            footage,
            frame,
            marked,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
        return reading, span_of(footage, reading.first_frame, reading.last_frame)


def _expect(
    clip: Path, frame: int, marked: CrawlMarks, true_fps: float | None, as_json: bool
) -> None:
    """What the clip can resolve, printed."""
    with open_clip(clip, true_fps=true_fps) as footage:
        found = expect_crawl(footage, frame, marked)
    if as_json:
        emit_json(found.to_dict())
    else:
        print_expectation(found)


def _band(text: str) -> tuple[float, float]:
    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError:
        raise MarkError(
            f"the band '{text}' cannot be read: write it as LOW:HIGH in Hz, such as 0.5:5"
        ) from None
    return low, high
