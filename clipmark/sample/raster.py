"""Painted pieces of the truck: made once, looked up at any place in their own mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from clipmark.sample.paint import Canvas, Grid


@dataclass(frozen=True)
class Raster:
    """A painted piece: premultiplied RGBA, shape (h, w, 4), with its place in its own mm."""

    rgba: Grid
    x0: float
    y1: float
    px_per_mm: float

    def sample(self, x: Grid, y: Grid) -> Grid:
        """Premultiplied RGBA, shape (h, w, 4), at piece coordinates in mm."""
        u = ((x - self.x0) * self.px_per_mm - 0.5).astype(np.float32)
        v = ((self.y1 - y) * self.px_per_mm - 0.5).astype(np.float32)
        out = cv2.remap(self.rgba, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(out, np.float32)


def canvas_over(x0: float, y0: float, x1: float, y1: float, density: float) -> Canvas:
    """An empty canvas over a rectangle in mm, at `density` samples per mm."""
    columns = math.ceil((x1 - x0) * density)
    rows = math.ceil((y1 - y0) * density)
    x = x0 + (np.arange(columns, dtype=np.float32) + 0.5) / np.float32(density)
    y = y1 - (np.arange(rows, dtype=np.float32) + 0.5) / np.float32(density)
    a, b = np.meshgrid(x, y)
    return Canvas(a, b, 1.0 / density)


def as_raster(canvas: Canvas, x0: float, y1: float, density: float) -> Raster:
    """What is painted on a canvas whose upper left corner is (x0, y1), for looking up."""
    rgba = np.dstack([canvas.rgb, canvas.alpha]).astype(np.float32)
    return Raster(np.ascontiguousarray(rgba), x0, y1, density)
