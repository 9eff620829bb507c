"""Colours, dash patterns and type of charts: told apart in grey, and by people who see no colour.

Colours are those of Okabe and Ito (Color universal design, 2002, 2008) that have a contrast of at
least 3:1 on white (W3C WCAG 2.2, 1.4.11). None tells anything by itself: each line has its own
dashes, each surface its own hatching, and words stand beside both. Text is black or `QUIET`.
"""

from __future__ import annotations

from pathlib import Path

BLACK = "#000000"
QUIET = "#505050"  # of text that steps back; 8.1:1 on white
BLUE = "#0072B2"
VERMILLION = "#D55E00"
GREEN = "#009E73"
PURPLE = "#CC79A7"

BODY = BLUE
BODY_BAND = "#E1EEF6"  # behind the line, its edge drawn in BODY; in grey lighter than FLOOR
FLOOR = "#C6C6C6"
PHASE = ("#FFFFFF", "#EFEFEF")  # by turns
HATCH = "#606060"

# A wheel's line by its number: on, off, on, off ... in line widths.
WHEELS: tuple[tuple[str, tuple[float, ...]], ...] = (
    (VERMILLION, (5.0, 2.0)),
    (GREEN, (1.2, 1.6)),
    (PURPLE, (8.0, 2.0, 1.5, 2.0)),
    (BLACK, (3.0, 1.2, 1.0, 1.2, 1.0, 1.2)),
)

# The matplotlib style file of everything drawn: type, line widths, grid.
STYLE = str(Path(__file__).with_name("house.mplstyle"))
