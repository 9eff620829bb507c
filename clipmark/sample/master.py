"""The still part of a scene in straight coordinates, to be looked up by a hand-held camera."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.sample.camera import Camera
from clipmark.sample.paint import Grid

Array = NDArray[np.float64]
LayerPainter = Callable[[Array, Array], tuple[Grid, Grid, Grid]]
STRIP_ROWS = 48


class Master:
    """The still part in straight coordinates of the resting camera, with a margin for tremor."""

    def __init__(self, camera: Camera, ss: int, paint: LayerPainter) -> None:
        assert camera.tremor is not None
        self.pixel_rays = camera.straight_grid(
            np.arange(camera.width, dtype=np.float64), np.arange(camera.height, dtype=np.float64)
        )
        xn, yn = self.pixel_rays
        margin = 6.0 * np.radians(camera.tremor.rms_deg) * (1.0 + float(np.abs(xn).max()))
        margin += 4.0 / camera.focal_px
        self.density = camera.focal_px * ss
        self.x0, self.y0 = float(xn.min() - margin), float(yn.min() - margin)
        columns = int((float(xn.max()) + margin - self.x0) * self.density) // ss * ss
        rows = int((float(yn.max()) + margin - self.y0) * self.density) // ss * ss
        x = self.x0 + np.arange(columns) / self.density
        self.rgb = np.empty((rows, columns, 3), np.float32)
        self.board = np.empty((rows, columns), np.float32)
        self.front = np.empty((rows, columns, 4), np.float32)
        for r0 in range(0, rows, ss * STRIP_ROWS):
            r1 = min(r0 + ss * STRIP_ROWS, rows)
            tile = np.meshgrid(x, self.y0 + np.arange(r0, r1) / self.density)
            back, board, front = paint(tile[0], tile[1])
            self.rgb[r0:r1], self.board[r0:r1], self.front[r0:r1] = back, board, front
        whole = self.rgb * (1.0 - self.front[..., 3:]) + self.front[..., :3]
        self.shift = (ss - 1) / 2.0
        size = (ss, ss)
        self.pooled = np.asarray(cv2.blur(whole, size, anchor=(0, 0)), np.float32)

    def _maps(self, xn: Array, yn: Array, shift: float) -> tuple[Grid, Grid]:
        u = (xn - self.x0) * self.density - shift
        v = (yn - self.y0) * self.density - shift
        return u.astype(np.float32), v.astype(np.float32)

    def pixels(self, xn: Array, yn: Array) -> Grid:
        """Light averaged over a pixel around each point, shape (h, w, 3)."""
        return _look_up(self.pooled, *self._maps(xn, yn, self.shift))

    def layers(self, xn: Array, yn: Array) -> tuple[Grid, Grid, Grid]:
        """Back, board coverage and front at each point, as the renderer paints them."""
        u, v = self._maps(xn, yn, 0.0)
        return _look_up(self.rgb, u, v), _look_up(self.board, u, v), _look_up(self.front, u, v)


def _look_up(plane: Grid, u: Grid, v: Grid) -> Grid:
    out = cv2.remap(plane, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)
