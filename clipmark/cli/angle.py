"""``clipmark angle``: ramp and chassis angle on one frame from given lines."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.located import located
from clipmark.cli.saving import Saving
from clipmark.cli.sheet_option import sheets_from, tags_from
from clipmark.cli.show import budget_table, emit_json, show_saved, table, warn, with_u
from clipmark.cli.stand_option import (
    SaveStand,
    StandName,
    check_options,
    given_or,
    keep_stand,
    stand_for,
    tell_stand,
)
from clipmark.clip import open_clip
from clipmark.marks import Line
from clipmark.measure.angle import measure_angle
from clipmark.measure.angle_reading import AngleReading
from clipmark.workbench import AttemptDetails, Declaration, MarkedThing


def run(
    context: typer.Context,
    clip: opt.ClipFile,
    frame: Annotated[int, typer.Option("--frame", metavar="N", help="Frame ordinal, from 0.")],
    ramp: Annotated[
        list[str],
        typer.Option(
            "--ramp",
            metavar="x1,y1,x2,y2",
            help="Rough line along the board's edge; repeat the option to mark it several times.",
        ),
    ],
    chassis: Annotated[
        list[str] | None,
        typer.Option("--chassis", metavar="x1,y1,x2,y2", help="Line along the chassis rail."),
    ] = None,
    hubs: Annotated[
        list[str] | None,
        typer.Option(
            "--hubs",
            metavar="REAR_X,REAR_Y,FRONT_X,FRONT_Y",
            help="Rough hub centres, rear first.",
        ),
    ] = None,
    rim_px: Annotated[
        float | None,
        typer.Option("--rim-px", metavar="R", help="Rough rim radius, px; found when not given."),
    ] = None,
    facing: Annotated[
        str | None,
        typer.Option(
            "--facing",
            help="left or right: which way the truck faces; told from the hubs when not given, "
            "which cannot know a truck on its roof.",
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
    save_stand: SaveStand = None,
    no_edge_fit: opt.NoEdgeFit = False,
    turning: Annotated[
        float,
        typer.Option(
            "--turning",
            metavar="DEG_S",
            help="How fast the board is turning in this frame, when it is not at rest.",
        ),
    ] = 0.0,
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
    travel: opt.Travel = None,
    verdict: opt.Verdict = None,
    reason: opt.Reason = None,
    called_by: opt.CalledBy = None,
    by: opt.MarkedBy = None,
    note: opt.Note = None,
    as_json: opt.Json = False,
) -> None:
    """Measure ramp and chassis angle on one frame.

    Example: clipmark angle climb.mp4 --frame 12 --ramp 210,640,905,180 --hubs 420,455,540,370
    --plumb 150,80,151,520 --lens phone.json --square-within 3
    """
    details = AttemptDetails(
        entry, test, try_no, setup, surface, step_deg, set_start_deg, set_end_deg, travel,
        verdict, reason, called_by, note,
    )  # fmt: skip
    saving = Saving(into, attempt, by, details)
    saving.check()
    check_options(stand, save_stand, saving)
    with located(clip, frame):
        ramps = [Line.parse(text, "the ramp line") for text in ramp]
        rails = [Line.parse(text, "the chassis line") for text in chassis or []]
        pairs = [Line.parse(text, "the hubs") for text in hubs or []]
        level_lines = [Line.parse(text, "the level line") for text in level or []]
        plumb_lines = [Line.parse(text, "the plumb line") for text in plumb or []]
        sheets = sheets_from(sheet, sheet_size, sheet_u_mm)
        with open_clip(clip, true_fps=true_fps) as footage:
            used = stand_for(stand, saving, footage, frame)
            if used is not None:
                no_level = not level_lines and not plumb_lines
                level_lines = [used.level] if no_level and used.level else level_lines
                plumb_lines = [used.plumb] if no_level and used.plumb else plumb_lines
                sheets = (used.sheet,) if not sheets and tags is None and used.sheet else sheets
                angle_given = view_angle is not None
                lens = lens or (None if angle_given else used.lens)
                view_angle = view_angle if angle_given or lens else used.view_angle_deg
                square_within = given_or(
                    context, "square_within", square_within, used.square_within_deg
                )
                level_u = given_or(context, "level_u", level_u, used.level_u_deg)
                saving = replace(saving, details=replace(details, stand=used.ref))
            reading = measure_angle(
                footage,
                frame,
                ramp=ramps,
                chassis=rails or None,
                hubs=pairs or None,
                rim_px=rim_px,
                facing=facing,
                level=level_lines or None,
                plumb=plumb_lines or None,
                level_u_deg=level_u,
                lens=lens,
                view_angle_deg=view_angle,
                square_within_deg=square_within,
                sheet=sheets or None,
                tags=tags_from(tags),
                edge_fit=not no_edge_fit,
                turning_deg_s=turning,
            )
            kept = keep_stand(
                save_stand, saving, clip, footage, frame,
                [
                    *((Line(*line.as_tuple()), "level") for line in level_lines),
                    *((Line(*line.as_tuple()), "plumb") for line in plumb_lines),
                    *((item, "sheet") for item in sheets),
                ],
                said={
                    "level_u_deg": level_u,
                    "square_within_deg": square_within,
                    "view_angle_deg": view_angle,
                },
                lens=lens,
                edge_fit=not no_edge_fit,
            )  # fmt: skip
    result = reading.to_dict()
    if stand is not None or save_stand is not None:
        result["stand"] = None if used is None else used.to_dict()
    result.update(kept)
    marks: list[tuple[MarkedThing, str]] = [
        *((line, "ramp") for line in ramps),
        *((line, "chassis") for line in rails),
        *((line, "hubs") for line in pairs),
        *((Line(*line.as_tuple()), "level") for line in level_lines),
        *((Line(*line.as_tuple()), "plumb") for line in plumb_lines),
        *((item, "sheet") for item in sheets),
    ]
    declared = Declaration(
        lens=lens,
        view_angle_deg=view_angle,
        square_within_deg=square_within,
        level_u_deg=level_u,
        rim_px=rim_px,
        facing=facing,
        edge_fit=not no_edge_fit,
        true_fps=true_fps,
    )
    tell_stand(used, result)
    result.update(saving.save(clip, "angle", result, marks, declared))
    if as_json:
        emit_json(result)
    else:
        _print(reading, result)


def _print(reading: AngleReading, result: dict[str, object]) -> None:
    rows = []
    for name, what in (
        ("ramp", "ramp"),
        ("chassis", "chassis, nose up"),
        ("chassis_to_ramp", "chassis to ramp, nose up"),
    ):
        value = result[f"{name}_deg"]
        if value is not None:
            low, high = result[f"{name}_low95_deg"], result[f"{name}_high95_deg"]
            interval = f"{low:.3f} to {high:.3f}"
            rows.append((what, with_u(value, result[f"{name}_u95_deg"], "deg"), interval))
    title = f"Frame {reading.frame} at {reading.t_s:.4f} s"
    table(title, ("angle", "value, U (95 %)", "95 % interval, deg"), rows)
    budget_table("ramp_deg", reading.budget["ramp_deg"])
    show_saved(result)
    warn(reading.warnings)
