"""All marked wheels of one reference frame, followed together.

In the thread that follows the body: its many short array operations hold the interpreter's lock,
and a thread of their own was measured to cost a third more time than it saved.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.marks import Wheel
from clipmark.motion.sampling import FloatArray
from clipmark.motion.wheel import WheelFix, WheelFollower
from clipmark.motion.wheel_path import WheelFollowing, blind_wheel, gather_wheel


class WheelSet:
    """Takes frames with the body's place in them, in order.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        The picture that the wheels were marked on.
    wheels : sequence of Wheel
        Their marks, px; may be empty.
    noise, level : float
        Pixel noise, and one 8-bit step, grey levels.
    body_px : ndarray, shape (2,)
        Where the body is in the reference frame.

    Raises
    ------
    MarkError
        If a mark is too small or leaves the picture.
    """

    def __init__(
        self,
        luma: NDArray[np.generic],
        wheels: Sequence[Wheel],
        noise: float,
        level: float,
        body_px: FloatArray,
    ) -> None:
        self._marks = tuple(wheels)
        self._blind: dict[int, str] = {}  # marks that show no turn, by number, and why
        self._followers: list[WheelFollower] = []
        for number, mark in enumerate(wheels):
            try:
                self._followers.append(WheelFollower(luma, mark, noise, body_px, level))
            except FollowError as error:
                self._blind[number] = str(error)

    def start_unknown(self) -> None:
        """Say that the next frame may show the wheels at another turn."""
        for follower in self._followers:
            follower.start_unknown()

    def step(
        self, luma: NDArray[np.generic], time_s: float, body_px: FloatArray, body_turn: float
    ) -> None:
        """Find the wheels in the next picture; see `WheelFollower.step`."""
        for follower in self._followers:
            follower.step(luma, time_s, body_px, body_turn)

    def settled(self) -> list[list[WheelFix]]:
        """Fixes of every wheel that shows a turn."""
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
        for number, mark in enumerate(self._marks):
            if number in self._blind:
                out.append(blind_wheel(mark, frames, self._blind[number]))
            else:
                fixes, follower = next(pairs)
                out.append(gather_wheel(fixes, follower, mark))
        return out
