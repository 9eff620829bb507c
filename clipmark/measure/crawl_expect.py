"""Before measuring: what speed, ripple and slip a clip can resolve.

A second or so from the reference frame is followed as the whole span would be. Its scatter stands
for that of the whole; even motion with such noise is then simulated at some usual speeds and put
through the same chain, so that what is predicted is what the measurement itself would say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from clipmark.clip import Clip
from clipmark.marks import Span
from clipmark.measure.crawl_noise import smooth
from clipmark.measure.crawl_path import Path, lay_along
from clipmark.measure.crawl_prepare import Prepared, trace_and_stands
from clipmark.measure.crawl_ruler import FloatArray, Ruler
from clipmark.measure.crawl_values import mean_over, ripple
from clipmark.measure.crawl_wheels import SLIP_WINDOW_S, trace_wheel
from clipmark.motion.camera import CameraMotion
from clipmark.motion.passes import follow
from clipmark.motion.slip import MOST_U
from clipmark.motion.stalls import BLIND_SHARE, LEAST_DWELL_S, NOISE_FACTOR

PROBE_S = 1.2
LEAST_PROBE = 16  # frames
SPEEDS_MM_S = (5.0, 10.0, 20.0, 40.0)  # a creep's usual range (common practice, no source)
TRIALS = 5
SEED = 20_260_712
TRIAL_RIPPLE, TRIAL_RIPPLE_HZ = 0.10, 2.0
MOST_FRAMES = 3600  # of a simulated span: a longer one tells no more that matters here


class Filtered(Protocol):
    """What a simulated span is put through: the ruler, filter and band of a crawl."""

    @property
    def ruler(self) -> Ruler:
        """From px to mm."""

    @property
    def window_s(self) -> float | None:
        """Width of the filter; chosen from the noise when None."""

    @property
    def band_hz(self) -> tuple[float, float]:
        """Band of the ripple."""


@dataclass(frozen=True)
class AtSpeed:
    """What is expected at one speed.

    Attributes
    ----------
    speed_mm_s : float
    window_s : float
        Width of the filter that would be chosen.
    noise_floor_mm_s : float
        Of the filtered speed.
    mean_speed_u95_mm_s : float
        Following alone; scale left out.
    ripple_floor : float or None
        Smallest ripple in the band that would be told from noise; None where the span is too short.
    ripple_u95 : float or None
        Of a ripple of 0.10 at 2 Hz.
    stalls_told : bool
        Whether standing could be told from moving at all.
    """

    speed_mm_s: float
    window_s: float
    noise_floor_mm_s: float
    mean_speed_u95_mm_s: float
    ripple_floor: float | None
    ripple_u95: float | None
    stalls_told: bool

    def to_dict(self) -> dict[str, float | bool | None]:
        """As printed."""
        return dict(self.__dict__)


@dataclass(frozen=True)
class Expectation:
    """What a clip can resolve, before it is measured.

    Attributes
    ----------
    position_u_mm, position_u_px : float
        Standard uncertainty of a single position.
    frame_rate_hz, highest_hz : float
        Usual frames per second, and the highest frequency that they can show.
    span_s : float
    band_hz : tuple
    at : tuple of AtSpeed
    shortest_stall_s : float
    turn_u_deg : list of float
        Standard uncertainty of a single turn of each marked wheel.
    slip_above_mm_s : list of float or None
        Speed below which the slip of each cannot be known; None without a rolling diameter.
    probe : tuple of int
        First and last frame that were followed for this.
    frame, t_s, clip_sha256, fingerprint
        Reference frame and its proof.
    warnings : tuple of str
    """

    position_u_mm: float
    position_u_px: float
    frame_rate_hz: float
    highest_hz: float
    span_s: float
    band_hz: tuple[float, float]
    at: tuple[AtSpeed, ...]
    shortest_stall_s: float
    turn_u_deg: list[float | None]
    slip_above_mm_s: list[float | None]
    probe: tuple[int, int]
    frame: int
    t_s: float
    clip_sha256: str
    fingerprint: str
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""
        return {
            **self.__dict__,
            "expected": True,
            "band_hz": list(self.band_hz),
            "at": [item.to_dict() for item in self.at],
            "probe": list(self.probe),
            "warnings": list(self.warnings),
        }


def expect(clip: Clip, ordinal: int, prepared: Prepared) -> Expectation:
    """Follow a short piece and say what the whole span can resolve.

    Parameters
    ----------
    clip : Clip
    ordinal : int
        Reference frame.
    prepared : Prepared
        Checked marks, settings and ruler of the crawl to come.

    Raises
    ------
    FollowError, FrameError
        As following does.
    """
    span = prepared.span
    probe = _probe(clip, ordinal, span)
    following = follow(clip, ordinal, prepared.patch, probe, wheels=prepared.wheels)
    ruler = prepared.ruler
    path = lay_along(following, ruler, prepared.way, (clip.width, clip.height), prepared.facing)
    times, s = path.times_s[path.known], path.s_mm[path.known]
    _, window, noise = smooth(times, s, prepared.window_s)
    middle = len(times) // 2
    for half in (slice(0, middle), slice(middle, len(times))):  # one of them may be at rest
        if middle >= LEAST_PROBE:
            noise = max(noise, smooth(times[half], s[half], prepared.window_s)[2])
    stamps = np.asarray(clip.times_s)[span.first : span.last + 1][:MOST_FRAMES]
    step = float(np.median(np.diff(stamps)))
    own = abs(float(s[-1] - s[0]) / float(times[-1] - times[0]))
    speeds = sorted({*SPEEDS_MM_S, round(own, 1)} - {0.0})
    per_px = float(np.abs(path.along_mm_per_px).max())
    turns = [
        trace_wheel(number, seen, path, ruler, window, prepared.radius)
        for number, seen in enumerate(following.wheels, 1)
    ]
    return Expectation(
        position_u_mm=noise,
        position_u_px=noise / per_px,
        frame_rate_hz=1 / step,
        highest_hz=0.45 / step,
        span_s=float(stamps[-1] - stamps[0]),
        band_hz=prepared.band_hz,
        at=tuple(at_speed(speed, stamps, noise, prepared) for speed in speeds if speed > 1),
        shortest_stall_s=LEAST_DWELL_S,
        turn_u_deg=[_degrees(wheel.noise_rad) for wheel in turns],
        slip_above_mm_s=[
            None
            if wheel.radius is None
            else slip_above(wheel.noise_rad * wheel.radius.mm, noise, step)
            for wheel in turns
        ],
        probe=(probe.first, probe.last),
        frame=ordinal,
        t_s=float(clip.times_s[ordinal]),
        clip_sha256=clip.sha256,
        fingerprint=following.fingerprints[ordinal],
        warnings=(
            *prepared.notes,
            f"Told from frames {probe.first} to {probe.last} alone: cover, blur or shake elsewhere "
            "in the span makes it worse.",
        ),
    )


def _probe(clip: Clip, ordinal: int, span: Span) -> Span:
    """Frames around the reference, inside the span."""
    times = np.asarray(clip.times_s)
    near = np.flatnonzero(np.abs(times - times[ordinal]) <= PROBE_S)
    near = near[(near >= span.first) & (near <= span.last)]
    after = near[near >= ordinal]
    if len(after) >= LEAST_PROBE and times[after[-1]] - times[ordinal] > 0.9 * PROBE_S:
        near = after  # forward alone needs no search for the reference
    if len(near) < LEAST_PROBE:
        first = max(span.first, min(ordinal, span.last - LEAST_PROBE + 1))
        return Span(first, min(span.last, first + LEAST_PROBE - 1))
    return Span(int(near[0]), int(near[-1]))


def at_speed(speed: float, stamps: FloatArray, noise: float, prepared: Filtered) -> AtSpeed:
    """Means over simulated spans of even motion, and of one with a known ripple.

    Parameters
    ----------
    speed : float
        mm/s.
    stamps : ndarray, shape (n,)
        Times of the frames, s.
    noise : float
        Standard uncertainty of a single position, mm.
    prepared : Filtered
        Ruler, filter and band.
    """
    floors, means, ripples, u_ripples, windows, told = [], [], [], [], [], []
    swing = TRIAL_RIPPLE * math.sqrt(2) * speed / (2 * math.pi * TRIAL_RIPPLE_HZ)
    for trial in range(TRIALS):
        rng = np.random.default_rng([SEED, trial])
        way = speed * (stamps - stamps[0]) + rng.normal(0.0, noise, len(stamps))
        path = simulated_path(stamps, way)
        trace, _, window = trace_and_stands(
            path, prepared.ruler, 0.0, prepared.window_s, prepared.band_hz
        )
        trace = replace(trace, ruler=replace(prepared.ruler, sources=()))
        floors.append(trace.noise.speed_mm_s)
        windows.append(window)
        told.append(NOISE_FACTOR * trace.noise.speed_mm_s <= BLIND_SHARE * speed)
        means.append(1.96 * mean_over(trace, 0, len(stamps) - 1)[1].u)
        figure, _ = ripple(trace, path, prepared.band_hz, speed)
        if figure is not None:
            ripples.append(figure.floor)
        uneven = simulated_path(
            stamps, way + swing * np.sin(2 * math.pi * TRIAL_RIPPLE_HZ * stamps)
        )
        trace, _, _ = trace_and_stands(
            uneven, prepared.ruler, 0.0, prepared.window_s, prepared.band_hz
        )
        figure, _ = ripple(trace, uneven, prepared.band_hz, speed)
        if figure is not None:
            u_ripples.append(figure.value.u95)
    return AtSpeed(
        speed_mm_s=speed,
        window_s=float(np.median(windows)),
        noise_floor_mm_s=float(np.mean(floors)),
        mean_speed_u95_mm_s=float(np.mean(means)),
        ripple_floor=float(np.mean(ripples)) if ripples else None,
        ripple_u95=float(np.mean(u_ripples)) if u_ripples else None,
        stalls_told=all(told),
    )


def simulated_path(times_s: FloatArray, s_mm: FloatArray) -> Path:
    """A path that was never filmed: a still camera, no background, nothing lost."""
    count = len(times_s)
    nothing = np.zeros((count, 2))
    camera = CameraMotion(
        nothing, nothing, nothing, nothing, "still", 0.0, np.zeros(0, dtype=bool),
        np.zeros((count, 0, 2)),
    )  # fmt: skip
    return Path(
        ordinals=np.arange(count),
        times_s=times_s,
        s_mm=s_mm - s_mm[0],
        u_s_mm=np.full(count, 1e-3),
        reasons=[""] * count,
        camera=camera,
        u_camera_mm=np.zeros(count),
        along_mm_per_px=np.array([1.0, 0.0]),
        across_rms_mm=0.0,
        background_mm=np.zeros((count, 0)),
        background_ratio=np.zeros(0),
    )


def slip_above(u_surface_mm: float, u_position_mm: float, step_s: float) -> float:
    """Speed below which slip over its window is less sure than it must be, mm/s."""
    count = max(5, round(SLIP_WINDOW_S / step_s) + 1)
    gain = math.sqrt(12 / (count * (count**2 - 1.0))) / step_s
    return math.sqrt(2.0) * math.hypot(u_surface_mm, u_position_mm) * gain / MOST_U


def _degrees(rad: float) -> float | None:
    return math.degrees(rad) if math.isfinite(rad) else None
