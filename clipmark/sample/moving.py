"""What is true of a scene's movement: speeds, wheels, phases, starts from rest."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.motion import Motion
from clipmark.sample.parts import STEP_S, Roll
from clipmark.sample.scene import Scene

Array = NDArray[np.float64]
Truth = dict[str, Any]
STANDS_MM_S = 1e-6  # slower than this nothing moves: rounding of sums
START_S = 0.5  # the start's peak is sought so long, and the steady speed is the mean as long after
LEAST_PHASE_S = 1e-3
LEVEL_DEG = 1.0  # on flatter boards there is no down or up


def wheel_truth(scene: Scene, times: Array) -> Truth:
    """``wheel_deg``, ``wheel_deg_s`` and ``slip``, lists over the frames.

    Angles are positive as rolling ahead turns the wheels; slip is 1 - v / (omega r) (as in
    SAE J670), None where the wheels stand.
    """
    motion, radius = scene.motion, scene.need_truck().wheel_mm / 2
    speed, surface = motion.speed(times), motion.surface_speed(times)
    return {
        "wheel_deg": np.degrees(scene.wheel_turn_rad(times)).tolist(),
        "wheel_deg_s": np.degrees(surface / radius).tolist(),
        "slip": [
            None if abs(w) < STANDS_MM_S else 1.0 - float(v / w)
            for v, w in zip(speed, surface, strict=True)
        ],
    }


def motion_truth(scene: Scene, times: Array) -> Truth:
    """Figures of the whole span, and its ``phases`` (see `phases_truth`).

    ``start_jump`` is ``start_peak_mm_s`` (highest speed of the first 0.5 s after the first driven
    start from rest) over ``start_steady_mm_s`` (mean of the 0.5 s after those), None without such a
    start or where it is not driven for 1 s. ``roll_off_mm`` is how far the free rolls carry
    the truck in all, without sign, None where there are none.
    """
    motion = scene.motion
    first, last = float(times[0]), float(times[-1])
    dense = np.linspace(first, last, 20001)
    speed, travel = motion.speed(dense), motion.travel(dense)
    distance = float(travel[-1] - travel[0])
    span = max(last - first, 1e-9)
    mean = distance / span
    back = np.minimum(np.diff(travel), 0.0)
    phases = phases_truth(scene, times)
    starts = [p for p in phases if p["from_rest"] and p["moved_by"] == "driven"]
    start = starts[0] if starts else {}
    return {
        "duration_s": last - first,
        "distance_mm": distance,
        "mean_speed_mm_s": mean,
        "median_moving_speed_mm_s": motion.median_moving_speed(first, last),
        "lowest_speed_mm_s": float(speed.min()),
        "ripple_amplitude": motion.ripple,
        "ripple_hz": motion.ripple_hz,
        "ripple": motion.ripple / math.sqrt(2.0),
        "speed_sd_over_mean": float(speed.std() / mean) if mean > 1e-9 else None,
        "stalls": motion.stalls(first, last),
        "rollback_mm": float(-back.sum()),
        "slip": motion.slip,
        "start_jump": start.get("start_jump"),
        "start_peak_mm_s": start.get("start_peak_mm_s"),
        "start_steady_mm_s": start.get("start_steady_mm_s"),
        "start_delay_s": motion.wheel_lead_s if starts else None,
        "roll_off_mm": _roll_off_mm(motion.rolls, first, last),
        "phases": phases,
    }


@dataclass(frozen=True)
class _Run:
    """A span of one direction: +1, 0 or -1, and whether it began from rest in the clip."""

    start_s: float
    end_s: float
    way: int
    from_rest: bool


def phases_truth(scene: Scene, times: Array) -> list[Truth]:
    """Spans of travel ahead, back and none, in order; stops and roll-backs do not divide them.

    Each has ``start_s``, ``end_s``, ``first_frame``, ``last_frame``, ``distance_mm`` (signed along
    the heading), ``mean_speed_mm_s``; ``kind``: ``down``, ``up`` or ``along`` the board ahead,
    ``reverse`` for all travel back, ``held``; ``moved_by``: ``driven``, ``rolling freely``,
    ``sliding`` (wheels locked for most of it), None when held; ``wheels``: ``rolling``,
    ``locked``, ``spinning`` (surface over 1.5 times the speed), ``standing``; ``from_rest``, and
    ``start_jump``, ``start_peak_mm_s``, ``start_steady_mm_s`` as in `motion_truth` where it is
    driven from rest.
    """
    return [_phase(scene, times, run) for run in _runs(scene.motion, times)]


def _runs(motion: Motion, times: Array) -> list[_Run]:
    """Spans of one direction of what is asked of the truck."""
    first, last = float(times[0]), float(times[-1])
    plan = replace(motion, stops=(), roll_backs=(), ripple=0.0)
    grid = np.append(np.arange(first, last, STEP_S), last)
    speed = plan.speed(grid)
    way = np.where(np.abs(speed) < STANDS_MM_S, 0, np.sign(speed)).astype(int)
    cuts = [0, *(np.flatnonzero(np.diff(way)) + 1).tolist(), len(grid) - 1]
    runs = []
    for a, b in pairwise(cuts):
        rested = a > 0 and way[a - 1] == 0
        run = _Run(float(grid[a]), float(grid[b]), int(way[a]), bool(rested and way[a] != 0))
        if run.end_s - run.start_s >= LEAST_PHASE_S:
            runs.append(run)
    return runs


def _phase(scene: Scene, times: Array, run: _Run) -> Truth:
    motion = scene.motion
    dense = np.linspace(run.start_s, run.end_s, 4001)
    speed, surface = np.abs(motion.speed(dense)), np.abs(motion.surface_speed(dense))
    travel = motion.travel(np.array([run.start_s, run.end_s]))
    inside = np.flatnonzero((times >= run.start_s) & (times <= run.end_s))
    distance, lasted = float(travel[1] - travel[0]), run.end_s - run.start_s
    wheels = _wheels(float(np.median(speed)), float(np.median(surface)))
    moved_by = _moved_by(motion, run, wheels)
    return {
        "start_s": run.start_s,
        "end_s": run.end_s,
        "first_frame": int(inside[0]) if inside.size else None,
        "last_frame": int(inside[-1]) if inside.size else None,
        "kind": _kind(scene, run.way),
        "distance_mm": distance,
        "mean_speed_mm_s": distance / lasted,
        "moved_by": moved_by,
        "wheels": wheels,
        "from_rest": run.from_rest,
        **_start(motion, run, driven=moved_by == "driven"),
    }


def _kind(scene: Scene, way: int) -> str:
    if way <= 0:
        return "reverse" if way else "held"
    if scene.board.ramp_deg < LEVEL_DEG:
        return "along"
    return "up" if scene.need_truck().sense > 0 else "down"


def _wheels(speed: float, surface: float) -> str:
    if surface < STANDS_MM_S and speed < STANDS_MM_S:
        return "standing"
    if surface < 0.5 * speed:
        return "locked"
    return "spinning" if surface > 1.5 * speed else "rolling"


def _moved_by(motion: Motion, run: _Run, wheels: str) -> str | None:
    if run.way == 0:
        return None
    if wheels == "locked":
        return "sliding"
    middle = (run.start_s + run.end_s) / 2
    free = any(roll.start_s < middle < roll.end_s for roll in motion.rolls)
    return "rolling freely" if free else "driven"


def _start(motion: Motion, run: _Run, *, driven: bool) -> Truth:
    peak = steady = jump = None
    if driven and run.from_rest and run.end_s - run.start_s >= 2 * START_S:
        early = np.linspace(run.start_s, run.start_s + START_S, 5001)
        peak = float(np.abs(motion.speed(early)).max())
        ends = motion.travel(run.start_s + START_S * np.array([1.0, 2.0]))
        steady = abs(float(ends[1] - ends[0])) / START_S
        jump = peak / steady if steady > STANDS_MM_S else None
    return {"start_jump": jump, "start_peak_mm_s": peak, "start_steady_mm_s": steady}


def _roll_off_mm(rolls: tuple[Roll, ...], first: float, last: float) -> float | None:
    if not rolls:
        return None
    total = 0.0
    for roll in rolls:
        knots = np.clip([roll.start_s, roll.start_s + roll.duration_s, roll.end_s], first, last)
        for a, b in pairwise(knots):
            piece = np.linspace(a, b, 4001)
            speed = roll.speed(piece)
            total += abs(float((speed[1:] + speed[:-1]).mean() / 2 * (b - a)))
    return total
