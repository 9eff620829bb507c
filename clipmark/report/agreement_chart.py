"""The chart of two markers' agreement: differences over means, after Bland and Altman (1986).

One panel for each pair of markers: every attempt a point, the bias and both limits of agreement as
lines across, each with its 95 % interval as a band, all named at the right. The same study gives
the same bytes on the same versions.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from os import PathLike
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from clipmark.audit.study import Pair, ValueStudy
from clipmark.audit.study_words import UNITS, unit_of
from clipmark.errors import AuditError
from clipmark.report import ink
from clipmark.report.figure_file import chart_bytes, check_chart_name, house_style, write_figure
from clipmark.uncertainty.agreement import LimitsOfAgreement
from clipmark.uncertainty.digits import digits_for
from clipmark.uncertainty.variance_parts import Estimate

WIDTH_MM = 180.0
LEFT_MM, RIGHT_MM, TOP_MM = 19.0, 51.0, 8.0
PANEL_MM, BETWEEN_MM, AXIS_MM, FOOT_MM = 56.0, 13.0, 13.0, 3.4  # the foot for each line
MM_PER_INCH = 25.4
DOTS_PER_INCH = 200
ROOM = 0.08  # of the height, left free above and below what is drawn
LINE_MM = 3.2  # between two lines of words at the right
LETTERS_A_LINE = 122
MOST_PANELS = 6
MINUS = "\N{MINUS SIGN}"
# By pair: symbol and colour. The symbol tells alone.
POINTS = (
    ("o", ink.BLUE),
    ("s", ink.VERMILLION),
    ("^", ink.GREEN),
    ("D", ink.PURPLE),
    ("v", ink.BLACK),
    ("P", ink.BLUE),
    ("X", ink.VERMILLION),
)
LIMIT_DASHES = (0, (6.0, 2.0))


def draw_agreement(study: ValueStudy, path: str | PathLike[str]) -> None:
    """Draw the pairs of markers that have limits of agreement, whole or not at all.

    Of more than six pairs only those with the first marker are drawn.

    Parameters
    ----------
    study : ValueStudy
        Of one value.
    path : path
        Where to; a name that ends in ``.png`` or ``.svg``.

    Raises
    ------
    FolderError
        When the name ends otherwise, or the file cannot be written.
    AuditError
        When no two markers marked enough of the same attempts.
    """
    target = Path(path)
    suffix = check_chart_name(target)
    pairs = [pair for pair in study.pairs if pair.limits is not None]
    if not pairs:
        why = study.pairs[0].why_not if study.pairs else "there is only one marker"
        raise AuditError(f"there is no agreement of {study.value} to draw: {why}")
    notes = []
    if len(pairs) > MOST_PANELS:
        first = pairs[0].first
        notes.append(f"Of {len(pairs)} pairs those with {first} are shown.")
        pairs = [pair for pair in pairs if pair.first == first]
    with house_style():
        drawn = chart_bytes(
            _figure(study, pairs, notes), suffix, DOTS_PER_INCH, "Agreement of markers"
        )
    write_figure(target, drawn, "chart")


def _figure(study: ValueStudy, pairs: Sequence[Pair], notes: Sequence[str]) -> Figure:
    unit = UNITS.get(unit_of(study.value), "")
    name = study.value.removesuffix(f"_{unit_of(study.value)}").replace("_", " ")
    axis = f", {unit}" if unit else ""
    each = PANEL_MM + BETWEEN_MM
    limits = [pair.limits for pair in pairs if pair.limits is not None]
    foot = textwrap.wrap(" ".join([_foot(limits), *notes]), LETTERS_A_LINE)
    total = TOP_MM + len(pairs) * each - BETWEEN_MM + AXIS_MM + FOOT_MM * len(foot) + 3.0
    figure = Figure(figsize=(WIDTH_MM / MM_PER_INCH, total / MM_PER_INCH))
    left, width = LEFT_MM / WIDTH_MM, 1 - (LEFT_MM + RIGHT_MM) / WIDTH_MM
    across, along = _ends(limits)
    panels = []
    for number, (pair, found) in enumerate(zip(pairs, limits, strict=True)):
        bottom = total - TOP_MM - number * each - PANEL_MM
        axes = figure.add_axes((left, bottom / total, width, PANEL_MM / total), label=str(number))
        axes.set_xlim(*across)
        axes.set_ylim(*along)
        _panel(axes, pair, found, number, unit)
        axes.set_ylabel(f"{pair.first} less {pair.second}{axis}")
        axes.set_title(
            f"{name}: {pair.first} and {pair.second}, {found.n} attempts",
            loc="left",
            weight="bold",
            pad=4,
        )
        panels.append(axes)
    panels[-1].set_xlabel(f"mean of both{axis}")
    figure.align_ylabels(panels)
    figure.text(
        left,
        2.0 / total,
        "\n".join(foot),
        va="bottom",
        size=7.0,
        color=ink.QUIET,
        linespacing=1.3,
    )
    return figure


def _panel(axes: Axes, pair: Pair, limits: LimitsOfAgreement, number: int, unit: str) -> None:
    """One pair: bands, lines, points, words."""
    axes.set_axisbelow(True)
    axes.grid(visible=True)
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=1.5)
    across = axes.get_xlim()
    for item, dashes, hatch in (
        (limits.upper, LIMIT_DASHES, "//"),
        (limits.bias, "-", ""),
        (limits.lower, LIMIT_DASHES, "\\\\"),
    ):
        axes.add_patch(
            Rectangle(
                (across[0], item.low),
                across[1] - across[0],
                item.high - item.low,
                facecolor=ink.BODY_BAND if not hatch else "none",
                edgecolor=ink.BODY if not hatch else ink.FLOOR,
                hatch=hatch or None,
                linewidth=0.3,
                zorder=1,
            )
        )
        axes.axhline(item.value, color=ink.BLACK, linewidth=1.0, linestyle=dashes, zorder=3)
    symbol, colour = POINTS[number % len(POINTS)]
    axes.plot(
        limits.means,
        limits.differences,
        linestyle="none",
        marker=symbol,
        markersize=4.8,
        markerfacecolor=colour,
        markeredgecolor=ink.BLACK,
        markeredgewidth=0.5,
        zorder=4,
    )
    named = (
        ("upper limit", limits.upper),
        ("bias", limits.bias),
        ("lower limit", limits.lower),
    )
    _write_beside(axes, named, limits.sd, unit)


def _write_beside(axes: Axes, named: Sequence[tuple[str, Estimate]], sd: float, unit: str) -> None:
    """Names with values and intervals at the right, clear of each other, joined to their lines."""
    low, high = axes.get_ylim()
    apart = (high - low) * 2.6 * LINE_MM / PANEL_MM
    places = digits_for(sd)
    heights = [item.value for _, item in named]
    at = list(heights)
    middle = len(at) // 2
    for k in range(middle - 1, -1, -1):  # up from the bias
        at[k] = max(at[k], at[k + 1] + apart)
    for k in range(middle + 1, len(at)):
        at[k] = min(at[k], at[k - 1] - apart)
    across = axes.get_yaxis_transform()
    for (name, item), height, line in zip(named, at, heights, strict=True):
        tail = f" {unit}" if unit else ""
        words = (
            f"{name} {item.value:+.{places}f}{tail}\n"
            f"95 %: {item.low:+.{places}f} to {item.high:+.{places}f}"
        ).replace("-", MINUS)
        axes.text(1.045, height, words, transform=across, va="center", size=7.5, linespacing=1.25)
        axes.plot(
            [1.002, 1.035],
            [line, height],
            transform=across,
            color=ink.QUIET,
            linewidth=0.5,
            clip_on=False,
        )


def _ends(limits: Sequence[LimitsOfAgreement]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Ends of both axes, the same in every panel.

    The outer ends of very wide intervals are cut off: nothing would be seen of the points.
    """
    means = np.concatenate([item.means for item in limits])
    low, high = float(means.min()), float(means.max())
    room = ROOM * ((high - low) or 1.0)
    edges = [0.0]
    for item in limits:
        reach = 2.0 * (item.upper.value - item.lower.value) or 1.0
        edges += [max(item.lower.low, item.lower.value - reach), *item.differences.tolist()]
        edges += [min(item.upper.high, item.upper.value + reach)]
    bottom, top = min(edges), max(edges)
    spare = ROOM * ((top - bottom) or 1.0)
    return (low - room, high + room), (bottom - spare, top + spare)


def _foot(limits: Sequence[LimitsOfAgreement]) -> str:
    ways = {item.way for item in limits}
    told = [
        "Between the limits lie 95 % of the differences of single markings. Shaded: 95 % interval "
        "of the bias; hatched: of the limits."
    ]
    if "recovered" in ways:
        told.append("Points are means of repeats; the limits are for single markings (Zou 2013).")
    if "exact" in ways:
        told.append("Intervals of the limits: noncentral t (Carkeet 2015).")
    return " ".join(told)
