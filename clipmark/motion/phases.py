"""Phases of a trace: moving ahead, held, moving back.

Pure numerics. The sign of the filtered speed says which way the truck went; a phase must be wide
enough to be one: what moves back by a few millimetres during a stop is a roll-back, not a reverse,
and a stop between two stretches of the same sense is a stall of that phase. Positions are any
length unit, times s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit
from clipmark.motion.stalls import LEAST_DWELL_S, NOISE_FACTOR, SLOW_SHARE, usual_moving_speed

LOOK_WINDOW_S = 0.15
LEAST_BACK_MM, LEAST_BACK_S = 5.0, 0.3  # smaller: a roll-back within a stop
LEAST_MOVE_SIGMAS = 12.0
FIRST_SHARE = 0.25  # the first phase of at least this share of the longest says which way is ahead


@dataclass(frozen=True)
class Phase:
    """One phase of K known instants, [first, last] by number, both included.

    ``sense`` is +1 moving ahead, 0 standing, -1 moving back.
    """

    first: int
    last: int
    sense: int


def find_phases(
    times_s: FloatArray, positions: FloatArray, speed_noise: float, position_noise: float
) -> list[Phase]:
    """Phases of a trace, in order, without gaps between them.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and positions, mm.
    speed_noise : float
        Standard deviation of the filtered speed of a body at rest, mm/s.
    position_noise : float
        Standard deviation of a single position, mm.
    """
    if len(times_s) < 3:
        return [Phase(0, len(times_s) - 1, 0)]
    speed = np.nan_to_num(local_fit(times_s, positions, LOOK_WINDOW_S, degree=1).slope)
    usual = usual_moving_speed(np.abs(speed))
    limit = max(SLOW_SHARE * usual, NOISE_FACTOR * speed_noise)
    sense = np.where(speed > limit, 1, np.where(speed < -limit, -1, 0))
    runs = _runs(sense)
    least = max(LEAST_MOVE_SIGMAS * position_noise, 1e-9)
    runs = _without_small(runs, times_s, positions, least)
    runs = _joined(runs)
    return _stalls_inside(runs, times_s)


def _runs(sense: NDArray[np.generic]) -> list[Phase]:
    edges = np.flatnonzero(np.diff(sense.astype(int))) + 1
    starts = [0, *edges.tolist()]
    ends = [*(edges - 1).tolist(), len(sense) - 1]
    return [Phase(a, b, int(sense[a])) for a, b in zip(starts, ends, strict=True)]


def _without_small(
    runs: list[Phase], times_s: FloatArray, positions: FloatArray, least: float
) -> list[Phase]:
    """Moves that are too small to be a phase become part of a stand."""
    longest = max((abs(_gone(run, positions)) for run in runs if run.sense), default=0.0)
    ahead = _first_sense(runs, positions, longest)
    out = []
    for run in runs:
        gone = abs(_gone(run, positions))
        small = gone < least
        if run.sense and run.sense != ahead:
            lasts = float(times_s[run.last] - times_s[run.first])
            small |= gone < LEAST_BACK_MM or lasts < LEAST_BACK_S
        out.append(Phase(run.first, run.last, 0) if small and run.sense else run)
    return _joined(out)


def _gone(run: Phase, positions: FloatArray) -> float:
    return float(positions[run.last] - positions[run.first])


def _first_sense(runs: list[Phase], positions: FloatArray, longest: float) -> int:
    for run in runs:
        if run.sense and abs(_gone(run, positions)) >= FIRST_SHARE * longest:
            return run.sense
    return 1


def _joined(runs: list[Phase]) -> list[Phase]:
    """Neighbours of one sense as one."""
    out: list[Phase] = []
    for run in runs:
        if out and out[-1].sense == run.sense:
            out[-1] = Phase(out[-1].first, run.last, run.sense)
        else:
            out.append(run)
    return out


def _stalls_inside(runs: list[Phase], times_s: FloatArray) -> list[Phase]:
    """Stands between two moves of one sense go into that move; short ones between two senses go.

    A stand that is not long enough to be seen as one is split between its neighbours.
    """
    moving = [run for run in runs if run.sense]
    out: list[Phase] = []
    for number, run in enumerate(runs):
        before = runs[number - 1] if number else None
        after = runs[number + 1] if number + 1 < len(runs) else None
        if run.sense == 0 and before and after and moving:
            if before.sense == after.sense:
                run = Phase(run.first, run.last, before.sense)
            elif float(times_s[run.last] - times_s[run.first]) < LEAST_DWELL_S:
                middle = (run.first + run.last) // 2
                if middle >= run.first:
                    out.append(Phase(run.first, middle, before.sense))
                if middle < run.last:
                    out.append(Phase(middle + 1, run.last, after.sense))
                continue
        out.append(run)
    return _joined(out)


def ahead_sense(times_s: FloatArray, positions: FloatArray, noise: float) -> int:
    """Whether travel ahead is along (+1) or against (-1) the positions' own sense.

    The first move that is a good part of the longest one is ahead, so that a truck that comes
    down, stops and backs up further than it came still came down first.
    """
    if len(times_s) < 3:
        return 1
    speed = np.nan_to_num(local_fit(times_s, positions, LOOK_WINDOW_S, degree=1).slope)
    limit = SLOW_SHARE * usual_moving_speed(np.abs(speed))
    runs = _joined(_runs(np.where(speed > limit, 1, np.where(speed < -limit, -1, 0))))
    moves = [run for run in runs if run.sense and abs(_gone(run, positions)) > 12 * noise]
    longest = max((abs(_gone(run, positions)) for run in moves), default=0.0)
    if longest == 0:
        return 1 if positions[-1] >= positions[0] else -1
    return _first_sense(moves, positions, longest)
