"""Phases of a crawl as they are reported: moving down, up or along, held, backing up.

Each with its own figures: way and mean speed, how it started and stopped, how far it crept while
held, what the wheels did, and what moved it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from clipmark.errors import FollowError
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_values import Trace, mean_over
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.measure.values import Value
from clipmark.motion.moved_by import Facts, moved_by, wheel_state
from clipmark.motion.onset import Delay, Onset, delay, onset
from clipmark.motion.phases import Phase, find_phases
from clipmark.motion.start_jump import REST_S, start_jump
from clipmark.motion.stopping import Stop, fit_stop

LEVEL_DEG = 3.0  # a way that leans less in the picture goes neither up nor down for certain
HELD_EDGE_S = 0.1  # left out at both ends of a stand, where it still stops or starts already
LEAST_GROWTH_S = 0.4
STOPPING_S = 0.3  # before a stand, where the speed falls already
LEAST_STAND_S = 0.1
Z95 = 1.96


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
    reader = _Reader(trace, path, wheels, found)
    return [reader.read(number) for number in range(len(found))]


def lean_deg(path: Path) -> float:
    """Lean of the way ahead in the picture, deg, positive uphill; the camera taken as upright."""
    across, down = path.along_mm_per_px
    return math.degrees(math.atan2(-down, abs(across)))


class _Reader:
    """All phases of one trace."""

    def __init__(
        self, trace: Trace, path: Path, wheels: Sequence[WheelTrace], found: list[Phase]
    ) -> None:
        self.trace, self.path, self.wheels, self.found = trace, path, wheels, found
        self.known = np.flatnonzero(path.known)
        self.lean = lean_deg(path)
        self.starts: dict[int, Onset | None] = {}

    def read(self, number: int) -> PhaseReading:
        phase = self.found[number]
        start = self._start(number)
        stop = self._stop(number)
        begins, ends = self._edges(number)
        moving = phase.sense != 0
        facts = self._facts(phase, self._lead(number, start)) if moving else None
        state = self._wheel_words(phase, facts)
        by, why = moved_by(facts) if facts is not None else (None, "")
        speed, budget = mean_over(self.trace, phase.first, phase.last)
        lasts = float(self.trace.times_s[phase.last] - self.trace.times_s[phase.first])
        u = budget.u
        sense = phase.sense or 1
        frames = self.path.ordinals[self.known]
        lead = self._lead(number, start)
        return PhaseReading(
            phase=self._name(number),
            sense=phase.sense,
            first=phase.first,
            last=phase.last,
            first_frame=int(frames[phase.first]),
            last_frame=int(frames[phase.last]),
            t_s=begins,
            until_s=ends,
            distance_mm=_normal(sense * speed * lasts, u * lasts),
            mean_speed_mm_s=_normal(sense * speed, u),
            roll_off_mm=None if moving else self._roll_off(phase)[0],
            drift_mm_s=None if moving else self._roll_off(phase)[1],
            stop_distance_mm=None if stop is None else _normal(stop.distance, stop.u_distance),
            start_jump=self._jump(phase, start),
            start_delay_s=None if lead is None else _normal(*lead),
            wheels=state,
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

    def _edges(self, number: int) -> tuple[float, float]:
        """When the phase begins and ends: fitted where a stand meets a move, s."""
        phase, times = self.found[number], self.trace.times_s
        begins, ends = float(times[phase.first]), float(times[phase.last])
        if phase.sense:
            start, stop = self._start(number), self._stop(number)
            return (
                begins if start is None else start.t_s,
                ends if stop is None else stop.stands_s,
            )
        before = self._stop(number - 1) if number else None
        after = self._start(number + 1) if number + 1 < len(self.found) else None
        return (
            begins if before is None else before.stands_s,
            ends if after is None else after.t_s,
        )

    def _start(self, number: int) -> Onset | None:
        """The start of a moving phase out of a stand; None where there was none."""
        if number not in self.starts:
            self.starts[number] = self._find_start(number)
        return self.starts[number]

    def _around_start(self, number: int) -> slice | None:
        """From the stand before to the first part of the move, by known instants."""
        phase, times = self.found[number], self.trace.times_s
        if not phase.sense or not number or self.found[number - 1].sense:
            return None
        stand = self.found[number - 1]
        if times[stand.last] - times[stand.first] < LEAST_STAND_S:
            return None
        until = int(np.searchsorted(times, times[phase.first] + 0.8))
        since = int(np.searchsorted(times, times[phase.first] - 0.8))
        return slice(max(stand.first, since), min(phase.last + 1, until))

    def _find_start(self, number: int) -> Onset | None:
        part = self._around_start(number)
        if part is None:
            return None
        sense = self.found[number].sense
        return onset(
            self.trace.times_s[part], sense * self.trace.s_mm[part], self.trace.noise.position_mm
        )

    def _stop(self, number: int) -> Stop | None:
        """How a moving phase came to a stand; None where none follows."""
        phase = self.found[number]
        if not phase.sense or number + 1 >= len(self.found) or self.found[number + 1].sense:
            return None
        stand = self.found[number + 1]
        times = self.trace.times_s
        middle = stand.last if number + 2 >= len(self.found) else (stand.first + stand.last) // 2
        part = slice(phase.first, middle + 1)
        return fit_stop(
            times[part],
            phase.sense * self.trace.s_mm[part],
            float(times[stand.first]),
            self.trace.noise.position_mm,
        )

    def _lead(self, number: int, body: Onset | None) -> tuple[float, float] | None:
        """How long the first wheel to turn did so before the body moved, s, and its u."""
        part = self._around_start(number)
        if body is None or part is None:
            return None
        rows = self.known[part]
        sense = self.found[number].sense
        found = []
        for wheel in self.wheels:
            turn = wheel.turn_rad[rows]
            ok = np.isfinite(turn) & (wheel.stretch[rows] == wheel.stretch[rows[-1]])
            if ok.mean() < 0.8:
                continue
            first = onset(self.path.times_s[rows][ok], sense * turn[ok], wheel.noise_rad)
            if first is not None:
                found.append(delay(first, body))
        if not found:
            return None
        first_to_turn: Delay = max(found, key=lambda lead: lead.value_s)
        return first_to_turn.value_s, first_to_turn.u_s

    def _jump(self, phase: Phase, start: Onset | None) -> Value | None:
        """Start jump of a move out of a stand, from the stand's end to the move's."""
        if start is None:
            return None
        times = self.trace.times_s
        first = int(np.searchsorted(times, start.t_s - REST_S))
        ends = phase.last + 1
        if ends < len(times):  # it also stops: its fall is no part of the steady speed
            ends = int(np.searchsorted(times, times[phase.last] - STOPPING_S))
        part = slice(min(first, phase.first), ends)
        if ends - part.start < 2:
            return None
        try:
            jump = start_jump(
                times[part],
                phase.sense * self.trace.s_mm[part],
                start.t_s,
                self.trace.noise.position_mm,
            )
        except FollowError:
            return None
        return None if jump is None else _normal(jump.ratio, jump.u)

    def _roll_off(self, phase: Phase) -> tuple[Value | None, Value | None]:
        """Travel while standing, its ends left out, and the rate; None where it is too short."""
        times = self.trace.times_s
        since, until = times[phase.first] + HELD_EDGE_S, times[phase.last] - HELD_EDGE_S
        rows = np.flatnonzero((times >= since) & (times <= until))
        if rows.size < 6:
            return None, None
        t, s = times[rows], self.trace.s_mm[rows]
        lasts = float(t[-1] - t[0])
        few = max(3, rows.size // 5)
        crept = float(np.mean(s[-few:]) - np.mean(s[:few]))
        between = float(np.mean(t[-few:]) - np.mean(t[:few]))
        u = self.trace.noise.position_mm * math.sqrt(2 * self.trace.noise.correlation / few)
        u = math.hypot(u, float(np.median(self.trace.u_camera_mm[rows])))
        rate, u_rate = crept / between, u / between
        return _normal(rate * lasts, u_rate * lasts), _normal(rate, u_rate)

    def _turned(self, wheel: WheelTrace, phase: Phase) -> float | None:
        """Turn of a wheel over a phase in its sense, rad; None when not counted through."""
        rows = self.known[phase.first : phase.last + 1]
        turn = wheel.turn_rad[rows]
        seen = np.flatnonzero(np.isfinite(turn))
        if seen.size < 0.7 * rows.size or seen.size < 3:
            return None
        if np.unique(wheel.stretch[rows[seen]]).size > 1:
            return None
        return phase.sense * float(turn[seen[-1]] - turn[seen[0]])

    def _facts(
        self, phase: Phase, lead: tuple[float, float] | None, wheel: WheelTrace | None = None
    ) -> Facts:
        """Facts of a phase by one wheel, else by the wheel that turned most."""
        trace = self.trace
        travel = phase.sense * (trace.travel_at(phase.last) - trace.travel_at(phase.first))
        u_travel = math.hypot(trace.end_u(phase.first), trace.end_u(phase.last))
        chosen = [wheel] if wheel is not None else list(self.wheels)
        pairs = [(item, self._turned(item, phase)) for item in chosen]
        told = [(item, turn) for item, turn in pairs if turn is not None]
        surface = rim = None
        u_surface = 0.0
        if told:
            item, turn = max(told, key=lambda pair: abs(pair[1]))
            rim = abs(turn) * self._rim_mm(item)
            if item.radius is not None:
                surface = turn * item.radius.mm
                shared = [item.radius.u_relative]
                shared += [source.u_relative for source in trace.ruler.sources]
                u_surface = math.hypot(
                    item.u_step_rad() * item.radius.mm, surface * math.hypot(*shared)
                )
        gained, u_gained = self._gained(phase)
        steep = abs(self.lean) > LEVEL_DEG
        return Facts(
            travel_mm=abs(travel),
            u_travel_mm=u_travel,
            surface_mm=surface,
            u_surface_mm=u_surface,
            rim_mm=rim,
            climbs=(self.lean * phase.sense > 0) if steep else None,
            lead_s=None if lead is None else lead[0],
            u_lead_s=0.0 if lead is None else lead[1],
            gained=gained,
            u_gained=u_gained,
        )

    def _rim_mm(self, wheel: WheelTrace) -> float:
        """Radius of the marked rim in the plane, mm."""
        place = np.array([[wheel.mark.cx, wheel.mark.cy]])
        return abs(wheel.mark.rx) * float(
            math.sqrt(abs(np.linalg.det(self.trace.ruler.stretch(place)[0])))
        )

    def _gained(self, phase: Phase) -> tuple[float | None, float]:
        """Speed gained over a phase over its mean speed, its last tenth of stopping left out."""
        times = self.trace.times_s
        lasts = float(times[phase.last] - times[phase.first])
        if lasts < LEAST_GROWTH_S:
            return None, 0.0
        until = times[phase.last] - min(0.15, 0.15 * lasts)
        rows = np.flatnonzero(times <= until)
        rows = rows[rows >= phase.first]
        t, s = times[rows] - times[rows].mean(), phase.sense * self.trace.s_mm[rows]
        if t.size < 12:
            return None, 0.0
        design = np.stack([np.ones_like(t), t, t**2], axis=1)
        solution, *_ = np.linalg.lstsq(design, s, rcond=None)
        noise = self.trace.noise.position_mm * math.sqrt(self.trace.noise.correlation)
        covariance = np.linalg.inv(design.T @ design) * noise**2
        span, mean = float(t[-1] - t[0]), float(solution[1])
        if mean <= 0:
            return None, 0.0
        return 2 * float(solution[2]) * span / mean, 2 * math.sqrt(covariance[2, 2]) * span / mean

    def _wheel_words(self, phase: Phase, facts: Facts | None) -> str:
        """What the wheels did, all of them where they did the same."""
        if facts is None:
            return "standing" if self.wheels and self._still(phase) else "not told"
        states = []
        for wheel in self.wheels:
            states.append(wheel_state(self._facts(phase, None, wheel)))
        told = {state for state in states if state != "not told"}
        if len(told) <= 1:
            return told.pop() if told else "not told"
        return ", ".join(
            f"wheel {wheel.number} {state}"
            for wheel, state in zip(self.wheels, states, strict=True)
        )

    def _still(self, phase: Phase) -> bool:
        """Whether all wheels that were seen stood as well: under 3 deg in the whole phase."""
        turns = [self._turned(wheel, Phase(phase.first, phase.last, 1)) for wheel in self.wheels]
        known = [abs(turn) for turn in turns if turn is not None]
        return bool(known) and max(known) < math.radians(3)


def _normal(estimate: float, u: float) -> Value:
    return Value(estimate, u, estimate - Z95 * u, estimate + Z95 * u)
