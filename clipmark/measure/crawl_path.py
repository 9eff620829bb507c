"""From followed px to travel in mm: camera shake taken out, laid along the way, gaps named."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.marks import Line
from clipmark.measure.crawl_ruler import FloatArray, Ruler
from clipmark.motion.bend import arc_along
from clipmark.motion.camera import CameraMotion, camera_motion
from clipmark.motion.passes import Following
from clipmark.motion.phases import ahead_sense
from clipmark.motion.rocking import Rocking, rocking
from clipmark.motion.speed import local_fit, residual_noise

LEAST_FRAMES = 8
SCATTER_WINDOW_S = 0.12
STALE_SIGMAS = 4.0  # steps beside a repeated picture of so many u show that it is stale
CURVED_SHARE = 0.05  # of the way, strayed from its straight line: it bends
MANY_REPEATS = 3
STALE_RUN = 3  # longer runs of one picture are a truck that stands, or a frozen recording


@dataclass(frozen=True)
class Path:
    """Travel along the way in K frames.

    Attributes
    ----------
    ordinals, times_s : ndarray, shape (K,)
    s_mm : ndarray, shape (K,)
        Travel from the first frame in which the body was found; NaN where there is none.
    u_s_mm : ndarray, shape (K,)
        Its standard uncertainty against the reference frame, scale left out.
    reasons : list of str
        Why there is no travel in a frame; empty where there is.
    camera : CameraMotion
    u_camera_mm : ndarray, shape (K,)
        Share of `u_s_mm` that the camera's motion leaves.
    along_mm_per_px : ndarray, shape (2,)
        Travel per px of upright picture at the middle of the way.
    across_rms_mm : float
        How far the way is from straight, or from the curve where it is `bent`.
    background_mm : ndarray, shape (K, Q)
        Background pieces pushed through the same chain, NaN where not seen.
    background_ratio : ndarray, shape (Q,)
        Uncertainty of the body over that of each piece, along the way.
    direction : ndarray, shape (2,)
        Unit vector of the way in the plane, ahead.
    bent : bool
        Whether travel is along a curve through the body's places, not along a straight line.
    rocked_rad : float
        Root mean square pitch of the body on its springs whose share in its travel was taken out
        with the wheels' hubs, so that `s_mm` is the travel of the axles; 0 when none was.
    """

    ordinals: NDArray[np.intp]
    times_s: FloatArray
    s_mm: FloatArray
    u_s_mm: FloatArray
    reasons: list[str]
    camera: CameraMotion
    u_camera_mm: FloatArray
    along_mm_per_px: FloatArray
    across_rms_mm: float
    background_mm: FloatArray
    background_ratio: FloatArray
    direction: FloatArray = field(default_factory=lambda: np.array([1.0, 0.0]))
    bent: bool = False
    rocked_rad: float = 0.0

    @property
    def known(self) -> NDArray[np.bool_]:
        """Frames with a travel, shape (K,)."""
        return np.isfinite(self.s_mm)


def lay_along(
    following: Following,
    ruler: Ruler,
    travel: Line | None,
    size_px: tuple[int, int],
    facing: str | None = None,
) -> Path:
    """Turn a following into travel along the way.

    The way is the given line, or the straight line of least squared distance (total least
    squares) through the body's places, or a smooth curve through them where they bend. Ahead is
    where the nose points, ``left`` or ``right`` in the picture; where that is not said, it is where
    the first move goes that is a good part of the longest one
    (`clipmark.motion.phases.ahead_sense`), whichever way the line was drawn.

    Raises
    ------
    FollowError
        If the body was found in too few frames.
    """
    reasons = list(following.reasons)
    found = np.array([not reason for reason in reasons], dtype=bool)
    if found.sum() < LEAST_FRAMES:
        why = max(set(reasons) - {""}, key=reasons.count, default="not found")
        raise FollowError(
            f"the body was followed in only {int(found.sum())} of {len(reasons)} frames (mostly: "
            f"{why}), and at least {LEAST_FRAMES} are needed; mark another patch, another "
            "reference frame, or a shorter span"
        )
    camera = camera_motion(
        following.points_px,
        following.shifts_px,
        following.seen,
        following.point_u_px,
        following.body_px,
        size_px,
        following.times_s,
    )
    steady_px = following.body_px - camera.applied_px
    places = np.full_like(steady_px, np.nan)
    places[found] = ruler.to_mm(steady_px[found])
    direction = _direction(places[found], ruler, travel)
    along = places @ direction
    u_px = np.sqrt(np.nanmedian(np.trace(following.body_covariance, axis1=1, axis2=2)))
    noise = float(u_px) * float(np.abs(ruler.stretch(steady_px[found][:1])).max())
    if facing is not None:
        nose = -1 if facing == "left" else 1
        rightward = float(np.einsum("i,nij->nj", direction, ruler.stretch(steady_px[found]))[0, 0])
        backward = nose * rightward < 0
    else:
        backward = ahead_sense(following.times_s[found], along[found], noise) < 0
    if backward:
        direction, along = -direction, -along
    middle = np.median(steady_px[found], axis=0)[None]
    per_px = np.einsum("i,nij->nj", direction, ruler.stretch(steady_px[found]))
    u_s, u_camera = (np.full(len(along), np.nan) for _ in range(2))
    body = np.einsum("ni,nij,nj->n", per_px, following.body_covariance[found], per_px)
    shaken = np.sum((per_px * camera.applied_u_px[found]) ** 2, axis=1)
    u_s[found], u_camera[found] = np.sqrt(body + shaken), np.sqrt(shaken)
    _mark_stale(following, along, u_s, reasons)
    missing = np.array([bool(reason) for reason in reasons])
    along[missing] = np.nan
    u_s[missing] = np.nan
    u_s *= _own_scatter(following.times_s, along, u_s)
    rocked = _rocking(following, camera, ruler, direction, along, u_s)
    if rocked is not None:
        there = np.isfinite(rocked.part)
        along[there] += rocked.part[there]
        u_s = np.hypot(u_s, rocked.u)
    known = np.flatnonzero(np.isfinite(along))
    off = places[known] - places[known].mean(axis=0)
    across = off @ np.array([-direction[1], direction[0]])
    strays, bent = float(np.std(across)), False
    if travel is None and strays > strays_much(along, u_s):
        arc = arc_along(along[known], across)
        if arc is not None:
            along[known], strays = arc
            bent = True
    at_middle = direction @ ruler.stretch(middle)[0]
    background, ratio = _background(following, camera, at_middle, float(np.median(np.sqrt(body))))
    return Path(
        ordinals=following.ordinals,
        times_s=following.times_s,
        s_mm=along - along[known[0]],
        u_s_mm=u_s,
        reasons=reasons,
        camera=camera,
        u_camera_mm=u_camera,
        along_mm_per_px=at_middle,
        across_rms_mm=strays,
        background_mm=background,
        background_ratio=ratio,
        direction=direction,
        bent=bent,
        rocked_rad=0.0 if rocked is None else rocked.rms_rad,
    )


def _rocking(
    following: Following,
    camera: CameraMotion,
    ruler: Ruler,
    direction: FloatArray,
    along: FloatArray,
    u_s: FloatArray,
) -> Rocking | None:
    """What the body's rocking on its springs adds to its travel, told by the wheels' hubs."""
    hubs = []
    for wheel in following.wheels:
        steady = wheel.hub_px - camera.applied_px
        seen = np.isfinite(steady).all(axis=1)
        hub = np.full(len(along), np.nan)
        if seen.any():
            hub[seen] = ruler.to_mm(steady[seen]) @ direction
            hubs.append(hub)
    turn = following.turn_rad - (0.0 if camera.turn_rad is None else camera.turn_rad)
    return rocking(following.times_s, along, turn, hubs, float(np.nanmedian(u_s)))


def strays_much(along_mm: FloatArray, u_mm: FloatArray) -> float:
    """Straying from the straight way, mm, that is more than following could make of it."""
    reach = float(np.nanmax(along_mm) - np.nanmin(along_mm))
    return max(CURVED_SHARE * reach, 3 * float(np.nanmedian(u_mm)))


def _own_scatter(times_s: FloatArray, along: FloatArray, u_s: FloatArray) -> float:
    """Factor, at least 1, that makes the stated uncertainty as large as the scatter seen.

    Compression moves texture as a whole, which the residuals of a single frame cannot show; the
    scatter of neighbouring frames around a short local fit can.
    """
    known = np.isfinite(along) & np.isfinite(u_s)
    fit = local_fit(times_s[known], along[known], SCATTER_WINDOW_S)
    seen = float(np.sqrt(np.nanmean(residual_noise(fit, times_s[known]) ** 2)))
    stated = float(np.median(u_s[known]))
    return max(1.0, seen / stated) if np.isfinite(seen) and stated > 0 else 1.0


def _direction(places_mm: FloatArray, ruler: Ruler, travel: Line | None) -> FloatArray:
    """Unit vector of the way in the plane, along the net motion."""
    off = places_mm - places_mm.mean(axis=0)
    if travel is not None:
        ends = ruler.to_mm(np.array([[travel.x1, travel.y1], [travel.x2, travel.y2]]))
        way = ends[1] - ends[0]
    else:
        way = np.linalg.svd(off, full_matrices=False)[2][0]
    way = way / np.hypot(*way)
    few = max(1, len(places_mm) // 20)
    net = np.median(places_mm[-few:], axis=0) - np.median(places_mm[:few], axis=0)
    return np.asarray(way if way @ net >= 0 else -way, dtype=np.float64)


def _mark_stale(
    following: Following, along: FloatArray, u_s: FloatArray, reasons: list[str]
) -> None:
    """Name frames that bring no new moment: same time, or same picture while the body moved."""
    times = following.times_s
    for k in range(1, len(times)):
        if times[k] <= times[k - 1] and not reasons[k]:
            reasons[k] = "same time as the frame before"
    usual = float(np.nanmedian(u_s))
    runs = _repeated_runs(following.repeated)
    inner = [run for run in runs if _stands_between_steps(along, *run, usual, sides=2)]
    if len(inner) >= MANY_REPEATS:  # a converter's, which does not spare the ends
        inner = [run for run in runs if _stands_between_steps(along, *run, usual, sides=1)]
    for k, end in inner:
        for stale in range(k, end):
            reasons[stale] = reasons[stale] or "repeated picture"


def _repeated_runs(repeated: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First picture and the one after the last of each run of up to `STALE_RUN` repeats."""
    edges = np.diff(np.concatenate([[False], repeated[1:], [False]]).astype(np.int8))
    pairs = zip(np.flatnonzero(edges == 1) + 1, np.flatnonzero(edges == -1) + 1, strict=True)
    return [(int(k), int(end)) for k, end in pairs if end - k <= STALE_RUN]


