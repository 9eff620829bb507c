"""The invented truck's wheels: tyre and rim, in looks that turn visibly to different degrees.

Wheel coordinates: mm from the hub, x towards the nose, y up.
"""

from __future__ import annotations

import math

import numpy as np

from clipmark.sample.paint import Canvas, Grid, cloud, disc, stick, tint
from clipmark.sample.raster import Raster, as_raster, canvas_over
from clipmark.sample.scene import Truck

RUBBER = (0.022, 0.022, 0.024)
ALLOY = (0.52, 0.52, 0.50)
LUGS = 24
# How strong the dirt is on each rim; even and blank ones must look the same however they turn.
DIRT = {"spoked": 1.0, "even": 0.0, "plain": 0.25, "blank": 0.0}


def paint_wheel(truck: Truck, density: float, *, far: bool = False) -> Raster:
    """One wheel as `Truck.rim_style` and `Truck.tyre_style` ask; `far` is in the shade."""
    reach = truck.wheel_mm / 2 + 2.0
    canvas = canvas_over(-reach, -reach, reach, reach, density)
    dirt = cloud(canvas.a, canvas.b, truck.seed + 80, [(8, 0.22), (3, 0.2), (1.6, 0.15)])
    if truck.rim_style != "spoked":
        dirt = dirt * np.float32(DIRT[truck.rim_style])
    dirt = 1.0 + dirt
    _tyre(canvas, truck, dirt)
    _rim(canvas, truck, dirt)
    if far:
        canvas.shade(np.full_like(canvas.a, 0.35))
    return as_raster(canvas, -reach, reach, density)


def _tyre(canvas: Canvas, truck: Truck, dirt: Grid) -> None:
    a, b, rim = canvas.a, canvas.b, truck.rim_radius_mm
    radius = truck.wheel_mm / 2
    r, angle = np.hypot(a, b), np.arctan2(b, a)
    if truck.tyre_style == "smooth" or truck.rim_style == "blank":
        canvas.fill((r - radius).astype(np.float32), tint(RUBBER, dirt))
    else:
        wave = _lug_wave(truck, angle)
        tread = r - (radius - 1.1 + 1.1 * np.clip(2.2 * wave, -1, 1))
        canvas.fill(tread.astype(np.float32), tint(RUBBER, dirt))
        blocks = np.maximum(np.abs(r - (radius - 4.2)) - 2.0, -(wave + 0.15) * 2.0)
        canvas.fill(blocks.astype(np.float32), tint((0.048, 0.047, 0.048), dirt))
    bead = (np.abs(r - (rim + 1.9)) - 0.35).astype(np.float32)
    canvas.fill(bead, tint((0.05, 0.05, 0.05), dirt))
    if truck.tyre_style == "knobbly" and truck.rim_style == "spoked":
        _sidewall_dashes(canvas, rim)


def _lug_wave(truck: Truck, angle: Grid) -> Grid:
    """Positive on lugs: unevenly spaced, on an even rim as symmetric as the spokes."""
    if truck.rim_style == "even":
        return np.sin(truck.spokes * max(1, round(LUGS / truck.spokes)) * angle)
    return np.asarray(np.sin(LUGS * angle + 0.9 * np.sin(2 * angle)), np.float32)


def _sidewall_dashes(canvas: Canvas, rim: float) -> None:
    a, b = canvas.a, canvas.b
    r, angle = np.hypot(a, b), np.arctan2(b, a)
    for start, span in ((0.3, 0.9), (2.2, 0.5), (3.7, 1.1)):
        gap = np.abs(np.mod(angle - start, 2 * math.pi) - span / 2) - span / 2
        dashes = np.maximum(
            np.abs(r - (rim + 3.6)) - 0.7, np.maximum(gap * rim, -np.sin(angle * 40))
        )
        canvas.fill(dashes.astype(np.float32), (0.16, 0.16, 0.15))


def _rim(canvas: Canvas, truck: Truck, dirt: Grid) -> None:
    a, b, rim = canvas.a, canvas.b, truck.rim_radius_mm
    alloy = tint(ALLOY, 0.75 + 0.25 * dirt)
    canvas.fill(disc(a, b, 0, 0, rim), alloy)
    if truck.rim_style in {"spoked", "even"}:
        canvas.fill(disc(a, b, 0, 0, rim - 2.6), tint((0.035, 0.035, 0.038), dirt))
        _spokes(canvas, truck, alloy)
    if truck.rim_style in {"spoked", "plain"}:
        valve = disc(a, b, (rim - 4.0) * math.cos(0.5), (rim - 4.0) * math.sin(0.5), 0.9)
        canvas.fill(valve, (0.5, 0.1, 0.05))
    if truck.rim_style != "blank":
        _hub(canvas, dirt, round_nut=truck.rim_style == "even")


def _spokes(canvas: Canvas, truck: Truck, alloy: Grid) -> None:
    a, b, rim = canvas.a, canvas.b, truck.rim_radius_mm
    for spoke in range(truck.spokes):
        way = 2 * math.pi * spoke / truck.spokes
        c, s = math.cos(way), math.sin(way)
        canvas.fill(stick(a, b, 3 * c, 3 * s, (rim - 1.5) * c, (rim - 1.5) * s, 3.6), alloy)
        canvas.fill(stick(a, b, 5 * c, 5 * s, (rim - 4) * c, (rim - 4) * s, 0.9), (0.2, 0.2, 0.2))
        canvas.fill(disc(a, b, (rim - 1.3) * c, (rim - 1.3) * s, 0.7), (0.06, 0.06, 0.06))


def _hub(canvas: Canvas, dirt: Grid, *, round_nut: bool) -> None:
    a, b = canvas.a, canvas.b
    canvas.fill(disc(a, b, 0, 0, 5.2), tint((0.42, 0.42, 0.41), dirt))
    canvas.fill(disc(a, b, 0, 0, 3.3), (0.10, 0.10, 0.11))
    angle = np.arctan2(b, a)
    nut = np.hypot(a, b) * np.cos(np.mod(angle, math.pi / 3) - math.pi / 6) - 2.3
    canvas.fill(disc(a, b, 0, 0, 2.4) if round_nut else nut.astype(np.float32), (0.62, 0.58, 0.42))
    canvas.fill(disc(a, b, 0, 0, 0.9), (0.05, 0.05, 0.05))
