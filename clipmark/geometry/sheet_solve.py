"""The least-squares problem behind a sheet: pose, sides and camera from four corners.

One least-squares problem in double precision for every case. Unknown are the sheet's pose, its
two sides and the camera's latents; known are the four corners with their covariances, and prior
values for sides and latents. With a known lens the keystone of the corners decides and the
stated sides hardly matter; with an unknown one the sides matter and the answer turns into the
plain homography of the four corners (R. Hartley and A. Zisserman, Multiple View Geometry in
Computer Vision, 2nd ed., ch. 2 and 4).

Positions are px of the square picture; camera axes x right, y down, z forward; lengths mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError, PlaneError
from clipmark.geometry.camera import Camera
from clipmark.geometry.distortion import pixels_to_rays, rays_to_pixels
from clipmark.geometry.lens import beyond_reach
from clipmark.geometry.sheet_corners import SheetCorners

FloatArray = NDArray[np.float64]

SETTLED = 1e-10  # relative size of the last step of the solution
ROUNDING = 1e-8  # a step this small that makes things worse is rounding
RIVAL = 8.0  # a second pose worse by this much in half chi-square has a chance under 1 in 3000


@dataclass(frozen=True, eq=False)
class Solution:
    """One minimum: where, how deep, and how it moves with the data (the linear response)."""

    turn: FloatArray  # (3, 3) rotation the small turns are applied to
    theta: FloatArray
    cost: float  # half of chi-square
    gain: FloatArray  # (parameters, residuals)


def solve(camera: Camera, corners: SheetCorners) -> tuple[Solution, ...]:
    """Minima from the homography's pose and from its mirror image, best first."""
    first, place = _pose_from_homography(camera, corners)
    found: list[Solution] = []
    for turn in (first, _mirrored(first, place)):
        solution = _minimise(camera, corners, turn, place)
        if solution is not None:
            found.append(solution)
    if not found:
        raise PlaneError(
            "no plane explains the sheet's corners; check the corners and the sheet's size"
        )
    found.sort(key=lambda item: item.cost)
    best = found[0]
    rivals = [
        item
        for item in found[1:]
        if item.cost - best.cost < RIVAL
        and np.linalg.norm(_final_turn(item) - _final_turn(best)) > 1e-5
    ]
    return (best, *rivals)


def _final_turn(solution: Solution) -> FloatArray:
    return np.asarray(solution.turn @ rotations(solution.theta[None, :3])[0], dtype=np.float64)


def unit_mm(corners: SheetCorners) -> float:
    """Length by which positions are scaled, so that all unknowns are near 1."""
    return math.hypot(*corners.size_mm)


def sides_mm(corners: SheetCorners, theta: FloatArray) -> FloatArray:
    """Sides of the sheet, shape (n, 2), mm."""
    sides = np.array(corners.size_mm) + corners.side_u_mm * theta[:, 6:8]
    return np.asarray(np.maximum(sides, 0.01 * np.array(corners.size_mm)), dtype=np.float64)


def _object(sides: FloatArray, handed: float) -> FloatArray:
    """Corners about the middle in the sheet's axes, shape (n, 4, 2), mm."""
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) / 2
    return np.asarray(sides[:, None, :] * signs * np.array([1.0, handed]), dtype=np.float64)


def residuals(
    camera: Camera, corners: SheetCorners, turn: FloatArray, theta: FloatArray
) -> FloatArray:
    """Standardised misfits, shape (n, 10 + m): 8 of the corners, 2 of the sides, m of latents."""
    rotation = turn @ rotations(theta[:, :3])
    flat = _object(sides_mm(corners, theta), corners.handed)
    seen = flat @ np.swapaxes(rotation[:, :, :2], 1, 2)
    seen = seen + (theta[:, 3:6] * unit_mm(corners))[:, None, :]
    depth = np.maximum(seen[..., 2:], 1e-6)
    picture = rays_to_pixels(seen[..., :2] / depth, camera.params(theta[:, 8:]))
    miss = picture - corners.corners_px
    white = np.einsum("kij,nkj->nki", corners.whitening, miss).reshape(len(theta), 8)
    return np.concatenate([white, theta[:, 6:]], axis=1)


