"""The board for calibrating a lens, to scale: a chessboard, or one with tags (ChArUco).

A ChArUco board has a tag in every white square, so that a board reaching out of the picture still
tells which of its corners is which (OpenCV documentation, module objdetect, aruco). Squares and
tags lie as OpenCV's `CharucoBoard` of the same numbers expects them: black at the top left.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from clipmark.errors import MarkError
from clipmark.geometry.paper import paper_size_mm
from clipmark.measure.tag_dictionaries import dictionary_size, tag_modules
from clipmark.report.print_frame import QUIET_MM, number_text, surround, whole_mm
from clipmark.report.print_page import Box, Ink, Page

MIN_SQUARE_MM = 3.0
MIN_CORNERS = 3
MARKER_SHARE = 0.72  # of a square: leaves white of a module and more around a tag of 4 x 4
MAX_MARKER_SHARE = 0.85


@dataclass(frozen=True)
class BoardSpec:
    """What board to print.

    Attributes
    ----------
    columns, rows : int
        Inner corners, where four squares meet.
    square_mm : float
    dictionary : str or None
        Name of the tags' dictionary; None for a plain chessboard.
    marker_mm : float
        Side of a tag, its black border included; 0 without tags.
    """

    columns: int
    rows: int
    square_mm: float
    dictionary: str | None = None
    marker_mm: float = 0.0

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of all squares, mm."""
        return (self.columns + 1) * self.square_mm, (self.rows + 1) * self.square_mm

    @property
    def options(self) -> str:
        """The options that tell the lens verb of this board."""
        told = f"--board {self.columns}x{self.rows} --square-mm {number_text(self.square_mm)}"
        if self.dictionary is None:
            return told
        return f"{told} --charuco {self.dictionary} --marker-mm {number_text(self.marker_mm)}"


def board_page(
    paper: str,
    columns: int,
    rows: int,
    *,
    square_mm: float | None = None,
    dictionary: str | None = None,
    marker_mm: float | None = None,
) -> tuple[Page, BoardSpec]:
    """Lay a board out on a sheet of paper.

    Parameters
    ----------
    paper : str
        Name of an ISO 216 sheet, as in `paper_size_mm`.
    columns, rows : int
        Inner corners along the width and down.
    square_mm : float, optional
        Side of a square; the largest whole number of mm that fits by default.
    dictionary : str, optional
        Print a ChArUco board with tags of this dictionary.
    marker_mm : float, optional
        Side of a tag; 72 % of a square by default, to a tenth of a mm.

    Raises
    ------
    MarkError
        When the board does not fit, or its numbers cannot be those of a board.
    """
    size = paper_size_mm(paper)
    if min(columns, rows) < MIN_CORNERS:
        raise MarkError(
            f"a board of {columns} x {rows} inner corners tells too little of a lens; print one "
            f"of at least {MIN_CORNERS} x {MIN_CORNERS}, such as 9x6"
        )
    # The words' length depends a little on the square's digits, so the room is found with those.
    largest = _largest(size, _spec(columns, rows, square_mm or 100.0, dictionary, marker_mm))
    chosen = whole_mm(largest) if square_mm is None else square_mm
    if chosen < MIN_SQUARE_MM or chosen > largest + 1e-9:
        raise MarkError(_does_not_fit(paper, columns, rows, square_mm, largest))
    spec = _spec(columns, rows, chosen, dictionary, marker_mm)
    _check_marker(spec)
    around = surround(size, _words(spec), _command(spec))
    left, top, width, height = around.free
    x = left + (width - spec.size_mm[0]) / 2
    y = top + (height - spec.size_mm[1]) / 2
    squares = Ink(tuple(_black_squares(spec, x, y)))
    tags = _tags(spec, x, y) if spec.dictionary is not None else []
    title = f"Board of {columns} x {rows} inner corners, squares {number_text(chosen)} mm"
    return Page(*size, title, (squares, *tags, *around.marks)), spec


def _spec(
    columns: int, rows: int, square_mm: float, dictionary: str | None, marker_mm: float | None
) -> BoardSpec:
    if dictionary is None:
        return BoardSpec(columns, rows, square_mm)
    marker = round(MARKER_SHARE * square_mm, 1) if marker_mm is None else marker_mm
    return BoardSpec(columns, rows, square_mm, dictionary.strip().lower(), marker)


