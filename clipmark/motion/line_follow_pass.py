"""Frames of a span handed to followers going away from an anchor frame, each decoded once.

Followers of lines need no search at their start when frames come in rising order from the anchor
on and in falling order before it. Any number of them share the one pass.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, Frame
from clipmark.marks import Span
from clipmark.motion.passes import BACKWARD_BYTES, read_ahead

Progress = Callable[[int, int], None]


class Feeder(Protocol):
    """Whatever looks at frames going away from an anchor."""

    def feed(self, ordinal: int, t_s: float, luma: NDArray[np.generic]) -> None:
        """Look at the next frame of its direction."""


def feed_both_ways(
    clip: Clip,
    anchor: int,
    span: Span,
    feeders: Sequence[Feeder],
    progress: Progress | None = None,
) -> dict[int, str]:
    """Hand every frame of a span to the feeders: from the anchor to its end, then to its start.

    Parameters
    ----------
    clip : Clip
    anchor : int
        Ordinal of the frame that they start from, inside the span; it is handed to them as well.
    span : Span
    feeders : sequence
    progress : callable, optional
        Called with frames done and frames in all.

    Returns
    -------
    dict of int to str
        Fingerprints of the anchor, first and last frame, by ordinal.

    Raises
    ------
    FrameError
        If a frame cannot be decoded.
    """
    total, done = span.last - span.first + 1, 0
    prints: dict[int, str] = {}

    def hand(frame: Frame) -> None:
        nonlocal done
        for feeder in feeders:
            feeder.feed(frame.ordinal, frame.time_s, frame.luma)
        if frame.ordinal in (anchor, span.first, span.last):
            prints[frame.ordinal] = frame.fingerprint
        done += 1
        if progress is not None:
            progress(done, total)

    threads = max(1, (os.cpu_count() or 1) - 1)  # one core is left for following
    size = 0
    for frame in read_ahead(clip.frames(anchor, span.last, threads=threads)):
        size = frame.luma.nbytes
        hand(frame)
    held = max(8, BACKWARD_BYTES // max(size, 1))
    last = anchor - 1
    while last >= span.first:
        start = max(span.first, last - held + 1)
        frames = list(read_ahead(clip.frames(start, last, threads=threads)))
        for frame in reversed(frames):
            hand(frame)
        last = start - 1
    return prints
