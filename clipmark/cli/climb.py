"""``clipmark climb``: what happened in an attempt at the climbing board, and a proposed verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.climb_show import print_climb, rule_of_reverse
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
from clipmark.clip import open_clip
from clipmark.marks import Line, Patch, Sheet, Span, Wheel
from clipmark.measure.climb import ClimbMarks, ClimbReading, measure_climb_marked
from clipmark.measure.crawl_wheels import WHEEL_U_MM
from clipmark.measure.marked_line import PlacedLine
from clipmark.motion.climb_facts import GIVE_UP_S
from clipmark.record.models import Span as RecordedSpan
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
    ramp: Annotated[
        str,
        typer.Option(
            "--ramp",
            metavar="x1,y1,x2,y2",
            help="Along the board's edge; its lower end counts as the foot.",
            rich_help_panel=MOTION,
        ),
    ],
    hubs: Annotated[
        str | None,
        typer.Option(
            "--hubs",
            metavar="RX,RY,FX,FY",
            help="Rear and front hub.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    wheel: Annotated[
        list[str] | None,
        typer.Option(
            "--wheel",
            metavar="cx,cy,rx,ry[,turn]",
            help="Hub and rim of a wheel, px; may be repeated. Without one slip is not measured.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    wheel_mm: Annotated[
        float | None,
        typer.Option(
            "--wheel-mm",
            metavar="MM",
            help="Rolling diameter of the wheels, for slip; without it slip is told against the "
            "wheel's own rolling on the way up.",
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
    finish: Annotated[
        str | None,
        typer.Option(
            "--finish",
            metavar="x1,y1,x2,y2",
            help="The finish line, across the board; without it cleared cannot be proposed.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    mode: Annotated[
        str,
        typer.Option(
            "--mode",
            metavar="climb|descend",
            help="Up the board, or down it, stop and back up.",
            rich_help_panel=MOTION,
        ),
    ] = "climb",
    facing: Annotated[
        str | None,
        typer.Option(
            "--facing",
            metavar="left|right",
            help="Where the nose points in the picture; by the hubs, or where it is to go, when "
            "not given.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(
            "--span",
            metavar="A:B",
            help="First and last frame; the whole clip when not given.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    scale: Annotated[
        str | None,
        typer.Option(
            "--scale",
            metavar="x1,y1,x2,y2",
            help="Two points a known length apart in the plane of motion; without a scale or a "
            "sheet lengths are px and shares.",
            rich_help_panel=MOTION,
        ),
    ] = None,
    scale_mm: Annotated[
        float | None,
        typer.Option("--scale-mm", metavar="MM", help="That length.", rich_help_panel=MOTION),
    ] = None,
    give_up_s: Annotated[
        float,
        typer.Option(
            "--give-up-s",
            metavar="S",
            help="How long a truck must be seen without progress, to the end, for its attempt to "
            "count as over.",
            rich_help_panel=MOTION,
        ),
    ] = GIVE_UP_S,
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
            help="Call a reverse by the rule sheet in this event folder, for the test named by "
            "--test; nothing is saved.",
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
    no_edge_fit: opt.NoEdgeFit = False,
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
    """Progress up the board, stall, slide-back, tip-over, finish; proposes a verdict.

    The verdict itself is given by a person (--verdict) and never taken from the proposal.

    Example: clipmark climb run-07.mp4 --frame 0 --patch 300,220,120,60 --ramp 120,610,900,180
    --hubs 310,400,540,402 --wheel 310,400,30,30 --wheel 540,402,30,30 --wheel-mm 54
    --finish 780,210,800,250 --plumb 60,80,62,500 --scale 310,400,540,402 --scale-mm 133
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, travel_way,
        verdict, reason, called_by, note,
    )  # fmt: skip
    called_rules = rule_of_reverse(rules, test) if rules is not None else None
    if rules is not None and into is None:
        details = AttemptDetails()  # the test is named for its rule alone
    if into is not None and attempt is None and travel_way is None:
        details = replace(details, travel="down" if mode == "descend" else "up")
    saving = Saving(into, attempt, by, details)
    saving.check()
    check_options(stand, None, saving)
    if chart is not None:
        check_chart(chart)
    with located(clip, frame):
        given = _Given(
            ramp=Line.parse(ramp, "the ramp line"),
            hubs=Line.parse(hubs, "the hubs") if hubs else None,
            finish=Line.parse(finish, "the finish line") if finish else None,
            scale=Line.parse(scale, "the scale mark") if scale else None,
            level=tuple(Line.parse(text, "the level line") for text in level or ()),
            plumb=tuple(Line.parse(text, "the plumb line") for text in plumb or ()),
            wheels=tuple(Wheel.parse(text) for text in wheel or ()),
            sheets=sheets_from(sheet, sheet_size, sheet_u_mm),
            scale_mm=scale_mm,
        )
        used = None
        if stand is not None:
            with open_clip(clip, true_fps=true_fps) as footage:
                used = stand_for(stand, saving, footage, frame)
        if used is not None:
            if not (given.scale or given.sheets or tags):
                given = replace(given, scale=used.scale, scale_mm=used.scale_mm)
            if not given.sheets and tags is None and used.sheet:
                given = replace(given, sheets=(used.sheet,))
            if not (given.level or given.plumb):
                level_lines = (used.level,) if used.level else ()
                given = replace(given, level=level_lines, plumb=(used.plumb,) if used.plumb else ())
                level_u = given_or(context, "level_u", level_u, used.level_u_deg)
            angle_given = view_angle is not None
            lens = lens or (None if angle_given else used.lens)
            view_angle = view_angle if angle_given or lens else used.view_angle_deg
            square_within = given_or(
                context, "square_within", square_within, used.square_within_deg
            )
            saving = replace(saving, details=replace(details, stand=used.ref))
        marked = ClimbMarks(
            patch=Patch.parse(patch),
            ramp=given.ramp,
            hubs=given.hubs,
            wheels=given.wheels,
            wheel_mm=wheel_mm,
            wheel_u_mm=wheel_u_mm,
            rim_mm=rim_mm,
            finish=given.finish,
            mode=mode,
            facing=facing,
            level=given.level or None,
            plumb=given.plumb or None,
            level_u_deg=level_u,
            span=Span.parse(span) if span else None,
            scale=given.scale,
            scale_mm=given.scale_mm,
            lens=lens,
            view_angle_deg=view_angle,
            square_within_deg=square_within,
            sheet=given.sheets or None,
            tags=tags_from(tags),
            edge_fit=not no_edge_fit,
            give_up_s=give_up_s,
        )
        reading, recorded = _measure(clip, frame, marked, true_fps, as_json)
        if trace is not None:
            reading.write_trace(trace)
    result = reading.to_dict()
    if used is not None:
        result["stand"] = used.to_dict()
        tell_stand(used, result)
    declared = Declaration(
        lens=lens,
        view_angle_deg=view_angle,
        square_within_deg=square_within,
        level_u_deg=level_u,
        scale_mm=given.scale_mm,
        edge_fit=not no_edge_fit,
        true_fps=true_fps,
        wheel_mm=wheel_mm,
        facing=facing,
        motion="climb",
        mode=mode,
        give_up_s=give_up_s,
    )
    saved = saving.save(clip, "climb", result, given.marks(Patch.parse(patch)), declared, recorded)
    saving.keep_trace(saved, result, reading.table, "climb")
    if called_rules is not None:
        result = called_rules.graded("climb", result)
    elif mode == "descend":
        result["reverse_call"] = None  # no rule sheet was named
    result.update(saved)
    if chart is not None:
        draw_chart(result, reading.table, chart, "climb")
    if as_json:
        emit_json(result)
    else:
        print_climb(result)


