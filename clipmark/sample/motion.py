"""How the invented truck moves along the board: densely integrated, so that truth is exact.

Times are seconds from the first frame, travel is mm along the truck's heading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
STEP_S = 2e-4  # dense grid; cubic Hermite between its points errs by under 1e-9 mm
STALL_SHARE = 0.10  # a stall is speed under this share of the median moving speed


@dataclass(frozen=True)
class Stop:
    """The truck stands: speed starts to fall at ``start_s`` and is back after ``duration_s``.

    ``ramp_s`` is how long speed takes to fall and to rise, both inside the duration.
    """

    start_s: float
    duration_s: float
    ramp_s: float = 0.04


@dataclass(frozen=True)
class RollBack:
    """Backward travel of ``distance_mm`` within ``duration_s`` from ``start_s``, added smoothly."""

    start_s: float
    duration_s: float
    distance_mm: float


@dataclass(frozen=True)
class Motion:
    """Speed over time along the heading.

    Steady ``speed_mm_s`` times (1 + ``ripple`` sin(2 pi ``ripple_hz`` t)), so that the standard
    deviation of speed over its mean is ``ripple`` / sqrt(2), times the stops, minus the roll-backs.
    It starts from rest at ``start_s`` over ``rise_s`` (with ``start_s`` None it moves from the
    beginning) and comes to rest at ``stop_s``. ``body_pitch_deg`` rocks the sprung body on its
    axles at ``body_pitch_hz``; ``slip`` is 1 - v / (omega r).
    """

    speed_mm_s: float = 0.0
    ripple: float = 0.0
    ripple_hz: float = 2.0
    ripple_phase_rad: float = 0.0
    stops: tuple[Stop, ...] = ()
    roll_backs: tuple[RollBack, ...] = ()
    start_s: float | None = None
    rise_s: float = 0.25
    stop_s: float | None = None
    body_pitch_deg: float = 0.0
    body_pitch_hz: float = 1.3
    slip: float = 0.0
    length_s: float = 60.0

    @property
    def moves(self) -> bool:
        """False when nothing of the truck ever moves."""
        return bool(self.speed_mm_s or self.roll_backs or self.body_pitch_deg)

    def speed(self, times_s: ArrayLike) -> Array:
        """Speed in mm/s at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        wave = np.sin(2 * math.pi * self.ripple_hz * t + self.ripple_phase_rad)
        value = self.speed_mm_s * (1.0 + self.ripple * wave)
        for stop in self.stops:
            end = stop.start_s + stop.duration_s
            value = value * (
                1.0 - _rise(t, stop.start_s, stop.ramp_s) + _rise(t, end - stop.ramp_s, stop.ramp_s)
            )
        if self.start_s is not None:
            value = value * _rise(t, self.start_s, self.rise_s)
        if self.stop_s is not None:
            value = value * (1.0 - _rise(t, self.stop_s, self.rise_s))
        for back in self.roll_backs:
            share = np.clip((t - back.start_s) / back.duration_s, 0.0, 1.0)
            hump = (1.0 - np.cos(2 * math.pi * share)) / back.duration_s
            value = value - back.distance_mm * hump
        return np.asarray(value)

    @cached_property
    def _dense(self) -> tuple[Array, Array]:
        first = -1.0  # rolling shutter and exposure reach a little before the first frame
        count = math.ceil((self.length_s + 2.0) / STEP_S) + 1
        grid = first + np.arange(count) * STEP_S
        middle = self.speed(grid[:-1] + STEP_S / 2)
        ends = self.speed(grid)
        steps = STEP_S / 6.0 * (ends[:-1] + 4.0 * middle + ends[1:])  # Simpson
        travel: Array = np.concatenate([[0.0], np.cumsum(steps)])
        zero = round(-first / STEP_S)
        return np.asarray(grid), np.asarray(travel - travel[zero])

    def travel(self, times_s: ArrayLike) -> Array:
        """Travel in mm at `times_s`, 0 at time 0; cubic Hermite on the dense integral."""
        t = np.asarray(times_s, dtype=np.float64)
        grid, travel = self._dense
        i = np.clip(((t - grid[0]) / STEP_S).astype(np.int64), 0, len(grid) - 2)
        u = (t - grid[i]) / STEP_S
        v0, v1 = self.speed(grid[i]) * STEP_S, self.speed(grid[i + 1]) * STEP_S
        d = travel[i + 1] - travel[i]
        return np.asarray(travel[i] + u * (v0 + u * (3 * d - 2 * v0 - v1 + u * (v0 + v1 - 2 * d))))

    def pitch_rad(self, times_s: ArrayLike) -> Array:
        """Pitch of the sprung body on its axles, rad, nose up, at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        wave = np.sin(2 * math.pi * self.body_pitch_hz * t)
        return np.asarray(math.radians(self.body_pitch_deg) * wave)

    def median_moving_speed(self, first_s: float, last_s: float) -> float:
        """Median of the speed where it moves forward at all, mm/s."""
        speed = self.speed(np.arange(first_s, last_s, STEP_S))
        moving = speed[speed > 0.05 * max(self.speed_mm_s, 1e-9)]
        return float(np.median(moving)) if moving.size else 0.0

    def stalls(
        self, first_s: float, last_s: float, least_s: float = 0.15
    ) -> list[dict[str, float]]:
        """Spans under 10 % of the median moving speed for `least_s` or longer, by dense search.

        Each has ``start_s``, ``end_s`` and ``s_mm`` (travel at its middle).
        """
        limit = STALL_SHARE * self.median_moving_speed(first_s, last_s)
        if limit <= 0:
            return []
        grid = np.arange(first_s, last_s, STEP_S)
        slow = np.concatenate([[False], self.speed(grid) < limit, [False]])
        change = np.flatnonzero(np.diff(slow.astype(np.int8)))
        found = []
        for a, b in zip(change[::2], change[1::2], strict=True):
            start, end = float(grid[a]), float(grid[min(b, len(grid) - 1)])
            if end - start >= least_s:
                middle = float(self.travel((start + end) / 2))
                found.append({"start_s": start, "end_s": end, "s_mm": middle})
        return found


def _rise(t: Array, start_s: float, ramp_s: float) -> Array:
    """0 before `start_s`, 1 after `ramp_s` more, a raised cosine between."""
    share = np.clip((t - start_s) / max(ramp_s, 1e-6), 0.0, 1.0)
    return np.asarray((1.0 - np.cos(math.pi * share)) / 2.0)
