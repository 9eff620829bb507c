"""Things before the truck: stones, a hand, a branch. Where they are, how they look, what they hide.

A cover is a flat textured blob in a plane parallel to the plane of motion, nearer to the camera
than all else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.paint import Grid, cloud, tint
from clipmark.sample.raster import Raster, as_raster, canvas_over
from clipmark.sample.rays import Box, Rays
from clipmark.sample.scene import Board, Cover
from clipmark.sample.stage import Plane

Array = NDArray[np.float64]
HARMONICS = (2, 3, 4, 5, 7)
ROUND = 96  # points of an outline


@dataclass(frozen=True)
class PlacedCover:
    """A cover in its plane, with its outline."""

    cover: Cover
    board: Board

    @cached_property
    def plane(self) -> Plane:
        """Plane coordinates are those of the cover's ``middle_mm``."""
        z = self.cover.z_mm
        if self.cover.place == "world":
            return Plane.facing(z)
        x, y, _ = (float(v) for v in self.board.at(0.0))
        (ux, uy), (nx, ny) = self.board.along, self.board.normal
        return Plane((x, y, z), (float(ux), float(uy), 0.0), (float(nx), float(ny), 0.0))

    @cached_property
    def _bumps(self) -> tuple[Array, Array]:
        """Sizes, and phases in rad, of the outline's harmonics."""
        rng = np.random.default_rng([self.cover.seed, 5])
        size = rng.uniform(0.4, 1.0, len(HARMONICS)) / np.array(HARMONICS)
        return self.cover.wobble * size, rng.uniform(0.0, 2 * math.pi, len(HARMONICS))

    def reach(self, angle: Array) -> Array:
        """Outline's radius over that of the ellipse of ``size_mm``, at most 1."""
        size, phase = self._bumps
        waves = sum(
            s * np.cos(k * angle + p) for s, k, p in zip(size, HARMONICS, phase, strict=True)
        )
        return np.asarray((1.0 + waves) / (1.0 + size.sum()))

    def middle(self, time_s: float | Array) -> tuple[Array, Array]:
        """Plane coordinates of the middle, mm, at `time_s`."""
        t = np.asarray(time_s, dtype=np.float64)
        (a, b), (va, vb) = self.cover.middle_mm, self.cover.velocity_mm_s
        return a + va * t, b + vb * t

    def distance(self, a: Array | Grid, b: Array | Grid) -> Array:
        """Signed distance to the outline, mm (exact on it), of places from the middle."""
        x, y = a / (self.cover.size_mm[0] / 2), b / (self.cover.size_mm[1] / 2)
        gap = np.hypot(x, y) - self.reach(np.arctan2(y, x))
        return np.asarray(gap * min(self.cover.size_mm) / 2, np.float64)

    def outline_mm(self, time_s: float) -> Array:
        """World points of the outline, shape (96, 3)."""
        angle = np.linspace(0.0, 2 * math.pi, ROUND, endpoint=False)
        reach, (a, b) = self.reach(angle), self.middle(time_s)
        ab = np.column_stack(
            [
                a + reach * np.cos(angle) * self.cover.size_mm[0] / 2,
                b + reach * np.sin(angle) * self.cover.size_mm[1] / 2,
            ]
        )
        return self.plane.world(ab)

    def hides(self, points_mm: Array, place_mm: Array, time_s: float) -> NDArray[np.bool_]:
        """Whether world points, shape (N, 3), are behind it as seen from `place_mm`."""
        share = (self.cover.z_mm - place_mm[2]) / (points_mm[:, 2] - place_mm[2])
        met = place_mm + share[:, None] * (points_mm - place_mm) - np.array(self.plane.origin)
        a, b = self.middle(time_s)
        gap = self.distance(met @ np.array(self.plane.e1) - a, met @ np.array(self.plane.e2) - b)
        return np.asarray(gap < 0)


@dataclass
class CoverPaint:
    """A placed cover, painted once and laid over the light of each frame."""

    placed: PlacedCover
    rays: Rays
    _raster: Raster = field(init=False)

    def __post_init__(self) -> None:
        camera, cover = self.rays.camera, self.placed.cover
        density = camera.focal_px / (camera.distance_mm - cover.z_mm) * self.rays.ss
        density = float(np.clip(1.25 * density, 2.0, 14.0))
        x, y = cover.size_mm[0] / 2 + 1.0, cover.size_mm[1] / 2 + 1.0
        canvas = canvas_over(-x, -y, x, y, density)
        a, b = canvas.a, canvas.b
        texture = cloud(a, b, cover.seed + 90, [(22, 0.22), (8, 0.2), (3, 0.16), (1.5, 0.1)])
        fall = 1.0 + 0.25 * b / np.float32(y)  # lit from above
        canvas.fill(
            self.placed.distance(a, b).astype(np.float32), tint(cover.colour, fall + texture)
        )
        self._raster = as_raster(canvas, -x, y, density)

    def lay(self, light: Grid, time_s: float) -> None:
        """Lay it over a whole frame's unblurred light, shape (h, w, 3), in place."""
        box = self._box(time_s)
        if box is None:
            return
        ss, camera = self.rays.ss, self.rays.camera
        xn, yn, rows = self.rays.of_box(box)
        times = self.rays.open_times(time_s)
        rgba = np.zeros((box[3] - box[1], box[2] - box[0], 4), np.float32)
        for time in times:
            row_times = np.asarray(time + camera.row_time_s(rows))
            rest = self.rays.at_rest(xn, yn, row_times)
            a, b = self.rays.meet(self.placed.plane, self.rays.in_world(*rest))
            ma, mb = self.placed.middle(row_times)
            seen = self._raster.sample(
                (a - ma[:, None]).astype(np.float32), (b - mb[:, None]).astype(np.float32)
            )
            h, w = rgba.shape[:2]
            rgba += seen.reshape(h, ss, w, ss, 4).mean(axis=(1, 3)) / np.float32(len(times))
        part = light[box[1] : box[3], box[0] : box[2]]
        part *= 1.0 - rgba[..., 3:]
        part += rgba[..., :3]

    def _box(self, time_s: float) -> Box | None:
        """Whole px that hold it in the frame at `time_s`."""
        camera = self.rays.camera
        slack = abs(camera.readout_s) / 2 + camera.exposure_s / 2
        times = (time_s - slack, time_s, time_s + slack)
        points = np.vstack([self.placed.outline_mm(t) for t in times])
        px = camera.project(points, time_s)
        low, high = (
            np.floor(px.min(axis=0)).astype(int) - 3,
            np.ceil(px.max(axis=0)).astype(int) + 4,
        )
        x0, y0 = (max(0, int(v)) for v in low)
        x1, y1 = min(camera.width, int(high[0])), min(camera.height, int(high[1]))
        return (x0, y0, x1, y1) if x1 > x0 and y1 > y0 else None
