"""What was seen of one wheel over a span, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.marks import Wheel
from clipmark.motion.sampling import FloatArray
from clipmark.motion.wheel import WheelFix, WheelFollower


@dataclass(frozen=True, eq=False)
class WheelFollowing:
    """One wheel in K frames, in order of time.

    Attributes
    ----------
    hub_px : ndarray, shape (K, 2)
        Px of the upright picture, NaN where not found.
    covariance : ndarray, shape (K, 3, 3)
        Of hub (px) and turn (rad).
    turn_rad : ndarray, shape (K,)
        Since the reference frame, clockwise as seen, NaN where unknown.
    stretch : ndarray of int, shape (K,)
        Turns are counted through within one number only.
    reasons : list of str
        Why there is no turn; empty where there is.
    parts : int
        Like parts of the rim.
    radius_px : float
        Of the marked rim.
    mark : Wheel
        As it was followed from.
    note : str
        Why nothing of it could be followed, in a sentence; empty when it could.
    """

    hub_px: FloatArray
    covariance: FloatArray
    turn_rad: FloatArray
    stretch: NDArray[np.intp]
    reasons: list[str]
    parts: int
    radius_px: float
    mark: Wheel
    note: str = ""


def blind_wheel(wheel: Wheel, frames: int, note: str) -> WheelFollowing:
    """A wheel whose turn cannot be seen in any of K frames."""
    return WheelFollowing(
        hub_px=np.full((frames, 2), np.nan),
        covariance=np.full((frames, 3, 3), np.nan),
        turn_rad=np.full(frames, np.nan),
        stretch=np.zeros(frames, dtype=np.intp),
        reasons=["its turn cannot be seen"] * frames,
        parts=1,
        radius_px=float(np.sqrt(wheel.rx * wheel.ry)),
        mark=wheel,
        note=note,
    )


def gather_wheel(fixes: Sequence[WheelFix], follower: WheelFollower, mark: Wheel) -> WheelFollowing:
    """Fixes of K frames as arrays."""
    return WheelFollowing(
        hub_px=np.array([fix.hub_px for fix in fixes]).reshape(-1, 2),
        covariance=np.array([fix.covariance for fix in fixes]).reshape(-1, 3, 3),
        turn_rad=np.array([fix.turn_rad for fix in fixes], dtype=np.float64),
        stretch=np.array([fix.stretch for fix in fixes], dtype=np.intp),
        reasons=[fix.reason for fix in fixes],
        parts=follower.ring.parts,
        radius_px=follower.ring.radius_px,
        mark=mark,
    )
