"""What the charts of all traces share: how they are checked and written, heads, feet, labels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from os import PathLike
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from clipmark.errors import RecordError
from clipmark.report.chart_layout import DOTS_PER_INCH
from clipmark.report.figure_file import chart_bytes, check_chart_name, house_style, write_figure
from clipmark.report.trace_facts import Phase

PLUS_MINUS = "\N{PLUS-MINUS SIGN}"


def write_chart(
    figure: Callable[[], Figure],
    table: pd.DataFrame,
    path: str | PathLike[str],
    needed: Sequence[str],
    measure: str,
    title: str,
) -> None:
    """Draw the chart of a trace and write it, whole or not at all.

    Parameters
    ----------
    figure : callable
        Draws it, in the house's style.
    table : DataFrame
        The trace.
    path : path
        Where to; a name that ends in ``.png`` or ``.svg``.
    needed : sequence of str
        Columns without which nothing can be drawn.
    measure, title : str
        What to measure again where one is missing; what the file calls itself.

    Raises
    ------
    FolderError
        When the name ends otherwise, or the file cannot be written.
    RecordError
        When the table is not a trace, or holds no row.
    """
    target = Path(path)
    suffix = check_chart_name(target)
    missing = [name for name in needed if name not in table.columns]
    if missing or table.empty:
        lacks = f"has no column {missing[0]}" if missing else "is empty"
        raise RecordError(
            f"the trace for {target.name} {lacks}, so there is nothing to draw; measure the "
            f"{measure} again"
        )
    with house_style():
        drawn = chart_bytes(figure(), suffix, DOTS_PER_INCH, title)
    write_figure(target, drawn, "chart")


def frames_words(result: Mapping[str, object]) -> str:
    """``, frames 0 to 83``, for the end of a head; empty where the reading does not say."""
    first, last = result.get("first_frame"), result.get("last_frame")
    return f", frames {first} to {last}" if first is not None and last is not None else ""


def clip_words(result: Mapping[str, object]) -> str:
    """Which clip, by the beginning of its hash; empty where the reading does not say."""
    proof = str(result.get("clip_sha256") or "")
    return f"SHA-256 {proof[:16]}" if proof else ""


def phase_label(phase: Phase) -> tuple[float, float, str, str]:
    """A phase in a row of words: from, until, in full, in short."""
    told = f"{phase.name}: {phase.told}" if phase.told else phase.name
    return phase.from_s, phase.until_s, told, phase.name
