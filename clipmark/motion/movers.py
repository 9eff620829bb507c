"""What moves in a scene at one time: connected regions that changed, and how they lie.

Pure: arrays in, small dataclasses out. A sample is compared with one a little earlier and one a
little later at once (the difference of the two), so that what is found belongs to the time between.
Changes are told from noise by what each pixel usually does, and by what edges may differ by for
the displacement that is left of the camera's.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from clipmark.motion.scene_view import Laid, Mask

LAG_S = 0.4  # over which a change is looked for: 2 mm/s shows at 0.25 px of a small picture per mm
LEAST_CODES, NOISES, SLACKS = 4.0, 4.0, 4.0  # a change is more than this, in codes and multiples
PRESENT_CODES = 8.0  # what is not of the view differs from it by more
LEAST_PX = 8  # changed pixels of a region
JOINED_PX = 7  # changes nearer than half of this are one region
RING_PX = 3  # width of the picture's edge
CELL_PX = 6  # squares in which it is kept where a region lies
FAR = 1 << 20  # squares; no place lies so far out
MOST_CHANGED = 0.45  # of the picture: more, and what moves in it cannot be told


@dataclass(frozen=True, slots=True)
class Mover:
    """A region in which something changed, places in px of the first view, made small.

    Attributes
    ----------
    x, y : float
        Middle of the changed pixels, weighted by the change.
    left, top, right, bottom : float
        Box of what changed.
    moving_px : int
        Changed pixels.
    seen_px : int
        Pixels of the region that changed or are not of the view.
    edge_px : int
        Of those, how many lie at the edge of the picture.
    cells : frozenset of (int, int)
        Column and row of the squares, `CELL_PX` wide, that the region's pixels lie in.
    """

    x: float
    y: float
    left: float
    top: float
    right: float
    bottom: float
    moving_px: int
    seen_px: int
    edge_px: int
    cells: frozenset[tuple[int, int]] = frozenset()

    @property
    def long_px(self) -> float:
        """Diagonal of the box."""
        return float(np.hypot(self.right - self.left + 1, self.bottom - self.top + 1))


@dataclass(frozen=True, slots=True)
class Moment:
    """What moved at one time.

    Attributes
    ----------
    ordinal : int
    t_s : float
    movers : tuple of Mover
    told : bool
        Whether it can be told; else the picture moved as a whole, or is of another view.
    """

    ordinal: int
    t_s: float
    movers: tuple[Mover, ...]
    told: bool


class MoverFinder:
    """Takes laid pictures in order of time and gives moments, half the lag later."""

    def __init__(self) -> None:
        self._held: deque[tuple[int, float, Laid | None]] = deque()
        self._asked = 0

    def step(self, ordinal: int, t_s: float, laid: Laid | None) -> list[Moment]:
        """The moments that can be told now; each sample gives one, sooner or later."""
        self._held.append((ordinal, t_s, laid))
        found = []
        while self._asked < len(self._held) and self._held[-1][1] >= (
            self._held[self._asked][1] + LAG_S / 2
        ):
            found.append(self._moment(self._asked))
            self._asked += 1
            while self._asked and self._held[0][1] < self._held[self._asked - 1][1] - LAG_S:
                self._held.popleft()
                self._asked -= 1
        return found

    def rest(self) -> list[Moment]:
        """The last moments, after the last sample."""
        return [self._moment(place) for place in range(self._asked, len(self._held))]

    def _moment(self, place: int) -> Moment:
        ordinal, t_s, laid = self._held[place]
        held = list(self._held)
        before = next((each for each in held if each[1] >= t_s - LAG_S / 2 - 1e-6), held[place])
        after = next((each for each in held if each[1] >= t_s + LAG_S / 2 - 1e-6), held[-1])
        first, last = before[2], after[2]
        if laid is None or first is None or last is None or first is last:
            return Moment(ordinal, t_s, (), laid is not None and first is last)
        if not first.epoch == laid.epoch == last.epoch:
            return Moment(ordinal, t_s, (), False)
        movers = _movers(laid, first, last)
        return Moment(ordinal, t_s, movers or (), movers is not None)


def _movers(laid: Laid, first: Laid, last: Laid) -> tuple[Mover, ...] | None:
    """The regions of one moment; None where too much of the picture changed."""
    valid: Mask = laid.valid & first.valid & last.valid
    change = np.abs(last.picture - first.picture)
    slack = first.slack + last.slack
    moving = (change > LEAST_CODES + NOISES * laid.noise + SLACKS * slack) & valid
    moving = _not_alone(moving, 3)
    if moving.sum() > MOST_CHANGED * max(int(valid.sum()), 1):
        return None
    if not moving.any():
        return ()
    present = (laid.other > PRESENT_CODES + NOISES * laid.noise + 2 * SLACKS * laid.slack) & valid
    seen = moving | _not_alone(present, 5)
    joined = cv2.dilate(
        seen.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (JOINED_PX, JOINED_PX))
    )
    _, labels = cv2.connectedComponents(joined)
    inside = cv2.erode(
        valid.astype(np.uint8), np.ones((2 * RING_PX + 1, 2 * RING_PX + 1), np.uint8),
        borderType=cv2.BORDER_CONSTANT, borderValue=0,
    )  # fmt: skip
    ring = valid & (inside == 0)
    y, x = np.nonzero(moving)
    of = labels[y, x]
    counts = np.bincount(of)
    seen_of = np.bincount(labels[seen], minlength=len(counts))
    edge_of = np.bincount(labels[seen & ring], minlength=len(counts))
    weights = change[y, x].astype(np.float64)
    seen_y, seen_x = np.nonzero(seen)
    seen_label = labels[seen_y, seen_x]
    found = []
    for label in np.flatnonzero(counts >= LEAST_PX):
        mine = of == label
        w = weights[mine]
        middle = laid.to_scene @ np.array(
            [np.average(x[mine], weights=w), np.average(y[mine], weights=w), 1.0]
        )
        low = laid.to_scene @ np.array([x[mine].min(), y[mine].min(), 1.0])
        high = laid.to_scene @ np.array([x[mine].max(), y[mine].max(), 1.0])
        hers = seen_label == label
        columns = np.floor((seen_x[hers] + laid.to_scene[0, 2]) / CELL_PX).astype(np.int64)
        rows = np.floor((seen_y[hers] + laid.to_scene[1, 2]) / CELL_PX).astype(np.int64)
        keys = np.unique((columns + FAR) * 2 * FAR + rows + FAR)
        cells = frozenset((key // (2 * FAR) - FAR, key % (2 * FAR) - FAR) for key in keys.tolist())
        found.append(
            Mover(
                float(middle[0]),
                float(middle[1]),
                float(low[0]),
                float(low[1]),
                float(high[0]),
                float(high[1]),
                int(counts[label]),
                int(seen_of[label]),
                int(edge_of[label]),
                cells,
            )
        )
    return tuple(found)


def _not_alone(mask: Mask, least: int) -> Mask:
    """The mask less pixels with fewer than `least` set among the nine around."""
    around = cv2.boxFilter(mask.astype(np.uint8), cv2.CV_8U, (3, 3), normalize=False)
    return np.asarray(mask & (around >= least))
