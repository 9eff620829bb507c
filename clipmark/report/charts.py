"""Charts over all entries: what counts in a test with its 95 % interval, and set-ups compared.

Narrow enough for a telephone, where their letters are still 10 px high. The same rows give the
same bytes on the same versions.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from clipmark.report import ink
from clipmark.report.canvas import shortened
from clipmark.report.figure_file import house_style, png_bytes, svg_bytes
from clipmark.report.lettering import plain_letters
from clipmark.report.views import Results, SetupDifference, TestView
from clipmark.report.words import MINUS

WIDTH_MM, MM_PER_INCH, DOTS_PER_INCH = 110.0, 25.4, 220
NAME_MM, RIGHT_MM, TOP_MM, BELOW_MM, ROW_MM = 36.0, 4.0, 3.0, 17.0, 6.0
LETTER_POINTS = 9.0
LETTERS_A_LINE = 56
MOST_ROWS = 30  # on one sheet of paper


@dataclass(frozen=True)
class Chart:
    """A finished chart as two files and in words."""

    name: str
    svg: bytes
    png: bytes
    told: str


@dataclass(frozen=True)
class _Row:
    label: str
    value: float | None
    low: float | None
    high: float | None


def test_chart(test: TestView) -> list[Chart]:
    """What counts in one test, entry by entry in order of place; none where nothing is drawn."""
    rows = [
        _Row(_label(row.entry, row.setup), row.value, row.low, row.high)
        for row in test.rows
        if test.axis
    ]
    return _charts(test.id, test.axis, rows, f"{test.title}, {test.rules}")


def totals_charts(results: Results) -> list[Chart]:
    """Points over all tests, class by class."""
    charts: list[Chart] = []
    for name, totals in results.classes:
        rows = [_Row(_label(row.entry, row.setup), row.value, row.low, row.high) for row in totals]
        what = f"all tests, class {name}" if name else "all tests"
        charts += _charts(what, f"points over {what}", rows, what)
    return charts


def _label(entry: str, setup: str) -> str:
    return f"{shortened(entry, 10, 90)}, {setup}" if setup else entry


def setup_charts(setups: Sequence[SetupDifference]) -> list[Chart]:
    """Differences between set-ups of one entry, a chart for each unit, with a line at none."""
    charts: list[Chart] = []
    for unit in dict.fromkeys(each.unit for each in setups):
        rows = [
            _Row(_label(each.entry, each.after), each.difference, each.low, each.high)
            for each in setups
            if each.unit == unit and each.difference is not None
        ]
        axis = f"change against the set-up before, {unit or 'ratio'}"
        charts += _charts("set-ups", axis, rows, "set-ups compared", zero=True)
    return charts


def _charts(
    name: str, axis: str, rows: Sequence[_Row], what: str, *, zero: bool = False
) -> list[Chart]:
    found = []
    rows = [row for row in rows if (row.value, row.low, row.high) != (None, None, None)]
    bare = any(row.low is None and row.high is None for row in rows)
    axis += " (95 % interval; open square: without one)" if bare else " (95 % interval)"
    ends = [end for row in rows for end in (row.value, row.low, row.high) if end is not None]
    if not ends:
        return []
    limits = _limits([*ends, 0.0] if zero else ends)
    for first in range(0, len(rows), MOST_ROWS):
        part = rows[first : first + MOST_ROWS]
        with house_style():
            figure = _figure(part, axis, limits, zero=zero)
            svg, png = svg_bytes(figure, "Chart"), png_bytes(figure, DOTS_PER_INCH)
        told = f"Chart: {what}. " + "; ".join(f"{row.label} {_said(row)}" for row in part)
        found.append(Chart(name, svg, png, told))
    return found


def _said(row: _Row) -> str:
    value = "" if row.value is None else f"{row.value:.4g}"
    if row.low is not None and row.high is not None:
        return f"{value}, {row.low:.4g} to {row.high:.4g}".lstrip(", ")
    low = "" if row.low is None else f"at least {row.low:.4g}"
    high = "" if row.high is None else f"at most {row.high:.4g}"
    return ", ".join(part for part in (value, low, high) if part)


def _limits(ends: Sequence[float]) -> tuple[float, float]:
    low, high = min(ends), max(ends)
    room = 0.06 * (high - low) or max(0.5, 0.02 * abs(high))
    return low - room, high + room


def _figure(rows: Sequence[_Row], axis: str, limits: tuple[float, float], *, zero: bool) -> Figure:
    high_mm = TOP_MM + ROW_MM * len(rows) + BELOW_MM
    figure = Figure(figsize=(WIDTH_MM / MM_PER_INCH, high_mm / MM_PER_INCH))
    axes = figure.add_axes((
        NAME_MM / WIDTH_MM, BELOW_MM / high_mm,
        1 - (NAME_MM + RIGHT_MM) / WIDTH_MM, ROW_MM * len(rows) / high_mm,
    ))  # fmt: skip
    for at, row in enumerate(rows):
        _draw_row(axes, at, row, limits)
    if zero:
        axes.axvline(0.0, color=ink.BLACK, linewidth=0.9, linestyle=(0, (4, 3)))
    _dress(axes, rows, limits)
    name = "\n".join(textwrap.wrap(plain_letters(axis), LETTERS_A_LINE))
    figure.text(0.5, 2.0 / high_mm, name, ha="center", va="bottom", size=LETTER_POINTS)
    return figure


def _draw_row(axes: Axes, at: int, row: _Row, limits: tuple[float, float]) -> None:
    """Interval with ends, open towards a side without a bound; the value as a diamond."""
    bounded = row.low is not None or row.high is not None
    if bounded:
        low = limits[0] if row.low is None else row.low
        high = limits[1] if row.high is None else row.high
        axes.plot([low, high], [at, at], color=ink.BLUE, linewidth=1.6, clip_on=False)
        for end, arrow in ((row.low, "<"), (row.high, ">")):
            if end is not None:
                axes.plot([end, end], [at - 0.18, at + 0.18], color=ink.BLUE, linewidth=1.6)
            else:
                axes.plot([limits[arrow == ">"]], [at], marker=arrow, markersize=5,
                          color=ink.BLUE, clip_on=False)  # fmt: skip
    if row.value is not None:
        axes.plot(
            [row.value], [at], marker="D" if bounded else "s", markersize=5, color=ink.BLACK,
            markerfacecolor=ink.BLACK if bounded else "white", linestyle="",
        )  # fmt: skip


def _dress(axes: Axes, rows: Sequence[_Row], limits: tuple[float, float]) -> None:
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(*limits)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:.6g}".replace("-", MINUS))
    axes.set_axisbelow(True)
    axes.grid(visible=True, axis="x")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    letters_px = LETTER_POINTS / 72 * MM_PER_INCH  # in mm, since the room is in mm
    names = [plain_letters(shortened(row.label, 10 * letters_px, 10 * (NAME_MM - 3)))
             for row in rows]  # fmt: skip
    axes.set_yticks(range(len(rows)), names, fontsize=LETTER_POINTS)
    axes.tick_params(axis="y", length=0)
    axes.tick_params(axis="x", labelsize=LETTER_POINTS)