@dataclass(frozen=True)
class _Given:
    """Marks as read from the command line, or taken from a stand."""

    ramp: Line
    hubs: Line | None
    finish: Line | None
    scale: Line | None
    level: tuple[Line | PlacedLine, ...]
    plumb: tuple[Line | PlacedLine, ...]
    wheels: tuple[Wheel, ...]
    sheets: tuple[Sheet, ...]
    scale_mm: float | None

    def marks(self, patch: Patch) -> list[tuple[MarkedThing, str]]:
        """Every mark with its role, for the record."""
        named = (
            (self.ramp, "ramp"),
            (self.hubs, "hubs"),
            (self.finish, "finish"),
            (self.scale, "scale"),
        )
        out: list[tuple[MarkedThing, str]] = [(patch, "body")]
        out += [(line, role) for line, role in named if line is not None]
        out += [(Line(*line.as_tuple()), "level") for line in self.level]
        out += [(Line(*line.as_tuple()), "plumb") for line in self.plumb]
        out += [(item, "wheel") for item in self.wheels]
        out += [(item, "sheet") for item in self.sheets]
        return out


def _measure(
    clip: Path, frame: int, marked: ClimbMarks, true_fps: float | None, quiet: bool
) -> tuple[ClimbReading, RecordedSpan]:
    """The reading and the recorded times of its span, with a progress bar."""
    with (
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("following", quiet=quiet) as bar,
    ):
        task = bar.add_task("following", total=None)
        reading = measure_climb_marked(
            footage,
            frame,
            marked,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
        crawl = reading.crawl
        return reading, span_of(footage, crawl.first_frame, crawl.last_frame)
