"""Colours and spacing shared with the marking page: one style sheet says both.

The light set of ``page/static/css/tokens.css`` is read as text; what is handed out is light paper
whatever the reader's screen is set to, since it is printed and sent on.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

_FILE = Path(__file__).parent.parent / "page" / "static" / "css" / "tokens.css"
_ROOT = re.compile(r":root\s*\{([^}]*)\}")
_TOKEN = re.compile(r"--([a-z0-9-]+):\s*([^;]+);")


@lru_cache(maxsize=1)
def root_rule() -> str:
    """The first ``:root { ... }`` of the style sheet, as CSS, its comments left out."""
    text = re.sub(r"/\*.*?\*/", "", _FILE.read_text(encoding="utf-8"), flags=re.DOTALL)
    found = _ROOT.search(text)
    lines = [] if found is None else [line.strip() for line in found[1].splitlines()]
    return ":root {\n  " + "\n  ".join(line for line in lines if line) + "\n}"


@lru_cache(maxsize=1)
def tokens() -> dict[str, str]:
    """Tokens by name, without the leading dashes: ``{"paper": "#f5f2ea", ...}``."""
    return {name: value.strip() for name, value in _TOKEN.findall(root_rule())}


def colour(name: str) -> str:
    """A colour as ``#rrggbb``; raises KeyError for a token that is not there."""
    return tokens()[name]


def bgr(value: str) -> tuple[int, int, int]:
    """``#rrggbb`` as OpenCV has it, blue first."""
    digits = value.lstrip("#")
    red, green, blue = (int(digits[at : at + 2], 16) for at in (0, 2, 4))
    return blue, green, red


def contrast(first: str, second: str) -> float:
    """Contrast of two ``#rrggbb`` colours, from 1 to 21 (W3C WCAG 2.2, relative luminance)."""
    low, high = sorted((_luminance(first), _luminance(second)))
    return (high + 0.05) / (low + 0.05)


def _luminance(value: str) -> float:
    parts = [channel / 255 for channel in reversed(bgr(value))]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
