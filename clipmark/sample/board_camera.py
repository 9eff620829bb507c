"""A camera that looks at a printed board: two lens models, forward and back.

Camera frame: x right, y down, z forward, mm. Upright picture px with the centre of the top-left
pixel at (0, 0); lens parameters belong to the square picture, whose x is the upright one times the
pixel aspect. Nothing here is shared with the code that the rendered boards test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.sample.camera import distort, undistort

Array = NDArray[np.float64]
TABLE_STEPS = 20000
WIDEST_RAD = 1.5  # 86 deg off the axis


@dataclass(frozen=True)
class BoardCamera:
    """A lens and a picture.

    ``distortion`` is k1, k2, p1, p2, k3 (``model`` ``ordinary``: Brown-Conrady, as in
    `clipmark.sample.camera.distort`) or k1, k2, k3, k4 (``fisheye``: the picture radius over the
    focal length is ``a (1 + k1 a^2 + k2 a^4 + k3 a^6 + k4 a^8)`` at the angle a off the axis, rad;
    J. Kannala and S. Brandt, IEEE Trans. PAMI 28 (2006) 1335-1340). ``fx``, ``fy``, ``cx``, ``cy``
    in px of the square picture.
    """

    width: int = 1280
    height: int = 720
    fx: float = 1000.0
    fy: float = 1000.0
    cx: float = 639.5
    cy: float = 359.5
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    model: str = "ordinary"
    pixel_aspect: tuple[int, int] = (1, 1)

    @property
    def aspect(self) -> float:
        """Width over height of one upright pixel."""
        return self.pixel_aspect[0] / self.pixel_aspect[1]

    def project(self, points_mm: ArrayLike) -> Array:
        """Upright px, shape (N, 2), of points in the camera frame, shape (N, 3) mm."""
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        if self.model == "fisheye":
            across = np.hypot(points[:, 0], points[:, 1])
            off_axis = np.arctan2(across, points[:, 2])
            growth = np.divide(
                _fisheye_radius(off_axis, self.distortion),
                across,
                out=1.0 / points[:, 2],
                where=across > 0,
            )
            bent = points[:, :2] * growth[:, None]
        else:
            k1, k2, p1, p2, k3 = self.distortion
            bent = distort(points[:, :2] / points[:, 2:], (k1, k2, p1, p2, k3))
        square = bent * (self.fx, self.fy) + (self.cx, self.cy)
        return np.asarray(square / (self.aspect, 1.0))

    def rays(self, x_px: Array, y_px: Array) -> Array:
        """Unit viewing rays, shape (rows, columns, 3), of upright columns and rows.

        Raises
        ------
        LensError
            If an ordinary lens folds back inside the picture.
        """
        bent_x, bent_y = np.meshgrid(
            (x_px * self.aspect - self.cx) / self.fx, (y_px - self.cy) / self.fy
        )
        if self.model == "fisheye":
            radius = np.hypot(bent_x, bent_y)
            off_axis = _fisheye_angle(radius, self.distortion)
            share = np.divide(np.sin(off_axis), radius, out=np.ones_like(radius), where=radius > 0)
            return np.stack([bent_x * share, bent_y * share, np.cos(off_axis)], axis=-1)
        k1, k2, p1, p2, k3 = self.distortion
        x, y = undistort(bent_x, bent_y, (k1, k2, p1, p2, k3))
        away = np.sqrt(1.0 + x * x + y * y)
        return np.stack([x / away, y / away, 1.0 / away], axis=-1)


def barrel(share: float, camera: BoardCamera) -> BoardCamera:
    """`camera` with an ordinary lens that pulls the picture's corner in by `share` of its radius.

    The radial term alone, k1, with a k2 that keeps the lens from folding: a quarter of ``k1^2``.
    """
    half = math.hypot(camera.width * camera.aspect / camera.fx, camera.height / camera.fy) / 2
    # The corner as seen, at picture radius `half`, stands for a straight radius half / (1 - share).
    square = (half / (1.0 - share)) ** 2
    # share = -(k1 s + 0.25 k1^2 s^2) with q = k1 s: a quadratic in q.
    q = 2.0 * (math.sqrt(max(1.0 - share, 0.0)) - 1.0)
    k1 = q / square
    return BoardCamera(
        camera.width,
        camera.height,
        camera.fx,
        camera.fy,
        camera.cx,
        camera.cy,
        (k1, 0.25 * k1 * k1, 0.0, 0.0, 0.0),
        "ordinary",
        camera.pixel_aspect,
    )


def _fisheye_radius(angle: Array, k: tuple[float, ...]) -> Array:
    a2 = angle * angle
    k1, k2, k3, k4 = k
    return np.asarray(angle * (1.0 + a2 * (k1 + a2 * (k2 + a2 * (k3 + a2 * k4)))))


def _fisheye_angle(radius: Array, k: tuple[float, ...]) -> Array:
    """Angle off the axis of a picture radius: a table, then one Newton step, good to 1e-12."""
    angles = np.linspace(0.0, WIDEST_RAD, TABLE_STEPS)
    angle = np.interp(radius, np.maximum.accumulate(_fisheye_radius(angles, k)), angles)
    a2 = angle * angle
    k1, k2, k3, k4 = k
    slope = 1.0 + a2 * (3 * k1 + a2 * (5 * k2 + a2 * (7 * k3 + a2 * 9 * k4)))
    inside = angle < WIDEST_RAD - 1e-3
    step = np.where(inside, (_fisheye_radius(angle, k) - radius) / slope, 0.0)
    return np.asarray(angle - step)
