"""What the wheels did in a phase of a crawl: how far each went, and whether it started first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.motion.moved_by import NOT_TOLD, WheelWay, wheel_state
from clipmark.motion.onset import Delay, Onset, delay, onset
from clipmark.motion.phases import Phase

LEAST_SEEN = 0.7
LEAST_SEEN_START = 0.8
LEAST_WAY_SIGMAS = 5.0
STILL_DEG = 3.0
CREEP_ROWS, CREEP_SIGMAS = 8, 4.0


@dataclass(frozen=True)
class PhaseWheels:
    """The wheels of one trace, looked at phase by phase."""

    trace: Trace
    path: Path
    wheels: Sequence[WheelTrace]
    known: NDArray[np.intp]

    def states(self, phase: Phase) -> tuple[str, ...]:
        """What each wheel did in a move."""
        ways = [self._way(wheel, phase) for wheel in self.wheels]
        return tuple(NOT_TOLD if way is None else wheel_state(way) for way in ways)

    def in_words(self, phase: Phase) -> str:
        """What the wheels did: all of them where they did the same, else each."""
        if not phase.sense:
            return "standing" if self._still(phase) else NOT_TOLD
        states = self.states(phase)
        told = {state for state in states if state != NOT_TOLD}
        if len(told) <= 1:
            return told.pop() if told else NOT_TOLD
        return ", ".join(
            f"wheel {wheel.number} {state}"
            for wheel, state in zip(self.wheels, states, strict=True)
        )

    def _seen(self, wheel: WheelTrace, phase: Phase) -> tuple[int, int] | None:
        """First and last known instant of a phase with a turn; None when not counted through."""
        turn = wheel.turn_rad[self.known[phase.first : phase.last + 1]]
        seen = np.flatnonzero(np.isfinite(turn))
        if seen.size < max(3, LEAST_SEEN * turn.size):
            return None
        first, last = phase.first + int(seen[0]), phase.first + int(seen[-1])
        counted = wheel.stretch[self.known[phase.first + seen]]
        return (first, last) if np.unique(counted).size == 1 else None

    def _way(self, wheel: WheelTrace, phase: Phase) -> WheelWay | None:
        """How far wheel and body went while the wheel was seen; None where the body hardly did."""
        seen = self._seen(wheel, phase)
        if seen is None:
            return None
        first, last = seen
        trace = self.trace
        travel = phase.sense * (trace.travel_at(last) - trace.travel_at(first))
        u_travel = math.hypot(trace.end_u(first), trace.end_u(last))
        if travel <= LEAST_WAY_SIGMAS * u_travel:
            return None
        turn = wheel.turn_rad[self.known[[first, last]]]
        turned = phase.sense * float(turn[1] - turn[0])
        surface, u_surface = None, 0.0
        if wheel.radius is not None:
            surface = turned * wheel.radius.mm
            shared = [wheel.radius.u_relative]
            shared += [source.u_relative for source in trace.ruler.sources]
            u_surface = math.hypot(
                wheel.u_step_rad() * wheel.radius.mm, surface * math.hypot(*shared)
            )
        return WheelWay(travel, u_travel, surface, u_surface, turned * self._rim_mm(wheel))

    def _rim_mm(self, wheel: WheelTrace) -> float:
        """Radius of the marked rim in the plane, mm."""
        place = np.array([[wheel.mark.cx, wheel.mark.cy]])
        return abs(wheel.mark.rx) * float(
            math.sqrt(abs(np.linalg.det(self.trace.ruler.stretch(place)[0])))
        )

    def _still(self, phase: Phase) -> bool:
        """Whether all wheels that were seen stood in a stand."""
        turned = []
        for wheel in self.wheels:
            seen = self._seen(wheel, phase)
            if seen is not None:
                turn = wheel.turn_rad[self.known[list(seen)]]
                turned.append(abs(float(turn[1] - turn[0])))
        return bool(turned) and max(turned) < math.radians(STILL_DEG)

    def lead(self, part: slice, leaves: int, sense: int) -> tuple[float, float] | None:
        """How long the first wheel to turn did so before the body moved, s, and its u.

        Parameters
        ----------
        part : slice
            Known instants, from a quiet stand to the first part of the move.
        leaves : int
            About the last of them at which it stood.
        sense : int
            Of the move.
        """
        times = self.trace.times_s[part]
        stood = max(leaves - part.start, 0)
        noise = self.trace.noise.position_mm
        body = _onset(times, sense * _without_creep(times, self.trace.s_mm[part], stood), noise)
        if body is None:
            return None
        rows = self.known[part]
        found = []
        for wheel in self.wheels:
            turn = wheel.turn_rad[rows]
            ok = np.isfinite(turn) & (wheel.stretch[rows] == wheel.stretch[rows[-1]])
            if ok.mean() < LEAST_SEEN_START:
                continue
            steady = _without_creep(times[ok], turn[ok], int(ok[:stood].sum()))
            first = _onset(times[ok], sense * steady, wheel.noise_rad)
            if first is not None:
                found.append(delay(first, body))
        if not found:
            return None
        first_to_turn: Delay = max(found, key=lambda lead: lead.value_s)
        return first_to_turn.value_s, first_to_turn.u_s


def _onset(times_s: FloatArray, values: FloatArray, noise: float) -> Onset | None:
    """The start, None too where the fit does not tell its uncertainty."""
    with np.errstate(invalid="ignore"):
        found = onset(times_s, values, noise)
    return found if found is not None and math.isfinite(found.u_noise_s) else None


def _without_creep(times_s: FloatArray, values: FloatArray, stood: int) -> FloatArray:
    """Values less the straight line of their first `stood`, where those clearly creep."""
    before = stood - 2  # the last frames may leave already
    if before < CREEP_ROWS:
        return values
    t, y = times_s[:before] - times_s[0], values[:before]
    (slope, _), covariance = np.polyfit(t, y, 1, cov=True)
    if abs(slope) < CREEP_SIGMAS * math.sqrt(max(float(covariance[0, 0]), 0.0)):
        return values
    return np.asarray(values - slope * (times_s - times_s[0]), dtype=np.float64)
