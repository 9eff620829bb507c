"""Wheels followed in a thread of their own, behind the body.

A wheel is looked for where the body says, so its frame comes right after the body's; while it is
fitted, body and background of the next frames are followed already. The marks are moved onto their
hubs there too, at the beginning.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Frame
from clipmark.errors import FollowError
from clipmark.marks import Wheel
from clipmark.motion.sampling import FloatArray
from clipmark.motion.wheel import WheelFix, WheelFollower
from clipmark.motion.wheel_path import WheelFollowing, blind_wheel, gather_wheel

LANE_BYTES = 96_000_000  # of frames that wait at once
FEWEST_WAITING = 4
Refine = Callable[[Frame, Wheel], tuple[Wheel, str]]
_Item = tuple[NDArray[np.generic], float, FloatArray, float]


class WheelLane:
    """Takes frames with the body's place in them, in order, and follows the wheels.

    Parameters
    ----------
    reference : Frame
        The frame that the wheels were marked on.
    wheels : sequence of Wheel
        Their marks, px; may be empty, then nothing is started.
    noise, level : float
        Pixel noise, and one 8-bit step, grey levels.
    body_px : ndarray, shape (2,)
        Where the body is in the reference frame.
    refine : callable, optional
        Moves a mark onto its wheel in the reference frame, and says in a sentence when it cannot.
    """

    def __init__(
        self,
        reference: Frame,
        wheels: Sequence[Wheel],
        noise: float,
        level: float,
        body_px: FloatArray,
        refine: Refine | None = None,
    ) -> None:
        self._reference, self._noise, self._level = reference, noise, level
        self._body_px, self._refine = body_px, refine
        self._marks = list(wheels)
        self._said = [""] * len(self._marks)
        self._blind: dict[int, str] = {}  # marks that show no turn, by number, and why
        self._followers: list[WheelFollower] = []
        self._unknown = False
        waiting = max(FEWEST_WAITING, LANE_BYTES // max(reference.luma.nbytes, 1))
        self._waiting: queue.Queue[_Item | None] = queue.Queue(waiting)
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None

    def start_unknown(self) -> None:
        """Say, before the first frame, that it may show the wheels at another turn."""
        self._unknown = True

    def put(
        self, luma: NDArray[np.generic], time_s: float, body_px: FloatArray, body_turn: float
    ) -> None:
        """Hand on one frame; raises what went wrong in an earlier one."""
        if not self._marks:
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="clipmark-wheels", daemon=True)
            self._thread.start()
        self._raise()
        self._waiting.put((luma, time_s, body_px, body_turn))

    def stop(self) -> None:
        """Wait until all frames handed on are done, and end the thread, whatever happened in it."""
        if self._thread is not None:
            self._waiting.put(None)
            self._thread.join()
            self._thread = None

    def settled(self) -> list[list[WheelFix]]:
        """Fixes of every wheel that shows a turn; raises what went wrong in following them."""
        self.stop()
        self._raise()
        return [follower.settle() for follower in self._followers]

    def gather(self, settled: Sequence[Sequence[WheelFix]], frames: int) -> list[WheelFollowing]:
        """Every marked wheel in the order marked, those without a visible turn among them.

        Parameters
        ----------
        settled : sequence
            Fixes of the wheels that show a turn, of so many `frames` each.
        frames : int
        """
        pairs = iter(zip(settled, self._followers, strict=True))
        out = []
        for number, (mark, said) in enumerate(zip(self._marks, self._said, strict=True)):
            if number in self._blind:
                out.append(blind_wheel(mark, frames, said, self._blind[number]))
            else:
                fixes, follower = next(pairs)
                out.append(gather_wheel(fixes, follower, mark, said))
        return out

    def _raise(self) -> None:
        if self._fault is not None:
            raise self._fault

    def _run(self) -> None:
        try:
            self._begin()
        except BaseException as error:  # handed on to the thread that asked
            self._fault = error
        while (item := self._waiting.get()) is not None:
            if self._fault is not None:
                continue  # what waits is taken, so that nobody is blocked
            try:
                for follower in self._followers:
                    follower.step(*item)
            except BaseException as error:
                self._fault = error

    def _begin(self) -> None:
        """Move the marks onto their wheels and remember what the wheels look like."""
        luma = self._reference.luma
        for number, mark in enumerate(self._marks):
            if self._refine is not None:
                self._marks[number], self._said[number] = self._refine(self._reference, mark)
            try:
                follower = WheelFollower(
                    luma, self._marks[number], self._noise, self._body_px, self._level
                )
            except FollowError as error:
                self._blind[number] = str(error)
                continue
            if self._unknown:
                follower.start_unknown()
            self._followers.append(follower)
