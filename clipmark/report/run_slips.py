"""Blank run slips and slates to print, for those who write first and type later.

A slip has the fields of an attempt in the marking page's order of work; a slate is held before the
camera at the start of a clip. Both are A6; on A4 four stand on one page, with lines to cut along.
"""

from __future__ import annotations

from collections.abc import Sequence

from clipmark.report.print_page import Box, Ink, Page, Words

A6_MM = (105.0, 148.0)
A4_MM = (210.0, 297.0)
EDGE_MM = 7.0
THIN = 0.2
LABEL_MM = 2.5
MOST_WORDS = 42  # characters of a name that fit a slip's width

# rows of (label, share of the width)
SLIP: tuple[tuple[tuple[str, float], ...], ...] = (
    (("entry", 0.62), ("set-up", 0.38)),
    (("test", 0.5), ("surface", 0.3), ("try", 0.2)),
    (("step, deg", 0.28), ("set at start, deg", 0.36), ("set at end, deg", 0.36)),
    (("stand", 0.3), ("clip", 0.7)),
    (("calls, and when", 1.0),),
    (("", 1.0),),
    (("gates passed", 0.28), ("penalties", 0.28), ("grade", 0.2), ("time, s", 0.24)),
    (("reason (stalled, spun, slid back, tipped back, rolled, ...)", 1.0),),
    (("note", 1.0),),
    (("claim (protest)", 1.0),),
    (("judge", 0.5), ("driver", 0.5)),
)
VERDICTS = ("cleared", "failed", "void")


def slips(event: str, tests: Sequence[str], *, size: str = "A4", slates: bool = False) -> Page:
    """One page of blank slips (or slates) for an event.

    Parameters
    ----------
    event : str
        Its name, printed on top of each.
    tests : sequence of str
        Names of the tests, as a reminder at the foot.
    size : {'A4', 'A6'}
        A4 holds four.
    slates : bool
        Slates instead of slips.
    """
    one = _slate if slates else _slip
    if size == "A6":
        return Page(*A6_MM, f"Run slip, {event}", tuple(one(event, tests, 0.0, 0.0)))
    marks: list[Ink | Words] = []
    wide, high = A4_MM[0] / 2, A4_MM[1] / 2
    for left in (0.0, wide):
        for top in (0.0, high):
            marks += one(event, tests, left, top)
    cut = Ink(((wide - THIN / 2, 0.0, THIN, A4_MM[1]), (0.0, high - THIN / 2, A4_MM[0], THIN)), 0.6)
    return Page(*A4_MM, f"Run slips, {event}", (*marks, cut))


def _slip(event: str, tests: Sequence[str], left: float, top: float) -> list[Ink | Words]:
    x, y, wide = left + EDGE_MM, top + EDGE_MM, A6_MM[0] - 2 * EDGE_MM
    marks: list[Ink | Words] = [
        Words(x, y + 3.2, _cut(event), 3.6),
        Words(x + wide - 26.0, y + 8.4, "date", LABEL_MM),
        Words(x, y + 8.4, "run slip", LABEL_MM),
    ]
    y += 10.0
    high = 9.6
    for row in SLIP:
        at = x
        for label, share in row:
            box = (at, y, share * wide, high)
            marks.append(_frame(box))
            marks.append(Words(at + 1.0, y + 2.9, label, LABEL_MM))
            at += share * wide
        y += high
        if row[0][0].startswith("gates"):
            y = _verdicts(marks, x, y, wide)
    marks.append(Words(x, y + 3.6, _cut(_tests(tests), 60), LABEL_MM - 0.3))
    return marks


def _verdicts(marks: list[Ink | Words], x: float, y: float, wide: float) -> float:
    """Three squares to tick."""
    for number, verdict in enumerate(VERDICTS):
        at = x + number * wide / len(VERDICTS)
        marks.append(_frame((at, y + 2.0, 4.0, 4.0)))
        marks.append(Words(at + 5.5, y + 5.2, verdict, 3.2))
    return y + 8.0


def _slate(event: str, tests: Sequence[str], left: float, top: float) -> list[Ink | Words]:
    x, y, wide = left + EDGE_MM, top + EDGE_MM, A6_MM[0] - 2 * EDGE_MM
    marks: list[Ink | Words] = [Words(x, y + 4.0, _cut(event), 4.2)]
    y += 8.0
    rows: tuple[tuple[tuple[str, float], ...], ...] = (
        (("entry", 1.0),),
        (("test", 0.6), ("try", 0.4)),
        (("step, deg", 0.5), ("set angle, deg", 0.5)),
        (("stand", 0.5), ("date", 0.5)),
    )
    for row in rows:
        at = x
        for label, share in row:
            marks.append(_frame((at, y, share * wide, 29.0)))
            marks.append(Words(at + 1.5, y + 4.5, label, 3.6))
            at += share * wide
        y += 29.0
    marks.append(Words(x, y + 4.0, _cut(_tests(tests), 60), LABEL_MM - 0.3))
    return marks


def _tests(tests: Sequence[str]) -> str:
    return "tests: " + ", ".join(tests) if tests else ""


def _cut(text: str, most: int = MOST_WORDS) -> str:
    """Text that fits; the fonts of a PDF hold Latin letters only, the rest is a question mark."""
    text = text.encode("cp1252", "replace").decode("cp1252")
    return text if len(text) <= most else text[: most - 3] + "..."


def _frame(box: Box) -> Ink:
    x, y, w, h = box
    return Ink(
        ((x, y, w, THIN), (x, y + h - THIN, w, THIN), (x, y, THIN, h), (x + w - THIN, y, THIN, h))
    )
