"""The camera's own motion, from pieces of background, taken out of the body's path.

Pure: arrays in, arrays out. The picture of a still background seen by a camera that turns moves by
a homography (Hartley and Zisserman, 2nd ed., 8.4.2); a similarity is its part that does not change
across the picture. Both are fitted to all frames at once by reweighted least squares, in
coordinates centred on the picture and divided by half its diagonal.
The fit is in `camera_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.camera_fit import (
    FLOOR_PX,
    CameraFit,
    CameraSolution,
    fit_those_that_agree,
)
from clipmark.motion.sampling import FloatArray

BODY_TRAVEL_PX = 5.0  # the body must have moved this far before it can tell its own pieces apart
AGREE_SHARE = 0.25
STILL_RATIO = 1.5  # scatter over what noise explains, below which the camera is judged still


@dataclass(frozen=True)
class CameraMotion:
    """How the camera moved in K frames.

    Attributes
    ----------
    at_body_px : ndarray, shape (K, 2)
        Shift of a background point seen where the body is, px; NaN where unknown.
    u_px : ndarray, shape (K, 2)
        Its standard uncertainty, px.
    applied_px : ndarray, shape (K, 2)
        What is taken out of the body's place: the shift, its smooth part, or zero.
    applied_u_px : ndarray, shape (K, 2)
        Standard uncertainty that this leaves.
    judged : {"still", "drifting", "moving", "unknown"}
    shake_px : float
        Root mean square of the shift about its mean with the noise taken out, px; NaN if unknown.
    used : ndarray of bool, shape (P,)
        Pieces taken for background.
    residuals_px : ndarray, shape (K, P, 2)
        Shift of each used piece less the fitted one, made as large as if the piece had not been
        in the fit; NaN where not seen.
    turn_rad : ndarray, shape (K,), or None
        Turn of the picture that is taken out, clockwise as seen; None for none.
    """

    at_body_px: FloatArray
    u_px: FloatArray
    applied_px: FloatArray
    applied_u_px: FloatArray
    judged: str
    shake_px: float
    used: NDArray[np.bool_]
    residuals_px: FloatArray
    turn_rad: FloatArray | None = None


def camera_motion(
    points_px: FloatArray,
    shifts_px: FloatArray,
    seen: NDArray[np.bool_],
    point_u_px: FloatArray,
    body_px: FloatArray,
    size_px: tuple[int, int],
    times_s: FloatArray,
) -> CameraMotion:
    """Camera motion at the body, and what of it to take out.

    Parameters
    ----------
    points_px : ndarray, shape (P, 2)
        Pieces in the reference picture.
    shifts_px, seen : ndarray, shapes (K, P, 2) and (K, P)
        Their shifts and whether they were found.
    point_u_px : ndarray, shape (P, 2)
        Standard uncertainty of one shift.
    body_px : ndarray, shape (K, 2)
        Where the body is, NaN where lost.
    size_px : tuple of int
        Width and height of the picture.
    times_s : ndarray, shape (K,)
    """
    frames = len(times_s)
    used = _not_on_the_truck(shifts_px, seen, body_px)
    fit = CameraFit(points_px, point_u_px, size_px)
    found = fit_those_that_agree(fit, shifts_px, seen, used, times_s)
    if found is None:
        return _unknown(frames, len(points_px))
    solution, used = found
    where = np.where(np.isfinite(body_px), body_px, np.nanmean(body_px, axis=0))
    at_body, u = solution.shift_at(where)
    for _ in range(2):  # the field is known over the reference picture, the body seen in this one
        at_body, u = solution.shift_at(where - np.nan_to_num(at_body))
    return _judge(solution, at_body, u, used, times_s)


def _not_on_the_truck(
    shifts: FloatArray, seen: NDArray[np.bool_], body_px: FloatArray
) -> NDArray[np.bool_]:
    """Drop pieces that travel with the body, however many they are."""
    counts = seen.sum(axis=0)
    used = np.asarray(counts >= 0.3 * max(len(seen), 1), dtype=bool)
    body = body_px - np.nanmean(body_px, axis=0)
    apart = np.full(len(used), np.nan)
    for p in np.flatnonzero(used):
        ok = seen[:, p] & np.isfinite(body[:, 0])
        if ok.sum() >= 3:
            gap = shifts[ok, p] - body[ok]
            apart[p] = np.sqrt(np.mean(np.sum((gap - gap.mean(axis=0)) ** 2, axis=1)))
    if not np.isfinite(apart).any():
        return used
    farthest = float(np.nanmax(apart))
    if farthest < BODY_TRAVEL_PX / np.sqrt(12):
        return used
    return used & ~(apart < AGREE_SHARE * farthest)


def _unknown(frames: int, pieces: int) -> CameraMotion:
    nothing = np.full((frames, 2), np.nan)
    zero = np.zeros((frames, 2))
    none = np.zeros(pieces, dtype=bool)
    gaps = np.full((frames, pieces, 2), np.nan)
    return CameraMotion(nothing, nothing, zero, zero, "unknown", float("nan"), none, gaps)


def _judge(
    solution: CameraSolution,
    at_body: FloatArray,
    u: FloatArray,
    used: NDArray[np.bool_],
    times_s: FloatArray,
) -> CameraMotion:
    """Decide whether the camera stood, drifted, or moved, and what to take out."""
    known = np.isfinite(at_body[:, 0])
    grow = np.sqrt(np.maximum(1 - solution.leverage, 0.1))
    residuals = np.where((solution.weights > 0.1)[..., None], solution.residuals / grow, np.nan)
    if known.sum() < 3:
        return _unknown(len(times_s), len(used))
    noise = np.mean(u[known] ** 2, axis=0)
    scatter = np.var(at_body[known], axis=0)
    shake = float(np.sqrt(np.sum(np.maximum(scatter - noise, 0.0))))
    filled = np.column_stack(
        [np.interp(times_s, times_s[known], at_body[known, i]) for i in range(2)]
    )
    if (scatter > STILL_RATIO**2 * noise).any():
        spare = np.where(known[:, None], u, shake + u)
        turn = np.interp(times_s, times_s[known], solution.turn_rad()[known])
        return CameraMotion(at_body, u, filled, spare, "moving", shake, used, residuals, turn)
    smooth, count = _slow_part(filled, times_s)
    drift = np.var(smooth, axis=0)
    u_smooth = np.sqrt(noise / count)
    if (drift > np.maximum(3 * u_smooth, FLOOR_PX) ** 2).any():
        spare = np.tile(u_smooth, (len(times_s), 1))
        return CameraMotion(at_body, u, smooth, spare, "drifting", shake, used, residuals)
    zero = np.zeros_like(filled)
    spare = np.tile(np.sqrt(drift + u_smooth**2), (len(times_s), 1))
    return CameraMotion(at_body, u, zero, spare, "still", shake, used, residuals)


def _slow_part(values: FloatArray, times_s: FloatArray) -> tuple[FloatArray, float]:
    """Mean over 1 s around each frame, (K, 2), and how many frames that takes."""
    low = np.searchsorted(times_s, times_s - 0.5, side="left")
    high = np.searchsorted(times_s, times_s + 0.5, side="right")
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(values, axis=0)])
    count = (high - low).astype(np.float64)
    return (sums[high] - sums[low]) / count[:, None], float(np.median(count))
