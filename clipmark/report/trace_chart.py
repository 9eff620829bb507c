"""The chart of a crawl: position and speed over recorded time, as a PNG or SVG file.

The same reading and table give the same bytes on the same versions: no dates, no random names,
nothing of the reader's own settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from clipmark.report import ink
from clipmark.report.chart_layout import (
    Key,
    Layout,
    key_of,
    lay_out,
    new_panels,
    time_ends,
)
from clipmark.report.trace_facts import (
    Gap,
    Stall,
    column,
    figure_words,
    gaps_in,
    jumps_in,
    phases_in,
    stalls_in,
    wheels_in,
)
from clipmark.report.trace_panels import (
    draw_position,
    draw_speed,
    draw_turning,
    label_row,
    shade,
)
from clipmark.report.trace_sheet import (
    PLUS_MINUS,
    clip_words,
    frames_words,
    phase_label,
    write_chart,
)
from clipmark.uncertainty.digits import number_of

FloatArray = NDArray[np.float64]
NEEDED = ("t_s", "s_mm", "v_mm_s", "u_v_mm_s")
DRAWN = ("position", "speed", "turning")
NO_BREAK = "\N{NO-BREAK SPACE}"
FIGURES = (
    ("mean speed", "mean_speed", "mm/s"),
    ("slowest held", "slowest_speed", "mm/s"),
    ("ripple", "ripple", ""),
    ("start jump", "start_jump", ""),
    ("delay", "start_delay", "s"),
    ("stopping distance", "stop_distance", "mm"),
    ("roll-off", "roll_off", "mm"),
    ("rolled back", "rollback", "mm"),
)


def draw_trace(
    result: Mapping[str, object], table: pd.DataFrame, path: str | PathLike[str]
) -> None:
    """Draw a crawl and write the chart, whole or not at all.

    Parameters
    ----------
    result : mapping
        The reading in its JSON form (``CrawlReading.to_dict()``, or what the journal keeps of it).
    table : DataFrame
        Its trace: ``t_s, s_mm, v_mm_s, u_v_mm_s``, and where wheels were followed
        ``wheel1_deg_s, wheel1_surface_mm_s, ...``. Rows without a value stay open.
    path : path
        Where to; a name that ends in ``.png`` or ``.svg``.

    Raises
    ------
    FolderError
        When the name ends otherwise, or the file cannot be written.
    RecordError
        When the table is not a trace, or holds no row.
    """
    write_chart(
        lambda: _figure(result, table),
        table,
        path,
        NEEDED,
        "crawl",
        "Position and speed of a crawl",
    )


def _figure(result: Mapping[str, object], table: pd.DataFrame) -> Figure:
    times, speed = column(table, "t_s"), column(table, "v_mm_s")
    wheels = wheels_in(table)
    surface = [wheel for wheel in wheels if wheel.unit == "mm/s"]
    turning = [wheel for wheel in wheels if wheel.unit != "mm/s"]
    phases, stalls = phases_in(result), stalls_in(result)
    gaps = gaps_in(table)
    events = sorted([*map(_stall_label, stalls), *map(_gap_label, gaps)])
    heights = {"phases": 5.0 if phases else 0.0, "position": 44.0}
    heights |= {"events": 5.0 if events else 2.5, "speed": 56.0}
    heights |= {"between": 2.5, "turning": 30.0} if turning else {}
    figure = Figure()
    panels = new_panels(figure, heights, free=("between",))
    for axes in panels.values():
        axes.set_xlim(*time_ends(times))
    for name in DRAWN:
        if name in panels:
            panels[name].set_axisbelow(True)
            panels[name].grid(visible=True)
            shade(panels[name], phases, stalls)
    draw_position(panels["position"], times, column(table, "s_mm"))
    u_speed, jumps = column(table, "u_v_mm_s"), jumps_in(result, times, speed)
    draw_speed(panels["speed"], result, times, speed, u_speed, surface, jumps)
    if turning:
        draw_turning(panels["turning"], times, turning)
    if phases:
        shade(panels["phases"], phases, ())
        label_row(panels["phases"], [phase_label(phase) for phase in phases], inside=True)
    label_row(panels["events"], events)
    layout = Layout(heights, DRAWN, _head(result), _key(panels, stalls=bool(stalls)), _foot(result))
    lay_out(figure, panels, layout)
    return figure


def _key(panels: Mapping[str, Axes], *, stalls: bool) -> Key:
    """What every line, dash pattern and surface means."""
    samples, labels = key_of(panels, ("speed", "turning"))
    if stalls:
        samples.append(Patch(facecolor="none", edgecolor=ink.HATCH, hatch="//////", linewidth=0.5))
        labels.append("stall")
    return samples, labels


def _head(result: Mapping[str, object]) -> str:
    return f"Position and speed{frames_words(result)}"


def _foot(result: Mapping[str, object]) -> list[str]:
    """The figures with their uncertainties, what they stand on, and which clip."""
    told = [
        f"{words} {found}"
        for words, name, unit in FIGURES
        if (found := figure_words(result, name, unit)) is not None
    ]
    band = result.get("ripple_band_hz")
    if isinstance(band, (list, tuple)) and len(band) == 2:
        told = [f"{item} ({band[0]:g}-{band[1]:g} Hz{_below(result)})" if item.startswith("ripple")
                else item for item in told]  # fmt: skip
    stalls = result.get("stalls")
    told.append(f"stalls {len(stalls_in(result))}" if stalls is not None else "stalls not told")
    grade = result.get("grade")
    if isinstance(grade, Mapping) and number_of(grade.get("grade")) is not None:
        told.append(f"grade {grade['grade']:g}")
    settled = [
        f"{words} {number:.3g} {unit}"
        for words, name, unit in (("speed filter", "window_s", "s"),
                                  ("noise floor of speed (standard)", "noise_floor_mm_s", "mm/s"))
        if (number := number_of(result.get(name))) is not None
    ]  # fmt: skip
    rule = f"{PLUS_MINUS}: expanded uncertainty, 95 %."
    told = [item.replace(" ", NO_BREAK) for item in (*told, rule)]
    lines = ["; ".join(told[:-1]) + f". {told[-1]}"]
    proof = clip_words(result)
    settled += [f"clip {proof}"] if proof else []
    return [*lines, "; ".join(settled) + "."] if settled else lines


def _below(result: Mapping[str, object]) -> str:
    return ", below the noise floor" if result.get("ripple_below_noise_floor") is True else ""


def _stall_label(stall: Stall) -> tuple[float, float, str, str]:
    words = f"stall {stall.until_s - stall.from_s:.2f} s"
    return stall.from_s, stall.until_s, words, words


def _gap_label(gap: Gap) -> tuple[float, float, str, str]:
    return gap.from_s, gap.until_s, f"gap: {gap.why}" if gap.why else "gap", "gap"
