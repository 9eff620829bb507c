"""What a motion is put together from: small frozen facts, each a part of the speed over time.

Times are seconds from the first frame, speeds mm/s along the truck's heading.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP_S = 2e-4  # dense grid; cubic Hermite between its points errs by under 1e-9 mm
AT_REST_S = 0.1  # a free roll is caught within this time


@dataclass(frozen=True)
class Stop:
    """The truck stands: speed starts to fall at ``start_s`` and is back after ``duration_s``.

    ``ramp_s`` is how long speed takes to fall and to rise, both inside the duration.
    """

    start_s: float
    duration_s: float
    ramp_s: float = 0.04

    def share(self, t: Array, lead_s: float = 0.0) -> Array:
        """Speed left, 1 outside; it rises again `lead_s` earlier, but never before it fell."""
        back = self.start_s + self.duration_s - self.ramp_s
        if lead_s:
            back = max(back - lead_s, self.start_s + self.ramp_s)
        return np.asarray(
            1.0 - rise(t, self.start_s, self.ramp_s) + rise(t, back, self.ramp_s), np.float64
        )


@dataclass(frozen=True)
class RollBack:
    """Backward travel of ``distance_mm`` within ``duration_s`` from ``start_s``, added smoothly."""

    start_s: float
    duration_s: float
    distance_mm: float

    def speed(self, t: Array) -> Array:
        """Speed it takes away, mm/s."""
        share = np.clip((t - self.start_s) / self.duration_s, 0.0, 1.0)
        hump = (1.0 - np.cos(2 * math.pi * share)) / self.duration_s
        return np.asarray(self.distance_mm * hump)


@dataclass(frozen=True)
class Leg:
    """Driven travel at ``speed_mm_s`` (negative: in reverse) from rest to rest.

    Speed leaves 0 at ``start_s`` and is 0 again at ``end_s``; it takes ``rise_s`` to rise and to
    fall, both inside.
    """

    start_s: float
    end_s: float
    speed_mm_s: float
    rise_s: float = 0.2

    def speed(self, t: Array, lead_s: float = 0.0) -> Array:
        """Speed it adds, mm/s; it rises `lead_s` earlier."""
        up = rise(t, self.start_s - lead_s, self.rise_s)
        return np.asarray(self.speed_mm_s * (up - rise(t, self.end_s - self.rise_s, self.rise_s)))


@dataclass(frozen=True)
class Roll:
    """Free rolling from rest: constant acceleration for ``duration_s``, then caught in 0.1 s.

    ``accel_mm_s2`` is positive along the heading.
    """

    start_s: float
    duration_s: float
    accel_mm_s2: float

    @property
    def end_s(self) -> float:
        """When it is at rest again."""
        return self.start_s + self.duration_s + AT_REST_S

    def speed(self, t: Array) -> Array:
        """Speed it adds, mm/s."""
        free = self.accel_mm_s2 * np.clip(t - self.start_s, 0.0, self.duration_s)
        return np.asarray(free * (1.0 - rise(t, self.start_s + self.duration_s, AT_REST_S)))


@dataclass(frozen=True)
class Jump:
    """Starts from rest overshoot: the speed that rises is multiplied by 1 + height exp(-(t-s)/d).

    s is the start, d is ``decay_s``.
    """

    height: float
    decay_s: float

    def factor(self, t: Array, start_s: float) -> Array:
        """1 + ``height`` up to `start_s`, falling to 1 after it."""
        return np.asarray(1.0 + self.height * np.exp(-np.maximum(t - start_s, 0.0) / self.decay_s))


@dataclass(frozen=True)
class Lock:
    """The wheels do not turn, whatever the body does; ``ramp_s`` at either end, inside."""

    start_s: float
    duration_s: float
    ramp_s: float = 0.02

    def share(self, t: Array) -> Array:
        """How much of the turning is held, 0 to 1."""
        return _held(t, self.start_s, self.duration_s, self.ramp_s)


@dataclass(frozen=True)
class Spin:
    """The wheels' surface runs ``speed_mm_s`` faster; ``ramp_s`` at either end, inside."""

    start_s: float
    duration_s: float
    speed_mm_s: float
    ramp_s: float = 0.04

    def speed(self, t: Array) -> Array:
        """Surface speed it adds, mm/s."""
        return self.speed_mm_s * _held(t, self.start_s, self.duration_s, self.ramp_s)


@dataclass(frozen=True)
class Rear:
    """The whole truck turns nose up about its rear axle: a lifted front, or a tip-over.

    The angle grows as the third power of time over ``rise_s`` to ``most_deg``, as an unstable turn
    does; with ``hold_s`` given it is held so long and comes down again within ``fall_s``, else it
    stays there.
    """

    start_s: float
    rise_s: float
    most_deg: float
    hold_s: float | None = None
    fall_s: float = 0.3

    def angle_rad(self, t: Array) -> Array:
        """Angle it adds, rad, nose up."""
        share = np.clip((t - self.start_s) / self.rise_s, 0.0, 1.0) ** 3
        if self.hold_s is not None:
            share = share * (1.0 - rise(t, self.start_s + self.rise_s + self.hold_s, self.fall_s))
        return np.asarray(math.radians(self.most_deg) * share)


def rise(t: Array, start_s: float, ramp_s: float) -> Array:
    """0 before `start_s`, 1 after `ramp_s` more, a raised cosine between."""
    share = np.clip((t - start_s) / max(ramp_s, 1e-6), 0.0, 1.0)
    return np.asarray((1.0 - np.cos(math.pi * share)) / 2.0)


def _held(t: Array, start_s: float, duration_s: float, ramp_s: float) -> Array:
    """1 inside a span, 0 outside, with a raised cosine of `ramp_s` inside each end."""
    return rise(t, start_s, ramp_s) - rise(t, start_s + duration_s - ramp_s, ramp_s)


class Dense:
    """The integral of a speed on a dense grid, 0 at time 0, with cubic Hermite between."""

    def __init__(self, speed: Callable[[Array], Array], length_s: float) -> None:
        self._speed = speed
        first = -1.0  # rolling shutter and exposure reach a little before the first frame
        count = math.ceil((length_s + 2.0) / STEP_S) + 1
        grid: Array = np.asarray(first + np.arange(count) * STEP_S, np.float64)
        middle = speed(np.asarray(grid[:-1] + STEP_S / 2, np.float64))
        ends = speed(grid)
        steps = STEP_S / 6.0 * (ends[:-1] + 4.0 * middle + ends[1:])  # Simpson
        total: Array = np.concatenate([[0.0], np.cumsum(steps)])
        zero = round(-first / STEP_S)
        self._grid = grid
        self._total = np.asarray(total - total[zero])

    def at(self, t: Array) -> Array:
        """The integral at `t`, any shape."""
        grid, total = self._grid, self._total
        i = np.clip(((t - grid[0]) / STEP_S).astype(np.int64), 0, len(grid) - 2)
        u = (t - grid[i]) / STEP_S
        v0, v1 = self._speed(grid[i]) * STEP_S, self._speed(grid[i + 1]) * STEP_S
        d = total[i + 1] - total[i]
        return np.asarray(total[i] + u * (v0 + u * (3 * d - 2 * v0 - v1 + u * (v0 + v1 - 2 * d))))
