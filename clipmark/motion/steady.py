"""From the moves of a picture over time: did the camera stand, was it bumped, does it move?

Pure: arrays in, arrays out. A row of moves holds shift x, shift y, turn and growth of one frame
against one reference frame, all as px (turn and growth at half the diagonal), so that they can be
compared with one another and with their standard uncertainty.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.picture_move import critical
from clipmark.motion.sampling import FloatArray

Course = Literal["still", "bumped", "moving"]
LEAST_FRAMES = 5
MOST_BUMPS = 3
STRAY_SHARE = 0.1  # of the frames, that may lie off: somebody before the camera, a bump's ringing
LEAST_STRAYS = 1
SHAKY_RATIO = 0.03  # of the fast part to the whole: tremor of a hand has more, drift has less


@dataclass(frozen=True, eq=False)
class Segments:
    """What was found.

    Attributes
    ----------
    course : {'still', 'bumped', 'moving'}
    starts : tuple of int
        Rows at which a new position begins, the first (0) left out.
    rms : ndarray, shape (4,)
        Root mean square about the mean, the noise taken out, px.
    """

    course: Course
    starts: tuple[int, ...]
    rms: FloatArray


def segments(moves_px: FloatArray, u_px: FloatArray) -> Segments:
    """Divide frames into stretches in which the camera stood.

    Parameters
    ----------
    moves_px, u_px : ndarray, shape (K, 4)
        Moves in order of time, and their standard uncertainties.
    """
    noise = np.mean(u_px**2, axis=0)
    rms = np.sqrt(np.maximum(np.var(moves_px, axis=0) - noise, 0.0))
    spare = max(LEAST_STRAYS, int(STRAY_SHARE * len(moves_px)))
    limit = critical(moves_px.shape[1]) * np.sqrt(2) * np.median(u_px, axis=0)
    if _astray(moves_px, limit).sum() <= spare:
        return Segments("still", (), rms)
    edges = [0, len(moves_px)]
    for _ in range(MOST_BUMPS):
        pieces = list(itertools.pairwise(edges))
        counts = [int(_astray(moves_px[a:b], limit).sum()) for a, b in pieces]
        if sum(counts) <= spare:
            break
        worst = int(np.argmax(counts))
        split = _best_split(moves_px[slice(*pieces[worst])], limit)
        if split is None:
            break
        edges = sorted({*edges, pieces[worst][0] + split})
    stretches = list(itertools.pairwise(edges))
    left = sum(int(_astray(moves_px[a:b], limit).sum()) for a, b in stretches)
    starts = tuple(edges[1:-1])
    if left > spare or not starts:
        return Segments("moving", (), rms)
    return Segments("bumped", starts, rms)


def shaky(moves_px: FloatArray, whole_rms_px: float, u_px: float) -> bool:
    """Whether frames that follow one another show the tremor of a hand.

    Parameters
    ----------
    moves_px : ndarray, shape (K, 2)
        Shifts of frames about 1/30 s apart.
    whole_rms_px : float
        Root mean square of the shift over the clip.
    u_px : float
        Standard uncertainty of a shift.
    """
    fast = fast_part_px(moves_px)
    return bool(fast > 3 * u_px and fast > SHAKY_RATIO * whole_rms_px)


def fast_part_px(moves_px: FloatArray) -> float:
    """Rms of second differences, as large as white noise of the same size would be; NaN if few."""
    if len(moves_px) < 3:
        return float("nan")
    bent = np.diff(moves_px, n=2, axis=0)
    return float(np.sqrt(np.mean(bent**2) / 6))


def _astray(moves_px: FloatArray, limit: FloatArray) -> NDArray[np.bool_]:
    """Which rows lie off the median of all."""
    away = np.abs(moves_px - np.median(moves_px, axis=0))
    return np.asarray((away > limit).any(axis=1), dtype=bool)


def _best_split(moves_px: FloatArray, limit: FloatArray) -> int | None:
    """The row at which two positions leave the fewest rows astray; None where it is too short."""
    count = len(moves_px)
    if count < 4:
        return None
    scores = [
        (
            int(_astray(moves_px[:k], limit).sum() + _astray(moves_px[k:], limit).sum()),
            float(
                np.abs(moves_px[:k] - np.median(moves_px[:k], axis=0)).sum()
                + np.abs(moves_px[k:] - np.median(moves_px[k:], axis=0)).sum()
            ),
            k,
        )
        for k in range(2, count - 1)
    ]
    return min(scores)[2]
