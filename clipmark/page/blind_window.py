"""Which frames of a clip a blind marker sees, and under which numbers.

Frames are counted anew from 0, so that neither the clip's ordinals nor its times are told. The
attempt is shown with a few frames before and after, of which no two showings have the same
number: else an attempt that is shown twice would be known by its length. Where the footage ends,
its last picture is held instead, so that nothing of the attempt is cut away.
"""

from __future__ import annotations

import bisect
import random
from collections.abc import Sequence
from dataclasses import dataclass

MARGIN = (3, 14)  # least and most frames before and after the attempt


@dataclass(frozen=True)
class Window:
    """Frames shown, in order, by their ordinals in the clip.

    Attributes
    ----------
    ordinals : tuple of int
        The frame that stands at each place; at the ends one may be held for several places.
    times_s : tuple of float or None
        Time of each place, s from the first; None where the clip has none.
    """

    ordinals: tuple[int, ...]
    times_s: tuple[float, ...] | None

    def place_of(self, ordinal: int) -> int | None:
        """The place at which a frame of the clip is shown first; None where it is not shown."""
        at = bisect.bisect_left(self.ordinals, ordinal)
        return at if at < len(self.ordinals) and self.ordinals[at] == ordinal else None


def window_of(
    frame_count: int,
    times_s: Sequence[float] | None,
    span: tuple[int, int] | None,
    marked: Sequence[int],
    draw: random.Random,
) -> Window:
    """The frames to be shown of one attempt.

    Parameters
    ----------
    frame_count : int
        Of the clip.
    times_s : sequence of float or None
        Of the clip's frames.
    span : (int, int) or None
        First and last frame of the attempt; the whole clip without.
    marked : sequence of int
        Ordinals that marks belong to; one that lies outside the span is shown as well, alone.
    draw : random.Random
        Of the margins.
    """
    last = frame_count - 1
    first_frame, last_frame = (0, last) if span is None else (span[0], min(span[1], last))
    before, after = draw.randint(*MARGIN), draw.randint(*MARGIN)
    inner = range(max(0, first_frame - before), min(last, last_frame + after) + 1)
    shown = sorted({*inner, *(one for one in marked if 0 <= one <= last)})
    held_before = max(0, before - first_frame) if shown[0] == 0 else 0
    held_after = max(0, last_frame + after - last) if shown[-1] == last else 0
    ordinals = (shown[0],) * held_before + tuple(shown) + (shown[-1],) * held_after
    if times_s is None:
        return Window(ordinals, None)
    step_s = (times_s[last] - times_s[0]) / max(1, last)
    seen = [times_s[one] - times_s[shown[0]] for one in shown]
    early = [-step_s * k for k in range(held_before, 0, -1)]
    late = [seen[-1] + step_s * k for k in range(1, held_after + 1)]
    start = early[0] if early else seen[0]
    return Window(ordinals, tuple(round(t - start, 6) for t in (*early, *seen, *late)))
