"""Directions and angles in the plane of motion, seen through a camera.

A marked line, its distortion taken out, and the camera's centre span a plane in space; where
that cuts the plane of motion is the line's direction there: ``normal x (K^T l)``. Only the
plane's unit normal matters, not its distance (R. Hartley and A. Zisserman, Multiple View
Geometry in Computer Vision, 2nd ed., ch. 8: ``K^T l`` is the normal of the interpretation plane).

Camera axes: x right, y down, z forward. The normal faces the camera, (0, 0, -1) when the camera
looks square on. Picture positions are px of the square picture; angles are radians, positive
counter-clockwise as seen by the camera. All functions take one camera and normal or n of each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.distortion import USABLE_REACH, pixels_to_rays, rays_to_pixels, reach_px
from clipmark.geometry.lens import beyond_reach

FloatArray = NDArray[np.float64]


def normal_from_yaw_pitch(yaw_rad: FloatArray | float, pitch_rad: FloatArray | float) -> FloatArray:
    """Unit normal of a plane seen by a camera that is not square to it.

    Yaw turns the plane about the upright axis, positive with its right side farther; pitch then
    tips it about the picture's horizontal, positive with its top farther (a camera looking
    slightly up at it): ``n = (sin yaw, -cos yaw sin pitch, -cos yaw cos pitch)``.

    Parameters
    ----------
    yaw_rad, pitch_rad : float or ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (3,) or (n, 3)
    """
    yaw = np.asarray(yaw_rad, dtype=np.float64)
    pitch = np.asarray(pitch_rad, dtype=np.float64)
    yaw, pitch = np.broadcast_arrays(yaw, pitch)
    forward = -np.cos(yaw)
    return np.stack([np.sin(yaw), forward * np.sin(pitch), forward * np.cos(pitch)], axis=-1)


def directions(points_px: FloatArray, camera: FloatArray, normal: FloatArray) -> FloatArray:
    """Direction in the plane of a straight line seen at the given picture positions.

    Each camera takes the distortion out; a total-least-squares line is laid through the rays.

    Parameters
    ----------
    points_px : ndarray, shape (K, 2) or (n, K, 2)
        K >= 2 positions along the line, px of the square picture; the first to the last gives
        the sense of the direction.
    camera : ndarray, shape (P,) or (n, P)
        Parameter vector(s) of the lens.
    normal : ndarray, shape (3,) or (n, 3)
        Unit normal(s) of the plane, facing the camera.

    Returns
    -------
    ndarray, shape (3,) or (n, 3)
        Unit vectors in camera axes, lying in the plane; (3,) when nothing given had n.

    Raises
    ------
    LensError
        For a single camera, if a point lies beyond the reach of its lens model. Among n drawn
        cameras such a draw gives NaN.
    """
    points = np.asarray(points_px, dtype=np.float64)
    cameras, normals = np.atleast_2d(camera), np.atleast_2d(normal)
    single = points.ndim == 2 and np.ndim(camera) == 1 and np.ndim(normal) == 1
    if cameras.shape[0] == 1 and points.ndim == 3:
        rays = pixels_to_rays(points.reshape(1, -1, 2), cameras).reshape(points.shape)
    else:
        rays = pixels_to_rays(points, cameras)
    if cameras.shape[0] == 1:
        _check_reach(rays, points, cameras[0])
    found = directions_of_rays(rays, normals)
    return found[0] if single else found


def _check_reach(rays: FloatArray, points: FloatArray, camera: FloatArray) -> None:
    """Refuse marks beyond, or so near, the fold that a slightly different lens loses them."""
    radius = np.hypot(points[..., 0] - camera[2], points[..., 1] - camera[3])
    usable = USABLE_REACH * float(reach_px(camera[None])[0])
    lost = np.isnan(rays).any(axis=-1) | (radius > usable)
    if lost.any():
        flat = np.broadcast_to(points, rays.shape)[lost]
        raise LensError(beyond_reach(camera, flat[0]))


def directions_of_rays(rays: FloatArray, normals: FloatArray) -> FloatArray:
    """Directions in the plane of straight lines through viewing rays.

    Parameters
    ----------
    rays : ndarray, shape (n, K, 2) or (1, K, 2)
        Ray coordinates along each line; the first to the last gives its sense.
    normals : ndarray, shape (n, 3) or (1, 3)
        Unit normals, facing the camera.

    Returns
    -------
    ndarray, shape (n, 3)
        Unit vectors in camera axes, lying in the plane; NaN where a ray is.
    """
    middle = rays.mean(axis=1)
    off = rays - middle[:, None, :]
    sxx = np.sum(off[..., 0] ** 2, axis=1)
    syy = np.sum(off[..., 1] ** 2, axis=1)
    sxy = np.sum(off[..., 0] * off[..., 1], axis=1)
    lean = 0.5 * np.arctan2(2 * sxy, sxx - syy)
    along = np.stack([np.cos(lean), np.sin(lean)], axis=-1)
    span = rays[:, -1, :] - rays[:, 0, :]
    along *= np.where(np.sum(along * span, axis=-1) < 0, -1.0, 1.0)[:, None]
    # The interpretation plane holds the ray to the line's middle and the line itself.
    seen = np.concatenate([middle, np.ones((len(middle), 1))], axis=-1)
    across = np.cross(seen, np.concatenate([along, np.zeros((len(along), 1))], axis=-1))
    lines = np.cross(normals, across)
    lines = lines / np.linalg.norm(lines, axis=-1, keepdims=True)
    # Sense: which way the picture position moves when one walks along the direction.
    moves = lines[..., :2] - seen[..., :2] * lines[..., 2:]
    sense = np.where(np.sum(moves * along, axis=-1) < 0, -1.0, 1.0)
    return np.asarray(lines * sense[:, None], dtype=np.float64)


def angle_between(reference: FloatArray, line: FloatArray, normal: FloatArray) -> FloatArray:
    """Signed angle in the plane from one direction to another.

    Parameters
    ----------
    reference, line : ndarray, shape (3,) or (n, 3)
        In-plane unit directions from `directions`.
    normal : ndarray, shape (3,) or (n, 3)
        Unit normal(s), facing the camera.

    Returns
    -------
    ndarray, shape () or (n,)
        Radians in (-pi, pi], positive counter-clockwise as seen in the picture.
    """
    turn = np.sum(normal * np.cross(reference, line), axis=-1)
    return np.asarray(np.arctan2(turn, np.sum(reference * line, axis=-1)), dtype=np.float64)


def level_from_plumb(plumb: FloatArray, normal: FloatArray) -> FloatArray:
    """Level direction in the plane, pointing right, from a plumb direction of either sense.

    Parameters
    ----------
    plumb, normal : ndarray, shape (3,) or (n, 3)

    Returns
    -------
    ndarray, shape (3,) or (n, 3)
        The plumb direction turned by a right angle in the plane, its x component positive.
    """
    level = np.cross(plumb, normal)
    return np.asarray(level * np.where(level[..., :1] < 0, -1.0, 1.0), dtype=np.float64)


def pointing_right(line: FloatArray) -> FloatArray:
    """The direction or its reverse, whichever points right; shape (3,) or (n, 3)."""
    return np.asarray(line * np.where(line[..., :1] < 0, -1.0, 1.0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Rectifier:
    """Maps between the square picture and a flat picture seen square on.

    In the flat picture circles of any plane parallel to the plane of motion are circles and
    angles are true. It keeps upright what is upright, and its scale is 1 in the middle.

    Attributes
    ----------
    camera : ndarray, shape (9,) or (8,)
    normal : ndarray, shape (3,)
    middle_px : ndarray, shape (2,)
        Position that stays where it is, px of the square picture.
    """

    camera: FloatArray
    normal: FloatArray
    middle_px: FloatArray
    _turn: FloatArray  # (3, 3) rotation to axes looking square at the plane
    _scale: float
    _shift: FloatArray

    def to_flat(self, points_px: FloatArray) -> FloatArray:
        """Flat positions of square-picture positions, shape (N, 2), px.

        Raises
        ------
        LensError
            If a point lies beyond the reach of the lens model.
        """
        points = np.asarray(points_px, dtype=np.float64)
        rays = pixels_to_rays(points, self.camera[None])
        _check_reach(rays, points[None], self.camera)
        return np.asarray(_project(rays[0], self._turn) * self._scale + self._shift)

    def from_flat(self, points_px: FloatArray) -> FloatArray:
        """Square-picture positions of flat positions, shape (N, 2), px; NaN beyond the lens."""
        flat = (np.asarray(points_px, dtype=np.float64) - self._shift) / self._scale
        rays = _project(flat, self._turn.T)
        return np.asarray(rays_to_pixels(rays[None], self.camera[None])[0])


def rectifier(
    camera: FloatArray, normal: FloatArray, middle_px: FloatArray | None = None
) -> Rectifier:
    """Build the map to the flat picture for one camera and plane.

    Parameters
    ----------
    camera : ndarray, shape (9,) or (8,)
        Lens parameter vector.
    normal : ndarray, shape (3,)
        Unit normal facing the camera.
    middle_px : ndarray, shape (2,), optional
        Where position and scale are kept; the principal point when not given.
    """
    camera = np.asarray(camera, dtype=np.float64)
    normal = np.asarray(normal, dtype=np.float64)
    turn = _turn_square(normal)
    middle = camera[2:4].copy() if middle_px is None else np.asarray(middle_px, dtype=np.float64)
    ray = pixels_to_rays(middle[None], camera[None])[0]
    step = 1e-4
    around = ray + step * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    flat = _project(around, turn)
    seen = rays_to_pixels(around[None], camera[None])[0]
    grown = abs(_area(flat) / _area(seen))
    scale = 1.0 / math.sqrt(grown)
    return Rectifier(camera, normal, middle, turn, scale, middle - flat[0] * scale)


def _turn_square(normal: FloatArray) -> FloatArray:
    """Smallest rotation that takes the plane's normal to (0, 0, -1), shape (3, 3)."""
    a, b, c = normal
    if c >= 0:
        raise ValueError("the plane's normal must face the camera")
    # Rodrigues' formula about n x (0, 0, -1); with c = -cos(angle).
    w = np.array([[0.0, 0.0, a], [0.0, 0.0, b], [-a, -b, 0.0]])
    return np.asarray(np.eye(3) + w + w @ w / (1.0 - c), dtype=np.float64)


def _project(points: FloatArray, turn: FloatArray) -> FloatArray:
    """Ray coordinates, shape (N, 2), after turning the camera's axes."""
    full = np.concatenate([points, np.ones((len(points), 1))], axis=-1) @ turn.T
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = full[:, 2:] > 0
        return np.where(ahead, full[:, :2] / np.where(ahead, full[:, 2:], 1.0), np.nan)


def _area(corners: FloatArray) -> float:
    """Twice the signed area of a triangle, shape (3, 2)."""
    (ax, ay), (bx, by) = corners[1] - corners[0], corners[2] - corners[0]
    return float(ax * by - ay * bx)
