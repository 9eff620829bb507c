"""What every printed page has around its pattern: rulers, and words that say what it is.

A ruler stands at the left (down) and one at the bottom (across), the words beside or above the
latter; what is left of the page is for the pattern.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from clipmark.report.print_page import Box, Ink, Words, ruler, wrapped

EDGE_MM = 5.0  # printers leave about 4.2 mm at the paper's edge (common practice, no source)
QUIET_MM = 10.0  # white around a pattern
WORDS_MM = 2.6
LINE_MM = 3.2
_RULER_MM = 100
_SHORT_RULER_MM = 50  # where a small sheet does not hold the longer one
_RULER_HIGH_MM = 7.0
_RULER_WIDE_MM = 9.0
_BESIDE_MM = 90.0  # narrower than this, the words go above the ruler


@dataclass(frozen=True)
class Surround:
    """Rulers and words of a page, and the box that is left for the pattern, mm."""

    marks: tuple[Ink | Words, ...]
    free: Box
    ruler_mm: int


def surround(size_mm: tuple[float, float], words: Sequence[str], command: str) -> Surround:
    """Lay rulers and words out on a page of `size_mm` (width, height).

    `words` are sentences, `command` a line to type; all are broken to fit.
    """
    width, height = size_mm
    room = min(width - 2 * EDGE_MM - 6.0, height - 2 * EDGE_MM - 30.0)
    length = _RULER_MM if room >= _RULER_MM else _SHORT_RULER_MM
    left = EDGE_MM + _RULER_WIDE_MM
    beside = width - EDGE_MM - left - length - 8.0
    side_by_side = beside >= _BESIDE_MM
    across = beside if side_by_side else width - left - EDGE_MM
    told = _check(length)
    lines = [(text, False) for item in (*words, told) for text in wrapped(item, across, WORDS_MM)]
    lines += [(text, True) for text in wrapped(command, across, WORDS_MM - 0.2, mono=True)]
    block = len(lines) * LINE_MM
    high = max(block, _RULER_HIGH_MM) if side_by_side else block + 2.0 + _RULER_HIGH_MM
    top = height - EDGE_MM - high
    x = left + length + 8.0 if side_by_side else left
    marks: list[Ink | Words] = [
        Words(x, top + (row + 0.8) * LINE_MM, text, WORDS_MM - 0.2 * mono, mono)
        for row, (text, mono) in enumerate(lines)
    ]
    marks += ruler(left, height - EDGE_MM - 2.8, length)
    marks += ruler(EDGE_MM + 4.0, EDGE_MM + 3.0, length, down=True)
    free = (left, EDGE_MM, width - left - EDGE_MM, top - EDGE_MM - 2.0)
    return Surround(tuple(marks), free, length)


def _check(length_mm: int) -> str:
    return (
        f"Print at 100 %, not fitted to the page. Both rulers must then measure {length_mm} mm "
        "with a steel rule."
    )


def number_text(value_mm: float) -> str:
    """A length as it is written on the page and in a command line: 25, 12.5."""
    return f"{value_mm:.3f}".rstrip("0").rstrip(".")


def whole_mm(value_mm: float) -> float:
    """Largest whole number of mm, or of tenths below 10 mm, that does not exceed it."""
    step = 1.0 if value_mm >= 10.0 else 0.1
    return round(math.floor(value_mm / step + 1e-9) * step, 3)
