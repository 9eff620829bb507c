"""Simulated crawls of several moves, with wheels, and their truth; for the tests beside this file.

A body's speed is put together from legs, sampled at the frames' times, noise laid on; the wheels
turn with it, ahead of it, behind it or not at all. No pictures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from clipmark.marks import Wheel
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_prepare import trace_and_stands
from clipmark.measure.crawl_ruler import plane_ruler
from clipmark.measure.crawl_wheels import Radius, WheelTrace
from clipmark.motion.camera import CameraMotion

BAND = (0.5, 5.0)
DENSE_S = 2e-4
TICK_S = 1 / 90_000
WHEEL_MM = 54.0
RIM_SHARE = 0.8  # the marked circle's size over the rolling one


def even(x):
    """Speed over a fall from 1 to 0 within x = 0 to 1."""
    return 1 - np.clip(x, 0, 1)


def soft(x):
    """The same along a raised cosine."""
    return 0.5 + 0.5 * np.cos(np.pi * np.clip(x, 0, 1))


def dying(x):
    """The same along an exponential that has come down to 5 % and is cut there."""
    low = math.exp(-3)
    return (np.exp(-3 * np.clip(x, 0, 1)) - low) / (1 - low)


@dataclass(frozen=True)
class Leg:
    """One stretch: moving at `speed` (signed, mm/s) with a rise and a fall within it, or standing.

    With `gain` (mm/s2, signed) it is a roll of constant acceleration from `speed` instead of one
    of even speed. `stalls` are (start, dwell) from the leg's beginning; `slip` is the wheels'
    surface over the body's speed; `lead_s` how long the wheels turn before the body goes.
    """

    seconds: float
    speed: float = 0.0
    rise: float = 0.1
    fall: float = 0.1
    rising: Callable = soft
    falling: Callable = soft
    gain: float = 0.0
    drift: float = 0.0
    back_mm: float = 0.0
    ripple: float = 0.0
    ripple_hz: float = 2.0
    stalls: tuple[tuple[float, float], ...] = ()
    stall_ramp: float = 0.06
    slip: float = 1.0
    lead_s: float = 0.0

    @property
    def sense(self) -> int:
        return int(np.sign(self.speed or self.gain))

    def speeds(self, t, phase):
        """Body's speed at times `t` since the leg began, mm/s."""
        if not self.sense:
            third = self.seconds / 3
            share = np.clip((t - third) / third, 0, 1)
            return self.drift - self.back_mm / third * (1 - np.cos(2 * np.pi * share))
        v = self.speed + self.gain * t
        if self.ripple:
            v = v * (
                1 + math.sqrt(2) * self.ripple * np.sin(2 * np.pi * self.ripple_hz * t + phase)
            )
        if self.rise > 0 and not self.gain:
            v = v * (1 - self.rising(t / self.rise))
        if self.fall > 0:
            v = v * self.falling((t - self.seconds + self.fall) / self.fall)
        for start, dwell in self.stalls:
            down = soft((t - start) / self.stall_ramp)
            up = soft((t - start - dwell + self.stall_ramp) / self.stall_ramp)
            v = v * (1 - up + down)
        return v


@dataclass(frozen=True)
class Filmed:
    """How legs are filmed: noise in mm and deg, gaps as (from, to) s, `lean` of the way in deg."""

    legs: tuple[Leg, ...]
    fps: float = 60.0
    noise: float = 0.02
    turn_noise_deg: float = 0.05
    rho: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()
    wheels: int = 2
    slips: tuple[float | None, ...] = ()  # by wheel, over the legs' own
    radius: bool = True
    lean: float = -15.0
    begin_s: float = 0.0
    end_s: float | None = None


@dataclass(frozen=True)
class Scene:
    """Paths, wheels and truth of one simulated clip."""

    path: Path
    wheels: list[WheelTrace]
    dense_s: np.ndarray
    speed: np.ndarray
    travel: np.ndarray
    edges: tuple[float, ...] = field(default=())  # begin of each leg, and the last one's end

    def travel_at(self, t):
        return float(np.interp(t, self.dense_s, self.travel))


