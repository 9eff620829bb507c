"""Where a sheet lies, and the map it gives between the picture and mm in its plane.

Positions are px of the square picture; camera axes x right, y down, z forward; lengths mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.distortion import pixels_to_rays, rays_to_pixels
from clipmark.geometry.lens import beyond_reach

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Poses:
    """n possible poses of a sheet together with the cameras that go with them.

    Attributes
    ----------
    camera : ndarray, shape (n, 9) or (n, 8)
    rotation : ndarray, shape (n, 3, 3)
        Columns: the sheet's x axis, its y axis, and the axis away from the camera.
    centre_mm : ndarray, shape (n, 3)
        Middle of the sheet in camera axes.
    size_mm : ndarray, shape (n, 2)
        Its sides.
    handed : float
        1 when the corners go clockwise as seen, -1 otherwise.
    """

    camera: FloatArray
    rotation: FloatArray
    centre_mm: FloatArray
    size_mm: FloatArray
    handed: float

    @property
    def normal(self) -> FloatArray:
        """Unit normals facing the camera, shape (n, 3)."""
        return np.asarray(-self.rotation[:, :, 2], dtype=np.float64)

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Positions in the sheet's plane of square-picture positions.

        Parameters
        ----------
        points_px : ndarray, shape (N, 2)

        Returns
        -------
        ndarray, shape (n, N, 2)
            mm from corner 1, x along the side to corner 2, y along the side from corner 2 to 3;
            NaN beyond the reach of the lens.
        """
        rays = pixels_to_rays(np.asarray(points_px, dtype=np.float64), self.camera)
        full = np.concatenate([rays, np.ones((*rays.shape[:2], 1))], axis=-1)
        turned = full @ self.rotation  # rays in the sheet's axes
        start = np.einsum("ni,nij->nj", self.centre_mm, self.rotation)
        depth = start[:, None, 2] / turned[..., 2]
        flat = turned[..., :2] * depth[..., None] - start[:, None, :2]
        flat[..., 1] *= self.handed
        return np.asarray(flat + self.size_mm[:, None, :] / 2, dtype=np.float64)

    def to_picture(self, points_mm: FloatArray) -> FloatArray:
        """Square-picture positions, shape (n, N, 2), of positions in the sheet's plane, (N, 2)."""
        flat = np.asarray(points_mm, dtype=np.float64) - self.size_mm[:, None, :] / 2
        flat = flat * np.array([1.0, self.handed])
        seen = flat @ np.swapaxes(self.rotation[:, :, :2], 1, 2) + self.centre_mm[:, None, :]
        return rays_to_pixels(seen[..., :2] / seen[..., 2:], self.camera)


@dataclass(frozen=True, eq=False)
class SheetPose:
    """The best pose of a sheet: the map between the square picture and the sheet's plane.

    Lengths hold only in the sheet's own plane: the relative error of a length elsewhere is its
    depth offset over the distance.
    """

    poses: Poses

    @property
    def normal(self) -> FloatArray:
        """Unit normal facing the camera, shape (3,)."""
        return np.asarray(self.poses.normal[0], dtype=np.float64)

    @property
    def distance_mm(self) -> float:
        """From the camera to the middle of the sheet."""
        return float(np.linalg.norm(self.poses.centre_mm[0]))

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Positions in the sheet's plane, shape (N, 2), mm from corner 1; see `Poses.to_mm`.

        Raises
        ------
        LensError
            If a point lies beyond the reach of the lens model.
        """
        points = np.asarray(points_px, dtype=np.float64)
        found = self.poses.to_mm(points)[0]
        lost = np.flatnonzero(np.isnan(found).any(axis=-1))
        if lost.size:
            raise LensError(beyond_reach(self.poses.camera[0], points[lost[0]]))
        return np.asarray(found, dtype=np.float64)

    def to_picture(self, points_mm: FloatArray) -> FloatArray:
        """Square-picture positions, shape (N, 2), of positions in the sheet's plane, mm."""
        return np.asarray(self.poses.to_picture(points_mm)[0], dtype=np.float64)

    def mm_per_px(self, at_px: FloatArray, along: FloatArray | None = None) -> float:
        """Local scale at a square-picture position, shape (2,), mm per px.

        Along a picture direction, shape (2,), or the geometric mean of both axes.
        """
        at = np.asarray(at_px, dtype=np.float64)
        step = 0.5
        x = self.to_mm(at + step * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]]))
        jacobian = np.stack([x[1] - x[0], x[3] - x[2]], axis=-1) / (2 * step)
        if along is None:
            return math.sqrt(abs(float(np.linalg.det(jacobian))))
        unit = np.asarray(along, dtype=np.float64)
        return float(np.linalg.norm(jacobian @ (unit / np.linalg.norm(unit))))
