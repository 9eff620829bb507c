"""Whether and when the truck begins to tip: found roughly, then fitted in a window of frames.

Lean on the springs is slow: it goes with the platform. Tipping outruns the platform, however slowly
that turns. What comes to rest again, or goes back, was held or caught.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.motion.lift_off_fit import OnsetFit, fit_onset
from clipmark.motion.local_fit import LocalFit, local_fit

FloatArray = NDArray[np.float64]
GROWN_DEG = 0.8  # extra turn that is told from lean, with the rate below
OUTRUNS = 0.8  # of the platform's own rate
SURE = 5.0  # standard deviations of the rate
SLOWEST_DEG_S = 0.3
LOOK_BACK_S = (0.4, 0.9)  # the turn is compared with what it was so long before
LARGEST_DEG = 6.0  # of extra turn in the fit
SLOW_K = 6.0  # the least growth for which the window is laid out
QUIET_S, QUIET_DEG = 6.0, 8.0
LEAST_QUIET = 10  # frames at rest against the platform before it can have begun
LEAST_EVIDENCE = 12.0
HELD_SHARE = 0.25  # of its largest rate: below it something holds the truck
TURN_HALF_S = 0.06


@dataclass(frozen=True, eq=False)
class Growth:
    """The beginning of tipping.

    Attributes
    ----------
    found : bool
    fit : OnsetFit or None
        None although found, where there was no rest before it, or too little was seen.
    at_s : float
        Where it was told from lean; NaN when not found.
    why : str
        Why there is no fit.
    held_s : float
        When the truck came to rest again against the platform after it had begun; NaN when not.
    back_s : float
        How long before `at_s` it may have begun.
    """

    found: bool
    fit: OnsetFit | None
    at_s: float
    why: str = ""
    held_s: float = math.nan
    back_s: float = 0.0

    def leaves_with_it(self, t_s: float) -> bool:
        """Whether a tyre that left at `t_s` left because the truck tips, not long before."""
        return self.found and abs(t_s - self.at_s) < self.back_s + 0.1


def find_growth(
    t_s: FloatArray,
    platform: LocalFit,
    turn_deg: FloatArray,
    gaps: Sequence[FloatArray],
    gap_s: Sequence[float],
    u_turn_deg: float = 0.0,
    u_gap: float = 0.0,
) -> Growth:
    """Find tipping and fit its onset.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
    platform : LocalFit
        Smoothed platform angle, towards tipping, without gaps.
    turn_deg : ndarray, shape (n,)
        Chassis less platform, towards tipping; NaN where not seen.
    gaps : sequence of ndarray, shape (n,)
        Way of the uphill tyres off the platform; NaN where not seen.
    gap_s : sequence of float
        When each exceeded its gap; NaN when it did not.
    u_turn_deg, u_gap : float
        Least standard noise of one frame.
    """
    frame = float(np.median(np.diff(t_s)))
    half = max(3, round(TURN_HALF_S / frame))
    seen = np.isfinite(turn_deg)
    at = _told_from_lean(t_s, platform, turn_deg, half) if seen.sum() > 2 * half else math.nan
    if math.isnan(at):
        return Growth(False, None, math.nan)
    rate = float(np.interp(at, t_s, platform.rate))
    back = _rise_s(max(abs(rate), 0.02))
    last, held = _ends(t_s, turn_deg, at, half)
    quiet = at - back - 2 * frame
    reach = min(QUIET_S, max(1.0, QUIET_DEG / max(abs(rate), 0.02)))
    use = (t_s >= quiet - reach) & (t_s <= last)
    if int(((t_s <= quiet) & use & seen).sum()) < LEAST_QUIET:
        why = (
            "the truck moves against the platform from the first frames on, so there is no rest to "
            "compare with"
        )
        return Growth(True, None, at, why, held, back)
    # A tyre that left long before the truck tips (a front wheel) tells nothing of its tipping.
    with_it = [
        gap[use]
        for gap, when in zip(gaps, gap_s, strict=True)
        if math.isfinite(when) and Growth(True, None, at, back_s=back).leaves_with_it(when)
    ]
    fit = fit_onset(
        t_s[use],
        platform.value[use],
        turn_deg[use],
        with_it,
        quiet_until_s=quiet,
        between_s=(float(t_s[use][2]), at),
        u_turn_deg=u_turn_deg,
        u_gap=u_gap,
    )
    if fit is None or fit.evidence < LEAST_EVIDENCE:
        return Growth(True, None, at, "too little of it was seen to place its onset", held, back)
    return Growth(True, fit, at, "", held, back)


def _told_from_lean(t_s: FloatArray, platform: LocalFit, turn_deg: FloatArray, half: int) -> float:
    """First instant at which the turn outruns the platform and has grown; NaN when never."""
    local = local_fit(t_s, turn_deg, half, order=1)
    limit = np.maximum(OUTRUNS * np.abs(platform.rate), SURE * local.u_rate)
    fast = local.rate > np.maximum(limit, SLOWEST_DEG_S)
    for k in np.flatnonzero(fast):
        begin, end = np.searchsorted(t_s, [t_s[k] - LOOK_BACK_S[1], t_s[k] - LOOK_BACK_S[0]])
        before = turn_deg[begin : max(int(end), int(begin) + 3)]
        before = before[np.isfinite(before)]
        if not before.size or begin >= k:
            continue
        leant = float(np.median(before))
        if local.value[k] - leant >= GROWN_DEG:
            return float(t_s[k])
    return math.nan


def _rise_s(rate_deg_s: float) -> float:
    """How long before it is told from lean the slowest growth may have begun, s."""
    wanted = (GROWN_DEG + 0.4) * SLOW_K / rate_deg_s
    x = scipy.optimize.brentq(lambda s: math.sinh(s) - s - wanted, 0.0, 20.0)
    return float(x) / SLOW_K


def _ends(t_s: FloatArray, turn_deg: FloatArray, at: float, half: int) -> tuple[float, float]:
    """Last instant for the fit, and when the truck was held (NaN when it was not)."""
    local = local_fit(t_s, turn_deg, half, order=1)
    k = int(np.searchsorted(t_s, at))
    start = local.value[k]
    fastest, last, held = 0.0, at, math.nan
    frame = float(np.median(np.diff(t_s)))
    for i in range(k, len(t_s)):
        if not np.isfinite(turn_deg[i]) or not np.isfinite(local.rate[i]):
            if t_s[i] - last > 4 * frame:
                break
            continue
        grown = turn_deg[i] - start
        if math.isnan(held) and local.rate[i] < HELD_SHARE * fastest and grown < 40.0:
            held = float(t_s[max(i - half, k)])
        fastest = max(fastest, float(local.rate[i]))
        if grown > LARGEST_DEG - GROWN_DEG:
            if math.isnan(held):
                continue
            break
        if math.isnan(held):
            last = float(t_s[i])
    if math.isfinite(held):
        last = min(last, held - half * frame) if held - half * frame > at else max(at, held - frame)
    return last, held
