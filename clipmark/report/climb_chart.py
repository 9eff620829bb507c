"""The chart of an attempt at the board: way, speed, slip, chassis to ramp, the board itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from os import PathLike

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from clipmark.report import ink
from clipmark.report.chart_layout import (
    Layout,
    key_of,
    lay_out,
    new_panels,
    time_ends,
)
from clipmark.report.chart_marks import Instant, draw_instants, number_instants, told_instants
from clipmark.report.climb_facts import (
    board_words,
    ended_words,
    is_climb,
    moments_in,
    reverse_call_words,
    reverse_words,
    values_in,
)
from clipmark.report.trace_facts import column, jumps_in, phases_in, stalls_in, wheels_in
from clipmark.report.trace_panels import draw_speed, label_row, shade, with_gaps
from clipmark.report.trace_sheet import (
    PLUS_MINUS,
    clip_words,
    frames_words,
    phase_label,
    write_chart,
)
from clipmark.uncertainty.digits import number_of

FloatArray = NDArray[np.float64]
NEEDED = ("t_s", "chassis_to_ramp_deg")
DRAWN = ("way", "speed", "slip", "nose", "board")
RULE = f"{PLUS_MINUS}: expanded uncertainty, 95 %; grey bands: 95 % interval of an instant."
SLIP_ENDS = (-1.05, 1.05)


def draw_climb(
    result: Mapping[str, object], table: pd.DataFrame, path: str | PathLike[str]
) -> None:
    """Draw an attempt at the board and write the chart, whole or not at all.

    Parameters
    ----------
    result : mapping
        The reading in its JSON form (``ClimbReading.to_dict()``, or what the journal keeps of it).
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
    write_chart(
        lambda: _figure(result, table), table, path, NEEDED, "climb", "An attempt at the board"
    )


def _figure(result: Mapping[str, object], table: pd.DataFrame) -> Figure:
    # Lengths of a clip without a scale have no unit: their columns say so.
    unit = "mm" if "v_mm_s" in table.columns else "units"
    plain = table.rename(columns=lambda name: str(name).replace("_units", "_mm"))
    times = column(plain, "t_s")
    phases, stalls = phases_in(result), stalls_in(result)
    instants = [
        Instant(str(number), moment.t_s, moment.words, moment.low_s, moment.high_s)
        for number, moment in enumerate(moments_in(result), 1)
    ]
    slips = [name for name in plain if str(name).startswith("slip") and plain[name].notna().any()]
    nose = plain["chassis_to_ramp_deg"].notna().any()
    board = "board_turned_deg" in plain and plain["board_turned_deg"].notna().any()
    heights = {"numbers": 5.5 if instants else 0.0, "phases": 5.0 if len(phases) > 1 else 0.0}
    heights |= {"way": 42.0, "stalls": 5.0 if stalls else 2.5, "speed": 42.0}
    heights |= {"gap1": 2.5, "slip": 24.0} if slips else {}
    heights |= {"gap2": 2.5, "nose": 28.0} if nose else {}
    heights |= {"gap3": 2.5, "board": 20.0} if board else {}
    figure = Figure()
    panels = new_panels(figure, heights, free=("gap1", "gap2", "gap3"))
    for name, axes in panels.items():
        axes.set_xlim(*time_ends(times))
        if name in DRAWN:
            axes.set_axisbelow(True)
            axes.grid(visible=True)
            shade(axes, phases, stalls)
            draw_instants(axes, instants)
    _way(panels["way"], result, plain, times, unit)
    speed, surfaces = column(plain, "v_mm_s"), [w for w in wheels_in(plain) if w.unit == "mm/s"]
    jumps = jumps_in(result, times, speed)
    draw_speed(panels["speed"], result, times, speed, column(plain, "u_v_mm_s"), surfaces, jumps)
    if unit != "mm":
        panels["speed"].set_ylabel("speed, without a scale")
    if slips:
        _slip(panels["slip"], plain, times, [str(name) for name in slips])
    if nose:
        _nose(panels["nose"], result, plain, times)
    if board:
        _board(panels["board"], result, plain, times)
    if "phases" in panels:
        shade(panels["phases"], phases, ())
        label_row(panels["phases"], [phase_label(phase) for phase in phases], inside=True)
    label_row(
        panels["stalls"],
        [(s.from_s, s.until_s, f"stall {s.until_s - s.from_s:.2f} s", "stall") for s in stalls],
    )
    if instants:
        number_instants(panels["numbers"], instants)
    foot = [*told_instants(instants), *_foot(result)]
    lay_out(figure, panels, Layout(heights, DRAWN, _head(result), key_of(panels, DRAWN), foot))
    return figure


