"""``clipmark crawl``: position, speed and evenness of a creeping truck."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.located import located
from clipmark.cli.saving import Saving
from clipmark.cli.sheet_option import sheet_from
from clipmark.cli.show import emit_json, progress_bar, show_saved, table, warn, with_u
from clipmark.clip import open_clip
from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, Span
from clipmark.measure.crawl import CrawlReading, measure_crawl
from clipmark.workbench import AttemptDetails, Declaration, MarkedThing, span_of

MOTION = "What is followed"


def run(
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
    hold_s: Annotated[
        float,
        typer.Option("--hold-s", metavar="S", help="How long the slowest speed must be held."),
    ] = 2.0,
    band: Annotated[
        str, typer.Option("--band", metavar="LOW:HIGH", help="Band of the ripple, Hz.")
    ] = "0.5:5",
    trace: Annotated[
        Path | None, typer.Option("--trace", metavar="TRACE.csv", help="Write the trace here.")
    ] = None,
    lens: opt.Lens = None,
    view_angle: opt.ViewAngle = None,
    square_within: opt.SquareWithin = 5.0,
    sheet: opt.SheetCorners = None,
    sheet_size: opt.SheetSize = None,
    sheet_u_mm: opt.SheetU = 0.5,
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
    """Follow the body through a span: speed, stalls, ripple, slowest speed held.

    Example: clipmark crawl creep.mp4 --frame 0 --patch 300,220,120,60
    --scale 310,400,540,402 --scale-mm 133 --trace creep.csv
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, travel_way,
        verdict, reason, called_by, note,
    )  # fmt: skip
    saving = Saving(into, attempt, by, details)
    saving.check()
    with located(clip, frame):
        marked_patch = Patch.parse(patch)
        way = Line.parse(travel, "the travel line") if travel else None
        scale_line = Line.parse(scale, "the scale mark") if scale else None
        marked_sheet = sheet_from(sheet, sheet_size, sheet_u_mm)
        frames = Span.parse(span) if span else None
        with (
            open_clip(clip, true_fps=true_fps) as footage,
            progress_bar("following", quiet=as_json) as bar,
        ):
            task = bar.add_task("following", total=None)
            reading = measure_crawl(
                footage,
                frame,
                patch=marked_patch,
                span=frames,
                travel=way,
                scale=scale_line,
                scale_mm=scale_mm,
                hold_s=hold_s,
                band_hz=_band(band),
                lens=lens,
                view_angle_deg=view_angle,
                square_within_deg=square_within,
                sheet=marked_sheet,
                progress=lambda done, total: bar.update(task, completed=done, total=total),
            )
            recorded = span_of(footage, reading.first_frame, reading.last_frame)
        if trace is not None:
            reading.write_trace(trace)
    result = reading.to_dict()
    marks: list[tuple[MarkedThing, str]] = [(marked_patch, "body")]
    marks += [(line, name) for line, name in ((way, "travel"), (scale_line, "scale")) if line]
    marks += [(marked_sheet, "sheet")] if marked_sheet else []
    declared = Declaration(
        lens=lens,
        view_angle_deg=view_angle,
        square_within_deg=square_within,
        scale_mm=scale_mm,
        true_fps=true_fps,
    )
    saved = saving.save(clip, "crawl", result, marks, declared, recorded)
    saving.keep_trace(saved, result, reading.table)
    result.update(saved)
    if as_json:
        emit_json(result)
    else:
        _print(reading, result)


def _band(text: str) -> tuple[float, float]:
    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError:
        raise MarkError(
            f"the band '{text}' cannot be read: write it as LOW:HIGH in Hz, such as 0.5:5"
        ) from None
    return low, high


def _print(reading: CrawlReading, result: dict[str, object]) -> None:
    rows = []
    for name, unit, what in (
        ("duration", "s", "lasts"),
        ("distance", "mm", "distance"),
        ("mean_speed", "mm_s", "mean speed"),
        ("slowest_speed", "mm_s", "slowest speed held"),
        ("ripple", "", "ripple, share of the mean speed"),
        ("rollback", "mm", "rolled back"),
    ):
        tail = f"_{unit}" if unit else ""
        value, u95 = result.get(f"{name}{tail}"), result.get(f"{name}_u95{tail}")
        rows.append((what, with_u(value, u95, unit.replace("mm_s", "mm/s"))))
    floor = result.get("noise_floor_mm_s")
    rows.append(("noise floor of speed", with_u(floor, None, "mm/s")))
    stalls = result.get("stalls")
    rows.append(("stalls", str(len(stalls)) if isinstance(stalls, list) else "not told"))
    table(
        f"Frames {reading.first_frame} to {reading.last_frame}",
        ("figure", "value, U (95 %)"),
        rows,
    )
    if isinstance(stalls, list) and stalls:
        table(
            "Stalls",
            ("from", "lasts", "at"),
            [
                (
                    f"{stall['t_s']:.3f} s",
                    with_u(stall["dwell_s"], stall["dwell_u95_s"], "s"),
                    f"{stall['s_mm']:.1f} mm",
                )
                for stall in stalls
            ],
        )
    show_saved(result)
    warn(reading.warnings)