def _stands_between_steps(along: FloatArray, k: int, end: int, u_mm: float, *, sides: int) -> bool:
    """Whether the body moved before picture k and after picture end - 1, but not in between.

    A truck does not stop and start again within some frames; a truck that stops or starts moves on
    one side only. At the ends of the span there is but one: `sides` says how many are needed.
    """
    steps = []
    if k >= 2:
        steps.append(abs(along[k - 1] - along[k - 2]))
    if end < len(along):
        steps.append(abs(along[end] - along[end - 1]))
    if len(steps) < sides:
        return False
    between = np.abs(np.diff(along[k - 1 : end]))
    return bool(min(steps) > STALE_SIGMAS * u_mm and np.max(between) < 0.3 * min(steps))


def _background(
    following: Following, camera: CameraMotion, along: FloatArray, u_body: float
) -> tuple[FloatArray, FloatArray]:
    """Residual shifts of the used background pieces as travel, and the body's u over theirs."""
    used = np.flatnonzero(camera.used)
    if not used.size:
        return np.zeros((len(following.times_s), 0)), np.zeros(0)
    moved = camera.residuals_px[:, used] @ along
    u_piece = np.sqrt(np.sum((following.point_u_px[used] * along) ** 2, axis=1))
    return moved, u_body / np.maximum(u_piece, 1e-9)
