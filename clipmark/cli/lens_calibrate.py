"""``clipmark lens SOURCE...``: a lens from a clip or photographs of a printed board."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, cast

import typer

from clipmark.cli.located import located
from clipmark.cli.show import emit_json, progress_bar, screen, table, warn, with_u
from clipmark.errors import LensError
from clipmark.measure.lens_board import Board, board_of
from clipmark.measure.lens_calibrate import WantedModel, calibrate_lens
from clipmark.measure.lens_result import COVERAGE, LensCalibration
from clipmark.record import disk

BOARD = "The board"

Sources = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="SOURCE",
        help="A clip of the board, a folder of photographs, or photographs; with --straight a "
        "clip; when printing, the .pdf or .svg to write.",
    ),
]
BoardSize = Annotated[
    str | None,
    typer.Option(
        "--board",
        metavar="9x6",
        help="Inner corners across x down, where four squares meet; 9x6 when printing.",
        rich_help_panel=BOARD,
    ),
]
SquareMm = Annotated[
    float | None,
    typer.Option(
        "--square-mm", metavar="MM", help="Side of one square, measured.", rich_help_panel=BOARD
    ),
]
Charuco = Annotated[
    str | None,
    typer.Option(
        "--charuco",
        metavar="DICTIONARY",
        help="The board has markers of this dictionary, such as 4x4_50: parts of it are enough.",
        rich_help_panel=BOARD,
    ),
]
MarkerMm = Annotated[
    float | None,
    typer.Option("--marker-mm", metavar="MM", help="Side of one marker.", rich_help_panel=BOARD),
]
Model = Annotated[str, typer.Option("--model", metavar="auto|ordinary|fisheye", help="Lens model.")]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="LENS.json", help="Where to write the lens file.")
]
PictureFile = Annotated[
    Path | None,
    typer.Option(
        "--picture", metavar="FILE.png", help="Draw the area covered, and how far corners are off."
    ),
]


def board_asked(
    board: str | None, square_mm: float | None, charuco: str | None, marker_mm: float | None
) -> Board:
    """The board as the options say; raises `LensError` when they say none."""
    if board is None or square_mm is None:
        raise LensError(
            "the board is not said; give its inner corners (--board), such as 9x6, and the side of "
            "one square in mm (--square-mm)"
        )
    return board_of(board, square_mm, charuco, marker_mm)


def calibrate_from_board(
    sources: list[Path],
    board: Board,
    model: str,
    out: Path | None,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Calibrate, write the files asked for, and print."""
    if picture is not None:
        from clipmark.report import lens_picture  # draws: slow to load

        lens_picture.check_picture_name(picture)
    if not sources:
        raise LensError(
            "no clip or photographs were given; name a clip, or a folder of photographs"
        )
    name = sources[0]
    with located(name), progress_bar("looking for the board", quiet=as_json) as bar:
        task = bar.add_task("looking for the board", total=None)
        found = calibrate_lens(
            sources,
            board,
            model=cast("WantedModel", model),
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    result = found.to_dict()
    if out is not None:
        text = json.dumps(result, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        try:
            disk.replace_file(out, text.encode("utf-8"))
        except OSError as error:
            raise disk.explain(error, "write the lens file", out) from error
    if picture is not None:
        lens_picture.draw_lens(found, picture)
    if as_json:
        emit_json(result)
    else:
        _print(name.name, found, out)
    warn(found.warnings)


def _print(name: str, found: LensCalibration, out: Path | None) -> None:
    lens = found.lens
    u95 = cast("dict[str, float]", found.to_dict()["u95"])
    rows = [(key, with_u(getattr(lens, key), u95[key], "px")) for key in ("fx", "fy", "cx", "cy")]
    rows += [
        (term, with_u(value, u95[term]))
        for term, value in zip(lens.names[4:], lens.distortion, strict=True)
        if term in found.terms
    ]
    width, height = lens.image_size
    rows += [
        ("model", lens.model),
        ("for pictures of", f"{width} x {height} px"),
        ("views used", f"{len(found.used)} of {found.seen} with the board"),
        ("corners off, RMS", f"{lens.rms_px:.3f} px"),
        ("picture covered", f"{100 * found.cover.share:.0f} %"),
        ("board off flat", with_u(found.bend_mm, COVERAGE * found.bend_u_mm, "mm")),
    ]
    table(f"Lens from {name}", ("what", "is"), rows, words=("is",))
    if out is not None:
        screen.print(f"written to {out}", highlight=False, soft_wrap=True)
