"""``clipmark lens``: what a lens does to a picture, and what to print to find out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import lens_calibrate as board_options
from clipmark.cli import lens_lines, lens_print
from clipmark.cli import options as opt
from clipmark.errors import MarkError

PRINTED_BOARD = "9x6"


def run(
    sources: board_options.Sources = None,
    board: board_options.BoardSize = None,
    square_mm: board_options.SquareMm = None,
    charuco: board_options.Charuco = None,
    marker_mm: board_options.MarkerMm = None,
    model: board_options.Model = "auto",
    out: board_options.Out = None,
    picture: board_options.PictureFile = None,
    frame: Annotated[
        int | None,
        typer.Option(
            "--frame",
            metavar="N",
            help="Frame that the straight things are marked in, from 0.",
            rich_help_panel=lens_lines.LINES,
        ),
    ] = None,
    straight: lens_lines.Straight = None,
    straight_u: lens_lines.StraightU = lens_lines.DEFAULT_STRAIGHT_U_MM,
    view_angle: opt.ViewAngle = None,
    print_board: lens_print.PrintBoard = None,
    print_tags: lens_print.PrintTags = None,
    tag_ids: lens_print.Tags = "0",
    tag_mm: lens_print.TagMm = None,
    dictionary: lens_print.TagDictionary = lens_print.DEFAULT_DICTIONARY,
    as_json: opt.Json = False,
) -> None:
    """Calibrate a lens from a board, or from straight things; print boards and tags to scale.

    Example: clipmark lens --print-board A4 board.pdf, then film it, then
    clipmark lens board.mp4 --board 9x6 --square-mm 25 --out lenses/cam-a.json
    """
    given = sources or []
    if print_board is not None:
        corners = lens_print.parse_board(board or PRINTED_BOARD)
        page = _page_to_write(given, out)
        lens_print.print_board(page, print_board, corners, square_mm, charuco, marker_mm, as_json)
    elif print_tags is not None:
        ids = lens_print.parse_tags(tag_ids)
        page = _page_to_write(given, out)
        lens_print.print_tags(page, print_tags, dictionary, ids, tag_mm, as_json)
    elif straight:
        clip = _one_clip(given)
        lens_lines.lens_without_board(clip, frame, straight, view_angle, straight_u, out, as_json)
    else:
        asked = board_options.board_asked(board, square_mm, charuco, marker_mm)
        board_options.calibrate_from_board(given, asked, model, out, picture, as_json)


def _page_to_write(sources: list[Path], out: Path | None) -> Path:
    """The page's file: ``--out`` or the one SOURCE; raises `MarkError` when it is not said."""
    named = [*sources, *([out] if out is not None else [])]
    if len(named) != 1:
        said = "none" if not named else f"{len(named)}"
        raise MarkError(
            f"one page is written, but {said} of the files to write was named; name one .pdf or "
            ".svg, such as board.pdf"
        )
    return named[0]


def _one_clip(sources: list[Path]) -> Path:
    """The clip that straight things are marked in; raises `MarkError` unless there is one."""
    if len(sources) != 1:
        raise MarkError(
            f"straight things are marked in one clip, but {len(sources)} were given; give one, and "
            "put the frame before a line of another frame"
        )
    return sources[0]
