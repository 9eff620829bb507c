"""All figures of a crawl from its trace, its wheels and its phases."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from clipmark.measure.crawl_moved import moved
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_phases import PhaseReading, read_phases
from clipmark.measure.crawl_rest import rest_to_rest
from clipmark.measure.crawl_standing import Move, Stands
from clipmark.measure.crawl_values import (
    Trace,
    distance,
    from_budget,
    mean_over,
    ripple,
    rollback,
    slowest_held,
)
from clipmark.measure.crawl_wheel_out import (
    describe_wheels,
    ripple_by_order,
    slip_over_distance,
    wheel_notes,
)
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.measure.values import Value
from clipmark.motion.speed import LocalFit
from clipmark.motion.stalls import Stall, Standing
from clipmark.uncertainty.budget import Budget, Contribution

SETTLE_S = 0.5  # after a start from rest: its jump is a figure of its own, no ripple
STOPPING_S = 0.2  # before a stand
LEAST_STAND_S = 0.15
INTERLACED = (
    "Interlaced: two moments in one picture; slowest speed, stalls, ripple and phases need "
    "progressive video and are not given."
)


@dataclass
class Figures:
    """What a crawl gives, filled in step by step.

    Attributes
    ----------
    values, budgets : dict
        By name; None where the footage cannot tell.
    notes : list of str
        In words, what was left out and why.
    """

    values: dict[str, Value | None] = field(default_factory=dict)
    budgets: dict[str, Budget] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    stalls: list[dict[str, float | bool]] | None = None
    phases: list[dict[str, object]] | None = None
    slip: list[dict[str, object]] | None = None
    wheels: list[dict[str, object]] = field(default_factory=list)
    orders: list[dict[str, object]] | None = None
    ripple_seen: bool | None = None
    ripple_floor: float | None = None
    ripple_span_s: tuple[float, float] | None = None
    rollback_largest_mm: float = 0.0
    rollback_threshold_mm: float = 0.0
    moved: bool = True

    def keep(self, name: str, found: tuple[float, Budget] | None) -> None:
        """A value with its budget."""
        self.values[name] = None if found is None else from_budget(*found)
        if found is not None:
            self.budgets[name] = found[1]


def read_figures(
    trace: Trace,
    stands: Stands,
    path: Path,
    wheels: Sequence[WheelTrace],
    *,
    window_s: float,
    hold_s: float,
    band_hz: tuple[float, float],
    interlaced: bool,
) -> Figures:
    """Every figure of METHOD's table, as far as the footage tells it.

    Parameters
    ----------
    trace : Trace
    stands : Stands
        Where it stood, and its moves.
    path : Path
    wheels : sequence of WheelTrace
    window_s : float
        Width of the speed's filter.
    hold_s : float
        How long the slowest speed must be held.
    band_hz : tuple of float
        Of the ripple.
    interlaced : bool
        Then nothing that needs even moments is given.
    """
    out = Figures()
    last = len(trace.times_s) - 1
    out.keep("duration_s", (trace.duration_s, _duration_budget(trace.tick_s)))
    out.keep("distance_mm", distance(trace))
    out.keep("mean_speed_mm_s", mean_over(trace, 0, last))
    out.moved = moved(trace)
    if not out.moved:
        _read_stood(out)
    _read_rollback(out, trace, stands)
    if interlaced:
        out.notes.append(INTERLACED)
        blank = ("slowest_speed_mm_s", "ripple", "start_jump", "start_delay_s", "stop_distance_mm")
        out.values |= dict.fromkeys((*blank, "roll_off_mm", "sparc", "ldlj"))
        return out
    _read_slowest(out, trace, stands, hold_s)
    _read_ripple(out, trace, path, stands, band_hz)
    if stands.reverses:
        out.notes.append(
            "The truck also backed up: distance and mean speed are those of the whole span, ahead "
            "less back; each phase has its own."
        )
    phases = [] if trace.standing.blind else read_phases(trace, path, wheels)
    _read_phases(out, trace, phases)
    out.values["sparc"], out.values["ldlj"], why = rest_to_rest(trace, window_s, stands.reverses)
    if why and (trace.standing.at_start_s or trace.standing.at_end_s):
        out.notes.append(why)
    _read_wheels(out, trace, path, wheels, stands)
    return out


def part_of(trace: Trace, first: int, last: int, standing: Standing | None = None) -> Trace:
    """The trace of known instants first to last only, both included, with its own stands."""
    part = slice(first, last + 1)
    fit = trace.fit
    cut = LocalFit(*(getattr(fit, name)[part] for name in LocalFit.__dataclass_fields__))
    return replace(
        trace,
        times_s=trace.times_s[part],
        s_mm=trace.s_mm[part],
        u_camera_mm=trace.u_camera_mm[part],
        fit=cut,
        standing=trace.standing if standing is None else standing,
    )


def part_of_move(trace: Trace, move: Move) -> Trace:
    """The trace of one move only."""
    return part_of(trace, move.first, move.last, move.standing)


def _duration_budget(tick_s: float) -> Budget:
    u = tick_s / math.sqrt(6)  # two stamps, each rounded to a tick
    return Budget.of([Contribution("time stamps", "B", u)])


def _read_stood(out: Figures) -> None:
    """A truck that stood has no way and no speed: zero, with what noise leaves open."""
    for name in ("distance_mm", "mean_speed_mm_s"):
        value = out.values[name]
        assert value is not None
        reach = max(value.u95, abs(value.estimate))
        out.values[name] = Value(0.0, value.u, -reach, reach)
    out.notes.append(
        "The truck stood: what its place trembles by is no more than noise, so it is given no "
        "way and no speed."
    )


def _read_rollback(out: Figures, trace: Trace, stands: Stands) -> None:
    """Backward travel within the moves ahead; a move back is a phase of its own."""
    moves = [move for move in stands.moves if move.sense > 0]
    found = [rollback(part_of_move(trace, move)) for move in moves]
    if not found:
        out.values["rollback_mm"] = Value(0.0, 0.0, 0.0, 0.0)
        return
    total = sum(value.estimate for value, _, _ in found)
    u = math.hypot(*(value.u for value, _, _ in found))
    low = max(total - 1.96 * u, 0.0) if total > 0 else 0.0
    high = total + 1.96 * u if total > 0 else max(value.high95 for value, _, _ in found)
    out.values["rollback_mm"] = Value(total, u, low, high)
    out.rollback_largest_mm = max(largest for _, largest, _ in found)
    out.rollback_threshold_mm = max(threshold for _, _, threshold in found)


def _read_slowest(out: Figures, trace: Trace, stands: Stands, hold_s: float) -> None:
    move = stands.ahead
    found = slowest_held(part_of_move(trace, move), hold_s)
    out.keep("slowest_speed_mm_s", found)
    if found is None:
        out.notes.append(
            f"No stretch of {hold_s:g} s without a stall or a gap lies in the span, so no "
            "slowest speed is given; give a longer span or a shorter hold time."
        )


def creeping(trace: Trace, stands: Stands) -> tuple[int, int]:
    """The stretch whose evenness is judged: moving ahead, settled after a start, not yet stopping.

    A start from rest and the coming to a stand have figures of their own. Known instants, both
    included.
    """
    move, times = stands.ahead, trace.times_s
    since, until = float(times[move.first]), float(times[move.last])
    if move.standing.at_start_s >= LEAST_STAND_S:
        since += move.standing.at_start_s + SETTLE_S
    if move.standing.at_end_s >= LEAST_STAND_S:
        until -= move.standing.at_end_s + STOPPING_S
    a = int(np.searchsorted(times, since - 1e-9))
    b = int(np.searchsorted(times, until + 1e-9)) - 1
    return (a, b) if b > a else (move.first, move.last)


def _read_ripple(
    out: Figures, trace: Trace, path: Path, stands: Stands, band_hz: tuple[float, float]
) -> None:
    first, last = creeping(trace, stands)
    part = part_of(trace, first, last)
    speed, _ = mean_over(part, 0, len(part.times_s) - 1)
    figure, why = ripple(part, path, band_hz, speed)
    out.notes += [why] if why else []
    out.values["ripple"] = None if figure is None else figure.value
    if figure is None:
        return
    out.budgets["ripple"] = figure.budget
    out.ripple_seen, out.ripple_floor = figure.seen, figure.floor
    out.ripple_span_s = float(part.times_s[0]), float(part.times_s[-1])
    if (first, last) != (0, len(trace.times_s) - 1):
        out.notes.append(
            f"The ripple is that of the creep from {part.times_s[0]:.2f} to {part.times_s[-1]:.2f} "
            "s: starting, stopping and backing up are left out of it."
        )
    if not figure.seen:
        out.notes.append(
            f"The ripple is below the noise floor: at most {figure.value.high95:.2g} of the "
            f"mean speed between {band_hz[0]:g} and {band_hz[1]:g} Hz. To tell less, film nearer "
            "(twice as near tells half), longer, or with more light."
        )


def _read_phases(out: Figures, trace: Trace, phases: list[PhaseReading]) -> None:
    """Phases, the stalls among them, and the figures that the first of each kind gives."""
    if trace.standing.blind:
        out.values |= dict.fromkeys(
            ("start_jump", "start_delay_s", "stop_distance_mm", "roll_off_mm")
        )
        return
    out.phases = [phase.to_dict() for phase in phases]
    _count_rolled(out, phases)
    held = [phase for phase in phases if phase.phase == "held"]
    out.stalls = _stalls(trace, held)
    out.values["start_jump"] = _first(phases, "start_jump")
    out.values["start_delay_s"] = _first(phases, "start_delay_s")
    out.values["stop_distance_mm"] = _first(phases, "stop_distance_mm")
    out.values["roll_off_mm"] = _first(held, "roll_off_mm")


def _count_rolled(out: Figures, phases: Sequence[PhaseReading]) -> None:
    """Add moves back that were not driven to what the truck rolled back."""
    held = out.values["rollback_mm"]
    rolled = [p.distance_mm for p in phases if p.sense < 0 and p.moved_by != "driven"]
    if not rolled or held is None:
        return
    total = held.estimate + sum(value.estimate for value in rolled)
    u = math.hypot(held.u, *(value.u for value in rolled))
    out.values["rollback_mm"] = Value(total, u, max(total - 1.96 * u, 0.0), total + 1.96 * u)
    largest = max(value.estimate for value in rolled)
    out.rollback_largest_mm = max(out.rollback_largest_mm, largest)


def _first(phases: Sequence[PhaseReading], name: str) -> Value | None:
    found = (getattr(phase, name) for phase in phases)
    return next((value for value in found if value is not None), None)


def _stalls(trace: Trace, held: Sequence[PhaseReading]) -> list[dict[str, float | bool]]:
    """Stalls as printed, stops between a move and one the other way among them as commanded."""
    out = [_stall(trace, stall, False) for stall in trace.standing.stalls]
    for phase in held:
        dwell = phase.until_s - phase.t_s
        out.append(_stall(trace, Stall(phase.t_s, dwell, 0.01), True))
    return sorted(out, key=lambda stall: stall["t_s"])


def _stall(trace: Trace, stall: Stall, commanded: bool) -> dict[str, float | bool]:
    inside = (trace.times_s >= stall.start_s) & (trace.times_s <= stall.end_s)
    place = trace.s_mm[inside]
    return {
        "t_s": stall.start_s,
        "dwell_s": stall.dwell_s,
        "dwell_u95_s": 2 * stall.u_dwell_s,
        "s_mm": float(np.median(place)) if place.size else float("nan"),
        "commanded": commanded,
    }


def _read_wheels(
    out: Figures, trace: Trace, path: Path, wheels: Sequence[WheelTrace], stands: Stands
) -> None:
    if not wheels:
        return
    out.wheels = describe_wheels(wheels)
    move = stands.ahead
    out.slip = slip_over_distance(wheels, trace, path, move.first, move.last)
    out.orders, notes = ripple_by_order(wheels, trace, path)
    out.notes += [*wheel_notes(wheels, path, out.slip), *notes]