def _minimise(
    camera: Camera, corners: SheetCorners, turn: FloatArray, place: FloatArray
) -> Solution | None:
    """Levenberg-Marquardt from a first pose, with central-difference derivatives."""
    count = 8 + len(camera.latent_group)
    theta = np.zeros(count)
    theta[3:6] = place / unit_mm(corners)
    damping = 1e-3
    step_size = 1e-6
    misfit = residuals(camera, corners, turn, theta[None])[0]
    if not np.isfinite(misfit).all():
        return None
    jacobian = np.empty((len(misfit), count))
    for _ in range(100):
        nudges = step_size * np.eye(count)
        both = residuals(camera, corners, turn, np.concatenate([theta + nudges, theta - nudges]))
        if not np.isfinite(both).all():
            return None
        jacobian = (both[:count] - both[count:]).T / (2 * step_size)
        scale = np.linalg.norm(jacobian, axis=0)
        stacked = np.concatenate([jacobian, math.sqrt(damping) * np.diag(scale)])
        target = np.concatenate([misfit, np.zeros(count)])
        step = np.linalg.lstsq(stacked, target, rcond=None)[0]
        trial = residuals(camera, corners, turn, (theta - step)[None])[0]
        size = float(np.linalg.norm(step)) / (1 + float(np.linalg.norm(theta)))
        if np.isfinite(trial).all() and trial @ trial <= misfit @ misfit:
            theta, misfit = theta - step, trial
            damping = max(damping / 10, 1e-15)
            if size < SETTLED:
                break
        else:
            damping = max(damping * 10, 1e-9)
            if size < ROUNDING or damping > 1e9:
                break
    gain = np.asarray(np.linalg.pinv(jacobian), dtype=np.float64)
    return Solution(turn, theta, float(misfit @ misfit) / 2, gain)


def _pose_from_homography(camera: Camera, corners: SheetCorners) -> tuple[FloatArray, FloatArray]:
    """First pose: the four-corner homography of the undistorted corners, made orthogonal."""
    estimate = camera.params(np.zeros((1, len(camera.latent_group))))
    rays = pixels_to_rays(corners.corners_px, estimate)[0]
    lost = np.flatnonzero(np.isnan(rays).any(axis=-1))
    if lost.size:
        raise LensError(beyond_reach(estimate[0], corners.corners_px[lost[0]], "sheet corner"))
    unit = unit_mm(corners)
    flat = _object(np.array([corners.size_mm]), corners.handed)[0] / unit
    rows, right = [], []
    for (x, y), (u, v) in zip(flat, rays, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    h = np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)
    h /= math.sqrt(float(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1])))
    u_, _, vt = np.linalg.svd(np.stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])], axis=1))
    turn: FloatArray = u_ @ np.diag([1.0, 1.0, float(np.linalg.det(u_ @ vt))]) @ vt
    return turn, h[:, 2] * unit


def _mirrored(turn: FloatArray, place: FloatArray) -> FloatArray:
    """The pose that looks the same to a distant camera: depth reversed about the middle."""
    sight = place / np.linalg.norm(place)
    x = turn[:, 0] - 2 * sight * (sight @ turn[:, 0])
    y = turn[:, 1] - 2 * sight * (sight @ turn[:, 1])
    return np.stack([x, y, np.cross(x, y)], axis=1)


def rotations(turns: FloatArray) -> FloatArray:
    """Rotation matrices of rotation vectors, shape (n, 3) to (n, 3, 3) (Rodrigues)."""
    angle = np.linalg.norm(turns, axis=1)[:, None, None]
    safe = np.where(angle > 1e-12, angle, 1.0)
    w = np.zeros((len(turns), 3, 3))
    w[:, 0, 1], w[:, 0, 2], w[:, 1, 2] = -turns[:, 2], turns[:, 1], -turns[:, 0]
    w -= np.swapaxes(w, 1, 2)
    first = np.where(angle > 1e-12, np.sin(angle) / safe, 1.0)
    second = np.where(angle > 1e-12, (1 - np.cos(angle)) / safe**2, 0.5)
    return np.asarray(np.eye(3) + first * w + second * (w @ w), dtype=np.float64)
