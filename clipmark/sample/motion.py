"""How the invented truck moves along the board: densely integrated, so that truth is exact.

Times are seconds from the first frame, travel is mm along the truck's heading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.sample.parts import (
    STEP_S,
    Dense,
    Jump,
    Leg,
    Lock,
    Rear,
    Roll,
    RollBack,
    Spin,
    Stop,
    rise,
)

Array = NDArray[np.float64]
STALL_SHARE = 0.10  # a stall is speed under this share of the median moving speed

__all__ = ["Jump", "Leg", "Lock", "Motion", "Rear", "Roll", "RollBack", "Spin", "Stop"]


@dataclass(frozen=True)
class Motion:
    """Speed over time along the heading, of the body and of the wheels' surface.

    Body: steady ``speed_mm_s`` times (1 + ``ripple`` sin(2 pi ``ripple_hz`` t)), so that the
    standard deviation of speed over its mean is ``ripple`` / sqrt(2), times the stops. It starts
    from rest at ``start_s`` over ``rise_s`` (with ``start_s`` None it moves from the beginning) and
    comes to rest at ``stop_s``. ``legs`` add driven travel from rest to rest, with the same ripple
    and stops, ``rolls`` free rolling; roll-backs are taken away. ``jump`` makes every start from
    rest (of ``start_s`` and of the legs) overshoot. ``body_pitch_deg`` rocks the sprung body on its
    axles at ``body_pitch_hz``. ``rears`` turn the whole truck nose up about its rear axle.

    Wheels: their surface runs at v / (1 - slip), slip = 1 - v / (omega r) being ``slip`` plus
    ``slip_wave`` (amplitude, hz) as amplitude sin(2 pi hz t); ``locks`` hold them, then ``spins``
    add to them. After rest they start ``wheel_lead_s`` before the body does: driven rises come
    that much earlier, falls do not.
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
    slip_wave: tuple[float, float] = (0.0, 1.0)
    wheel_lead_s: float = 0.0
    locks: tuple[Lock, ...] = ()
    spins: tuple[Spin, ...] = ()
    legs: tuple[Leg, ...] = ()
    rolls: tuple[Roll, ...] = ()
    jump: Jump | None = None
    rears: tuple[Rear, ...] = ()

    @property
    def moves(self) -> bool:
        """False when nothing of the truck ever moves."""
        parts = (self.speed_mm_s, self.body_pitch_deg, self.roll_backs, self.legs, self.rolls)
        return any(map(bool, (*parts, self.spins, self.rears)))

    def speed(self, times_s: ArrayLike) -> Array:
        """Speed of the body in mm/s at `times_s`."""
        return self._rolling(np.asarray(times_s, dtype=np.float64), 0.0)

    def _rolling(self, t: Array, lead_s: float) -> Array:
        """Speed in mm/s with every driven rise from rest `lead_s` earlier."""
        value = self._driven(t, lead_s)
        for roll in self.rolls:
            value = value + roll.speed(t)
        for back in self.roll_backs:
            value = value - back.speed(t)
        return value

    def _driven(self, t: Array, lead_s: float) -> Array:
        wave = 1.0 + self.ripple * np.sin(2 * math.pi * self.ripple_hz * t + self.ripple_phase_rad)
        value = self.speed_mm_s * wave
        for stop in self.stops:
            value = value * stop.share(t, lead_s)
        if self.start_s is not None:
            value = value * rise(t, self.start_s - lead_s, self.rise_s)
            value = value * self._jump(t, self.start_s)
        if self.stop_s is not None:
            value = value * (1.0 - rise(t, self.stop_s, self.rise_s))
        for leg in self.legs:
            part = leg.speed(t, lead_s) * wave * self._jump(t, leg.start_s)
            for stop in self.stops:
                part = part * stop.share(t, lead_s)
            value = value + part
        return np.asarray(value)

    def _jump(self, t: Array, start_s: float) -> Array | float:
        return 1.0 if self.jump is None else self.jump.factor(t, start_s)

    @cached_property
    def _travel(self) -> Dense:
        return Dense(self.speed, self.length_s)

    def travel(self, times_s: ArrayLike) -> Array:
        """Travel of the body in mm at `times_s`, 0 at time 0: the dense integral of `speed`."""
        return self._travel.at(np.asarray(times_s, dtype=np.float64))

    def slip_set(self, times_s: ArrayLike) -> Array:
        """Slip that the wheels would have without lead, locks and spins, at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        amplitude, hz = self.slip_wave
        return np.asarray(self.slip + amplitude * np.sin(2 * math.pi * hz * t))

    def surface_speed(self, times_s: ArrayLike) -> Array:
        """Speed of the wheels' surface, omega r, in mm/s at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        value = self._rolling(t, self.wheel_lead_s) / (1.0 - self.slip_set(t))
        for lock in self.locks:
            value = value * (1.0 - lock.share(t))
        for spin in self.spins:
            value = value + spin.speed(t)
        return np.asarray(value)

    @cached_property
    def _turn(self) -> Dense:
        return Dense(self.surface_speed, self.length_s)

    def turn_mm(self, times_s: ArrayLike) -> Array:
        """Path of the wheels' surface in mm at `times_s`, 0 at time 0; over r it is their turn."""
        if self.slip_wave[0] or self.wheel_lead_s or self.locks or self.spins:
            return self._turn.at(np.asarray(times_s, dtype=np.float64))
        return np.asarray(self.travel(times_s) / (1.0 - self.slip))

    def pitch_rad(self, times_s: ArrayLike) -> Array:
        """Pitch of the sprung body on its axles, rad, nose up, at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        wave = np.sin(2 * math.pi * self.body_pitch_hz * t)
        return np.asarray(math.radians(self.body_pitch_deg) * wave)

    def rear_rad(self, times_s: ArrayLike) -> Array:
        """Turn of the whole truck about its rear axle, rad, nose up, at `times_s`."""
        t = np.asarray(times_s, dtype=np.float64)
        return np.asarray(sum((rear.angle_rad(t) for rear in self.rears), np.zeros(t.shape)))

    def median_moving_speed(self, first_s: float, last_s: float) -> float:
        """Median of the speed where it moves forward at all, mm/s."""
        speed = self.speed(np.arange(first_s, last_s, STEP_S))
        moving = speed[speed > 0.05 * max(self.speed_mm_s, 1e-9)]
        return float(np.median(moving)) if moving.size else 0.0

    def stalls(
        self, first_s: float, last_s: float, least_s: float = 0.15
    ) -> list[dict[str, float]]:
        """Spans under 10 % of the median moving speed for `least_s` or longer, by dense search.

        Only where a whole speed is asked for: standing before a start, after a stop and between
        legs is no stall.
        Each has ``start_s``, ``end_s`` and ``s_mm`` (travel at its middle).
        """
        limit = STALL_SHARE * self.median_moving_speed(first_s, last_s)
        if limit <= 0:
            return []
        grid = np.arange(first_s, last_s, STEP_S)
        slow = np.concatenate([[False], self._slow(grid, limit), [False]])
        change = np.flatnonzero(np.diff(slow.astype(np.int8)))
        found = []
        for a, b in zip(change[::2], change[1::2], strict=True):
            start, end = float(grid[a]), float(grid[min(b, len(grid) - 1)])
            if end - start >= least_s:
                middle = float(self.travel((start + end) / 2))
                found.append({"start_s": start, "end_s": end, "s_mm": middle})
        return found

    def _slow(self, grid: Array, limit: float) -> NDArray[np.bool_]:
        """Where a whole speed is asked for and less than `limit` of it is there."""
        speed, slow = self.speed(grid), np.zeros(grid.shape, bool)
        if self.speed_mm_s:
            first = -math.inf if self.start_s is None else self.start_s + self.rise_s
            last = math.inf if self.stop_s is None else self.stop_s
            slow |= (grid >= first) & (grid <= last) & (speed < limit)
        for leg in self.legs:
            asked = (grid >= leg.start_s + leg.rise_s) & (grid <= leg.end_s - leg.rise_s)
            slow |= asked & (math.copysign(1.0, leg.speed_mm_s) * speed < limit)
        return slow
