"""Square tags to scale, to be put into the scene as sheets of known size.

A tag's black border is a square of known side, and its pattern says which tag it is and which of
its corners is which. Around it stays a quiet border of one module and more, as finding it needs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from clipmark.errors import MarkError
from clipmark.geometry.paper import paper_size_mm
from clipmark.measure.tag_dictionaries import dictionary as family_of
from clipmark.measure.tag_dictionaries import tag_modules
from clipmark.report.print_board import tag_ink
from clipmark.report.print_frame import WORDS_MM, number_text, surround, whole_mm
from clipmark.report.print_page import Box, Ink, Page, Words

MIN_TAG_MM = 10.0
_NAME_MM = 4.5  # strip below each tag for its name
_CORNER_MM = 3.5  # room outside the quiet border for the corners' numbers
_GAP_MM = 5.0  # between the cells of two tags
_CUT_MM = 0.15
_CUT_GREY = 0.7


@dataclass(frozen=True)
class TagsSpec:
    """Which tags to print: the dictionary, their ids, and their side with the black border, mm."""

    dictionary: str
    ids: tuple[int, ...]
    tag_mm: float


@dataclass(frozen=True)
class _Grid:
    """Tags in `columns` x `rows` cells of one size, mm; the quiet border and tag within a cell."""

    columns: int
    rows: int
    tag_mm: float
    quiet_mm: float

    @property
    def cell_mm(self) -> tuple[float, float]:
        side = self.tag_mm + 2 * self.quiet_mm + 2 * _CORNER_MM
        return side, side + _NAME_MM


def tags_page(
    paper: str, dictionary: str, ids: Sequence[int], *, tag_mm: float | None = None
) -> tuple[Page, TagsSpec]:
    """Lay one or several tags out on a sheet of paper.

    Parameters
    ----------
    paper : str
        Name of an ISO 216 sheet, as in `paper_size_mm`.
    dictionary : str
        Name of the dictionary, as in `clipmark.measure.tag_dictionaries`.
    ids : sequence of int
        Which tags, in order from the top left.
    tag_mm : float, optional
        Side of a tag, its black border included; the largest that fits by default.

    Raises
    ------
    MarkError
        When there is no such tag, one is asked for twice, or they do not fit.
    """
    size = paper_size_mm(paper)
    _check_ids(dictionary, ids)
    name = dictionary.strip().lower()
    modules = int(family_of(name).markerSize) + 2
    trial = TagsSpec(name, tuple(ids), 100.0 if tag_mm is None else tag_mm)
    free = surround(size, _words(trial), _command(trial)).free
    grid = _best_grid(free, len(ids), modules, tag_mm)
    if tag_mm is not None and tag_mm < MIN_TAG_MM:
        raise MarkError(
            f"a tag of {tag_mm:g} mm is too small to print and to find; give at least "
            f"{MIN_TAG_MM:.0f} mm (--tag-mm)"
        )
    if grid is None or grid.tag_mm < MIN_TAG_MM:
        raise MarkError(_do_not_fit(paper, free, len(ids), modules, tag_mm))
    spec = TagsSpec(name, tuple(ids), grid.tag_mm)
    around = surround(size, _words(spec), _command(spec))
    marks = [*_cells(spec, grid, around.free), *around.marks]
    told = ", ".join(str(item) for item in ids)
    return Page(*size, f"Tags {name} {told}, {number_text(grid.tag_mm)} mm", tuple(marks)), spec


def _check_ids(dictionary: str, ids: Sequence[int]) -> None:
    if not ids:
        raise MarkError("no tag to print was named; give the ids of one or several (--tags 0,1)")
    for tag_id in ids:
        tag_modules(dictionary, tag_id)
    twice = [tag_id for tag_id in ids if list(ids).count(tag_id) > 1]
    if twice:
        raise MarkError(
            f"tag {twice[0]} is asked for twice; in one scene each tag may be there only once, so "
            "give different ids"
        )


def _quiet(tag_mm: float, modules: int) -> float:
    """White around a tag: a module and a quarter, for edges are fitted in it too."""
    return 1.25 * tag_mm / modules


def _best_grid(free: Box, count: int, modules: int, tag_mm: float | None) -> _Grid | None:
    """The grid with the largest tags, or one that holds tags of the size asked for."""
    best: _Grid | None = None
    for columns in range(1, count + 1):
        rows = math.ceil(count / columns)
        wide = (free[2] + _GAP_MM) / columns - _GAP_MM - 2 * _CORNER_MM
        high = (free[3] + _GAP_MM) / rows - _GAP_MM - 2 * _CORNER_MM - _NAME_MM
        side = min(wide, high) / (1 + 2.5 / modules)
        if side <= 0 or (tag_mm is not None and side < tag_mm - 1e-9):
            continue
        chosen = whole_mm(side) if tag_mm is None else tag_mm
        if best is None or side > best.quiet_mm * modules / 1.25 or chosen > best.tag_mm:
            best = _Grid(columns, rows, chosen, _quiet(chosen, modules))
    return best


def _do_not_fit(paper: str, free: Box, count: int, modules: int, tag_mm: float | None) -> str:
    largest = _best_grid(free, count, modules, None)
    side = 0.0 if largest is None else largest.tag_mm
    what = "1 tag" if count == 1 else f"{count} tags"
    if tag_mm is None or side < MIN_TAG_MM:
        return (
            f"{what} on {paper} would be {side:g} mm each, but at least {MIN_TAG_MM:.0f} mm are "
            "needed; take a larger sheet or fewer tags"
        )
    return (
        f"{what} of {tag_mm:g} mm {'does' if count == 1 else 'do'} not fit on {paper}; tags of up "
        f"to {side:g} mm do (--tag-mm), or take a larger sheet or fewer tags"
    )


def _words(spec: TagsSpec) -> list[str]:
    return [
        f"Tags {spec.dictionary}, black border {number_text(spec.tag_mm)} x "
        f"{number_text(spec.tag_mm)} mm. Keep the white around a tag when cutting; glue it flat. "
        "Corners are numbered as a sheet's are marked, from the top left, clockwise."
    ]


def _command(spec: TagsSpec) -> str:
    side = number_text(spec.tag_mm)
    return (
        "clipmark angle CLIP --frame N --ramp x1,y1,x2,y2 --plumb x1,y1,x2,y2 "
        f"--sheet x1,y1,x2,y2,x3,y3,x4,y4 --sheet-size {side}x{side} --sheet-u-mm 0.2"
    )


def _cells(spec: TagsSpec, grid: _Grid, free: Box) -> list[Ink | Words]:
    """All tags with their names and corner numbers, centred in the free part of the page."""
    wide, high = (side + _GAP_MM for side in grid.cell_mm)
    left = free[0] + (free[2] - grid.columns * wide + _GAP_MM) / 2
    top = free[1] + (free[3] - grid.rows * high + _GAP_MM) / 2
    marks: list[Ink | Words] = []
    for place, tag_id in enumerate(spec.ids):
        row, column = divmod(place, grid.columns)
        inset = _CORNER_MM + grid.quiet_mm
        x, y = left + column * wide + inset, top + row * high + inset
        marks.append(tag_ink(spec.dictionary, tag_id, x, y, grid.tag_mm))
        marks.extend(_names(spec, tag_id, x, y, grid))
    return marks


def _names(spec: TagsSpec, tag_id: int, x: float, y: float, grid: _Grid) -> list[Ink | Words]:
    """Corner numbers outside the quiet border, the tag's name below it, a grey line to cut on."""
    side, quiet = grid.tag_mm, grid.quiet_mm
    near, far = -quiet - 2.4, side + quiet + 0.9
    corners = ((near, near + 1.8), (far, near + 1.8), (far, far + 1.2), (near, far + 1.2))
    marks: list[Ink | Words] = [
        Words(x + dx, y + dy, str(number), WORDS_MM)
        for number, (dx, dy) in enumerate(corners, start=1)
    ]
    name = f"tag {tag_id} of {spec.dictionary}, {number_text(side)} mm"
    marks.append(Words(x, y + side + quiet + 3.4, name, WORDS_MM))
    wide, high = grid.cell_mm
    left, top = x - quiet - _CORNER_MM, y - quiet - _CORNER_MM
    cut = (
        (left, top, wide, _CUT_MM),
        (left, top + high, wide, _CUT_MM),
        (left, top, _CUT_MM, high),
        (left + wide, top, _CUT_MM, high),
    )
    marks.append(Ink(cut, _CUT_GREY))
    return marks