def _way(
    axes: Axes, result: Mapping[str, object], table: pd.DataFrame, times: FloatArray, unit: str
) -> None:
    """Contact points along the ramp line with the finish; without hubs the body's travel."""
    lines = [
        (name, words)
        for name, words in (
            ("front_mm", "front axle's contact point" if is_climb(result) else "axle higher up"),
            ("rear_mm", "rear axle's contact point" if is_climb(result) else "axle lower down"),
        )
        if name in table.columns and table[name].notna().any()
    ]
    length = f", {unit}" if unit == "mm" else ", without a scale"
    drawn = []
    if lines:
        axes.set_ylabel(f"along the board{length}")
    else:
        lines = [("s_mm", "body")]
        axes.set_ylabel(f"travel of the body{length}")
    for name, words in lines:
        values = column(table, name)
        across, along = with_gaps(times, values)
        dashed = name == "front_mm"
        colour, dashes = ink.WHEELS[0] if dashed else (ink.BODY, ())
        axes.plot(across, along, color=colour, linestyle=(0, dashes), linewidth=1.3, zorder=4,
                  label=words)  # fmt: skip
        drawn.append(values[np.isfinite(values)])
    finish = _finish(table)
    if finish is not None:
        axes.axhline(
            finish, color=ink.BLACK, linewidth=0.9, linestyle=(0, (6.0, 1.5, 1.0, 1.5)), zorder=3,
            label="finish line",
        )  # fmt: skip
        drawn.append(np.array([finish]))
    known = np.concatenate(drawn) if drawn else np.zeros(0)
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    room = 0.08 * max(high - low, 1e-3)
    axes.set_ylim(low - room, high + room)


def _finish(table: pd.DataFrame) -> float | None:
    """Where the finish line crosses the ramp line, from how far the axle is past it."""
    if "past_finish_mm" not in table.columns:
        return None
    past = column(table, "past_finish_mm")
    for name, sign in (("rear_mm", 1.0), ("front_mm", -1.0)):
        if name in table.columns:
            at = column(table, name) - sign * past
            at = at[np.isfinite(at)]
            if at.size and float(np.ptp(at)) < 1e-2:  # the same in every row: this axle was held
                return float(np.median(at))
    return None


def _slip(axes: Axes, table: pd.DataFrame, times: FloatArray, names: Sequence[str]) -> None:
    """Driving slip up, braking slip down."""
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=2)
    for name in names:
        number = int(name.removeprefix("slip"))
        driving = column(table, name)
        braking = (
            column(table, f"braking{number}") if f"braking{number}" in table else driving * np.nan
        )
        values = np.where(np.isfinite(driving), driving, -braking)
        colour, dashes = ink.WHEELS[(number - 1) % len(ink.WHEELS)]
        across, line = with_gaps(times, values)
        axes.plot(across, line, color=colour, linestyle=(0, dashes), zorder=5,
                  label=f"slip of wheel {number} (driving +, braking \N{MINUS SIGN})")  # fmt: skip
    axes.set_ylabel("slip")
    axes.set_ylim(*SLIP_ENDS)


def _nose(axes: Axes, result: Mapping[str, object], table: pd.DataFrame, times: FloatArray) -> None:
    """Chassis to ramp, nose up positive, with the limit over which the front counts as off."""
    values = column(table, "chassis_to_ramp_deg")
    across, line = with_gaps(times, values)
    axes.plot(across, line, color=ink.BODY, zorder=4, label="chassis to ramp, nose up")
    usual = number_of(result.get("chassis_to_ramp_usual_deg"))
    limit = number_of(result.get("front_lift_limit_deg"))
    known = values[np.isfinite(values)]
    low, high = float(known.min()), float(known.max())
    if usual is not None and limit is not None:
        axes.axhline(
            usual + limit, color=ink.BLACK, linewidth=0.7, linestyle=(0, (3.0, 1.5)), zorder=3,
            label=f"front counts as off: {limit:.3g}° over the usual",
        )  # fmt: skip
        high = max(high, usual + 1.3 * limit)
    room = 0.08 * max(high - low, 0.5)
    axes.set_ylim(low - room, high + room)
    axes.set_ylabel("chassis to ramp, °")


def _board(
    axes: Axes, result: Mapping[str, object], table: pd.DataFrame, times: FloatArray
) -> None:
    """The board's own angle through the attempt, as far as a level line tells it."""
    turned = column(table, "board_turned_deg")
    ramp = result.get("ramp")
    angle = number_of(ramp.get("ramp_deg")) if isinstance(ramp, Mapping) else None
    values = turned if angle is None else abs(angle) + turned
    across, line = with_gaps(times, values)
    colour, dashes = ink.WHEELS[1]
    axes.plot(across, line, color=colour, linestyle=(0, dashes), linewidth=1.3, zorder=4,
              label="board")  # fmt: skip
    known = values[np.isfinite(values)]
    middle = (float(known.min()) + float(known.max())) / 2
    half = max(0.6 * float(np.ptp(known)), 0.25)
    axes.set_ylim(middle - half, middle + half)
    axes.set_ylabel("board turned, °" if angle is None else "board, °")


def _head(result: Mapping[str, object]) -> str:
    what = "Attempt at the board" if is_climb(result) else "Down the board, stop, back up"
    return f"{what}{frames_words(result)}"


def _foot(result: Mapping[str, object]) -> list[str]:
    """Proposal, figures with their uncertainties, board, facts of a reverse, which clip."""
    lines = [f"Proposed, not the verdict: {ended_words(result)}."]
    figures = [
        f"{item.name} {item.words}" + (f" ({item.aside})" if item.aside else "")
        for item in values_in(result)
    ]
    lines += ["; ".join(figures) + "."] if figures else []
    lines += [f"{told[:1].upper()}{told[1:]}." for told in [board_words(result)] if told]
    reverse = reverse_words(result)
    lines += [f"Reverse, as facts: {reverse}."] if reverse else []
    call = reverse_call_words(result)
    lines += [f"By the rule sheet: {call.rstrip('.')}."] if call else []
    proof = clip_words(result)
    return [*lines, f"{RULE}{f' Clip {proof}.' if proof else ''}"]
