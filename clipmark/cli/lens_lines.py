"""``clipmark lens CLIP --straight``: the bend of a lens from straight things, without a board."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli.located import located
from clipmark.cli.show import emit_json, screen, table, warn, with_u
from clipmark.clip import open_clip
from clipmark.errors import FolderError, MarkError
from clipmark.measure.lens_lines import StraightLens, lens_from_lines
from clipmark.measure.straight_marks import StraightMark

LINES = "Without a board"

Straight = Annotated[
    list[str] | None,
    typer.Option(
        "--straight",
        metavar="x1,y1,x2,y2",
        help="Rough ends of a thing known to be straight, more points along it after them if "
        "wanted, FRAME: before them for another frame; repeat the option for each thing.",
        rich_help_panel=LINES,
    ),
]
StraightU = Annotated[
    float,
    typer.Option(
        "--straight-u",
        metavar="MM",
        help="Standard bow of these things in mm on a metre.",
        rich_help_panel=LINES,
    ),
]
DEFAULT_STRAIGHT_U_MM = 0.3


def lens_without_board(
    clip: Path,
    frame: int | None,
    straight: list[str],
    view_angle_deg: float | None,
    straight_u_mm: float,
    out: Path | None,
    as_json: bool,
    true_fps: float | None = None,
) -> None:
    """Find the bend of a lens from straight things in one frame, and write the lens file.

    Raises
    ------
    ClipmarkError
        A sentence for whatever is refused.
    """
    if frame is None:
        raise MarkError(
            "straight things are marked in a frame, but which one is missing; give it (--frame)"
        )
    if not 0 <= straight_u_mm <= 20:
        raise MarkError(
            f"a bow of {straight_u_mm:g} mm on a metre was given, but it must lie between 0 and "
            "20; give how straight the things are, such as 0.3 (--straight-u)"
        )
    with located(clip, frame):
        marks = [StraightMark.parse(text) for text in straight]
        with open_clip(clip, true_fps=true_fps) as footage:
            found = lens_from_lines(
                footage,
                frame,
                marks,
                view_angle_deg=view_angle_deg,
                straight_u=straight_u_mm / 1000,
            )
    result: dict[str, object] = {"clip": clip.name, **found.to_dict()}
    if out is not None:
        _write(out, result)
        result["written"] = str(out)
    if as_json:
        emit_json(result)
    else:
        _print(found, out)


def _write(out: Path, result: dict[str, object]) -> None:
    try:
        out.write_text(json.dumps(result, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    except OSError as error:
        raise FolderError(
            f"the lens file {out} cannot be written ({error.strerror}); give a file in a folder "
            "that is there and can be written to"
        ) from error


def _print(found: StraightLens, out: Path | None) -> None:
    bend, lens = found.corner_bend_percent, found.lens
    kind = "barrel" if bend.estimate < 0 else "pincushion"
    focal = "of the view angle given" if lens.focal == "view angle" else "a wide guess"
    rows = [
        ("bend at the corner", f"{with_u(bend.estimate, bend.u95, '%')} ({kind})"),
        ("middle of the bend", f"{lens.cx:.1f}, {lens.cy:.1f} px"),
        ("focal length", f"{lens.fx:.0f} px, {focal}"),
        ("k1, k2", f"{lens.distortion[0]:.4f}, {lens.distortion[1]:.4f}"),
        ("picture", f"{lens.image_size[0]} x {lens.image_size[1]} px"),
    ]
    table("Lens from straight lines", ("what", "is, U (95 %)"), rows, words=("is, U (95 %)",))
    table(
        "Lines",
        ("line", "frame", "length, px", "bow, px", "left over, px", "seen"),
        [
            (
                str(number),
                str(line.frame),
                f"{line.length_px:.0f}",
                f"{line.bow_px:.1f}",
                f"{line.rms_px:.2f}",
                f"{100 * line.used_fraction:.0f} %",
            )
            for number, line in enumerate(found.lines, start=1)
        ],
    )
    if out is not None:
        screen.print(f"written: {out}", highlight=False, soft_wrap=True)
    warn(found.warnings)
