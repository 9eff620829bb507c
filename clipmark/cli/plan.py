"""``clipmark plan``: before filming, what a stand would tell."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.plan_show import show_plan
from clipmark.cli.show import emit_json, warn
from clipmark.geometry.planned_edge import (
    USUAL_BLUR_PX,
    USUAL_CONTRAST,
    USUAL_NOISE,
    usual_quality,
)
from clipmark.measure.lens_file import load_lens
from clipmark.measure.plan import plan
from clipmark.measure.plan_like import quality_like
from clipmark.measure.plan_setup import (
    SPREAD_DEG,
    STEP_DEG,
    TRIES,
    PlannedLine,
    PlannedSheet,
    Setup,
    parse_picture,
    parse_place,
)

SHOT = "What stands in the shot (mm from the optical axis: x to the right, y up)"
TRUCK = "The truck"
LOOK = "What the picture will be like"
TELL = "Telling two trucks apart"


def run(
    distance_mm: Annotated[
        float, typer.Option("--distance-mm", metavar="MM", help="From the camera to the board.")
    ],
    board_mm: Annotated[
        float, typer.Option("--board-mm", metavar="MM", help="Length of the board in view.")
    ],
    picture: Annotated[
        str, typer.Option("--picture", metavar="WxH", help="Upright picture, px.")
    ] = "1920x1080",
    ramp_deg: Annotated[
        float, typer.Option("--ramp-deg", metavar="DEG", help="Angle of the board.")
    ] = 45.0,
    ramp_at: Annotated[
        str,
        typer.Option("--ramp-at", metavar="x,y", help="Middle of the board.", rich_help_panel=SHOT),
    ] = "0,0",
    plumb_at: Annotated[
        list[str] | None,
        typer.Option(
            "--plumb-at",
            metavar="x[,y]",
            help="A plumb line, seen over the whole height; with y, its middle. Repeatable.",
            rich_help_panel=SHOT,
        ),
    ] = None,
    level_at: Annotated[
        list[str] | None,
        typer.Option(
            "--level-at",
            metavar="y or x,y",
            help="A levelled edge, over the whole width; with x, its middle. Repeatable.",
            rich_help_panel=SHOT,
        ),
    ] = None,
    line_mm: Annotated[
        float,
        typer.Option(
            "--line-mm",
            metavar="MM",
            help="Length in view of lines given by their middle.",
            rich_help_panel=SHOT,
        ),
    ] = 500.0,
    sheet: Annotated[
        list[str] | None,
        typer.Option(
            "--sheet",
            metavar="A4[@x,y]",
            help="A sheet in the plane of motion, by name or 297x210, and its middle. Repeatable.",
            rich_help_panel=SHOT,
        ),
    ] = None,
    sheet_u_mm: opt.SheetU = 0.5,
    tag: Annotated[
        list[str] | None,
        typer.Option(
            "--tag",
            metavar="SIDE@x,y",
            help="A printed tag by its side and middle. Repeatable.",
            rich_help_panel=SHOT,
        ),
    ] = None,
    level_u: opt.LevelU = 0.05,
    lens: opt.Lens = None,
    view_angle: opt.ViewAngle = None,
    square_within: opt.SquareWithin = 5.0,
    yaw_deg: Annotated[
        float,
        typer.Option(
            "--yaw-deg",
            metavar="DEG",
            help="How far from square it will stand; positive: right side farther.",
            rich_help_panel=opt.VIEW,
        ),
    ] = 0.0,
    pitch_deg: Annotated[
        float,
        typer.Option(
            "--pitch-deg",
            metavar="DEG",
            help="Likewise; positive: top farther.",
            rich_help_panel=opt.VIEW,
        ),
    ] = 0.0,
    wheelbase_mm: Annotated[
        float,
        typer.Option("--wheelbase-mm", metavar="MM", help="0 for no truck.", rich_help_panel=TRUCK),
    ] = 133.0,
    rim_mm: Annotated[
        float,
        typer.Option("--rim-mm", metavar="MM", help="Diameter of a rim.", rich_help_panel=TRUCK),
    ] = 34.0,
    wheel_mm: Annotated[
        float,
        typer.Option(
            "--wheel-mm", metavar="MM", help="Diameter of a wheel.", rich_help_panel=TRUCK
        ),
    ] = 54.0,
    fps: Annotated[
        float | None,
        typer.Option(
            "--fps",
            metavar="FPS",
            help="Frames a second; says what slow motion would be told.",
            rich_help_panel=TRUCK,
        ),
    ] = None,
    blur_px: Annotated[
        float,
        typer.Option(
            "--blur-px", metavar="PX", help="Gaussian blur of edges.", rich_help_panel=LOOK
        ),
    ] = USUAL_BLUR_PX,
    contrast: Annotated[
        float,
        typer.Option(
            "--contrast",
            metavar="SHARE",
            help="Of the board's edge, of black to white.",
            rich_help_panel=LOOK,
        ),
    ] = USUAL_CONTRAST,
    noise: Annotated[
        float,
        typer.Option(
            "--noise",
            metavar="SHARE",
            help="Per pixel on an even surface, of black to white.",
            rich_help_panel=LOOK,
        ),
    ] = USUAL_NOISE,
    compression: Annotated[
        float,
        typer.Option(
            "--compression",
            metavar="FACTOR",
            help="Multiplies what correlated noise adds; 1 is 4 to 12 Mbit/s at 1080p.",
            rich_help_panel=LOOK,
        ),
    ] = 1.0,
    like: Annotated[
        Path | None,
        typer.Option(
            "--like",
            metavar="READING.json",
            help="Take all this from a trial clip: what clipmark angle --json printed of it.",
            rich_help_panel=LOOK,
        ),
    ] = None,
    tries: Annotated[
        int, typer.Option("--tries", metavar="N", help="Of each truck.", rich_help_panel=TELL)
    ] = TRIES,
    spread_deg: Annotated[
        float,
        typer.Option(
            "--spread-deg",
            metavar="DEG",
            help="From try to try (standard deviation).",
            rich_help_panel=TELL,
        ),
    ] = SPREAD_DEG,
    step_deg: Annotated[
        float,
        typer.Option("--step-deg", metavar="DEG", help="Step of the ladder.", rich_help_panel=TELL),
    ] = STEP_DEG,
    as_json: opt.Json = False,
) -> None:
    """Say before filming how surely a stand would tell angles, and what would help most.

    Example: clipmark plan --distance-mm 1500 --view-angle 65 --board-mm 600 --plumb-at=-250
    --sheet A4
    """
    usual = usual_quality(blur_px, contrast, noise, compression)
    setup = Setup(
        distance_mm=distance_mm,
        size_px=parse_picture(picture),
        board_mm=board_mm,
        ramp_deg=ramp_deg,
        ramp_at_mm=parse_place(ramp_at, "the middle of the board"),
        lens=None if lens is None else load_lens(lens),
        view_angle_deg=view_angle,
        plumbs=tuple(PlannedLine.parse(text, True, line_mm) for text in plumb_at or ()),
        levels=tuple(PlannedLine.parse(text, False, line_mm) for text in level_at or ()),
        sheets=(
            *(PlannedSheet.parse(text, sheet_u_mm) for text in sheet or ()),
            *(PlannedSheet.parse_tag(text) for text in tag or ()),
        ),
        level_u_deg=level_u,
        square_within_deg=square_within,
        yaw_deg=yaw_deg,
        pitch_deg=pitch_deg,
        wheelbase_mm=wheelbase_mm or None,
        rim_mm=rim_mm,
        quality=usual if like is None else quality_like(like, usual),
    )
    found = plan(
        setup,
        tries=tries,
        spread_deg=spread_deg,
        step_deg=step_deg,
        frame_rate_hz=fps,
        wheel_mm=wheel_mm,
    )
    if as_json:
        emit_json(found.to_dict())
        return
    show_plan(found)
    warn(found.planned.warnings)
