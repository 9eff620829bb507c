"""Frames of an attempt's clip as pictures to be shown: upright, square pixels, areas hidden."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, open_clip
from clipmark.errors import MarkError
from clipmark.record.clips import find_clip
from clipmark.record.hidden_areas import HiddenArea
from clipmark.record.models import Attempt, ClipRef
from clipmark.report.blur import Hider
from clipmark.report.overlay import Scale

Picture = NDArray[np.uint8]


@dataclass
class Footage:
    """The clips of an event, opened when they are asked for, the last one kept open.

    Attributes
    ----------
    event : Path
        The event folder.
    hidden : mapping of str to sequence of HiddenArea
        By content hash of the clip.
    """

    event: Path
    hidden: Mapping[str, Sequence[HiddenArea]] = field(default_factory=dict)
    _open: tuple[tuple[str, float | None], Clip] | None = None

    def place(self, wanted: ClipRef) -> Path:
        """Where a clip lies now; raises `FolderError` when it is nowhere."""
        return find_clip(self.event, wanted)

    def clip(self, attempt: Attempt) -> Clip:
        """The attempt's clip, open; stays so until the next one is asked for.

        Raises
        ------
        FolderError
            When it is nowhere, or cannot be read.
        FootageError
            When it cannot be decoded.
        MarkError
            When an area to be hidden lies outside of its picture, so that nothing would be hidden.
        """
        assert attempt.clip is not None
        rate = attempt.declared.true_fps if attempt.declared is not None else None
        key = (attempt.clip.sha256, rate)
        if self._open is not None and self._open[0] == key:
            return self._open[1]
        self.close()
        clip = open_clip(self.place(attempt.clip), true_fps=rate)
        self._open = (key, clip)
        self._refuse_outside(clip)
        return clip

    def _refuse_outside(self, clip: Clip) -> None:
        for area in self.hidden.get(clip.sha256, ()):
            inside = area.x < clip.width and area.y < clip.height
            if not inside or area.x + area.w <= 0 or area.y + area.h <= 0:
                raise MarkError(
                    f"the area to hide {area.x:g},{area.y:g},{area.w:g},{area.h:g} lies outside of "
                    f"the picture of {clip.path.name} ({clip.width} x {clip.height} px); give it "
                    "again (--blur)"
                )

    def hider(self, clip_sha256: str) -> Hider:
        """What hides the areas of one clip."""
        return Hider(self.hidden.get(clip_sha256, ()))

    def close(self) -> None:
        """Let the open clip go."""
        if self._open is not None:
            self._open[1].close()
            self._open = None


def shown_size(
    clip: Clip, widest: int, highest: int, *, enlarge: float = 2.0, even: bool = False
) -> tuple[int, int]:
    """Width and height of the shown picture: square pixels, within bounds.

    Parameters
    ----------
    enlarge : float
        How many times larger than it is a small picture may become.
    even : bool
        Both even, as a coded clip needs it.
    """
    aspect: Fraction = clip.pixel_aspect
    wide, high = clip.width * max(1.0, float(aspect)), clip.height / min(1.0, float(aspect))
    by = min(enlarge, widest / wide, highest / high)
    step = 2 if even else 1
    return tuple(max(step, round(v * by / step) * step) for v in (wide, high))  # type: ignore[return-value]


def resized(picture: Picture, size: tuple[int, int]) -> tuple[Picture, Scale]:
    """A picture at another size, with how positions go over."""
    height, width = picture.shape[:2]
    scale = Scale(size[0] / width, size[1] / height)
    if (width, height) == size:
        return picture.copy(), scale
    smaller = size[0] < width or size[1] < height
    way = cv2.INTER_AREA if smaller else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, size, interpolation=way), np.uint8), scale
