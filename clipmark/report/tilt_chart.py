"""The chart of a side tilt: angles, the truck's roll to the platform, the gap, and its events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from os import PathLike

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from clipmark.measure.tilt_reading import TOPPLE_DEG
from clipmark.report import ink
from clipmark.report.chart_layout import (
    Layout,
    key_of,
    lay_out,
    new_panels,
    time_ends,
)
from clipmark.report.chart_marks import Instant, draw_instants, number_instants, told_instants
from clipmark.report.tilt_facts import (
    TiltEventFact,
    balance_words,
    event_interval,
    event_words,
    events_in,
    not_seen_words,
)
from clipmark.report.trace_facts import column, stretches
from clipmark.report.trace_panels import Z95, label_row, with_gaps
from clipmark.report.trace_sheet import PLUS_MINUS, clip_words, frames_words, write_chart
from clipmark.uncertainty.digits import number_of

FloatArray = NDArray[np.float64]
NEEDED = ("t_s", "platform_deg", "chassis_deg", "chassis_to_platform_deg", "tilt_deg")
DRAWN = ("angles", "roll", "gap")
NEAR_SHARE = 0.42  # of the width, for what happens around the events
BEFORE_S, AFTER_S = 0.5, 0.3  # of the events, shown beside the whole
ROLL_DEG = TOPPLE_DEG + 5.0  # roll that is drawn
GAPS = 6.0  # gaps of a tyre are drawn up to so many times the one that counts
RULE = (
    f"{PLUS_MINUS} and bars: expanded uncertainty, 95 %; grey bands: 95 % interval of an instant."
)


def draw_tilt(result: Mapping[str, object], table: pd.DataFrame, path: str | PathLike[str]) -> None:
    """Draw a side tilt and write the chart, whole or not at all.

    Parameters
    ----------
    result : mapping
        The reading in its JSON form (``TiltReading.to_dict()``, or what the journal keeps of it).
    table : DataFrame
        Its trace.
    path : path
        Where to; a name that ends in ``.png`` or ``.svg``.

    Raises
    ------
    FolderError
        When the name ends otherwise, or the file cannot be written.
    RecordError
        When the table is not a trace, or holds no row.
    """
    write_chart(lambda: _figure(result, table), table, path, NEEDED, "tilt", "A side tilt")


def _figure(result: Mapping[str, object], table: pd.DataFrame) -> Figure:
    times = column(table, "t_s")
    events = events_in(result)
    instants = _instants(result, events)
    gaps = [name for name in table.columns if str(name).startswith("tyre") and "_off_" in str(name)]
    lost = stretches(table, "platform_gap", "platform") + stretches(table, "chassis_gap", "chassis")
    heights = {"numbers": 5.5 if instants else 0.0, "angles": 46.0}
    heights |= {"lost": 5.0 if lost else 2.5, "roll": 34.0}
    heights |= {"under": 2.5, "gap": 34.0} if gaps else {}
    figure = Figure()
    panels = new_panels(figure, heights, free=("under",) if lost else ("lost", "under"))
    near = _near(instants, *time_ends(times))
    beside = {
        name: figure.add_axes((0.1, 0.1, 0.8, 0.8), label=f"{name} near") for name in panels
    } if near else {}  # fmt: skip
    for axes in panels.values():
        axes.set_xlim(*time_ends(times))
    for axes in beside.values():
        axes.set_xlim(*(near or (0.0, 1.0)))
    for across in (panels, beside):
        for name in (name for name in DRAWN if name in across):
            across[name].set_axisbelow(True)
            across[name].grid(visible=True)
            draw_instants(across[name], instants)
        if across:
            _angles(across["angles"], result, table, times, events)
            _roll(across["roll"], table, times)
            if gaps:
                _gaps(across["gap"], result, table, times, gaps)
    for name in beside:
        beside[name].set_ylim(panels[name].get_ylim())
        beside[name].tick_params(labelleft=False, left=False)
        beside[name].set_ylabel("")
    if instants:
        number_instants(panels["numbers"], instants, 1 - NEAR_SHARE if near else 1.0)
        if near:
            number_instants(beside["numbers"], instants, NEAR_SHARE)
    if lost:
        label_row(panels["lost"], sorted(lost))
    foot = [*told_instants(instants), *_foot(result)]
    key = key_of(panels, DRAWN)
    share = NEAR_SHARE if near else 0.0
    layout = Layout(heights, DRAWN, _head(result), key, foot, beside=beside, beside_share=share)
    lay_out(figure, panels, layout)
    return figure


def _instants(result: Mapping[str, object], events: Sequence[TiltEventFact]) -> list[Instant]:
    return [
        Instant(str(number), event.t_s, event_words(event), *event_interval(result, event))
        for number, event in enumerate(events, 1)
    ]


def _near(instants: Sequence[Instant], first: float, last: float) -> tuple[float, float] | None:
    """From shortly before the first event to shortly after the last, unless that is most of it."""
    if not instants:
        return None
    low = max(first, instants[0].t_s - BEFORE_S)
    high = min(last, instants[-1].t_s + AFTER_S)
    return (low, high) if 0 < high - low < 0.6 * (last - first) else None


def _angles(
    axes: Axes,
    result: Mapping[str, object],
    table: pd.DataFrame,
    times: FloatArray,
    events: Sequence[TiltEventFact],
) -> None:
    """Platform and chassis, the way it was tilted counted positive; events with their bars."""
    platform, chassis = column(table, "platform_deg"), column(table, "chassis_deg")
    known = platform[np.isfinite(platform)]
    way = -1.0 if known.size and known[int(np.argmax(np.abs(known)))] < 0 else 1.0
    levelled = number_of(result.get("highest_tilt_deg")) is not None or any(
        event.tilt_deg is not None for event in events
    )
    zero = 0.0 if levelled or not known.size else way * float(known[0])
    platform, chassis = way * platform - zero, way * chassis - zero
    u_platform = column(table, "u_platform_deg") if "u_platform_deg" in table else 0 * platform
    across, line, spare = with_gaps(times, platform, Z95 * u_platform)
    axes.fill_between(
        across, line - spare, line + spare, facecolor=ink.BODY_BAND, edgecolor=ink.BODY,
        linewidth=0.3, zorder=2.0,
    )  # fmt: skip
    axes.plot(across, line, color=ink.BODY, linewidth=1.3, zorder=4, label="platform")
    across, line = with_gaps(times, chassis)
    colour, dashes = ink.WHEELS[0]
    axes.plot(across, line, color=colour, linestyle=(0, dashes), zorder=5, label="chassis")
    tops = []
    for number, event in enumerate(events):
        if event.tilt_deg is None:
            continue
        low = event.tilt_deg if event.low_deg is None else event.low_deg
        high = event.tilt_deg if event.high_deg is None else event.high_deg
        tops.append(high)
        axes.errorbar(
            [event.t_s], [event.tilt_deg],
            yerr=[[max(event.tilt_deg - low, 0.0)], [max(high - event.tilt_deg, 0.0)]],
            color=ink.BLACK, marker="D", markersize=3.2, capsize=2.5, linewidth=1.0, zorder=6,
            linestyle="none", label="platform at an event, 95 %" if number == 0 else None,
        )  # fmt: skip
    axes.set_ylabel("angle from level, °" if levelled else "turned since the first frame, °")
    both = np.concatenate([platform[np.isfinite(platform)], tops, [0.0] if not known.size else []])
    low, high = (float(both.min()), float(both.max())) if both.size else (0.0, 1.0)
    start = chassis[np.isfinite(chassis)]
    low = min(low, float(start[:10].min())) if start.size else low
    axes.set_ylim(low - 1.0, high + max(4.0, 0.15 * (high - low)))


def _roll(axes: Axes, table: pd.DataFrame, times: FloatArray) -> None:
    """The truck's own roll: lean on its springs, then tipping; cut where it only falls."""
    turn = column(table, "chassis_to_platform_deg")
    across, line = with_gaps(times, turn)
    colour, dashes = ink.WHEELS[1]
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=2)
    axes.plot(across, line, color=colour, linestyle=(0, dashes), linewidth=1.4, zorder=5,
              label="roll of the chassis to the platform")  # fmt: skip
    known = turn[np.isfinite(turn)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    rest = float(np.median(known[:10])) if known.size else 0.0
    if high - rest > TOPPLE_DEG:
        axes.axhline(
            rest + TOPPLE_DEG, color=ink.BLACK, linewidth=0.7, linestyle=(0, (6.0, 1.5, 1.0, 1.5)),
            zorder=3, label=f"topple: {TOPPLE_DEG:g}° more than at the start",
        )  # fmt: skip
    axes.set_ylabel("roll to the platform, °")
    top = min(high, rest + ROLL_DEG)
    room = 0.08 * max(top - low, 1.0)
    axes.set_ylim(low - room, top + room)


def _gaps(
    axes: Axes,
    result: Mapping[str, object],
    table: pd.DataFrame,
    times: FloatArray,
    names: Sequence[object],
) -> None:
    """How far each uphill tyre was off the platform, with the gap that counts."""
    unit = "mm" if str(names[0]).endswith("_mm") else "px"
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=2)
    low = high = 0.0
    for number, name in enumerate(names, 1):
        values = column(table, str(name))
        across, line = with_gaps(times, values)
        colour, dashes = ink.WHEELS[(number + 1) % len(ink.WHEELS)]
        colour = ink.BLUE if number == 1 else colour
        axes.plot(across, line, color=colour, linestyle=(0, () if number == 1 else dashes),
                  zorder=5, label=f"uphill tyre {number}, off the platform")  # fmt: skip
        known = values[np.isfinite(values)]
        if known.size:
            low, high = min(low, float(known.min())), max(high, float(known.max()))
    limit = number_of(result.get("gap_mm")) if unit == "mm" else None
    if limit is not None:
        axes.axhline(limit, color=ink.BLACK, linewidth=0.7, linestyle=(0, (3.0, 1.5)), zorder=3,
                     label=f"gap that counts, {limit:g} mm")  # fmt: skip
        high = min(max(high, 1.5 * limit), GAPS * limit)
    axes.set_ylabel(f"gap under the tyre, {unit}")
    room = 0.08 * max(high - low, 1e-3)
    axes.set_ylim(max(low, -0.5 * high if high else low) - room, high + room)


def _head(result: Mapping[str, object]) -> str:
    side = result.get("low_side")
    return f"Side tilt{f', {side} side low' if side else ''}{frames_words(result)}"


def _foot(result: Mapping[str, object]) -> list[str]:
    """What was not seen, the balance, the rule of reading, which clip."""
    lines = ["Not named: " + "; ".join(told) + "."] if (told := not_seen_words(result)) else []
    balance = balance_words(result)
    if balance:
        lines.append("Left and right together: " + "; ".join(balance) + ".")
    proof = clip_words(result)
    lines.append(f"{RULE}{f' Clip {proof}.' if proof else ''}")
    return lines
