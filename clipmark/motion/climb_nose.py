"""The nose of a climbing truck against its board: where the front lifted, and where it tipped over.

Pure numerics on the chassis-to-ramp angle over time. A sprung body squats and rocks by a few
degrees; a lift is more than that, and a tip-over is a lift that ran away and never came down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

LIFT_DEG = 6.0  # over its usual place: more than springs give (TRADE: squat is 2 to 5 deg)
LIFT_SIGMAS = 5.0
TIP_DEG = 30.0  # over its usual place: no truck comes back from there by itself
RUNS_AWAY_DEG_S = 60.0  # and faster while it was lost from view: nothing catches it any more
LEAST_LIFT_S = 0.05
RATE_OVER_S = 0.08


@dataclass(frozen=True)
class Lift:
    """One stretch with the front off the board.

    Attributes
    ----------
    first, last : int
        Instants of the series, both included.
    t_s, until_s : float
        When it passed the limit, interpolated between frames, and when it came below it again
        (the last instant seen, where it did not).
    most_deg : float
        Largest angle over the usual one.
    came_down : bool
    """

    first: int
    last: int
    t_s: float
    until_s: float
    most_deg: float
    came_down: bool


@dataclass(frozen=True)
class Nose:
    """What the nose did.

    Attributes
    ----------
    usual_deg : float
        Chassis to ramp on the board; NaN where it was not seen.
    limit_deg : float
        Over the usual, from which the front counts as lifted.
    lifts : tuple of Lift
    tipped : Lift or None
        The lift that ran away.
    noise_deg : float
    """

    usual_deg: float
    limit_deg: float
    lifts: tuple[Lift, ...]
    tipped: Lift | None
    noise_deg: float


def read_nose(
    times_s: FloatArray, nose_deg: FloatArray, on_board: NDArray[np.bool_] | None = None
) -> Nose:
    """Find lifts and the tip-over.

    Parameters
    ----------
    times_s, nose_deg : ndarray, shape (K,)
        Chassis to ramp, nose up positive; NaN where not seen.
    on_board : ndarray of bool, shape (K,), optional
        Where both axles stood on the board, from which the usual angle is taken; all when not
        given, or where that leaves too little.
    """
    known = np.flatnonzero(np.isfinite(nose_deg))
    if known.size < 5:
        return Nose(np.nan, LIFT_DEG, (), None, np.nan)
    t, angle = times_s[known], nose_deg[known]
    base = known if on_board is None else known[on_board[known]]
    if base.size < 5:
        base = known
    usual = float(np.median(nose_deg[base]))
    calm = np.abs(nose_deg[base] - usual) < LIFT_DEG
    if calm.sum() >= 5:  # a long lift pulls the median up
        usual = float(np.median(nose_deg[base][calm]))
    noise = _noise(angle)
    limit = max(LIFT_DEG, LIFT_SIGMAS * noise)
    over = angle - usual
    lifts = tuple(
        _lift(t, over, known, a, b, limit)
        for a, b in runs_of(over > limit)
        if t[b] - t[a] >= LEAST_LIFT_S or b == len(t) - 1
    )
    if on_board is not None:  # climbing onto the board, the nose points up from it for a while
        lifts = tuple(lift for lift in lifts if on_board[lift.first : lift.last + 1].any())
    return Nose(usual, limit, lifts, _tipped(lifts, times_s, nose_deg), noise)


def _noise(angle: FloatArray) -> float:
    """Standard deviation of a single angle, from second differences, deg."""
    if len(angle) < 4:
        return 0.0
    second = angle[2:] - 2 * angle[1:-1] + angle[:-2]
    return float(1.4826 * np.median(np.abs(second)) / np.sqrt(6))


def runs_of(inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last of every run of what is true, in order."""
    padded = np.concatenate([[False], inside, [False]]).astype(np.int8)
    edges = np.flatnonzero(np.diff(padded))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _lift(
    t: FloatArray, over: FloatArray, known: NDArray[np.intp], a: int, b: int, limit: float
) -> Lift:
    down = b + 1 < len(t)
    return Lift(
        first=int(known[a]),
        last=int(known[b]),
        t_s=crossing(t, over, a, limit) if a else float(t[0]),
        until_s=crossing(t, over, b + 1, limit) if down else float(t[b]),
        most_deg=float(np.max(over[a : b + 1])),
        came_down=down,
    )


def crossing(t: FloatArray, values: FloatArray, k: int, level: float) -> float:
    """When `values` passed `level` between instants k - 1 and k, by a straight line."""
    before, after = float(values[k - 1]), float(values[k])
    share = 0.5 if after == before else (level - before) / (after - before)
    return float(t[k - 1] + min(max(share, 0.0), 1.0) * (t[k] - t[k - 1]))


def _tipped(lifts: tuple[Lift, ...], times_s: FloatArray, nose_deg: FloatArray) -> Lift | None:
    """The last lift, where it never came down and went far, or fast out of view."""
    if not lifts or lifts[-1].came_down:
        return None
    last = lifts[-1]
    if last.most_deg >= TIP_DEG:
        return last
    gone = last.last < len(times_s) - 1
    return last if gone and _rate_at_end(times_s, nose_deg, last) > RUNS_AWAY_DEG_S else None


def _rate_at_end(times_s: FloatArray, nose_deg: FloatArray, lift: Lift) -> float:
    """Turning rate over the last instants of a lift, deg/s."""
    near = np.flatnonzero(np.isfinite(nose_deg[: lift.last + 1]))
    near = near[times_s[near] >= times_s[lift.last] - RATE_OVER_S]
    if near.size < 2:
        return 0.0
    first, final = near[0], near[-1]
    return float((nose_deg[final] - nose_deg[first]) / (times_s[final] - times_s[first]))
