"""The stretch of a run over which a wheel turns one way, seen without a gap.

Pure numerics, for `orders`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit, stretches
from clipmark.motion.stalls import SLOW_SHARE, usual_moving_speed

LEAST_TURNS = 2.0
LEAST_FRAMES = 60
NYQUIST_SHARE = 0.45  # of the frame rate: what lies above is folded down or nearly so
RATE_WINDOW_S = 0.3
TRAVEL_IN_NOISE = 20.0  # a truck that travels less than this many position noises stands


@dataclass(frozen=True, eq=False)
class Stretch:
    """One stretch of K frames, turned so that both ways go up.

    Attributes
    ----------
    first, last : int
        Its first and last instant among those given.
    t_s, s_mm, turn_rad : ndarray, shape (K,)
        Time from its middle, way and turn as seen from its start; way and turn go up.
    fastest_turns_s : float
        Highest mean turning rate over any one turn, turns per s.
    frames_s : float
        Frame rate there.
    """

    first: int
    last: int
    t_s: FloatArray
    s_mm: FloatArray
    turn_rad: FloatArray
    fastest_turns_s: float
    frames_s: float

    @property
    def turns(self) -> float:
        """Turns of the wheel."""
        return float(self.turn_rad[-1]) / math.tau

    @property
    def highest(self) -> float:
        """Highest cycles per turn that the frame rate can show, at the fastest turn."""
        return NYQUIST_SHARE * self.frames_s / self.fastest_turns_s


def longest_turning(
    times_s: FloatArray, s_mm: FloatArray, turn_rad: FloatArray, position_noise_mm: float
) -> Stretch | str:
    """Find the longest stretch, or say in a sentence why there is none that serves.

    Parameters
    ----------
    times_s, s_mm, turn_rad : ndarray, shape (K,)
        Increasing times, way along the travel, and unwrapped turn; NaN where not known.
    position_noise_mm : float
        Standard deviation of a single position, mm.
    """
    known = np.flatnonzero(np.isfinite(times_s) & np.isfinite(s_mm) & np.isfinite(turn_rad))
    t, s, turn = times_s[known], s_mm[known], turn_rad[known]
    span = _longest_one_way(t, turn)
    if span is None:
        return "no wheel is seen to turn in this span, so unevenness cannot be told per turn"
    a, b = span
    turns = abs(float(turn[b - 1] - turn[a])) / math.tau
    if turns < LEAST_TURNS or b - a < LEAST_FRAMES:
        return (
            f"the wheel is seen to turn {turns:.2g} times one way without a gap, in {b - a} "
            f"frames; unevenness per turn needs {LEAST_TURNS:g} turns and {LEAST_FRAMES} "
            "frames, so film a longer run"
        )
    travel = float(s[b - 1] - s[a])
    if abs(travel) < TRAVEL_IN_NOISE * position_noise_mm or travel == 0:
        return (
            f"the truck travels only {abs(travel):.2g} mm while its wheel turns {turns:.2g} times, "
            "so there is no speed to compare its unevenness with"
        )
    way = np.sign(travel) * (s[a:b] - s[a])
    angle = np.sign(turn[b - 1] - turn[a]) * (turn[a:b] - turn[a])
    times = t[a:b] - (t[a] + t[b - 1]) / 2
    return Stretch(
        first=int(known[a]),
        last=int(known[b - 1]),
        t_s=times,
        s_mm=way,
        turn_rad=angle,
        fastest_turns_s=_fastest(times, angle),
        frames_s=1 / float(np.median(np.diff(times))),
    )


def _longest_one_way(t: FloatArray, turn: FloatArray) -> tuple[int, int] | None:
    """Instants [a, b) of the largest turn without a gap, a stand or a change of direction."""
    rate = np.nan_to_num(local_fit(t, turn, RATE_WINDOW_S, degree=1).slope)
    usual = usual_moving_speed(np.abs(rate))
    if usual <= 0:
        return None
    direction = np.sign(rate) * (np.abs(rate) > SLOW_SHARE * usual)
    best: tuple[float, tuple[int, int]] | None = None
    for run in stretches(t):
        changes = np.flatnonzero(np.diff(direction[run])) + 1 + run.start
        edges = [run.start, *changes.tolist(), run.stop]
        for a, b in pairwise(edges):
            size = abs(float(turn[b - 1] - turn[a]))
            if direction[a] != 0 and b - a > 1 and (best is None or size > best[0]):
                best = size, (a, b)
    return None if best is None else best[1]


def _fastest(t_s: FloatArray, turn_rad: FloatArray) -> float:
    """Highest mean rate over any one turn, turns per s."""
    ends = turn_rad >= math.tau
    before = np.interp(turn_rad[ends] - math.tau, np.maximum.accumulate(turn_rad), t_s)
    return float(np.max(1 / np.maximum(t_s[ends] - before, 1e-9)))
