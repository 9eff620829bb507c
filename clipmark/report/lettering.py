"""Letters as small pictures: the type that comes with the drawing library, without its figures.

Cards, stills and every frame of an annotated clip carry text; a whole figure for each would take
minutes. A letter that the type does not have comes from another font of the machine, or shows as
an empty box, so that a name in any script keeps its length and nothing else moves.
"""

from __future__ import annotations

import threading
import unicodedata
from functools import lru_cache

import numpy as np
from matplotlib import font_manager
from matplotlib.ft2font import FT2Font
from numpy.typing import NDArray

FAMILY = "DejaVu Sans"
MISSING = "\N{WHITE VERTICAL RECTANGLE}"
_UNSEEN = {"Cf", "Cc"}  # joiners, marks of direction
_MARKS = {"Mn", "Me"}  # over and under letters; selectors of emoji too
_PER_PX = 64.0
_FONTS = threading.RLock()  # a font holds the text it was last given


def shown(text: str) -> str:
    """What is drawn for `text`: composed letters, one line, nothing that is invisible."""
    composed = unicodedata.normalize("NFC", " ".join(text.split()))
    charmap = _charmap(_file(False))
    kinds = ((letter, unicodedata.category(letter)) for letter in composed)
    return "".join(
        letter
        for letter, kind in kinds
        if kind not in _UNSEEN and (kind not in _MARKS or ord(letter) in charmap)
    )


def width_of(text: str, size_px: float, *, bold: bool = False) -> float:
    """How far a text reaches, px."""
    with _FONTS:
        return sum(_advance(run, font, size_px) for run, font in _runs(shown(text), bold))


def mask_of(text: str, size_px: float, *, bold: bool = False) -> tuple[NDArray[np.uint8], int]:
    """A text as coverage, 0 to 255, and the row of its baseline.

    Parameters
    ----------
    text : str
    size_px : float
        Height of an em, px.

    Returns
    -------
    mask : ndarray of uint8, shape (h, w)
    baseline : int
        Row on which the letters stand.
    """
    with _FONTS:
        return _mask(shown(text), round(float(size_px), 1), bold)


@lru_cache(maxsize=1024)
def _mask(text: str, size_px: float, bold: bool) -> tuple[NDArray[np.uint8], int]:
    above, below = int(np.ceil(1.15 * size_px)), int(np.ceil(0.4 * size_px))
    wide = int(np.ceil(sum(_advance(run, font, size_px) for run, font in _runs(text, bold))))
    out = np.zeros((above + below, wide + int(size_px) + 4), np.uint8)
    x = 0.0
    for run, font_file in _runs(text, bold):
        font = _font(font_file, size_px)
        if run.strip():
            font.set_text(run)
            font.draw_glyphs_to_bitmap(antialiased=True)
            glyphs = np.asarray(font.get_image(), np.uint8)
            left = max(0, round(x + font.get_bitmap_offset()[0] / _PER_PX))
            top = above + round(font.get_descent() / _PER_PX) - glyphs.shape[0]
            _put(out, glyphs, left, top)
        x += _advance(run, font_file, size_px)
    out.flags.writeable = False
    return out, above


def _put(out: NDArray[np.uint8], glyphs: NDArray[np.uint8], left: int, top: int) -> None:
    cut = max(0, -top)
    glyphs, top = glyphs[cut:], max(0, top)
    room = out[top : top + glyphs.shape[0], left : left + glyphs.shape[1]]
    np.maximum(room, glyphs[: room.shape[0], : room.shape[1]], out=room)


def _runs(text: str, bold: bool) -> tuple[tuple[str, str], ...]:
    """Stretches of letters that one font file has, in order."""
    return _runs_of(text, bold)


@lru_cache(maxsize=4096)
def _runs_of(text: str, bold: bool) -> tuple[tuple[str, str], ...]:
    runs: list[tuple[str, str]] = []
    for letter in text:
        drawn, font = letter, _file(bold)
        if ord(letter) not in _charmap(font):
            other = _other_font(letter)
            drawn, font = (letter, other) if other else (MISSING, font)
        if runs and runs[-1][1] == font:
            runs[-1] = (runs[-1][0] + drawn, font)
        else:
            runs.append((drawn, font))
    return tuple(runs)


def _advance(text: str, font_file: str, size_px: float) -> float:
    return sum(_advance_of(letter, font_file, size_px) for letter in text)


@lru_cache(maxsize=65536)
def _advance_of(letter: str, font_file: str, size_px: float) -> float:
    """How far one letter moves on, px; kerning, well below a pixel, is left out."""
    glyph = _font(font_file, size_px).load_char(ord(letter))
    return float(glyph.horiAdvance) / _PER_PX


@lru_cache(maxsize=256)
def _font(font_file: str, size_px: float) -> FT2Font:
    font = FT2Font(font_file)
    font.set_size(size_px, 72.0)  # at 72 dots an inch a point is a pixel
    return font


@lru_cache(maxsize=2)
def _file(bold: bool) -> str:
    weight = "bold" if bold else "normal"
    found = font_manager.findfont(font_manager.FontProperties(family=FAMILY, weight=weight))
    return str(found)


@lru_cache(maxsize=64)
def _charmap(font_file: str) -> frozenset[int]:
    return frozenset(FT2Font(font_file).get_charmap())


@lru_cache(maxsize=1024)
def _other_font(letter: str) -> str | None:
    """Some font of this machine that has the letter; colour fonts cannot be drawn."""
    for entry in sorted(font_manager.fontManager.ttflist, key=lambda e: (e.weight != 400, e.fname)):
        name = entry.fname.lower()
        if "color" in name or "lastresort" in name or entry.style != "normal":
            continue
        try:
            if ord(letter) in _charmap(entry.fname):
                return str(entry.fname)
        except (OSError, RuntimeError):  # a font file that cannot be read
            continue
    return None


def plain_letters(text: str) -> str:
    """What charts write: letters that the house type lacks as empty boxes."""
    charmap = _charmap(_file(False))
    return "".join(x if ord(x) in charmap else MISSING for x in shown(text))
