"""The check of a guarded clip: done in its process, its pictures handed over on the way."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from clipmark.clip import far_pictures
from clipmark.clip.far_decoder import MOST_SLOTS, FarProcess, decoding_limits
from clipmark.clip.far_service import SLOTS_BYTES
from clipmark.clip.picture import Picture

if TYPE_CHECKING:
    from clipmark.clip.clip import Clip
    from clipmark.clip.health import Health


def check_far(
    clip: Clip,
    progress: Callable[[int, int], None] | None,
    observe: Callable[[int, Picture], None] | None,
) -> Health:
    """As `clipmark.clip.health.check`, whose arguments these are; the clip is told by the caller.

    Raises
    ------
    DecoderError
        If the decoder crashed, hung or passed its limits.
    """
    stated, timeline = clip.parts()
    source, name = stated.source, clip.path.name
    room = far_pictures.room_for(source.width, source.height, True)
    slots = max(1, min(MOST_SLOTS, SLOTS_BYTES // room))
    far = FarProcess.taken(decoding_limits(source.width, source.height))
    done = False
    try:
        far.tell(name, "check", (stated, timeline), room, slots, observe is not None)
        while True:
            word, *rest = far.answer(name)
            if word == "health":
                done = True
                health: Health = rest[0]
                return health
            ordinal, carried, count = rest
            if carried is not None and observe is not None:
                observe(ordinal, far_pictures.take(far.memory.view, carried))
            far.tell(name, "seen")
            if progress is not None:
                progress(count, clip.frame_count)
    finally:
        if done:
            far.give_back(name)
        else:
            far.end()