def film(shot: Filmed, rng: np.random.Generator) -> Scene:
    """Simulate one clip."""
    edges = np.concatenate([[0.0], np.cumsum([leg.seconds for leg in shot.legs])])
    dense = np.arange(0.0, edges[-1], DENSE_S)
    v, surface = np.zeros_like(dense), np.zeros((shot.wheels, len(dense)))
    for leg, start in zip(shot.legs, edges[:-1], strict=True):
        on = (dense >= start) & (dense < start + leg.seconds)
        phase = rng.uniform(0, 2 * np.pi)
        v[on] = leg.speeds(dense[on] - start, phase)
        early = (dense >= start - leg.lead_s) & (dense < start)
        for k in range(shot.wheels):
            slip = shot.slips[k] if k < len(shot.slips) else None
            slip = leg.slip if slip is None else slip
            surface[k, on] = v[on] * (slip if leg.sense else 0.0)
            if leg.sense and leg.lead_s:
                surface[k, early] = leg.speed * min(slip, 1.0)
    travel = np.concatenate([[0.0], np.cumsum(v[:-1]) * DENSE_S])
    turns = np.concatenate(
        [np.zeros((shot.wheels, 1)), np.cumsum(surface[:, :-1], axis=1) * DENSE_S], axis=1
    ) / (WHEEL_MM / 2)
    end = edges[-1] if shot.end_s is None else shot.end_s
    times = shot.begin_s + np.arange(int((end - shot.begin_s) * shot.fps)) / shot.fps
    times = np.round(times / TICK_S) * TICK_S
    s = np.interp(times, dense, travel) + noise_like(shot.noise, shot.rho, len(times), rng)
    lost = np.zeros(len(times), dtype=bool)
    for a, b in shot.gaps:
        lost |= (times >= a) & (times <= b)
    s = np.where(lost, np.nan, s)
    first = s[np.isfinite(s)][0] if np.isfinite(s).any() else 0.0
    path = _path(times, s - first, lost, shot)
    wheels = [
        _wheel(k + 1, times, np.interp(times, dense, turns[k]), lost, shot, rng)
        for k in range(shot.wheels)
    ]
    return Scene(path, wheels, dense, v, travel, tuple(edges.tolist()))


def noise_like(size, rho, count, rng):
    """Of standard deviation `size` in all and lag-one correlation `rho`."""
    white = rng.normal(0.0, size, count)
    out = white.copy()
    for k in range(1, count):
        out[k] = rho * out[k - 1] + math.sqrt(1 - rho**2) * white[k]
    return out


def _path(times, s, lost, shot: Filmed) -> Path:
    count = len(times)
    zero = np.zeros((count, 2))
    camera = CameraMotion(
        at_body_px=zero,
        u_px=zero + 0.01,
        applied_px=zero,
        applied_u_px=zero,
        judged="still",
        shake_px=0.0,
        used=np.zeros(0, dtype=bool),
        residuals_px=np.zeros((count, 0, 2)),
    )
    lean = math.radians(shot.lean)
    return Path(
        ordinals=np.arange(count),
        times_s=times,
        s_mm=s,
        u_s_mm=np.where(lost, np.nan, max(shot.noise, 1e-6)),
        reasons=["covered" if gone else "" for gone in lost],
        camera=camera,
        u_camera_mm=np.where(lost, np.nan, 0.0),
        along_mm_per_px=0.5 * np.array([math.cos(lean), -math.sin(lean)]),
        across_rms_mm=0.0,
        background_mm=np.zeros((count, 0)),
        background_ratio=np.zeros(0),
    )


def _wheel(number, times, turn, lost, shot: Filmed, rng) -> WheelTrace:
    """A wheel of `WHEEL_MM`, marked at `RIM_SHARE` of it in a plane of 1 mm per px."""
    noise = math.radians(shot.turn_noise_deg)
    turn = turn + noise_like(noise, 0.0, len(turn), rng)
    turn[lost] = np.nan
    known = np.flatnonzero(np.isfinite(turn))
    turn -= turn[known[0]] if known.size else 0.0
    rim = RIM_SHARE * WHEEL_MM / 2
    blank = np.full(len(times), np.nan)
    return WheelTrace(
        number=number,
        mark=Wheel(100.0 * number, 100.0, rim, rim),
        turn_rad=turn,
        u_turn_rad=np.where(np.isfinite(turn), noise, np.nan),
        rate_rad_s=blank,
        u_rate_rad_s=blank,
        hub_mm=blank,
        hub_px=np.full((len(times), 2), np.nan),
        stretch=np.zeros(len(times), dtype=np.intp),
        reasons=["covered" if gone else "" for gone in lost],
        parts=1,
        noise_rad=noise,
        correlation=2.0,
        radius=Radius(WHEEL_MM / 2, 0.01) if shot.radius else None,
        surface_mm_s=blank,
        hub_speed_mm_s=blank,
        slip=None,
        knowable_mm_s=math.nan,
    )


def read(scene: Scene):
    """Trace and stands, as `measure_crawl` makes them."""
    ruler = plane_ruler(lambda points: points, 0.0)
    trace, stands, _ = trace_and_stands(scene.path, ruler, TICK_S, None, BAND)
    return trace, stands
