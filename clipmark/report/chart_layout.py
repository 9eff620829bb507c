"""Panels one below the other on a sheet as wide as A4 between its margins, and what is around."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from clipmark.report import ink

FloatArray = NDArray[np.float64]
WIDTH_MM = 180.0  # across an upright A4 sheet between its margins
LEFT_MM, RIGHT_MM, TOP_MM = 17.0, 5.0, 8.0
AXIS_MM, LEGEND_MM, FOOT_MM = 11.5, 4.1, 3.4  # the time axis with its name; a line each
MM_PER_INCH = 25.4
DOTS_PER_INCH = 200
LETTERS_A_LINE = 122
TIME_NAME = "time as recorded, s from the first shown frame"
Key = tuple[list[Artist], list[str]]  # samples, and what each means


@dataclass(frozen=True)
class Layout:
    """What stands around the panels of one chart.

    Attributes
    ----------
    heights_mm : mapping of str to float
        From the top down; a name without a panel is room left free.
    drawn : sequence of str
        Panels with axes; the others are strips of words.
    head : str
    key : (list of Artist, list of str)
    foot : sequence of str
        Paragraphs.
    """

    heights_mm: Mapping[str, float]
    drawn: Sequence[str]
    head: str
    key: Key
    foot: Sequence[str]
    time_name: str = TIME_NAME
    beside: Mapping[str, Axes] = field(default_factory=dict)  # a second column, by row
    beside_share: float = 0.0


def new_panels(figure: Figure, heights_mm: Mapping[str, float], free: Sequence[str] = ()) -> dict[
    str, Axes
]:  # fmt: skip
    """One panel for every height that is not 0, except those left free."""
    return {
        name: figure.add_axes((0.1, 0.1, 0.8, 0.8), label=name)
        for name, height in heights_mm.items()
        if height and name not in free
    }


def lay_out(figure: Figure, panels: Mapping[str, Axes], layout: Layout) -> None:
    """Give everything its place on the sheet, from the top, and write what stands around it."""
    drawn = [panels[name] for name in layout.drawn if name in panels]
    columns = [drawn, [layout.beside[name] for name in layout.drawn if name in layout.beside]]
    for column in columns:
        for axes in column[:-1]:
            axes.tick_params(labelbottom=False, bottom=False)
    drawn[-1].set_xlabel(layout.time_name)
    if columns[1]:
        columns[1][-1].set_xlabel("the same, around the events, s")
    for name in [*panels, *layout.beside]:
        if name not in layout.drawn:
            for strip in (panels.get(name), layout.beside.get(name)):
                if strip is not None:
                    strip.set_axis_off()
    samples, labels = layout.key
    foot = [
        line
        for text in layout.foot
        for line in textwrap.wrap(text, LETTERS_A_LINE, break_on_hyphens=False)
    ]
    legend_mm, foot_mm = LEGEND_MM * -(-len(labels) // 2), FOOT_MM * len(foot)
    below = AXIS_MM + legend_mm + foot_mm + 4.0
    total = TOP_MM + sum(layout.heights_mm.values()) + below
    figure.set_size_inches(WIDTH_MM / MM_PER_INCH, total / MM_PER_INCH)
    left, width = LEFT_MM / WIDTH_MM, 1 - (LEFT_MM + RIGHT_MM) / WIDTH_MM
    gutter = 0.012 if layout.beside else 0.0
    second = layout.beside_share * width
    top = total - TOP_MM
    for name, height in layout.heights_mm.items():
        top -= height
        if name in panels:
            first = width - second - gutter
            panels[name].set_position((left, top / total, first, height / total))
            if name in layout.beside:
                right = left + first + gutter
                layout.beside[name].set_position((right, top / total, second, height / total))
    figure.align_ylabels(drawn)
    figure.legend(
        samples,
        labels,
        loc="upper left",
        bbox_to_anchor=(left, (top - AXIS_MM) / total),
        ncols=2,
        frameon=False,
        handlelength=4.5,
        borderpad=0.0,
        borderaxespad=0.0,
    )
    figure.text(left, 1 - 4.0 / total, layout.head, va="center", weight="bold")
    figure.text(
        left,
        2.0 / total,
        "\n".join(foot),
        va="bottom",
        size=7.0,
        color=ink.QUIET,
        linespacing=1.3,
    )


def key_of(panels: Mapping[str, Axes], names: Sequence[str]) -> Key:
    """Every line, dash pattern and surface of the panels named, once each, with what it means."""
    samples: list[Artist] = []
    labels: list[str] = []
    for name in names:
        if name in panels:
            for artist, label in zip(*panels[name].get_legend_handles_labels(), strict=True):
                if label not in labels:
                    samples.append(artist)
                    labels.append(label)
    return samples, labels


def time_ends(times_s: FloatArray) -> tuple[float, float]:
    """Ends of the time axis, never the same."""
    low, high = float(np.nanmin(times_s)), float(np.nanmax(times_s))
    return (low, high) if high > low else (low - 0.5, high + 0.5)
