"""Statistics of a crawl on simulated traces: true intervals, nothing made out of noise.

A body of known travel is sampled at the frames' times, position noise is laid on it (white, or
going together over some frames as compression makes it), and the trace goes through the very
functions that a followed clip goes through.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clipmark.measure.crawl import _trace
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import plane_ruler
from clipmark.motion.camera import CameraMotion

BAND = (0.5, 5.0)
DENSE_S = 2e-4
TICK_S = 1 / 90_000


@dataclass(frozen=True)
class Stop:
    """Speed falls over `ramp` from `start`, and is back at ``start + dwell``; raised cosines."""

    start: float
    dwell: float
    ramp: float = 0.04
    back_mm: float = 0.0


@dataclass(frozen=True)
class Scene:
    """A truck and how it is filmed: mm, s, Hz; ripple is standard deviation over mean."""

    speed: float = 25.0
    ripple: float = 0.0
    hz: float = 2.0
    seconds: float = 6.0
    fps: float = 60.0
    uneven: bool = False
    noise: float = 0.01
    rho: float = 0.0
    shake: float = 0.0
    stops: tuple[Stop, ...] = field(default=())


@dataclass(frozen=True)
class Shot:
    """One simulated clip with its truth."""

    path: Path
    dense_s: np.ndarray
    speed: np.ndarray
    travel: np.ndarray

    def true_mean(self) -> float:
        """Over the frames, mm/s."""
        times = self.path.times_s
        ends = np.interp(times[[0, -1]], self.dense_s, self.travel)
        return float((ends[1] - ends[0]) / (times[-1] - times[0]))

    def true_stalls(self, limit: float) -> list[tuple[float, float]]:
        """Spans of speed below `limit`, s, that touch neither end."""
        slow = np.concatenate([[False], self.speed < limit, [False]])
        edges = np.flatnonzero(np.diff(slow.astype(int)))
        spans = zip(edges[::2], edges[1::2], strict=True)
        inner = [(a, b) for a, b in spans if a > 0 and b < len(self.speed)]
        return [(float(self.dense_s[a]), float(self.dense_s[b - 1])) for a, b in inner]


def shoot(scene: Scene, rng: np.random.Generator) -> Shot:
    """Simulate one clip."""
    dense = np.arange(0.0, scene.seconds + 0.1, DENSE_S)
    swing = np.sqrt(2) * scene.ripple * np.sin(2 * np.pi * scene.hz * dense + rng.uniform(0, 6.28))
    v = scene.speed * (1 + swing)
    for stop in scene.stops:
        v = v * (1 - _lull(dense, stop)) - _backward(dense, stop)
    travel = np.concatenate([[0.0], np.cumsum(v[:-1]) * DENSE_S])
    times = _frame_times(scene, rng)
    steps = _noise(len(times), scene, rng)
    s = np.interp(times, dense, travel) + steps
    return Shot(_path(times, s - s[0], scene), dense, v, travel)


def _lull(t: np.ndarray, stop: Stop) -> np.ndarray:
    fall = 0.5 - 0.5 * np.cos(np.pi * np.clip((t - stop.start) / stop.ramp, 0, 1))
    back = (t - stop.start - stop.dwell + stop.ramp) / stop.ramp
    return fall - (0.5 - 0.5 * np.cos(np.pi * np.clip(back, 0, 1)))


def _backward(t: np.ndarray, stop: Stop) -> np.ndarray:
    """Speed of a roll back in the middle third of the dwell."""
    length = stop.dwell / 3
    share = np.clip((t - stop.start - length) / length, 0, 1)
    return stop.back_mm / length * (1 - np.cos(2 * np.pi * share))


def _frame_times(scene: Scene, rng: np.random.Generator) -> np.ndarray:
    count = int(scene.seconds * scene.fps) + 1
    steps = np.full(count, 1 / scene.fps)
    if scene.uneven:
        steps = rng.uniform(0.72, 1.32, count) / scene.fps
    times = np.round(np.cumsum(steps) / TICK_S) * TICK_S
    return times[times <= scene.seconds]


def _noise(count: int, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Of standard deviation `noise` in all, lag-one correlation `rho`; camera shake beside it."""
    white = rng.normal(0.0, scene.noise, count)
    out = white.copy()
    for k in range(1, count):
        out[k] = scene.rho * out[k - 1] + np.sqrt(1 - scene.rho**2) * white[k]
    return out


def _path(times: np.ndarray, s: np.ndarray, scene: Scene) -> Path:
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
    return Path(
        ordinals=np.arange(count),
        times_s=times,
        s_mm=s,
        u_s_mm=np.full(count, max(scene.noise, 1e-6)),
        reasons=[""] * count,
        camera=camera,
        u_camera_mm=np.zeros(count),
        along_mm_per_px=np.array([0.5, 0.0]),
        across_rms_mm=0.0,
        background_mm=np.zeros((count, 0)),
        background_ratio=np.zeros(0),
    )


def read(shot: Shot):
    """Trace as `measure_crawl` makes it."""
    ruler = plane_ruler(lambda points: points, 0.0)
    return _trace(shot.path, ruler, TICK_S, None, BAND)[0]
