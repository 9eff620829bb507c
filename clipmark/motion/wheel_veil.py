"""What lies before a wheel in the reference picture, found once the wheel has turned.

A stone, a fender or a link that hides a part of the ring in the reference frame does not turn with
it. While the wheel has turned by a pixel or less it even agrees with the picture, and would hold
the turn back. After some degrees its pixels never agree again: they are left out from then on, and
the frames before are fitted anew from pictures kept for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from clipmark.motion.sampling import Float32Array
from clipmark.motion.wheel_fit import Crop, WheelFit, WheelPose
from clipmark.motion.wheel_ring import Ring

FAR_PX = 4.0  # a pixel that was carried this far along the ring agrees only if it turns along
LOOKS = 8  # frames that must say so
NEVER = 0.5  # mean weight below which a pixel does not turn with the wheel
WORTH = 0.03  # a smaller share of such pixels changes nothing
KEPT_BYTES = 48_000_000  # of pictures kept until it is known


class Veil:
    """Learns which pixels of a ring do not belong to the wheel.

    Attributes
    ----------
    ring : Ring
        The ring to fit with; without those pixels once they are known.
    """

    def __init__(self, ring: Ring) -> None:
        self.ring = ring
        self._whole = ring
        self._sum: Float32Array = np.zeros(ring.values.size, dtype=np.float32)
        self._looks = 0
        self._kept: list[tuple[int, Crop, WheelPose, float]] = []
        self._bytes = 0
        self._known = False
        self._use = False

    def see(self, number: int, crop: Crop, fit: WheelFit, usual: float) -> None:
        """Take in one fitted frame, by its number among the wheel's frames."""
        if self._known:
            return
        if self._bytes < KEPT_BYTES:
            self._kept.append((number, crop, fit.pose, usual))
            self._bytes += crop.pixels.nbytes
        away = abs((fit.pose.turn + math.pi) % (2 * math.pi) - math.pi)
        if away * 0.5 * self._whole.radius_px < FAR_PX:
            return
        self._sum += fit.weights
        self._looks += 1
        if self._looks >= LOOKS:
            self._decide()

    def _decide(self) -> None:
        self._known = True
        dropped = self._sum / self._looks < NEVER
        if WORTH < float(dropped.mean()) < 0.6:
            self.ring = self._whole.without(dropped)
            self._use = True
        else:
            self._kept = []

    def again(self) -> Iterator[tuple[int, Crop, WheelPose, float]]:
        """Frames fitted before it was known, to be fitted anew; none where nothing changed."""
        if self._use:
            yield from self._kept
