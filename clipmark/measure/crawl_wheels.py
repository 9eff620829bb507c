"""From a followed wheel to its turn, its surface speed and its slip, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, Frame
from clipmark.errors import FitError
from clipmark.geometry.hub_fit import fit_hub
from clipmark.marks import Wheel
from clipmark.measure.crawl_noise import FINE_WINDOW_S, usual_noise
from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray, Ruler
from clipmark.motion.slip import Slip, knowable_above, slip_of
from clipmark.motion.speed import correlation_factor, local_fit
from clipmark.motion.wheel_path import WheelFollowing
from clipmark.motion.wheel_ring import wheel_shape

WHEEL_U_MM = 0.5  # standard uncertainty of a rolling diameter, unless declared otherwise
LEAST_CORRELATION = 2.0  # compression errs alike for some frames, slower than a short fit sees
SLIP_WINDOW_S = 0.2
FARTHEST_PX = 10.0  # a hub fitted farther from its mark than this is another round thing
SIZE_SHARE = 0.12  # a ring of this much another size is another ring


@dataclass(frozen=True, eq=False)
class Radius:
    """Rolling radius of the wheels: mm, and its relative standard uncertainty."""

    mm: float
    u_relative: float


@dataclass(frozen=True, eq=False)
class WheelTrace:
    """One wheel over the K frames of a path.

    Attributes
    ----------
    number : int
        From 1, in the order marked.
    mark : Wheel
        As followed: its centre fitted where that could be done.
    turn_rad, u_turn_rad : ndarray, shape (K,)
        Turn since the first frame in which it is known, positive the way rolling ahead turns it,
        and its standard uncertainty; NaN where unknown.
    rate_rad_s, u_rate_rad_s : ndarray, shape (K,)
        Rate of turn through the filter of the speed, and its standard uncertainty.
    hub_mm : ndarray, shape (K,)
        The hub's own travel along the way; NaN where not found.
    hub_px : ndarray, shape (K, 2)
    stretch : ndarray of int, shape (K,)
    reasons : list of str
    parts : int
    noise_rad : float
        Standard deviation of a single turn, white part.
    correlation : float
        Factor on the variance of local means for errors that go together in time.
    radius : Radius or None
    surface_mm_s, hub_speed_mm_s : ndarray, shape (K,)
        Over `SLIP_WINDOW_S`; NaN without a radius.
    slip : Slip or None
    knowable_mm_s : float
        Speed below which the slip cannot be known; NaN without a radius.
    note : str
        Why nothing of it could be followed; empty when it could.
    """

    number: int
    mark: Wheel
    turn_rad: FloatArray
    u_turn_rad: FloatArray
    rate_rad_s: FloatArray
    u_rate_rad_s: FloatArray
    hub_mm: FloatArray
    hub_px: FloatArray
    stretch: NDArray[np.intp]
    reasons: list[str]
    parts: int
    noise_rad: float
    correlation: float
    radius: Radius | None
    surface_mm_s: FloatArray
    hub_speed_mm_s: FloatArray
    slip: Slip | None
    knowable_mm_s: float
    note: str = ""

    @property
    def known(self) -> NDArray[np.bool_]:
        """Frames with a turn, shape (K,)."""
        return np.isfinite(self.turn_rad)

    def u_step_rad(self) -> float:
        """Standard uncertainty of a turn between two instants far apart."""
        return math.sqrt(2) * self.noise_rad


def fitted_wheel(frame: Frame, clip: Clip, wheel: Wheel) -> tuple[Wheel, str]:
    """The wheel with its centre and size fitted to the reference frame, and a sentence if not.

    The ellipse's form is kept as marked; a fit that moves far or finds another size is not taken.
    """
    shape = wheel_shape(wheel)
    radius = math.sqrt(wheel.rx * wheel.ry)
    squeeze = shape @ np.diag([1 / wheel.rx, 1 / wheel.ry])  # the turn of the axes alone
    to_circle = squeeze @ np.diag([radius / wheel.rx, radius / wheel.ry]) @ squeeze.T
    back = np.linalg.inv(to_circle)
    try:
        fit = fit_hub(
            frame.luma,
            (wheel.cx, wheel.cy),
            rim_px=radius,
            black=float(clip.black_level),
            white=float(clip.white_level),
            to_flat=lambda points: points @ to_circle.T,
            from_flat=lambda points: points @ back.T,
            quick=True,
        )
    except FitError as error:
        return wheel, f"The wheel's hub is taken as marked: {error}."
    away = math.hypot(fit.centre_px[0] - wheel.cx, fit.centre_px[1] - wheel.cy)
    if away > FARTHEST_PX:
        return wheel, (
            f"The roundest thing near the hub marked at ({wheel.cx:.0f}, {wheel.cy:.0f}) lies "
            f"{away:.0f} px away; the hub is taken as marked."
        )
    size = fit.radius_px / radius
    grow = size if abs(size - 1) < SIZE_SHARE else 1.0
    return replace(
        wheel,
        cx=float(fit.centre_px[0]),
        cy=float(fit.centre_px[1]),
        rx=wheel.rx * grow,
        ry=wheel.ry * grow,
    ), ""


def trace_wheel(
    number: int,
    followed: WheelFollowing,
    path: Path,
    ruler: Ruler,
    window_s: float,
    radius: Radius | None,
) -> WheelTrace:
    """Turn, rate and slip of one wheel along a path.

    Parameters
    ----------
    number : int
    followed : WheelFollowing
        Same frames as `path`.
    path : Path
    ruler : Ruler
    window_s : float
        Width of the speed's filter.
    radius : Radius, optional
        Rolling radius; without it there is no slip.
    """
    hub_mm = _hub_travel(followed, path, ruler)
    turn = followed.turn_rad.copy()
    if path.camera.turn_rad is not None:
        turn = turn - path.camera.turn_rad
    turn[[bool(reason) for reason in followed.reasons]] = np.nan
    for k in np.flatnonzero(np.diff(path.times_s) <= 0) + 1:
        turn[k] = np.nan  # a frame without a time of its own
    turn[_stale(path)] = np.nan
    turn *= rolling_sense(path, turn)
    known = np.flatnonzero(np.isfinite(turn))
    if known.size:
        turn -= turn[known[0]]
    noise, correlation = _turn_noise(path.times_s, turn, followed.stretch)
    stated = np.sqrt(np.maximum(followed.covariance[:, 2, 2], 0.0))
    u_turn = np.where(np.isfinite(turn), np.maximum(stated, noise), np.nan)
    rate, gain = by_stretch(path.times_s, turn, followed.stretch, window_s, 2)
    trace = WheelTrace(
        number=number,
        mark=followed.mark,
        turn_rad=turn,
        u_turn_rad=u_turn,
        rate_rad_s=rate,
        u_rate_rad_s=noise * gain * math.sqrt(correlation),
        hub_mm=hub_mm,
        hub_px=followed.hub_px,
        stretch=followed.stretch,
        reasons=followed.reasons,
        parts=followed.parts,
        noise_rad=noise,
        correlation=correlation,
        radius=radius,
        surface_mm_s=np.full_like(turn, np.nan),
        hub_speed_mm_s=np.full_like(turn, np.nan),
        slip=None,
        knowable_mm_s=math.nan,
        note=followed.note,
    )
    return trace if radius is None or not known.size else _with_slip(trace, path, radius)


def _stale(path: Path) -> NDArray[np.bool_]:
    """Frames that bring no new moment."""
    return np.array(
        [r in ("repeated picture", "same time as the frame before") for r in path.reasons],
        dtype=bool,
    )


def rolling_sense(path: Path, turn_rad: FloatArray) -> int:
    """+1 when rolling ahead turns a wheel clockwise as seen, -1 when the other way.

    The ground is below in the upright picture, so rolling to the right is clockwise. Where the way
    stands nearly upright in the picture, the turn's own agreement with the travel decides.
    """
    across, down = path.along_mm_per_px
    if abs(across) > 0.3 * math.hypot(across, down):
        return 1 if across > 0 else -1
    ok = np.isfinite(turn_rad) & path.known
    if ok.sum() < 3:
        return 1
    together = np.cov(turn_rad[ok], path.s_mm[ok])[0, 1]
    return -1 if together < 0 else 1


def _hub_travel(followed: WheelFollowing, path: Path, ruler: Ruler) -> FloatArray:
    """The hub's own travel along the way, mm, camera shake taken out, (K,)."""
    steady = followed.hub_px - path.camera.applied_px
    out = np.full(len(steady), np.nan)
    seen = np.isfinite(steady).all(axis=1)
    seen &= np.array([not r or r not in ("repeated picture",) for r in path.reasons])
    if seen.any():
        out[seen] = ruler.to_mm(steady[seen]) @ path.direction
    return out


