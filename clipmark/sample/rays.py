"""From pixels to planes: the rays of a camera's samples, and where they meet a plane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.camera import Camera
from clipmark.sample.paint import Grid
from clipmark.sample.stage import Plane

Array = NDArray[np.float64]
Box = tuple[int, int, int, int]  # x0, y0, x1, y1 in whole px, ends excluded


class Rays:
    """Rays of one camera with `ss` x `ss` samples in every pixel."""

    def __init__(self, camera: Camera, ss: int) -> None:
        self.camera = camera
        self.ss = ss
        self.place = camera.place_mm()
        self.turn = camera.rotation()

    def of_box(self, box: Box) -> tuple[Array, Array, Array]:
        """Straight normalised samples of a box, and the upright row of each sample row."""
        x0, y0, x1, y1 = box
        step = (np.arange(self.ss) + 0.5) / self.ss - 0.5
        x = (np.arange(x0, x1)[:, None] + step).ravel()
        y = (np.arange(y0, y1)[:, None] + step).ravel()
        xn, yn = self.camera.straight_grid(x, y)
        return xn, yn, y

    def in_world(self, xn: Array, yn: Array) -> tuple[Array, Array, Array]:
        """World directions of normalised samples of the resting camera."""
        t = self.turn
        return (
            t[0, 0] * xn + t[1, 0] * yn + t[2, 0],
            t[0, 1] * xn + t[1, 1] * yn + t[2, 1],
            t[0, 2] * xn + t[1, 2] * yn + t[2, 2],
        )

    def meet(self, plane: Plane, rays: tuple[Array, Array, Array]) -> tuple[Grid, Grid]:
        """Plane coordinates, mm, where world rays meet a plane."""
        dx, dy, dz = rays
        e1, e2 = np.array(plane.e1), np.array(plane.e2)
        normal = np.cross(e1, e2)
        away = self.place - np.array(plane.origin)
        slope = dx * normal[0] + dy * normal[1] + dz * normal[2]
        far = -(away @ normal) / np.where(np.abs(slope) < 1e-9, 1e-9, slope)
        far = np.where(far > 0, far, 1e7)
        a = away @ e1 + far * (dx * e1[0] + dy * e1[1] + dz * e1[2])
        b = away @ e2 + far * (dx * e2[0] + dy * e2[1] + dz * e2[2])
        return a.astype(np.float32), b.astype(np.float32)

    def at_rest(self, xn: Array, yn: Array, row_times: Array) -> tuple[Array, Array]:
        """Straight coordinates in the resting camera of samples seen at each row's time."""
        if self.camera.tremor is None:
            return xn, yn
        m = self.camera.tremor_matrix(row_times)[:, None, :, :]
        x = m[..., 0, 0] * xn + m[..., 1, 0] * yn + m[..., 2, 0]
        y = m[..., 0, 1] * xn + m[..., 1, 1] * yn + m[..., 2, 1]
        z = m[..., 0, 2] * xn + m[..., 1, 2] * yn + m[..., 2, 2]
        return x / z, y / z

    def open_times(self, time_s: float) -> Array:
        """Instants that the open time of a frame at `time_s` is averaged over."""
        open_s, count = self.camera.exposure_s, self.camera.sub_times
        if open_s <= 0 or count < 2:
            return np.array([time_s])
        return np.asarray(time_s + open_s * ((np.arange(count) + 0.5) / count - 0.5))
