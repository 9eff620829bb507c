"""``clipmark lens``: what a lens does to a picture, and what to print to find out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import lens_lines, lens_print
from clipmark.cli import options as opt
from clipmark.errors import MarkError


def run(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="The clip, or what to write.")],
    board: Annotated[str, typer.Option("--board", metavar="9x6", help="Inner corners.")] = "9x6",
    square_mm: Annotated[
        float | None, typer.Option("--square-mm", metavar="MM", help="Side of a square.")
    ] = None,
    charuco: Annotated[
        str | None,
        typer.Option("--charuco", metavar="4x4_50", help="The board has tags of this dictionary."),
    ] = None,
    marker_mm: Annotated[
        float | None, typer.Option("--marker-mm", metavar="MM", help="Side of the board's tags.")
    ] = None,
    print_board: lens_print.PrintBoard = None,
    print_tags: lens_print.PrintTags = None,
    tags: lens_print.Tags = "0",
    tag_mm: lens_print.TagMm = None,
    dictionary: lens_print.TagDictionary = lens_print.DEFAULT_DICTIONARY,
    frame: Annotated[
        int | None, typer.Option("--frame", metavar="N", help="Frame ordinal, from 0.")
    ] = None,
    straight: lens_lines.Straight = None,
    straight_u: lens_lines.StraightU = lens_lines.DEFAULT_STRAIGHT_U_MM,
    view_angle: opt.ViewAngle = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="lens.json", help="The lens file to write.")
    ] = None,
    as_json: opt.Json = False,
) -> None:
    """Print a board or tags to scale; find how a lens bends from straight things in a clip.

    Example: clipmark lens --print-board A4 board.pdf
    """
    if print_board is not None:
        corners = lens_print.parse_board(board)
        lens_print.print_board(source, print_board, corners, square_mm, charuco, marker_mm, as_json)
    elif print_tags is not None:
        ids = lens_print.parse_tags(tags)
        lens_print.print_tags(source, print_tags, dictionary, ids, tag_mm, as_json)
    elif straight:
        lens_lines.lens_without_board(source, frame, straight, view_angle, straight_u, out, as_json)
    else:
        raise MarkError(
            "nothing was asked of the lens; give --print-board, --print-tags or --straight"
        )
