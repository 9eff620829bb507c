"""How probable each count of stalls is, as far as the noise of the trace leaves it open.

Noise of the trace's own size and colour is laid on the trace, the stalls are found anew, and this
is done many times. The trace itself holds one draw of that noise already. The edges of a stand
follow the positions linearly as long as the noise is small, so the dwell found in a drawn trace
scatters about the dwell found in the trace itself as this one does about the true dwell: that
scatter is what is left open of the truth, with nothing presumed of it. A path smoothed first
would not do: smoothing rounds the very edges that the dwell is told from.

Beside the noise, either edge of a stand is known to half a frame at best, whatever the shape of
the stop: each drawn dwell is shifted by two such rectangular errors before it is held against
the criterion. Places that are no stall in the trace, but nearly so, count in those draws in which
they become one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.measure.crawl_noise import smooth
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_standing import find_stands
from clipmark.measure.crawl_values import Trace
from clipmark.motion.stalls import LEAST_DWELL_S, Stall

DRAWS = 500
SEED = 20_260_612
NEARLY_S = 0.04  # a stand at least so long may have been a stall
SAME_PLACE_S = 0.25  # drawn stalls whose middles lie nearer are one
TOLD_FROM = 0.02  # a stall that is rarer among the draws is not listed
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class LikelyStall:
    """One place where it may have stood.

    Attributes
    ----------
    t_s, dwell_s : float
        Start and dwell, as the trace shows them, or the median of the draws.
    p : float
        Share of the draws in which it is a stall.
    found : bool
        Whether it is one in the trace itself.
    """

    t_s: float
    dwell_s: float
    p: float
    found: bool


@dataclass(frozen=True, eq=False)
class StallOdds:
    """Distribution of the count of stalls.

    Attributes
    ----------
    counts : ndarray of int, shape (draws,)
    stalls : tuple of LikelyStall
        Places by time.
    seed, draws : int
    """

    counts: NDArray[np.int64]
    stalls: tuple[LikelyStall, ...]
    seed: int
    draws: int

    def shares(self) -> dict[int, float]:
        """Share of the draws by count."""
        counts, times = np.unique(self.counts, return_counts=True)
        return {int(k): float(n / self.draws) for k, n in zip(counts, times, strict=True)}


def stall_odds(
    trace: Trace,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    progress: Progress | None = None,
) -> StallOdds:
    """Find the stalls of a trace anew in many draws of its noise; see the module's docstring.

    Parameters
    ----------
    trace : Trace
        As `measure_crawl` makes it; its standing must not be blind.
    draws, seed : int
    progress : callable, optional
        Called with draws done and draws in all.
    """
    times, s = trace.times_s, trace.s_mm
    _, _, position_mm = smooth(times, s, None)
    half_frame = float(np.median(np.diff(times))) / 2
    rng = np.random.default_rng(seed)
    counts = np.zeros(draws, dtype=np.int64)
    drawn: list[Stall] = []
    for k in range(draws):
        noisy = s + _noise(trace, len(times), rng)
        stands = find_stands(times, noisy, trace.noise.speed_mm_s, position_mm, NEARLY_S)
        stalls = stands.standing.stalls
        errors = half_frame * rng.uniform(-1, 1, (len(stalls), 2)).sum(axis=1)
        real = [
            stall
            for stall, error in zip(stalls, errors.tolist(), strict=True)
            if stall.dwell_s + error >= LEAST_DWELL_S
        ]
        counts[k] = len(real)
        drawn += real
        if progress is not None:
            progress(k + 1, draws)
    return StallOdds(counts, _places(trace, drawn, draws), seed, draws)


def _noise(trace: Trace, count: int, rng: np.random.Generator) -> FloatArray:
    """Position noise of the trace's size and colour, mm, shape (count,)."""
    noise = trace.noise
    rho = 0.0 if noise.colour is None else noise.colour.rho
    white = rng.standard_normal(count)
    white[1:] *= math.sqrt(1 - rho**2)  # the first is of full size: stationary from the start
    return np.asarray(noise.position_mm * scipy.signal.lfilter([1.0], [1.0, -rho], white))


def _places(trace: Trace, drawn: list[Stall], draws: int) -> tuple[LikelyStall, ...]:
    """Stalls of all draws put together by place, by time."""
    left = sorted(drawn, key=lambda stall: stall.start_s)
    out = []
    for stall in trace.standing.stalls:
        same = [item for item in left if _overlap(item, stall)]
        left = [item for item in left if not _overlap(item, stall)]
        share = min(len(same) / draws, 1.0)
        out.append(LikelyStall(stall.start_s, stall.dwell_s, share, True))
    while left:
        first = left[0]
        same = [item for item in left if item.start_s - first.start_s < SAME_PLACE_S]
        left = left[len(same) :]
        if len(same) / draws >= TOLD_FROM:
            start = float(np.median([item.start_s for item in same]))
            dwell = float(np.median([item.dwell_s for item in same]))
            out.append(LikelyStall(start, dwell, min(len(same) / draws, 1.0), False))
    return tuple(sorted(out, key=lambda place: place.t_s))


def _overlap(a: Stall, b: Stall) -> bool:
    return a.start_s < b.end_s and b.start_s < a.end_s
