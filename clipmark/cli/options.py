"""Options that several verbs share, so that they read and mean the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

VIEW = "How the camera saw it"
LEVEL = "Where level is"
SAVE = "Saving the attempt"

ClipFile = Annotated[Path, typer.Argument(metavar="CLIP", help="The recorded clip.")]
Json = Annotated[
    bool, typer.Option("--json", help="One JSON object on stdout, all else on stderr.")
]
TrueFps = Annotated[
    float | None,
    typer.Option(
        "--true-fps",
        metavar="FPS",
        help="Frames per second the camera really took, for slow-motion files.",
    ),
]
Lens = Annotated[
    Path | None,
    typer.Option(
        "--lens", metavar="LENS.json", help="Lens calibration file.", rich_help_panel=VIEW
    ),
]
ViewAngle = Annotated[
    float | None,
    typer.Option(
        "--view-angle",
        metavar="DEG",
        help="Horizontal view angle of the upright picture, when there is no lens file.",
        rich_help_panel=VIEW,
    ),
]
SquareWithin = Annotated[
    float,
    typer.Option(
        "--square-within",
        metavar="DEG",
        help="The camera is promised square to the board within this, in yaw and in pitch "
        "(rectangular).",
        rich_help_panel=VIEW,
    ),
]
SheetCorners = Annotated[
    list[str] | None,
    typer.Option(
        "--sheet",
        metavar="x,y,x,y,x,y,x,y",
        help="Corners, in order, of a flat sheet in or parallel to the plane of motion; repeat the "
        "option for several sheets.",
        rich_help_panel=VIEW,
    ),
]
SheetSize = Annotated[
    list[str] | None,
    typer.Option(
        "--sheet-size",
        metavar="297x210|A4",
        help="Its sides in mm: from the first marked corner to the second, then to the third; or "
        "a size of ISO 216 by name, such as A4 or A4-portrait. Once for all sheets, or once each.",
        rich_help_panel=VIEW,
    ),
]
SheetU = Annotated[
    float,
    typer.Option(
        "--sheet-u-mm",
        metavar="MM",
        help="Standard uncertainty of each side of the sheet.",
        rich_help_panel=VIEW,
    ),
]
TagsSeen = Annotated[
    str | None,
    typer.Option(
        "--tags",
        metavar="DICTIONARY:MM",
        help="Printed tags in the plane of motion, found in the frame: OpenCV's name of their "
        "dictionary and the side of the black square, such as 4x4_50:80.",
        rich_help_panel=VIEW,
    ),
]
LevelLine = Annotated[
    list[str] | None,
    typer.Option(
        "--level",
        metavar="x1,y1,x2,y2",
        help="A line in the picture known to be horizontal; repeat the option for others. Several "
        "level and plumb lines together show how the plane is turned.",
        rich_help_panel=LEVEL,
    ),
]
PlumbLine = Annotated[
    list[str] | None,
    typer.Option(
        "--plumb",
        metavar="x1,y1,x2,y2",
        help="A line in the picture known to be vertical; repeat the option for others.",
        rich_help_panel=LEVEL,
    ),
]
LevelU = Annotated[
    float,
    typer.Option(
        "--level-u",
        metavar="DEG",
        help="Standard uncertainty of the level or plumb line itself.",
        rich_help_panel=LEVEL,
    ),
]
NoEdgeFit = Annotated[
    bool,
    typer.Option(
        "--no-edge-fit", help="Take the lines as given, each end good to 1 px (standard)."
    ),
]
Into = Annotated[
    Path | None,
    typer.Option(
        "--into",
        metavar="FOLDER",
        help="Save the reading as an attempt in this event folder.",
        rich_help_panel=SAVE,
    ),
]
AttemptId = Annotated[
    str | None,
    typer.Option(
        "--attempt",
        metavar="ID",
        help="Add to this attempt (a new revision) instead of a new one.",
        rich_help_panel=SAVE,
    ),
]
Entry = Annotated[
    str | None, typer.Option("--entry", help="The truck as entered.", rich_help_panel=SAVE)
]
Test = Annotated[
    str | None,
    typer.Option("--test", help="The test, as the rule sheet names it.", rich_help_panel=SAVE),
]
TryNo = Annotated[
    int | None, typer.Option("--try", min=1, help="Which try it was.", rich_help_panel=SAVE)
]
Setup = Annotated[
    str | None, typer.Option("--setup", help="The set-up it ran with.", rich_help_panel=SAVE)
]
Surface = Annotated[
    str | None, typer.Option("--surface", help="The board's surface.", rich_help_panel=SAVE)
]
StepDeg = Annotated[
    float | None,
    typer.Option("--step-deg", help="The step of the ladder, deg.", rich_help_panel=SAVE),
]
SetStartDeg = Annotated[
    float | None,
    typer.Option(
        "--set-start", metavar="DEG", help="Set angle at the start.", rich_help_panel=SAVE
    ),
]
SetEndDeg = Annotated[
    float | None,
    typer.Option("--set-end", metavar="DEG", help="Set angle at the end.", rich_help_panel=SAVE),
]
Travel = Annotated[
    str | None,
    typer.Option(
        "--travel-way",
        metavar="up|down|level",
        help="Which way it went along the board.",
        rich_help_panel=SAVE,
    ),
]
Verdict = Annotated[
    str | None,
    typer.Option(
        "--verdict", help="cleared, failed or void, as the judge gave it.", rich_help_panel=SAVE
    ),
]
Reason = Annotated[
    str | None, typer.Option("--reason", help="Why, in the trade's words.", rich_help_panel=SAVE)
]
CalledBy = Annotated[
    str | None, typer.Option("--called-by", help="Who judged it.", rich_help_panel=SAVE)
]
MarkedBy = Annotated[
    str | None, typer.Option("--by", help="Who marks and signs.", rich_help_panel=SAVE)
]
Note = Annotated[str | None, typer.Option("--note", help="Anything else.", rich_help_panel=SAVE)]
