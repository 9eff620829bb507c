"""``clipmark lens --print-board`` and ``--print-tags``: boards and tags to print to scale."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli.show import emit_json, screen, table
from clipmark.errors import MarkError
from clipmark.measure.tag_dictionaries import DEFAULT_DICTIONARY
from clipmark.report.print_board import BoardSpec, board_page
from clipmark.report.print_frame import number_text
from clipmark.report.print_page import Page, check_ending, write_page
from clipmark.report.print_tags import TagsSpec, tags_page

__all__ = ["DEFAULT_DICTIONARY", "parse_board", "parse_tags", "print_board", "print_tags"]

PRINT = "Something to print"

PrintBoard = Annotated[
    str | None,
    typer.Option(
        "--print-board",
        metavar="A4",
        help="Write the board to print, to scale, on a sheet of this size (A0 to A10, B0 to B10; "
        "-portrait turns it) instead of calibrating: SOURCE is then the .pdf or .svg to write.",
        rich_help_panel=PRINT,
    ),
]
PrintTags = Annotated[
    str | None,
    typer.Option(
        "--print-tags",
        metavar="A4",
        help="Write square tags to print, to scale, in the same way.",
        rich_help_panel=PRINT,
    ),
]
Tags = Annotated[
    str,
    typer.Option("--tags", metavar="0,1", help="Which tags to print.", rich_help_panel=PRINT),
]
TagMm = Annotated[
    float | None,
    typer.Option(
        "--tag-mm",
        metavar="MM",
        help="Side of a tag, its black border included; the largest that fits when not given.",
        rich_help_panel=PRINT,
    ),
]
TagDictionary = Annotated[
    str,
    typer.Option(
        "--dictionary",
        metavar="4x4_50",
        help="The tags' dictionary, by OpenCV's name for it.",
        rich_help_panel=PRINT,
    ),
]


def parse_board(text: str) -> tuple[int, int]:
    """Inner corners along and down, of ``9x6``; raises `MarkError`."""
    parts = text.lower().replace("\N{MULTIPLICATION SIGN}", "x").split("x")
    try:
        columns, rows = (int(part) for part in parts)
    except ValueError:
        raise MarkError(
            f"the board '{text}' cannot be read: write its inner corners as COLUMNSxROWS, such as "
            "9x6 (--board)"
        ) from None
    return columns, rows


def parse_tags(text: str) -> tuple[int, ...]:
    """Ids of tags, of ``0,1,5``; raises `MarkError`."""
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError:
        raise MarkError(
            f"the tags '{text}' cannot be read: write their ids with commas, such as 0,1,5 (--tags)"
        ) from None


def print_board(
    out: Path,
    paper: str,
    board: tuple[int, int],
    square_mm: float | None,
    charuco: str | None,
    marker_mm: float | None,
    as_json: bool,
) -> None:
    """Write the page with a board of `board` inner corners, and say how to use it.

    Raises
    ------
    MarkError, FolderError
    """
    check_ending(out)
    page, spec = board_page(
        paper,
        *board,
        square_mm=square_mm,
        dictionary=charuco,
        marker_mm=marker_mm,
    )
    write_page(page, out)
    result: dict[str, object] = {
        "printed": str(out),
        "what": "board",
        **_paper(paper, page),
        "board": [spec.columns, spec.rows],
        "square_mm": spec.square_mm,
        "charuco": spec.dictionary,
        "marker_mm": spec.marker_mm if spec.dictionary else None,
        "use": f"clipmark lens CLIP {spec.options} --out lens.json",
    }
    if as_json:
        emit_json(result)
    else:
        _tell(out, page, _board_rows(spec), str(result["use"]))


def print_tags(
    out: Path,
    paper: str,
    dictionary: str,
    ids: tuple[int, ...],
    tag_mm: float | None,
    as_json: bool,
) -> None:
    """Write the page with tags, and say what they are.

    Raises
    ------
    MarkError, FolderError
    """
    check_ending(out)
    page, spec = tags_page(paper, dictionary, ids, tag_mm=tag_mm)
    write_page(page, out)
    if as_json:
        emit_json(
            {
                "printed": str(out),
                "what": "tags",
                **_paper(paper, page),
                "dictionary": spec.dictionary,
                "tags": list(spec.ids),
                "tag_mm": spec.tag_mm,
            }
        )
    else:
        _tell(out, page, _tags_rows(spec), None)


def _paper(paper: str, page: Page) -> dict[str, object]:
    return {"paper": paper, "paper_size_mm": [page.width_mm, page.height_mm]}


def _board_rows(spec: BoardSpec) -> list[tuple[str, str]]:
    rows = [
        ("inner corners", f"{spec.columns} x {spec.rows}"),
        ("squares", f"{number_text(spec.square_mm)} mm"),
    ]
    if spec.dictionary is not None:
        rows.append(("tags", f"{spec.dictionary}, {number_text(spec.marker_mm)} mm"))
    return rows


def _tags_rows(spec: TagsSpec) -> list[tuple[str, str]]:
    return [
        ("dictionary", spec.dictionary),
        ("tags", ", ".join(str(item) for item in spec.ids)),
        ("side", f"{number_text(spec.tag_mm)} mm"),
    ]


def _tell(out: Path, page: Page, rows: list[tuple[str, str]], use: str | None) -> None:
    size = f"{number_text(page.width_mm)} x {number_text(page.height_mm)} mm"
    table(f"{out.name} to print", ("what", "is"), [("page", size), *rows], words=("is",))
    screen.print("Print it at 100 %, and check its two rulers with a steel rule.", highlight=False)
    if use is not None:
        screen.print(f"Then: {use}", highlight=False, soft_wrap=True)
