"""The plane of motion that explains the evidence best: Levenberg-Marquardt in double precision.

With a known lens the keystone of a sheet's corners decides and its stated sides hardly matter; with
an unknown one the sides matter and the answer turns into the plain homography of the four corners
(R. Hartley and A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., ch. 2 and 4).
Lines enter by their vanishing points, expressed as angles in the plane, where their uncertainty is
stated. A sheet that is small or far has a mirrored twin that explains its corners nearly as well;
both minima are looked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError, PlaneError
from clipmark.geometry.camera import Camera
from clipmark.geometry.distortion import pixels_to_rays
from clipmark.geometry.evidence import Evidence, rotations
from clipmark.geometry.lens import beyond_reach
from clipmark.geometry.plane import directions, level_from_plumb, pointing_right
from clipmark.geometry.sheet_corners import SheetCorners

FloatArray = NDArray[np.float64]

SETTLED = 1e-10  # relative size of the last step of the solution
ROUNDING = 1e-8  # a step this small that makes things worse is rounding
RIVAL = 8.0  # a second pose worse by this much in half chi-square has a chance under 1 in 3000
STEP = 1e-6  # of the central differences; all unknowns are near 1


@dataclass(frozen=True, eq=False)
class Solution:
    """One minimum: where, how deep, and how it moves with the data (the linear response).

    Attributes
    ----------
    turn : ndarray, shape (3, 3)
        Frame that the small turns in `theta` are applied to.
    spins : ndarray, shape (sheets,)
        Turns of the sheets that theirs in `theta` are added to.
    theta : ndarray, shape (unknowns,)
    cost : float
        Half of chi-square.
    gain : ndarray, shape (unknowns, residuals)
    """

    turn: FloatArray
    spins: FloatArray
    theta: FloatArray
    cost: float
    gain: FloatArray

    @property
    def final_turn(self) -> FloatArray:
        """Frame of the plane, shape (3, 3)."""
        return np.asarray(self.turn @ rotations(self.theta[None, :3])[0], dtype=np.float64)


def solve(evidence: Evidence) -> tuple[Solution, ...]:
    """All minima worth keeping, best first.

    Raises
    ------
    PlaneError
        If no plane explains the evidence.
    LensError
        If a sheet's corner lies beyond the reach of the lens model.
    """
    found = [
        solution
        for turn, spins, theta in _starts(evidence)
        if (solution := minimise(evidence, turn, spins, theta)) is not None
    ]
    if not found:
        what = "the sheet's corners" if evidence.sheets else "the marked lines"
        raise PlaneError(
            f"no plane explains {what}; check the marks"
            + (" and the sheet's size" if evidence.sheets else " and what is promised of the view")
        )
    found.sort(key=lambda item: item.cost)
    best = found[0]
    rivals = [
        item
        for item in found[1:]
        if item.cost - best.cost < RIVAL
        and np.linalg.norm(item.final_turn[:, 2] - best.final_turn[:, 2]) > 1e-5
    ]
    return (best, *rivals[:1])


def minimise(
    evidence: Evidence, turn: FloatArray, spins: FloatArray, start: FloatArray
) -> Solution | None:
    """Levenberg-Marquardt from one start, with central-difference derivatives; None if lost."""
    count = evidence.unknowns
    theta = start.copy()
    damping = 1e-3
    misfit = evidence.residuals(turn, spins, theta[None])[0]
    if not np.isfinite(misfit).all():
        return None
    jacobian = np.empty((len(misfit), count))
    for _ in range(100):
        nudges = STEP * np.eye(count)
        nudged = np.concatenate([theta + nudges, theta - nudges])
        both = evidence.residuals(turn, spins, nudged)
        if not np.isfinite(both).all():
            return None
        jacobian = (both[:count] - both[count:]).T / (2 * STEP)
        scale = np.linalg.norm(jacobian, axis=0)
        stacked = np.concatenate([jacobian, math.sqrt(damping) * np.diag(scale)])
        target = np.concatenate([misfit, np.zeros(count)])
        step = np.linalg.lstsq(stacked, target, rcond=None)[0]
        trial = evidence.residuals(turn, spins, (theta - step)[None])[0]
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
    return Solution(turn, spins, theta, float(misfit @ misfit) / 2, gain)


def _starts(evidence: Evidence) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """First frames, spins and unknowns: each sheet's pose and its mirror image, or square on."""
    estimate = evidence.camera.params(np.zeros((1, len(evidence.camera.latent_group))))[0]
    if not evidence.sheets:
        frame = _levelled(evidence, estimate, np.eye(3)) if evidence.references else np.eye(3)
        return [(frame, np.zeros(0), np.zeros(evidence.unknowns))]
    poses = [_pose_from_homography(evidence.camera, sheet) for sheet in evidence.sheets]
    found = []
    for own, place in poses:
        for turn in (own, _mirrored(own, place)):
            if turn[2, 2] <= 0:
                continue  # would be seen from behind
            frame = _levelled(evidence, estimate, turn) if evidence.references else turn
            spins = np.array([_spin(frame, other) for other, _ in poses])
            theta = np.zeros(evidence.unknowns)
            for index, (_, middle) in enumerate(poses):
                start = evidence.sheet_at(index).start
                theta[start : start + 3] = middle / math.hypot(*evidence.sheets[index].size_mm)
            found.append((frame, spins, theta))
    return found


def _levelled(evidence: Evidence, camera: FloatArray, turn: FloatArray) -> FloatArray:
    """The frame of the same plane whose first axis is level by the first line."""
    normal = -turn[:, 2]
    item = evidence.references[0]
    seen = directions(item.line.points_px, camera, normal)
    level = level_from_plumb(seen, normal) if item.plumb else pointing_right(seen)
    return np.stack([level, np.cross(turn[:, 2], level), turn[:, 2]], axis=1)


def _spin(frame: FloatArray, turn: FloatArray) -> float:
    """Turn about the frame's third axis that takes its first axis nearest to another's."""
    axis = frame.T @ turn[:, 0]
    return math.atan2(float(axis[1]), float(axis[0]))


def _pose_from_homography(camera: Camera, corners: SheetCorners) -> tuple[FloatArray, FloatArray]:
    """First pose: the four-corner homography of the undistorted corners, made orthogonal."""
    estimate = camera.params(np.zeros((1, len(camera.latent_group))))
    rays = pixels_to_rays(corners.corners_px, estimate)[0]
    lost = np.flatnonzero(np.isnan(rays).any(axis=-1))
    if lost.size:
        raise LensError(beyond_reach(estimate[0], corners.corners_px[lost[0]], "sheet corner"))
    unit = math.hypot(*corners.size_mm)
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) / 2
    flat = np.array(corners.size_mm) * signs * np.array([1.0, corners.handed]) / unit
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
