"""What a camera that is not square, near, or bent costs: the cases of the table, and its numbers.

Each case is a camera before the plane of motion, a ramp line and what it is read against: a line
known to be level or plumb, or the picture's own rows. The naive reading is that of a protractor
laid on the picture. Used by the test of the published figures and by that of docs/errors.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clipmark.geometry.pose import Stand, shown_rad

SIZE = (1920, 1080)
FOCAL = 1500.0  # px; what it is drops out of every case but the printed pixels
NEAR, FAR_STAND, FAR = 1500.0, 4000.0, 1e9  # mm
BOARD_MM = 600.0
CORNER_PX = math.hypot(*SIZE) / 2


def lens(barrel_percent: float = 0.0) -> np.ndarray:
    """Barrel distortion that moves the picture's corner inwards by a share of its radius."""
    k1 = -barrel_percent / 100 * (FOCAL / CORNER_PX) ** 2
    return np.array([FOCAL, FOCAL, (SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2, k1, 0, 0, 0, 0])


@dataclass(frozen=True)
class Case:
    """One mistake; lengths mm, angles deg.

    ``ramp_at`` is the middle of the ramp line (x, y), ``against`` the line that it is read
    against: ``("level", height)``, ``("plumb", place)`` or None for the picture's rows.
    """

    what: str
    distance: float = NEAR
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    ramp_at: tuple[float, float] = (0.0, 0.0)
    against: tuple[str, float] | None = None
    barrel: float = 0.0
    length: float = BOARD_MM

    def stand(self) -> Stand:
        yaw, pitch, roll = map(math.radians, (self.yaw, self.pitch, self.roll))
        return Stand(lens(self.barrel), self.distance, yaw, pitch, roll)

    def shown_deg(self, true_deg: float, middle=None, length=None) -> float:
        """What the picture shows of a line at an angle through a place in the plane."""
        way = np.array([math.cos(math.radians(true_deg)), math.sin(math.radians(true_deg))])
        ends = np.array([[-0.5], [0.5]]) * (length or self.length) * way
        places = ends + np.array(self.ramp_at if middle is None else middle)
        return math.degrees(shown_rad(self.stand().to_px(places)))

    def reference_deg(self) -> float:
        """By how much the line that is taken for level (or plumb) leans in the picture."""
        if self.against is None:
            return 0.0
        kind, off = self.against
        if kind == "level":
            return self.shown_deg(0.0, (0.0, off), 100.0)
        return (self.shown_deg(90.0, (off, 0.0), 100.0) - 90.0 + 90.0) % 180.0 - 90.0

    def naive_deg(self, true_deg: float) -> float:
        """Error of the naive reading."""
        return self.shown_deg(true_deg) - self.reference_deg() - true_deg


def near_form_deg(true_deg: float, y0_over_f: float, yaw_deg: float) -> float:
    """tan(shown) = (tan(true) - (y0 / f) sin(yaw)) / cos(yaw), deg."""
    psi = math.radians(yaw_deg)
    tangent = math.tan(math.radians(true_deg)) - y0_over_f * math.sin(psi)
    return math.degrees(math.atan(tangent / math.cos(psi)))
