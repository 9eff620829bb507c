"""Phases of a crawl as they are reported: moving down, up or along, held, backing up.

Each with its own figures: way and mean speed, how it started and stopped, how far it crept while
held, what the wheels did, and what moved it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from clipmark.errors import FollowError
from clipmark.measure.crawl_held import Edge, normal, place, roll_off
from clipmark.measure.crawl_noise import LEAST_CORRELATION
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_phase_wheels import PhaseWheels
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.measure.values import Value
from clipmark.motion.colour import noise_colour
from clipmark.motion.growth import growth
from clipmark.motion.moved_by import Facts, moved_by
from clipmark.motion.phases import Phase, find_phases, start_of, stop_of
from clipmark.motion.stalls import COLOUR_FROM_HZ
from clipmark.motion.start_jump import REST_S, start_jump
from clipmark.motion.stopping import Start, Stop

LEVEL_DEG = 3.0  # a way that leans less in the picture goes neither up nor down for certain
STOPPING_S = 0.3  # before a stand, where the speed falls already
STARTING_S = 0.8  # of stand and of move about a start, to see what turned first
LEAST_STAND_S = 0.1
VAGUE_SHARE = 0.5  # a stopping way with a larger standard uncertainty than so much of it is none
VAGUE_S = 0.1  # an edge that is known no better is taken from the filtered speed
AWAY_S = 0.25  # from an edge, where noise is told from motion
CORRELATED_FRAMES = 9
COARSE_U_S = 0.04  # standard uncertainty of an edge by the filtered speed


@dataclass(frozen=True)
class PhaseReading:
    """One phase; lengths and speeds are magnitudes in the sense of the phase, but for the roll-off.

    Attributes
    ----------
    phase : str
        ``down``, ``up``, ``along``, ``held``, ``reverse``; ``standing`` at the ends of the span.
    sense : int
        +1 ahead, 0 standing, -1 back.
    first, last : int
        Known instants, both included.
    first_frame, last_frame : int
    t_s, until_s : float
    distance_mm, mean_speed_mm_s : Value
    roll_off_mm, drift_mm_s : Value or None
        Travel while held, positive ahead, and its rate.
    stop_distance_mm, start_jump, start_delay_s : Value or None
    wheels, moved_by, why : str
    """

    phase: str
    sense: int
    first: int
    last: int
    first_frame: int
    last_frame: int
    t_s: float
    until_s: float
    distance_mm: Value
    mean_speed_mm_s: Value
    roll_off_mm: Value | None
    drift_mm_s: Value | None
    stop_distance_mm: Value | None
    start_jump: Value | None
    start_delay_s: Value | None
    wheels: str
    moved_by: str | None
    why: str

    def to_dict(self) -> dict[str, object]:
        """As printed: every value with its expanded uncertainty."""
        out: dict[str, object] = {
            name: getattr(self, name)
            for name in ("phase", "t_s", "until_s", "first_frame", "last_frame")
        }
        for name, unit in PHASE_VALUES:
            value: Value | None = getattr(self, f"{name}_{unit}" if unit else name)
            tail = f"_{unit}" if unit else ""
            out[f"{name}{tail}"] = None if value is None else value.estimate
            out[f"{name}_u95{tail}"] = None if value is None else value.u95
        return out | {"wheels": self.wheels, "moved_by": self.moved_by, "why": self.why}


PHASE_VALUES = (
    ("distance", "mm"),
    ("mean_speed", "mm_s"),
    ("roll_off", "mm"),
    ("drift", "mm_s"),
    ("stop_distance", "mm"),
    ("start_jump", ""),
    ("start_delay", "s"),
)


def read_phases(trace: Trace, path: Path, wheels: Sequence[WheelTrace]) -> list[PhaseReading]:
    """Find and measure all phases of a trace."""
    noise = trace.noise
    found = find_phases(trace.times_s, trace.s_mm, noise.speed_mm_s, noise.position_mm)
    reader = _Reader(_with_own_noise(trace, found), path, wheels, found)
    return [reader.read(number) for number in range(len(found))]


def _with_own_noise(trace: Trace, found: list[Phase]) -> Trace:
    """The trace with its noise as it is away from where phases meet and stalls begin and end.

    Next to a stop or a start motion looks like noise, and it would count twice in their figures.
    """
    times = trace.times_s
    edges = [float(times[phase.first]) for phase in found[1:]]
    for stall in trace.standing.stalls:
        edges += [stall.start_s, stall.end_s]
    away = np.ones(len(times), dtype=bool)
    for edge in edges:
        away &= np.abs(times - edge) > AWAY_S
    colour = noise_colour(times, trace.s_mm, away, COLOUR_FROM_HZ) if edges else None
    if colour is None or colour.size >= trace.noise.position_mm:
        return trace
    correlation = colour.inflation(np.full(CORRELATED_FRAMES, 1 / CORRELATED_FRAMES))
    noise = replace(
        trace.noise,
        position_mm=colour.size,
        correlation=max(LEAST_CORRELATION, correlation),
        colour=colour,
    )
    return replace(trace, noise=noise)


def lean_deg(path: Path) -> float:
    """Lean of the way ahead in the picture, deg, positive uphill; the camera taken as upright."""
    across, down = path.along_mm_per_px
    return math.degrees(math.atan2(-down, abs(across)))


class _Reader:
    """All phases of one trace."""

    def __init__(
        self, trace: Trace, path: Path, wheels: Sequence[WheelTrace], found: list[Phase]
    ) -> None:
        self.trace, self.path, self.found = trace, path, found
        self.known = np.flatnonzero(path.known)
        self.wheels = PhaseWheels(trace, path, wheels, self.known)
        self.lean = lean_deg(path)

    @cached_property
    def rho(self) -> float:
        """Correlation of the errors of neighbouring frames."""
        colour = self.trace.noise.colour
        return 0.0 if colour is None else colour.rho

    @cached_property
    def starts(self) -> list[Start | None]:
        """How each phase left the stand before it."""
        trace, noise = self.trace, self.trace.noise.position_mm
        return [
            start_of(trace.times_s, trace.s_mm, self.found, number, noise, self.rho)
            for number in range(len(self.found))
        ]

    @cached_property
    def stops(self) -> list[Stop | None]:
        """How each phase came to the stand after it."""
        trace, noise = self.trace, self.trace.noise.position_mm
        return [
            stop_of(trace.times_s, trace.s_mm, self.found, number, noise, self.rho)
            for number in range(len(self.found))
        ]

    @cached_property
    def edges(self) -> list[Edge]:
        """Where each phase begins, and where the last one ends."""
        return [self._edge(number) for number in range(len(self.found) + 1)]

    def _edge(self, number: int) -> Edge:
        """Between a phase and the one before: fitted where a stand meets a move."""
        times, found = self.trace.times_s, self.found
        if number == 0 or number == len(found):
            return Edge(float(times[0 if number == 0 else -1]), 0.0, False)
        coarse = float(times[found[number].first] + times[found[number - 1].last]) / 2
        start, stop = self.starts[number], self.stops[number - 1]
        if start is not None and start.u_leaves_s < VAGUE_S:
            return Edge(start.leaves_s, start.u_leaves_s, True)
        if stop is not None and stop.u_stands_s < VAGUE_S:
            return Edge(stop.stands_s, stop.u_stands_s, True)
        return Edge(coarse, COARSE_U_S, True)

    def read(self, number: int) -> PhaseReading:
        """One phase with all its figures."""
        phase = self.found[number]
        begins, ends = self.edges[number], self.edges[number + 1]
        moving = phase.sense != 0
        lead = self._lead(number) if moving else None
        by, why = moved_by(self._facts(number, lead)) if moving else (None, "")
        rolled, drift = (None, None) if moving else roll_off(self.trace, phase, begins, ends)
        distance = rolled or self._distance(number)
        frames = self.path.ordinals[self.known]
        first, last = self._frames(begins, ends)
        return PhaseReading(
            phase=self._name(number),
            sense=phase.sense,
            first=first,
            last=last,
            first_frame=int(frames[first]),
            last_frame=int(frames[last]),
            t_s=begins.t_s,
            until_s=ends.t_s,
            distance_mm=distance,
            mean_speed_mm_s=drift or self._mean_speed(distance, begins, ends),
            roll_off_mm=rolled,
            drift_mm_s=drift,
            stop_distance_mm=self._stop_distance(number),
            start_jump=self._jump(number),
            start_delay_s=None if lead is None else normal(*lead),
            wheels=self.wheels.in_words(phase),
            moved_by=by,
            why=why,
        )

    def _name(self, number: int) -> str:
        phase = self.found[number]
        if phase.sense == 0:
            return "standing" if number in (0, len(self.found) - 1) else "held"
        if phase.sense < 0:
            return "reverse"
        return "up" if self.lean > LEVEL_DEG else "down" if self.lean < -LEVEL_DEG else "along"

    def _frames(self, begins: Edge, ends: Edge) -> tuple[int, int]:
        """First and last known instant between two edges."""
        times = self.trace.times_s
        first = min(int(np.searchsorted(times, begins.t_s - 1e-6)), len(times) - 1)
        last = int(np.searchsorted(times, ends.t_s + 1e-6)) - 1
        return first, max(last, first)

    def _distance(self, number: int) -> Value:
        """Way from edge to edge in the phase's own sense: places read in the stands beside it."""
        sense = self.found[number].sense or 1
        (a, u_a), (b, u_b) = self._place(number), self._place(number + 1)
        went = sense * (b - a)
        first, last = self._frames(self.edges[number], self.edges[number + 1])
        shared = math.hypot(*(source.u_relative for source in self.trace.ruler.sources), 0.0)
        camera = (self.trace.camera_u(first), self.trace.camera_u(last))
        return normal(went, math.hypot(u_a, u_b, went * shared, *camera))

    def _place(self, number: int) -> tuple[float, float]:
        """Where the truck was at an edge, mm, and its uncertainty."""
        edge, found = self.edges[number], self.found
        read = None
        if 0 < number < len(found):
            after, before = found[number], found[number - 1]
            if not after.sense:
                read = place(self.trace, after, edge, begins=True)
            elif not before.sense:
                read = place(self.trace, before, edge, begins=False)
        if read is not None:
            return read
        times = self.trace.times_s
        k = min(int(np.searchsorted(times, edge.t_s - 1e-6)), len(times) - 1)
        turns = 0.0 if number in (0, len(found)) else self.trace.noise.position_mm
        return self.trace.travel_at(k), math.hypot(self.trace.end_u(k), turns)

    def _mean_speed(self, distance: Value, begins: Edge, ends: Edge) -> Value:
        lasts = ends.t_s - begins.t_s
        if lasts <= 0:
            return normal(0.0, math.inf)
        speed = distance.estimate / lasts
        stamps = self.trace.tick_s / math.sqrt(6)
        u_time = math.hypot(begins.u_s, ends.u_s, stamps)
        return normal(speed, math.hypot(distance.u, speed * u_time) / lasts)

    def _stop_distance(self, number: int) -> Value | None:
        stop = self.stops[number]
        if stop is None or stop.u_distance > VAGUE_SHARE * stop.distance:
            return None
        if stop.slows_s < self.edges[number].t_s:  # it slowed before it was seen
            return None
        shared = math.hypot(*(source.u_relative for source in self.trace.ruler.sources), 0.0)
        return normal(stop.distance, math.hypot(stop.u_distance, stop.distance * shared))

    def _around_start(self, number: int) -> slice | None:
        """From the quiet stand before to the first part of the move, by known instants."""
        phase, times = self.found[number], self.trace.times_s
        if not phase.sense or not number or self.found[number - 1].sense:
            return None
        stand, edge = self.found[number - 1], self.edges[number]
        since = int(np.searchsorted(times, edge.t_s - STARTING_S))
        first = max(stand.wakes, since)
        until = int(np.searchsorted(times, edge.t_s + STARTING_S))
        last = min(phase.last + 1, until)
        if last - first < 3 or edge.t_s - times[first] < LEAST_STAND_S:
            return None
        return slice(first, last)

    def _lead(self, number: int) -> tuple[float, float] | None:
        part = self._around_start(number)
        if part is None:
            return None
        leaves = int(np.searchsorted(self.trace.times_s, self.edges[number].t_s))
        return self.wheels.lead(part, leaves, self.found[number].sense)

    def _jump(self, number: int) -> Value | None:
        """Start jump of a move out of a stand, from the stand's end to the move's."""
        phase, start, times = self.found[number], self.starts[number], self.trace.times_s
        if start is None or self._around_start(number) is None:
            return None
        first = int(np.searchsorted(times, start.leaves_s - REST_S))
        first = max(first, self.found[number - 1].wakes)
        ends = phase.last + 1
        if ends < len(times):  # it also stops: its fall is no part of the steady speed
            stop = self.stops[number]
            falls = times[phase.last] - STOPPING_S if stop is None else stop.slows_s
            ends = int(np.searchsorted(times, falls))
        part = slice(min(first, phase.first), ends)
        if ends - part.start < 2:
            return None
        noise = self.trace.noise.position_mm
        positions = phase.sense * self.trace.s_mm[part]
        try:
            jump = start_jump(times[part], positions, start.leaves_s, noise)
        except FollowError:
            return None
        return None if jump is None else normal(jump.ratio, jump.u)

    def _facts(self, number: int, lead: tuple[float, float] | None) -> Facts:
        phase = self.found[number]
        steep = abs(self.lean) > LEVEL_DEG
        return Facts(
            wheels=self.wheels.states(phase),
            climbs=(self.lean * phase.sense > 0) if steep else None,
            lead_s=None if lead is None else lead[0],
            u_lead_s=0.0 if lead is None else lead[1],
            growth=self._growth(number),
        )

    def _growth(self, number: int) -> str | None:
        """How the speed of a move grew until it was stopped; None where too little is seen."""
        phase, start, stop = self.found[number], self.starts[number], self.stops[number]
        times, noise = self.trace.times_s, self.trace.noise
        part = slice(max(phase.first - 1, 0), phase.last + 1)
        begins = None if number == 0 else self.edges[number].t_s
        if start is not None:
            part = slice(min(part.start, int(np.searchsorted(times, start.leaves_s))), part.stop)
        ends = float(times[phase.last]) if stop is None else stop.slows_s
        if stop is None and number + 1 < len(self.found):
            ends -= STOPPING_S
        size = noise.position_mm * math.sqrt(noise.correlation)
        positions = phase.sense * self.trace.s_mm[part]
        found = growth(times[part], positions, begins, ends, size)
        return None if found is None else found.kind
