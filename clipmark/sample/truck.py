"""The invented truck: body and wheels painted once, then laid into each frame.

Body coordinates: mm, x towards the nose, y up, origin midway between the hubs. The shape
is made up from no existing vehicle or kit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.paint import (
    Canvas,
    Grid,
    box,
    cloud,
    disc,
    lettering,
    polygon,
    stick,
    tint,
    without,
)
from clipmark.sample.raster import Raster, as_raster, canvas_over
from clipmark.sample.scene import Truck
from clipmark.sample.wheel import paint_wheel

BODY_BOX = (-112.0, -26.0, 114.0, 104.0)  # x0, y0, x1, y1 of the painted body, mm
STEEL = (0.20, 0.20, 0.21)
BODY_PATCH = (-80.0, 22.0, 84.0, 27.0)  # x, y (lower left), width, height: textured, off the wheels


def paint_body(truck: Truck, density: float, *, mirrored: bool = False) -> Raster:
    """The body with chassis, links and cargo, at `density` px per mm; letters may be mirrored."""
    x0, y0, x1, y1 = BODY_BOX
    canvas = canvas_over(x0, y0, x1, y1, density)
    _running_gear(canvas, truck)
    _shell(canvas, truck)
    _trim(canvas, truck)
    _letters(canvas, truck, mirrored)
    return as_raster(canvas, x0, y1, density)


def _running_gear(canvas: Canvas, truck: Truck) -> None:
    a, b = canvas.a, canvas.b
    half = truck.wheelbase_mm / 2
    metal = 1.0 + cloud(a, b, truck.seed + 60, [(9, 0.2), (3, 0.2)])
    for x in (-half, half):
        sign = 1.0 if x > 0 else -1.0
        canvas.fill(stick(a, b, x, -1, x - sign * 46, 1, 4.2), tint(STEEL, metal))
        canvas.fill(stick(a, b, x, 5, x - sign * 40, 10, 3.4), tint((0.12, 0.12, 0.13), metal))
        canvas.fill(
            stick(a, b, x - sign * 10, 2, x - sign * 22, 38, 7.5), tint((0.35, 0.30, 0.06), metal)
        )
        for coil in np.arange(0.2, 0.9, 0.12):
            cx, cy = x - sign * (10 + 12 * coil), 2 + 36 * coil
            canvas.fill(stick(a, b, cx - 4, cy, cx + 4, cy + 2, 1.4), (0.03, 0.03, 0.03))
    skid = polygon(a, b, [(-24, -6), (24, -6), (34, 6), (-34, 6)])
    canvas.fill(skid, tint((0.09, 0.09, 0.095), metal))
    canvas.fill(box(a, b, -84, 5, 86, 13, 1), tint((0.11, 0.115, 0.125), metal))
    canvas.fill(box(a, b, -82, 8.2, 84, 9.8), (0.52, 0.52, 0.50))
    for x in np.arange(-78.0, 84.0, 12.0):
        canvas.fill(disc(a, b, float(x), 9.0, 1.5), (0.06, 0.06, 0.06))


def _shell(canvas: Canvas, truck: Truck) -> None:
    a, b = canvas.a, canvas.b
    half = truck.wheelbase_mm / 2
    dirt = cloud(a, b, truck.seed, [(26, 0.16), (9, 0.14), (3.6, 0.12), (1.8, 0.08)])
    light = (0.92 + dirt) * (0.80 + 0.006 * np.clip(b, 0, 80))
    outline = [(-99, 17), (-101, 40), (-46, 42), (-34, 74), (-28, 78), (20, 77), (40, 50), (92, 43)]
    outline += [(101, 34), (102, 19), (92, 13), (-90, 13)]
    shell = polygon(a, b, outline)
    for x in (-half, half):
        shell = without(shell, disc(a, b, x, 0.0, truck.wheel_mm / 2 + 6.5))
    canvas.fill(shell, tint(truck.paint, light))
    flank = np.maximum(shell, box(a, b, -110, 26, 110, 37))
    canvas.fill(flank, tint(truck.second_paint, light))
    splash = cloud(a, b, truck.seed + 1, [(17, 1.0), (6, 0.5)]) - 0.75
    canvas.fill(
        np.maximum(shell, -3 * splash).astype(np.float32), tint((0.16, 0.115, 0.07), light), 0.65
    )
    bed = np.maximum(shell, box(a, b, -98, 34, -50, 60))
    for x in np.arange(-94.0, -50.0, 7.0):
        canvas.fill(
            np.maximum(bed, np.abs(a - x) - 0.8).astype(np.float32), (0.05, 0.03, 0.02), 0.7
        )
    canvas.fill(np.abs(shell) - 0.55, (0.02, 0.02, 0.02), 0.8)


def _trim(canvas: Canvas, truck: Truck) -> None:
    a, b = canvas.a, canvas.b
    sky = 0.55 + 0.03 * (b - 52) + cloud(a, b, truck.seed + 2, [(22, 0.2), (7, 0.1)])
    side = polygon(a, b, [(-31, 50), (-25, 71), (-2, 71), (-2, 50)])
    front = polygon(a, b, [(4, 50), (4, 71), (17, 71), (32, 50)])
    for pane in (side, front):
        canvas.fill(pane, tint((0.07, 0.10, 0.12), sky))
        canvas.fill(np.abs(pane) - 0.8, (0.02, 0.02, 0.02))
    for x in (-33.0, 1.0, 36.0):
        canvas.fill(box(a, b, x - 0.4, 15, x + 0.4, 49), (0.02, 0.015, 0.01), 0.9)
    for x in np.arange(-92.0, 96.0, 8.5):
        canvas.fill(disc(a, b, float(x), 39.6, 0.95), (0.55, 0.52, 0.47))
        canvas.fill(disc(a, b, float(x) + 0.3, 39.2, 0.6), (0.08, 0.07, 0.06))
    for x, tall in ((-44.0, 5.0), (70.0, 4.0), (-74.0, 6.0)):
        band = polygon(a, b, [(x, 22), (x + 6, 22), (x + 6 + tall, 36), (x + tall, 36)])
        canvas.fill(band, (0.04, 0.12, 0.13), 0.9)
    for step in range(5):
        canvas.fill(
            box(a, b, 8 + 5 * step, 16 + 3 * (step % 2), 13 + 5 * step, 19 + 3 * (step % 2)),
            (0.8, 0.78, 0.7),
        )
    canvas.fill(box(a, b, -32, 78, 24, 81, 1), tint(STEEL, sky + 0.6))
    canvas.fill(box(a, b, -26, 81, 2, 92, 2), tint((0.13, 0.16, 0.09), sky + 0.6))
    canvas.fill(box(a, b, -14, 81, -11, 92), (0.3, 0.22, 0.1))
    canvas.fill(box(a, b, 6, 81, 21, 87, 2), tint((0.32, 0.24, 0.11), sky + 0.6))
    canvas.fill(box(a, b, 96, 15, 108, 21, 2), tint((0.07, 0.07, 0.075), sky + 0.6))
    canvas.fill(box(a, b, -106, 15, -96, 20, 2), tint((0.07, 0.07, 0.075), sky + 0.6))
    canvas.fill(box(a, b, 95, 31, 101, 38, 1.5), (0.75, 0.72, 0.55))
    canvas.fill(stick(a, b, -88, 42, -88, 96, 1.1), (0.03, 0.03, 0.03))


def _letters(canvas: Canvas, truck: Truck, mirrored: bool) -> None:
    a, b = canvas.a, canvas.b
    canvas.fill(disc(a, b, -14.0, 31.0, 9.2), (0.78, 0.76, 0.70))
    canvas.fill(np.abs(disc(a, b, -14.0, 31.0, 8.4)) - 0.5, (0.03, 0.03, 0.03))
    canvas.fill(
        lettering(a, b, truck.number, -17.3, 25.6, 11.0, 2.2, mirrored=mirrored),
        (0.02, 0.02, 0.025),
    )
    canvas.fill(
        lettering(a, b, truck.name, 42.0, 27.6, 7.0, 1.4, mirrored=mirrored), (0.03, 0.03, 0.04)
    )


@dataclass(frozen=True)
class TruckPaint:
    """All rasters of one truck."""

    body: Raster
    wheel: Raster
    far_wheel: Raster

    @classmethod
    def bake(cls, truck: Truck, samples_per_mm: float, *, mirrored: bool = False) -> TruckPaint:
        """Paint at a density fit for a picture with `samples_per_mm` samples in the plane."""
        density = float(np.clip(1.25 * samples_per_mm, 2.0, 14.0))
        return cls(
            paint_body(truck, density, mirrored=mirrored),
            paint_wheel(truck, density),
            paint_wheel(truck, density, far=True),
        )


def over(below: Grid, above: Grid) -> None:
    """Lay premultiplied RGBA `above` over `below`, in place, both shape (h, w, 4)."""
    below *= 1.0 - above[..., 3:4]
    below += above


def contact_shadow(x: Grid, w: Grid, truck: Truck) -> Grid:
    """Light left on the board, shape (h, w): x along the heading, w off the board, mm."""
    half = truck.wheelbase_mm / 2
    deep = np.exp(np.minimum(w, 0) / 7.0)
    dark = 0.50 * sum(np.exp(-(((x - hub) / 15.0) ** 2) / 2) for hub in (-half, half))
    broad = 1.0 / (1.0 + np.exp((np.abs(x) - 92.0) / 9.0))
    return np.asarray(1.0 - np.clip(dark + 0.26 * broad, 0, 0.8) * deep, np.float32)


def rolled(
    x: NDArray[np.float32], y: NDArray[np.float32], turn_rad: NDArray[np.float64]
) -> tuple[Grid, Grid]:
    """Wheel coordinates after it rolled by `turn_rad` towards +x (clockwise, y up)."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return (x * c - y * s).astype(np.float32), (x * s + y * c).astype(np.float32)
