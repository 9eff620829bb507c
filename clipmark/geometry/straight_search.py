"""Following the edges of straight things through a lens whose bend is not known yet.

Only the ends are marked; between them an edge may run tens of px off the chord. So the bend is
tried out over its whole range, all lines at once, on a picture made smaller: for each bend, every
chord is straight in straight space, and the strip beside it is scored as any rough line's (see
`clipmark.geometry.edge_search`). One lens takes all of them, so one number is sought, the bend at
the picture's corner. Pure maths: arrays in, numbers out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FitError
from clipmark.geometry.edge_band import Curve, Frame, Luma, Mapping, strip
from clipmark.geometry.edge_search import STEP_PX, candidates

Floats = NDArray[np.float64]
Through = Callable[[float], tuple[Mapping, Mapping]]

BENDS = (-0.30, 0.12)  # at the corner, first term: action cameras to a slight pincushion
STEP, FINE_STEP = 0.02, 0.005
LONG_SIDE_PX = 480  # of the picture made smaller
SEARCH_PX = 4.0  # how far marked ends may be off, px of the smaller picture
SEARCH_SLOPE = 0.03
NEAR_MARK_PX = 10.0  # how far a marked point between the ends may lie off the line, px


@dataclass(frozen=True, eq=False)
class SmallPicture:
    """A picture averaged over squares of `factor` px a side, luma 0..1 of black to white."""

    luma: Luma
    factor: int

    @classmethod
    def of(cls, luma: Luma, black: float, white: float) -> SmallPicture:
        """Make a picture smaller until its long side is at most `LONG_SIDE_PX`."""
        factor = max(-(-max(luma.shape) // LONG_SIDE_PX), 1)
        height, width = (side // factor for side in luma.shape)
        part = luma[: height * factor, : width * factor].astype(np.float64)
        means = part.reshape(height, factor, width, factor).mean(axis=(1, 3))
        return cls((means - black) / (white - black), factor)

    def to_small(self, points: Floats) -> Floats:
        """Positions in it of positions in the whole picture, px."""
        return np.asarray((points + 0.5) / self.factor - 0.5, dtype=np.float64)

    def to_whole(self, points: Floats) -> Floats:
        """Positions in the whole picture, px."""
        return np.asarray((points + 0.5) * self.factor - 0.5, dtype=np.float64)


def coarse_terms(bend: float) -> tuple[float, float]:
    """First and second term of the one-number family that is searched.

    The second is the square of the first for a barrel, as of wide lenses about; such a lens
    never folds back.
    """
    return bend, bend * bend if bend < 0 else 0.0


def search_bend(
    pictures: Sequence[SmallPicture], marks: Sequence[Floats], through: Through
) -> float:
    """The bend at the corner under which edges run through all marks.

    Parameters
    ----------
    pictures : sequence of SmallPicture
        The picture that each mark is in.
    marks : sequence of ndarray, shape (K, 2)
        Rough points along each straight thing, K at least 2, px of the whole picture.
    through : callable
        For a bend, the maps of px of the whole picture to straight px and back.

    Raises
    ------
    FitError
        When no bend of the range agrees with the points marked between ends.
    """
    coarse = [step * STEP for step in range(round(BENDS[0] / STEP), round(BENDS[1] / STEP) + 1)]
    best = _best(pictures, marks, through, coarse)
    return _best(pictures, marks, through, [best + step * FINE_STEP for step in range(-3, 4)])


def _best(
    pictures: Sequence[SmallPicture],
    marks: Sequence[Floats],
    through: Through,
    bends: Sequence[float],
) -> float:
    pairs = list(zip(pictures, marks, strict=True))
    scores = np.array(
        [[_score(picture, mark, *through(bend)) for picture, mark in pairs] for bend in bends]
    )
    usable = np.isfinite(scores).all(axis=1)
    if not usable.any():
        raise FitError(
            "no lens bends straight lines the way they are marked: the points between the ends lie "
            "on no common bend; mark each line's points along one edge, in order"
        )
    scores = np.where(np.isfinite(scores), scores, 0.0)
    share = scores / np.maximum(scores.max(axis=0), 1e-9)
    total = np.where(usable, share.sum(axis=1), -np.inf)
    return float(bends[int(np.argmax(total))])


def _score(picture: SmallPicture, mark: Floats, there: Mapping, back: Mapping) -> float:
    """How strongly an edge runs through a mark at this bend; nan where it cannot."""
    straight = there(mark)
    if not np.isfinite(straight).all():
        return float("nan")
    frame = Frame.through(straight[[0, -1]])
    if np.abs(frame.place(straight)[1]).max() > NEAR_MARK_PX:
        return float("nan")
    factor = picture.factor
    small = Frame(frame.middle / factor, frame.direction, frame.half / factor)
    curve = Curve.of(small, lambda points: picture.to_small(back(points * factor)))
    if not np.isfinite(curve.points).all() or not np.isfinite(curve.normals).all():
        return float("nan")
    reach = SEARCH_PX + SEARCH_SLOPE * small.half + 8.0
    across = np.arange(-np.ceil(reach / STEP_PX), np.ceil(reach / STEP_PX) + 1) * STEP_PX
    along = np.linspace(-small.half, small.half, max(round(2 * small.half), 16))
    values, _ = strip(picture.luma, curve, along, across, 0.0, 1.0)
    found = [
        candidates(values, along, across, SEARCH_PX, SEARCH_SLOPE, string=string, limit=1)
        for string in (False, True)
    ]
    return max((item[0].weighted for item in found if item), default=0.0)
