"""``clipmark footage``: what the file is, what is odd about it, and what it can support."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.footage_attempts import look_for_attempts
from clipmark.cli.footage_show import print_footage
from clipmark.cli.located import located
from clipmark.cli.show import emit_json, progress_bar
from clipmark.clip import open_clip
from clipmark.errors import FolderError, MarkError
from clipmark.marks import Line
from clipmark.measure.footage import FootageReport, look_over
from clipmark.motion.attempt_spans import MARGIN_S, REST_S

SUPPORT = "What it can support, in mm"
ATTEMPTS = "Looking for attempts"


def run(
    clip: opt.ClipFile,
    scale: Annotated[
        str | None,
        typer.Option(
            "--scale",
            metavar="x1,y1,x2,y2",
            help="Two points a known length apart in the plane of motion.",
            rich_help_panel=SUPPORT,
        ),
    ] = None,
    scale_mm: Annotated[
        float | None,
        typer.Option("--scale-mm", metavar="MM", help="That length.", rich_help_panel=SUPPORT),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="CONTACT.png",
            help="Draw a sheet: stills over time, what was gathered, and the edges found.",
        ),
    ] = None,
    quick: Annotated[
        bool,
        typer.Option("--quick", help="The one pass alone: no edges, no following, no camera."),
    ] = False,
    attempts: Annotated[
        bool,
        typer.Option(
            "--attempts",
            help="Look for attempts in a long recording instead: spans of frames to confirm, "
            "nothing is saved.",
            rich_help_panel=ATTEMPTS,
        ),
    ] = False,
    within: Annotated[
        str | None,
        typer.Option(
            "--within",
            metavar="x,y,w,h",
            help="Look in this region of the picture only.",
            rich_help_panel=ATTEMPTS,
        ),
    ] = None,
    rest_s: Annotated[
        float | None,
        typer.Option(
            "--rest-s",
            metavar="S",
            help=f"The longest rest within one attempt; {REST_S:g} unless given.",
            rich_help_panel=ATTEMPTS,
        ),
    ] = None,
    margin_s: Annotated[
        float | None,
        typer.Option(
            "--margin-s",
            metavar="S",
            help="How long a span goes on before the first move and after the last; "
            f"{MARGIN_S:g} unless given.",
            rich_help_panel=ATTEMPTS,
        ),
    ] = None,
    true_fps: opt.TrueFps = None,
    as_json: opt.Json = False,
) -> None:
    """Say what a file is, what is odd about it, and which readings it can support.

    One pass over all its pictures, and a closer look at a few.

    Example: clipmark footage creep.mp4 --picture contact.png
    Example: clipmark footage session.mp4 --attempts
    """
    if attempts:
        if quick or picture is not None or scale is not None or scale_mm is not None:
            raise MarkError(
                "looking for attempts (--attempts) takes no scale mark, no sheet and no shorter "
                "look; ask for them on their own"
            )
        look_for_attempts(clip, within, rest_s, margin_s, true_fps, as_json=as_json)
        return
    if within is not None or rest_s is not None or margin_s is not None:
        raise MarkError(
            "a region, a rest or a margin is given, but attempts are not looked for; ask for that "
            "(--attempts)"
        )
    if picture is not None and picture.suffix.lower() != ".png":
        raise FolderError(
            f"the sheet {picture.name} cannot be drawn: its name must end in .png; give it such a "
            "name"
        )
    with (
        located(clip),
        open_clip(clip, true_fps=true_fps) as footage,
        progress_bar("looking", quiet=as_json) as bar,
    ):
        line = Line.parse(scale, "the scale mark") if scale else None
        task = bar.add_task("looking", total=footage.frame_count)
        report = look_over(
            footage,
            lambda done, in_all: bar.update(task, completed=done, total=in_all),
            scale=line,
            scale_mm=scale_mm,
            closely=not quick,
        )
        times = footage.times_s
    if picture is not None:
        # The drawing library takes a third of a second to load: only when something is drawn.
        from clipmark.report.contact_sheet import draw_contact_sheet

        draw_contact_sheet(report, times, clip.name, picture)
    if as_json:
        emit_json({"clip": clip.name, **report.to_dict()})
    else:
        _print(clip.name, report)


def _print(name: str, report: FootageReport) -> None:
    print_footage({"clip": name, **report.to_dict()})
