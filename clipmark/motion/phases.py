"""Phases of a trace: moving ahead, held, moving back.

Pure numerics. The sign of the filtered speed says which way the truck went. A truck that is held
may creep, and what moves back by a few millimetres during a stop is a roll-back, not a reverse; a
stop between two stretches of the same sense is a stall of that phase. Positions are mm, times s.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import LEAST_POINTS, local_fit
from clipmark.motion.stalls import NOISE_FACTOR, SLOW_SHARE, usual_moving_speed
from clipmark.motion.stopping import Start, Stop, fit_start, fit_stop

LOOK_WINDOW_S = 0.15
SHORT_WINDOWS_S = (0.085, 0.1, 0.125)  # taken where noise allows, to see short stands
CREEP_MM_S, CREEP_SHARE = 3.0, 0.3  # up to so fast a truck that is held may creep
LEAST_MOVE_MM, LEAST_MOVE_S = 5.0, 0.3  # smaller: a roll within a stop
LEAST_MOVE_SIGMAS = 12.0
FIRST_SHARE = 0.25  # the first move of at least this share of the longest says which way is ahead
LEAST_SHARE = 0.4  # a move of this share of the longest is one, however small
LEAST_END_S = 0.1  # a stand at either end of the span is at least as long
LEAST_STAND_S = 0.1  # between two moves
SURE_STAND_S = 0.35  # by the filtered speed; shorter ones are looked at by fits
RISE_S, RISEN, RISE_SPARE_S = 0.3, 0.8, 0.08  # how a start is left out where a stop is fitted
RISE_MOST = 0.4  # of the move
QUIET_END = 0.6  # of a stand, before the next move may make itself felt


@dataclass(frozen=True)
class Phase:
    """One phase of K known instants, [first, last] by number, both included.

    ``sense`` is +1 moving ahead, 0 standing, -1 moving back. ``settled`` and ``wakes`` are the last
    instant of the first quiet piece of a stand and the first one of the last: between them it may
    have rolled.
    """

    first: int
    last: int
    sense: int
    settled: int = -1
    wakes: int = -1


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
        return [Phase(0, len(times_s) - 1, 0, len(times_s) - 1, 0)]
    sense = _senses(times_s, positions, speed_noise, position_noise)
    pieces = _runs(sense)
    runs = _without_small(pieces, times_s, positions, LEAST_MOVE_SIGMAS * position_noise)
    runs = _without_short_ends(runs, times_s)
    runs = _without_stalls(runs)
    runs = [_with_quiet(run, pieces) for run in runs]
    return _with_true_stands(runs, times_s, positions, position_noise)


def stop_of(
    times_s: FloatArray,
    positions: FloatArray,
    phases: list[Phase],
    number: int,
    noise: float,
    rho: float = 0.0,
) -> Stop | None:
    """How a move came to the stand after it; None where none follows, or it cannot be told.

    Parameters
    ----------
    times_s, positions, phases
        As in, and from, `find_phases`.
    number : int
        Of the move among the phases.
    noise, rho : float
        Standard deviation of a single position, and correlation of neighbouring ones.
    """
    move = phases[number]
    if not move.sense or number + 1 >= len(phases) or phases[number + 1].sense:
        return None
    stand = phases[number + 1]
    until = stand.settled
    if number + 2 < len(phases) or until < stand.last:
        least = min(stand.first + 3, stand.last)
        until = max(stand.first + int(QUIET_END * (until - stand.first)), least)
    part = slice(_run_begins(times_s, positions, phases, number), until + 1)
    near = float(times_s[stand.first])
    return fit_stop(times_s[part], move.sense * positions[part], near, noise, rho)


def start_of(
    times_s: FloatArray,
    positions: FloatArray,
    phases: list[Phase],
    number: int,
    noise: float,
    rho: float = 0.0,
) -> Start | None:
    """How a move left the stand before it; see `stop_of`."""
    move = phases[number]
    if not move.sense or number == 0 or phases[number - 1].sense:
        return None
    stand = phases[number - 1]
    since = stand.wakes
    if number > 1 or since > stand.first:
        least = max(stand.last - 3, stand.first)
        since = min(stand.last - int(QUIET_END * (stand.last - since)), least)
    back = positions[::-1], [_turned(phase, len(times_s)) for phase in reversed(phases)]
    ends = len(times_s) - 1 - _run_begins(-times_s[::-1], *back, len(phases) - 1 - number)
    part = slice(since, ends + 1)
    near = float(times_s[stand.last])
    return fit_start(times_s[part], move.sense * positions[part], near, noise, rho)


def _run_begins(
    times_s: FloatArray, positions: FloatArray, phases: list[Phase], number: int
) -> int:
    """First instant of a move that is no part of its start from the stand before it.

    Seen backwards in time, the last one that is no part of its stop.
    """
    move = phases[number]
    if number == 0 or phases[number - 1].sense:
        return move.first
    part = slice(move.first, move.last + 1)
    t = times_s[part]
    speed = move.sense * _speed(t, positions[part], SHORT_WINDOWS_S[0])
    usual = float(np.median(speed[t <= t[0] + RISE_S]))
    up = np.flatnonzero(speed >= RISEN * usual)
    if not up.size:
        return move.first
    took = float(t[up[0]] - t[0])
    begins = t[up[0]] + max(RISE_SPARE_S, took / 2)
    begins = min(begins, t[0] + RISE_MOST * (t[-1] - t[0]))
    return move.first + int(np.searchsorted(t, begins))


def _turned(phase: Phase, count: int) -> Phase:
    """The same seen backwards in time."""
    first, last, settled, wakes = (
        count - 1 - k for k in (phase.last, phase.first, phase.wakes, phase.settled)
    )
    return Phase(first, last, -phase.sense, settled, wakes)


def ahead_sense(times_s: FloatArray, positions: FloatArray, noise: float) -> int:
    """Whether travel ahead is along (+1) or against (-1) the positions' own sense.

    The first move that is a good part of the longest one is ahead, so that a truck that comes
    down, stops and backs up further than it came still came down first.
    """
    if len(times_s) < 3:
        return 1
    runs = _runs(_senses(times_s, positions, 0.0, noise))
    moves = [run for run in runs if run.sense and abs(_gone(run, positions)) > 12 * noise]
    longest = max((abs(_gone(run, positions)) for run in moves), default=0.0)
    if longest == 0:
        return 1 if positions[-1] >= positions[0] else -1
    return _first_sense(moves, positions, longest)


def _senses(
    times_s: FloatArray, positions: FloatArray, speed_noise: float, noise: float
) -> NDArray[np.int8]:
    """+1, 0, -1 by the filtered speed and the speed up to which a held truck may creep."""
    speed = _speed(times_s, positions, LOOK_WINDOW_S)
    usual = usual_moving_speed(np.abs(speed))
    limit = max(SLOW_SHARE * usual, min(CREEP_MM_S, CREEP_SHARE * usual))
    step = float(np.median(np.diff(times_s)))
    for window in SHORT_WINDOWS_S:
        n = max(LEAST_POINTS, int(window / step + 1e-6) // 2 * 2 + 1)
        if NOISE_FACTOR * noise * np.sqrt(12 / (n * (n * n - 1.0))) / step <= 0.7 * limit:
            speed = _speed(times_s, positions, window)
            break
    limit = max(limit, NOISE_FACTOR * speed_noise)
    return np.where(speed > limit, 1, np.where(speed < -limit, -1, 0)).astype(np.int8)


def _speed(times_s: FloatArray, positions: FloatArray, window_s: float) -> FloatArray:
    """Filtered speed; in pieces too short for the filter, that between the instants around."""
    speed = local_fit(times_s, positions, window_s, degree=1).slope
    unknown = np.flatnonzero(~np.isfinite(speed))
    if unknown.size:
        last = len(times_s) - 1
        low = np.maximum(np.searchsorted(times_s, times_s[unknown] - window_s / 2) - 1, 0)
        high = np.minimum(np.searchsorted(times_s, times_s[unknown] + window_s / 2), last)
        elapsed = np.maximum(times_s[high] - times_s[low], 1e-9)
        speed[unknown] = (positions[high] - positions[low]) / elapsed
    return speed


def _runs(sense: NDArray[np.int8]) -> list[Phase]:
    edges = np.flatnonzero(np.diff(sense)) + 1
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
        if gone < LEAST_SHARE * longest or run.sense != ahead:
            small |= gone < LEAST_MOVE_MM
        if run.sense != ahead:
            small |= float(times_s[run.last] - times_s[run.first]) < LEAST_MOVE_S
        out.append(Phase(run.first, run.last, 0) if small else run)
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


def _without_short_ends(runs: list[Phase], times_s: FloatArray) -> list[Phase]:
    """What stands for some frames only where the span begins or ends is part of the move there."""
    out = list(runs)
    for at, beside in ((0, 1), (-1, -2)):
        if len(out) < 2 or out[at].sense:
            continue
        if float(times_s[out[at].last] - times_s[out[at].first]) < LEAST_END_S:
            out[at] = replace(out[at], sense=out[beside].sense)
            out = _joined(out)
    return out


def _without_stalls(runs: list[Phase]) -> list[Phase]:
    """Stands between two moves of one sense go into that move."""
    out = list(runs)
    for k in range(1, len(runs) - 1):
        if runs[k].sense == 0 and runs[k - 1].sense == runs[k + 1].sense:
            out[k] = replace(runs[k], sense=runs[k - 1].sense)
    return _joined(out)


def _with_quiet(run: Phase, pieces: list[Phase]) -> Phase:
    """A stand with the ends of its first and last quiet pieces."""
    if run.sense:
        return replace(run, settled=run.last, wakes=run.first)
    quiet = [p for p in pieces if not p.sense and p.first >= run.first and p.last <= run.last]
    if not quiet:
        return replace(run, settled=run.first, wakes=run.last)
    return replace(run, settled=quiet[0].last, wakes=quiet[-1].first)


def _with_true_stands(
    runs: list[Phase], times_s: FloatArray, positions: FloatArray, noise: float
) -> list[Phase]:
    """Short stands between two senses only where fits of stop and start leave time between."""
    out: list[Phase] = []
    for number, run in enumerate(runs):
        inner = run.sense == 0 and 0 < number < len(runs) - 1
        if not inner or _stands(runs, number, times_s, positions, noise):
            out.append(run)
            continue
        middle = (run.first + run.last) // 2
        if out:
            out[-1] = replace(out[-1], last=middle, settled=middle)
        after = runs[number + 1]
        runs[number + 1] = replace(after, first=middle + 1, wakes=middle + 1)
    return out


def _stands(
    runs: list[Phase], number: int, times_s: FloatArray, positions: FloatArray, noise: float
) -> bool:
    run = runs[number]
    lasts = float(times_s[run.last] - times_s[run.first])
    if lasts >= SURE_STAND_S:
        return True
    stop = stop_of(times_s, positions, runs, number - 1, noise)
    start = start_of(times_s, positions, runs, number + 1, noise)
    if stop is None or start is None:
        return lasts >= LEAST_STAND_S
    return start.leaves_s - stop.stands_s >= LEAST_STAND_S
