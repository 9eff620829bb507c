"""A verb decodes in its own process: a crash costs one command, and a hang must not last."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from clipmark.clip import native
from clipmark.clip.limits import STALL_S
from clipmark.errors import ClipmarkError

_LOOK_S = 0.5
_LAST_RESORT_S = 600.0  # where a hang holds Python's own lock, the system ends the process


@contextmanager
def ended_if_hung(
    name: str, refused: int, say: Callable[[str], None] | None = None
) -> Iterator[None]:
    """While it lasts, a call into the decoder that does not come back ends the process.

    Parameters
    ----------
    name : str
        The verb, with which the sentence begins.
    refused : int
        Exit status of a refusal.
    say : callable, optional
        Given the sentence, without the verb, before the process ends; else it goes to stderr.
    """
    try:
        limit_s = STALL_S.value
    except ClipmarkError:  # whatever opens a clip says so
        limit_s = STALL_S.usual
    memory = memoryview(bytearray(native.COUNTERS_BYTES))
    native.count_into(memory)
    onlooker, over = native.Onlooker(memory), threading.Event()

    def look() -> None:
        while not over.wait(_LOOK_S):
            _arm(_LAST_RESORT_S)
            still_s, in_call = onlooker.still_s()
            if in_call and still_s > limit_s:
                clip = native.file_at_work
                sentence = (
                    f"{clip} made the video decoder hang: it gave nothing for "
                    f"{still_s:.0f} s; copy it from the camera again, or have a copy converted to "
                    "H.264, or, where only the disk is slow, set CLIPMARK_STALL_S higher"
                )
                if say is None:
                    print(f"{name}: {sentence}", file=sys.stderr, flush=True)  # noqa: T201 - plain
                else:
                    say(sentence)
                os._exit(refused)

    thread = threading.Thread(target=look, name="hang watch", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        native.count_into(None)
        _arm(0)


def _arm(after_s: float) -> None:
    """Have the system end this process after so long, unless armed again; 0 disarms."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, after_s)