def _largest(size: tuple[float, float], spec: BoardSpec) -> float:
    """Side of the largest square that leaves a quiet border, mm."""
    _, _, width, height = surround(size, _words(spec), _command(spec)).free
    # The paper's own edge, white too, serves as quiet border where there is no ruler.
    return min(
        (width - QUIET_MM) / (spec.columns + 1),
        (height - QUIET_MM) / (spec.rows + 1),
    )


def _does_not_fit(
    paper: str, columns: int, rows: int, square_mm: float | None, largest: float
) -> str:
    if largest < MIN_SQUARE_MM:
        return (
            f"a board of {columns} x {rows} inner corners does not fit on {paper}: its squares "
            f"would be {max(largest, 0.0):.1f} mm, but at least {MIN_SQUARE_MM:.0f} mm are needed; "
            "take a larger sheet or fewer corners"
        )
    asked = square_mm or 0.0
    if asked < MIN_SQUARE_MM:
        return (
            f"squares of {asked:g} mm are too small to print and to find; give at least "
            f"{MIN_SQUARE_MM:.0f} mm (--square-mm)"
        )
    return (
        f"{columns} x {rows} inner corners with squares of {asked:g} mm do not fit on {paper}; "
        f"squares of up to {whole_mm(largest):g} mm do (--square-mm), or take a larger sheet"
    )


def _check_marker(spec: BoardSpec) -> None:
    """Refuse tags that do not fit their squares, or that the dictionary does not hold."""
    if spec.dictionary is None:
        return
    most = MAX_MARKER_SHARE * spec.square_mm
    if not 0 < spec.marker_mm <= most:
        raise MarkError(
            f"a tag of {spec.marker_mm:g} mm does not fit a square of {spec.square_mm:g} mm with "
            f"white around it; give up to {most:.1f} mm (--marker-mm)"
        )
    needed = (spec.columns + 1) * (spec.rows + 1) // 2
    held = dictionary_size(spec.dictionary)
    if needed > held:
        raise MarkError(
            f"a board of {spec.columns} x {spec.rows} inner corners has {needed} tags, but the "
            f"dictionary {spec.dictionary} holds {held}; take a larger one (--charuco), or fewer "
            "corners"
        )


def _words(spec: BoardSpec) -> list[str]:
    what = f"{spec.columns} x {spec.rows} inner corners, squares {number_text(spec.square_mm)} mm"
    if spec.dictionary is not None:
        what += f", tags {spec.dictionary} of {number_text(spec.marker_mm)} mm"
    return [
        f"{what}. Glue it flat on something stiff. Measure ten squares; give what you measured."
    ]


def _command(spec: BoardSpec) -> str:
    return f"clipmark lens CLIP {spec.options} --out lens.json"


def _black_squares(spec: BoardSpec, x: float, y: float) -> list[Box]:
    side = spec.square_mm
    return [
        (x + column * side, y + row * side, side, side)
        for row, column in product(range(spec.rows + 1), range(spec.columns + 1))
        if (row + column) % 2 == 0
    ]


def _tags(spec: BoardSpec, x: float, y: float) -> list[Ink]:
    """A tag in every white square, numbered along the rows."""
    assert spec.dictionary is not None
    inset = (spec.square_mm - spec.marker_mm) / 2
    white = [
        (column, row)
        for row, column in product(range(spec.rows + 1), range(spec.columns + 1))
        if (row + column) % 2 == 1
    ]
    return [
        tag_ink(
            spec.dictionary,
            number,
            x + column * spec.square_mm + inset,
            y + row * spec.square_mm + inset,
            spec.marker_mm,
        )
        for number, (column, row) in enumerate(white)
    ]


def tag_ink(dictionary: str, tag_id: int, x: float, y: float, side_mm: float) -> Ink:
    """A tag as one black shape, its top left corner at (x, y) mm; runs of modules are joined."""
    modules = tag_modules(dictionary, tag_id)
    count = len(modules)
    module = side_mm / count
    boxes: list[Box] = []
    for row in range(count):
        start = None
        for column in range(count + 1):
            black = column < count and bool(modules[row, column])
            if black and start is None:
                start = column
            elif not black and start is not None:
                run = (column - start) * module
                boxes.append((x + start * module, y + row * module, run, module))
                start = None
    return Ink(tuple(boxes))
