"""The panels of a trace chart: phases, position, speed, turning wheels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from clipmark.report import ink
from clipmark.report.trace_facts import Jump, Phase, Stall, WheelTrace, missing_after
from clipmark.uncertainty.digits import number_of

FloatArray = NDArray[np.float64]
Z95 = 1.96
ROOM = 0.10  # of the height, left free above and below what is drawn
LETTER = 0.0096  # width of a letter, as a share of the panel's width


def with_gaps(times_s: FloatArray, *columns: FloatArray) -> list[FloatArray]:
    """Times and columns with a row of NaN where frames are missing, so that lines break there.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Recorded times, rising.
    columns : ndarrays, shape (n,)
    """
    at = missing_after(times_s)
    return [np.insert(column, at, np.nan) for column in (times_s, *columns)]


def shade(axes: Axes, phases: Sequence[Phase], stalls: Sequence[Stall]) -> None:
    """Phases as bands with a line where they change, stalls as hatched bands."""
    for number, phase in enumerate(phases):
        colour = ink.PHASE[number % 2]
        axes.axvspan(phase.from_s, phase.until_s, facecolor=colour, linewidth=0, zorder=0)
    for before, after in pairwise(phases):
        for at in sorted({before.until_s, after.from_s}):
            axes.axvline(at, color=ink.QUIET, linewidth=0.6, zorder=0.5)
    for stall in stalls:
        axes.axvspan(
            stall.from_s,
            stall.until_s,
            facecolor="none",
            edgecolor=ink.HATCH,
            hatch="//////",
            linewidth=0.5,
            zorder=1,
        )


def label_row(
    axes: Axes, spans: Sequence[tuple[float, float, str, str]], *, inside: bool = False
) -> None:
    """Labels in the middle of stretches of time, clear of each other; one without room is left out.

    Parameters
    ----------
    axes : Axes
        A strip that shares the time axis, its limits set.
    spans : sequence of (from s, to s, words, fewer words)
        The fewer words are taken where there is no room for the many.
    inside : bool
        Room is the stretch itself; else what lies free beside it, too.
    """
    left, right = axes.get_xlim()
    letter = LETTER * (right - left)
    end = left
    for number, (start, until, words, fewer) in enumerate(spans):
        after = spans[number + 1][0] if number + 1 < len(spans) else right
        free = (start, until) if inside else (end, max(after, until))
        for text in (words, fewer):
            width = len(text) * letter
            at = min(max((start + until - width) / 2, left), right - width)
            if at >= free[0] and at + width <= free[1]:
                break
        if at < end:
            continue
        middle, across = at + width / 2, axes.get_xaxis_transform()
        axes.text(middle, 0.5, text, transform=across, va="center", ha="center", clip_on=False)
        end = at + width + letter


def draw_position(axes: Axes, times_s: FloatArray, s_mm: FloatArray) -> None:
    """Position along the way."""
    across, along = with_gaps(times_s, s_mm)
    axes.plot(across, along, color=ink.BODY, label="body", zorder=3)
    axes.set_ylabel("position along the way, mm")
    _limits(axes, [s_mm], [])


def draw_speed(
    axes: Axes,
    result: Mapping[str, object],
    times_s: FloatArray,
    v_mm_s: FloatArray,
    u_mm_s: FloatArray,
    wheels: Sequence[WheelTrace],
    jumps: Sequence[Jump],
) -> None:
    """Speed with its 95 % band, wheel surface speeds, noise floor, stall limit, start marks."""
    floor = number_of(result.get("noise_floor_mm_s"))
    limit = number_of(result.get("stall_limit_mm_s"))
    if floor is not None:
        axes.axhspan(
            -Z95 * floor,
            Z95 * floor,
            facecolor=ink.FLOOR,
            edgecolor=ink.QUIET,
            linewidth=0.5,
            zorder=1.5,
            label=f"noise floor: 95 % of a body at rest (± {Z95 * floor:.2g} mm/s)",
        )
        for edge in (-Z95 * floor, Z95 * floor):  # seen through the speed's own band as well
            axes.axhline(edge, color=ink.QUIET, linewidth=0.5, zorder=2.8)
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=2.8)
    across, speed, spare = with_gaps(times_s, v_mm_s, Z95 * u_mm_s)
    axes.fill_between(
        across,
        speed - spare,
        speed + spare,
        facecolor=ink.BODY_BAND,
        edgecolor=ink.BODY,
        linewidth=0.3,
        zorder=2.5,
        label="95 % band of the body",
    )
    axes.plot(across, speed, color=ink.BODY, linewidth=1.3, zorder=4, label="body")
    for wheel in wheels:
        _wheel_line(axes, times_s, wheel, f"wheel {wheel.number}, its surface")
    if limit is not None and limit > 0:
        axes.axhline(
            limit,
            color=ink.BLACK,
            linewidth=0.7,
            linestyle=(0, (6.0, 1.5, 1.0, 1.5)),
            zorder=3.5,
            label=f"stall limit {limit:.3g} mm/s",
        )
    for number, jump in enumerate(jumps):
        _jump_marks(axes, jump, named=number == 0)
    axes.set_ylabel("speed, mm/s")
    edges = [0.0] if floor is None else [-Z95 * floor, Z95 * floor]
    for side in (v_mm_s - Z95 * u_mm_s, v_mm_s + Z95 * u_mm_s):
        if np.isfinite(side).any():  # the band, without what it does at ends and gaps
            edges += np.nanquantile(side, [0.05, 0.95]).tolist()
    _limits(axes, [v_mm_s, *(wheel.values for wheel in wheels)], edges)


def draw_turning(axes: Axes, times_s: FloatArray, wheels: Sequence[WheelTrace]) -> None:
    """How fast wheels of unknown diameter turn."""
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6, zorder=2)
    for wheel in wheels:
        _wheel_line(axes, times_s, wheel, f"wheel {wheel.number}, turning")
    axes.set_ylabel("turning, deg/s")
    _limits(axes, [wheel.values for wheel in wheels], [0.0])


def _wheel_line(axes: Axes, times_s: FloatArray, wheel: WheelTrace, label: str) -> None:
    colour, dashes = ink.WHEELS[(wheel.number - 1) % len(ink.WHEELS)]
    across, values = with_gaps(times_s, wheel.values)
    axes.plot(
        across, values, color=colour, linestyle=(0, dashes), linewidth=1.1, zorder=5, label=label
    )


def _jump_marks(axes: Axes, jump: Jump, *, named: bool) -> None:
    """Peak of the first half second, and the steady speed it is compared with."""
    after = jump.from_s + 0.5
    lines = (
        (
            jump.from_s,
            after,
            jump.peak_mm_s,
            1.0,
            f"start jump {jump.ratio:.2f}: peak of its first 0.5 s",
        ),
        (after, max(jump.until_s, after), jump.steady_mm_s, 0.6, "steady speed after it"),
    )
    for start, end, level, width, label in lines:
        axes.plot(
            [start, end],
            [level, level],
            color=ink.BLACK,
            linewidth=width,
            marker="|",
            markersize=7 * width + 1,
            zorder=6,
            label=label if named else None,
        )


def _limits(axes: Axes, columns: Sequence[FloatArray], edges: Sequence[float]) -> None:
    """Height of a panel: every line and edge in it, with some room."""
    known = [column[np.isfinite(column)] for column in columns]
    values = np.concatenate([*known, np.asarray(edges, dtype=np.float64)])
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    room = ROOM * ((high - low) or 1.0)
    axes.set_ylim(low - room, high + room)
