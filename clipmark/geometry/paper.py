"""Sheets of paper by name: the trimmed sizes of ISO 216 (series A and B, 0 to 10).

Sizes are those that the standard tabulates, in whole mm; they cannot all be had by halving, since
each is rounded on its own. Pure: text in, lengths in mm out.
"""

from __future__ import annotations

import math

from clipmark.errors import MarkError

# ISO 216:2007, trimmed sizes, short side first. A0 to A6 as in published tables that quote the
# standard; A7 to A10 and the B series from memory.
_SHORT_LONG_MM: dict[str, tuple[int, int]] = {
    "A0": (841, 1189),
    "A1": (594, 841),
    "A2": (420, 594),
    "A3": (297, 420),
    "A4": (210, 297),
    "A5": (148, 210),
    "A6": (105, 148),
    "A7": (74, 105),
    "A8": (52, 74),
    "A9": (37, 52),
    "A10": (26, 37),
    "B0": (1000, 1414),
    "B1": (707, 1000),
    "B2": (500, 707),
    "B3": (353, 500),
    "B4": (250, 353),
    "B5": (176, 250),
    "B6": (125, 176),
    "B7": (88, 125),
    "B8": (62, 88),
    "B9": (44, 62),
    "B10": (31, 44),
}
_WAYS = ("landscape", "portrait")
# ISO 216:2007: how far a side may be off, up to and including a length, mm.
_TOLERANCE_MM = ((150.0, 1.5), (600.0, 2.0), (math.inf, 3.0))

PAPER_NAMES = tuple(_SHORT_LONG_MM)


def paper_size_mm(name: str) -> tuple[float, float]:
    """Width and height, mm, of a sheet by its name: ``A4``, ``a4-landscape``, ``A4-portrait``.

    A name alone means landscape: the long side is the width, as in ``297x210``.

    Raises
    ------
    MarkError
        When there is no such sheet.
    """
    size, _, way = name.strip().partition("-")
    sides = _SHORT_LONG_MM.get(size.upper())
    if sides is None:
        raise MarkError(
            f"'{name}' is not a paper size known by name; give one of A0 to A10 or B0 to B10 "
            "(ISO 216), such as A4 or A4-portrait"
        )
    way = way.lower() or _WAYS[0]
    if way not in _WAYS:
        raise MarkError(
            f"'{name}' does not say how the sheet lies; write {size.upper()}-landscape or "
            f"{size.upper()}-portrait"
        )
    short, long = float(sides[0]), float(sides[1])
    return (long, short) if way == "landscape" else (short, long)


def paper_tolerance_mm(side_mm: float) -> float:
    """How far a side of that length may be off and still be to ISO 216, mm, to either side."""
    return next(tolerance for up_to, tolerance in _TOLERANCE_MM if side_mm <= up_to)


def parse_size_or_name(text: str, what: str = "the size") -> tuple[float, float]:
    """Width and height, mm, of ``297x210`` or of a sheet by its name, such as ``A4-portrait``.

    Parameters
    ----------
    text : str
        Two lengths in mm with an x between them, or a name as in `paper_size_mm`.
    what : str
        What the size is of, for the sentence of a refusal.

    Raises
    ------
    MarkError
        When it is neither, or a length is not above 0.
    """
    if text.strip()[:1].upper() in ("A", "B"):
        try:
            return paper_size_mm(text)
        except MarkError as error:
            raise MarkError(f"{what}: {error}; or write WIDTHxHEIGHT in mm") from None
    parts = text.lower().replace("\N{MULTIPLICATION SIGN}", "x").split("x")
    try:
        width, height = (float(part) for part in parts)
    except ValueError:
        raise MarkError(
            f"{what} '{text}' cannot be read: write it as WIDTHxHEIGHT in mm, such as 297x210, or "
            "name a sheet of ISO 216, such as A4"
        ) from None
    if not (0 < width < math.inf and 0 < height < math.inf):
        raise MarkError(f"{what} '{text}' is not a size: both lengths must be above 0 mm")
    return width, height
