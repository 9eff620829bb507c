"""Looking for a line around where it should be: every shift and turn within a reach.

Pure numerics. Each station's strip is compared with the edge's profile at every whole pixel
across; lines through these scores are tried, and the best is believed only when no other line
apart from it comes near to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from clipmark.motion.line_follow_strip import (
    REACH_PX,
    PointMap,
    Pose,
    Profile,
    Stations,
    Strips,
    read_strips,
)
from clipmark.motion.sampling import FloatArray

APART_PX = 4.0  # lines whose ends lie nearer than this are one
RIVAL_SHARE = 0.8  # of the best line's score: two of that kind cannot be told apart
LEAST_SCORE = 0.35  # mean share of the contrast along the line
SEARCH_STRIPS = 3  # of a station, read in a search
FLAT_LEVELS = 0.5  # a strip with less contrast shows no edge, grey levels


@dataclass(frozen=True)
class Found:
    """Best line of a search.

    Attributes
    ----------
    pose : Pose
    score : float
        Mean share of the edge's contrast along it, 0 to 1.
    rival : float
        Best score of any line apart from it.
    """

    pose: Pose
    score: float
    rival: float

    @property
    def sure(self) -> bool:
        """Whether there is a line and no second one that it may be taken for."""
        return self.score > LEAST_SCORE and self.rival < RIVAL_SHARE * self.score


def search_line(
    luma: NDArray[np.generic],
    pose: Pose,
    stations: Stations,
    profile: Profile,
    contrast: FloatArray,
    reach_px: tuple[float, float],
    from_straight: PointMap,
) -> Found:
    """Look for the line around a pose.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    pose : Pose
        Where it should be.
    stations : Stations
    profile : Profile
    contrast : ndarray, shape (N,)
        What each station's contrast was lately; only its sign counts, 0 lets it be either.
    reach_px : tuple of float
        How far to look across at the middle, and at the ends beyond that.
    from_straight : callable
    """
    reach, turn = (max(int(np.ceil(value)), 1) for value in reach_px)
    wide = reach + turn
    across = np.arange(-wide - REACH_PX, wide + REACH_PX + 1, dtype=np.float64)
    few = stations.within[:: max(1, len(stations.within) // SEARCH_STRIPS)]
    thinned = Stations(stations.half_px, stations.places, few)
    strips = read_strips(luma, pose, thinned, across, from_straight)
    scores = _scores(strips, profile, contrast)
    share = stations.places / stations.half_px
    offsets = np.arange(-reach, reach + 1)
    turns = np.arange(-turn, turn + 1)
    at = np.rint(turns[:, None] * share).astype(np.intp) + wide  # (T, N)
    rows = np.arange(len(share))
    count = max(int(strips.inside.sum()), 1)
    table = np.stack([scores[rows, at + offset].sum(axis=1) for offset in offsets]) / count
    i, j = np.unravel_index(int(np.argmax(table)), table.shape)
    best = float(table[i, j])
    gap = np.abs(offsets[:, None] - offsets[i]) + np.abs(turns - turns[j])
    others = table[gap > APART_PX]
    rival = float(others.max()) if others.size else 0.0
    moved = pose.moved(float(offsets[i]), float(turns[j]) / stations.half_px)
    return Found(moved, best, rival)


def _scores(strips: Strips, profile: Profile, contrast: FloatArray) -> FloatArray:
    """How much of the edge each station's strip has at every shift, 0 to 1, (N, 2 W + 1).

    Slopes are compared, not levels: beside a step its levels still look much like it. A station
    whose contrast is known must have that contrast, one whose is not any.
    """
    slopes = np.diff(strips.profiles, axis=1)
    shape = np.diff(profile.shape)
    windows = sliding_window_view(slopes, len(shape), axis=1)
    power = float(shape @ shape)
    found = windows @ (shape / power)
    size = np.sqrt(np.einsum("nwk,nwk->nw", windows, windows) / power)
    likeness = np.abs(found) / np.maximum(size, FLAT_LEVELS)
    known = np.where(contrast == 0, 1.0, contrast)
    kept = np.where(contrast[:, None] == 0, likeness, found / known[:, None])
    return np.asarray(np.where(strips.inside[:, None], np.clip(kept, 0.0, 1.0), 0.0))
