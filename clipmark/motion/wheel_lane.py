"""Wheels followed in a thread of their own, behind the body.

A wheel is looked for where the body says, so its frame comes right after the body's; while it is
fitted, body and background of the next frame are followed already. At most `LANE_FRAMES` wait.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray
from clipmark.motion.wheel import WheelFollower

LANE_FRAMES = 4
_Item = tuple[NDArray[np.generic], float, FloatArray, float]


class WheelLane:
    """Takes frames with the body's place in them, in order, and follows the wheels.

    Parameters
    ----------
    wheels : sequence of WheelFollower
        May be empty; then nothing is started.
    """

    def __init__(self, wheels: Sequence[WheelFollower]) -> None:
        self._wheels = wheels
        self._waiting: queue.Queue[_Item | None] = queue.Queue(LANE_FRAMES)
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None
        if wheels:
            self._thread = threading.Thread(target=self._run, name="clipmark-wheels", daemon=True)
            self._thread.start()

    def put(
        self, luma: NDArray[np.generic], time_s: float, body_px: FloatArray, body_turn: float
    ) -> None:
        """Hand on one frame; raises what went wrong in an earlier one."""
        if self._thread is not None:
            self._raise()
            self._waiting.put((luma, time_s, body_px, body_turn))

    def close(self) -> None:
        """Wait until all frames handed on are done; raises what went wrong in one of them."""
        self.stop()
        self._raise()

    def stop(self) -> None:
        """End the thread, whatever happened in it."""
        if self._thread is not None:
            self._waiting.put(None)
            self._thread.join()
            self._thread = None

    def _raise(self) -> None:
        if self._fault is not None:
            raise self._fault

    def _run(self) -> None:
        while (item := self._waiting.get()) is not None:
            if self._fault is not None:
                continue  # what waits is taken, so that nobody is blocked
            try:
                for wheel in self._wheels:
                    wheel.step(*item)
            except BaseException as error:  # handed on to the thread that asked
                self._fault = error
