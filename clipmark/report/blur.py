"""Making a part of a picture unrecognisable, for good.

A light blur can be undone, and a fine mosaic can be put together again from a moving clip. Here a
rectangle becomes at most `BLOCKS` by `BLOCKS` flat blocks in few colours, taken from one frame and
the same in every other frame of the clip: at most `BLOCKS` ** 2 * 9 bits of it leave the house.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.record.hidden_areas import HiddenArea

BLOCKS = 3
LEVELS = 8  # of each colour
MARGIN_PX = 2  # colours are stored at half the fineness and bleed
Picture = NDArray[np.uint8]


class Hider:
    """Hides the areas of one clip in its pictures, alike in all of them."""

    def __init__(self, areas: Iterable[HiddenArea]) -> None:
        self.areas: Sequence[HiddenArea] = tuple(areas)
        self._blocks: dict[HiddenArea, Picture] = {}

    def __call__(self, picture: Picture, ordinal: int) -> Picture:
        """The picture of frame `ordinal` with its areas hidden; `picture` stays as it is."""
        wanted = [area for area in self.areas if area.holds_at(ordinal)]
        if not wanted:
            return picture
        out = picture.copy()
        for area in wanted:
            self._hide(out, picture, area)
        return out

    def _hide(self, out: Picture, source: Picture, area: HiddenArea) -> None:
        height, width = source.shape[:2]
        x0, y0 = (max(0, int(np.floor(v)) - MARGIN_PX) for v in (area.x, area.y))
        x1 = min(width, int(np.ceil(area.x + area.w)) + MARGIN_PX)
        y1 = min(height, int(np.ceil(area.y + area.h)) + MARGIN_PX)
        if x1 <= x0 or y1 <= y0:
            return
        if area not in self._blocks:
            self._blocks[area] = _blocks_of(source[y0:y1, x0:x1])
        blocks = self._blocks[area]
        rows = np.arange(y1 - y0) * blocks.shape[0] // (y1 - y0)
        columns = np.arange(x1 - x0) * blocks.shape[1] // (x1 - x0)
        out[y0:y1, x0:x1] = blocks[rows][:, columns]


def _blocks_of(part: Picture) -> Picture:
    """Mean colours of a few blocks, in few levels."""
    rows = np.array_split(np.arange(part.shape[0]), min(BLOCKS, part.shape[0]))
    columns = np.array_split(np.arange(part.shape[1]), min(BLOCKS, part.shape[1]))
    means = np.array([[part[r][:, c].mean(axis=(0, 1)) for c in columns] for r in rows])
    level = np.clip(np.floor(means / 256 * LEVELS), 0, LEVELS - 1)
    return np.asarray((level + 0.5) * 256 / LEVELS, np.uint8)