def _turn_noise(
    times_s: FloatArray, turn: FloatArray, stretch: NDArray[np.intp]
) -> tuple[float, float]:
    """Standard deviation of a single turn around a short fit, rad, and its correlation in time."""
    squares, count, correlation = 0.0, 0, LEAST_CORRELATION
    for run in _counted(turn, stretch):
        fine = local_fit(times_s[run], turn[run], FINE_WINDOW_S)
        ok = np.isfinite(fine.residual)
        if ok.sum() < 10:
            continue
        noise = usual_noise(fine, times_s[run], ok)
        squares, count = squares + noise**2 * ok.sum(), count + int(ok.sum())
        step = float(np.median(np.diff(times_s[run])))
        reach = max(2, round(SLIP_WINDOW_S / max(step, 1e-6)))
        found = correlation_factor(np.nan_to_num(fine.residual), ok, reach)
        correlation = max(correlation, found)
    return (math.sqrt(squares / count) if count else math.nan), correlation


def _counted(values: FloatArray, stretch: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Numbers of the known instants of each counted-through stretch."""
    known = np.isfinite(values)
    return [np.flatnonzero(known & (stretch == name)) for name in np.unique(stretch[known])]


def by_stretch(
    times_s: FloatArray,
    values: FloatArray,
    stretch: NDArray[np.intp],
    window_s: float,
    degree: int,
) -> tuple[FloatArray, FloatArray]:
    """Slope of `values` and its gain, fitted within counted-through stretches only, (K,) each."""
    slope, gain = np.full(len(values), np.nan), np.full(len(values), np.nan)
    for run in _counted(values, stretch):
        if run.size < 5:
            continue
        fit = local_fit(times_s[run], values[run], window_s, degree)
        slope[run], gain[run] = fit.slope, fit.slope_gain
    return slope, gain


def _with_slip(trace: WheelTrace, path: Path, radius: Radius) -> WheelTrace:
    """The same with surface speed, hub speed and slip over `SLIP_WINDOW_S`."""
    times = path.times_s
    rate, gain = by_stretch(times, trace.turn_rad, trace.stretch, SLIP_WINDOW_S, 1)
    surface = rate * radius.mm
    u_surface = trace.noise_rad * gain * math.sqrt(trace.correlation) * radius.mm
    one = np.zeros(len(times), dtype=np.intp)
    speed, speed_gain = by_stretch(times, trace.hub_mm, one, SLIP_WINDOW_S, 1)
    hub_noise, hub_correlation = _turn_noise(times, trace.hub_mm, one)
    u_speed = hub_noise * speed_gain * math.sqrt(hub_correlation)
    limit = knowable_above(float(np.nanmedian(u_speed)), float(np.nanmedian(u_surface)))
    slip = slip_of(speed, surface, u_speed, u_surface, 0.0)
    return replace(
        trace, surface_mm_s=surface, hub_speed_mm_s=speed, slip=slip, knowable_mm_s=limit
    )
