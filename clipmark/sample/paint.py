"""Painting with signed distances: shapes with exact edges, and never-repeating texture.

Coordinates are mm in a plane; arrays have shape (h, w). Colours are linear light, RGB, 0 to 1.
A signed distance is negative inside, in mm.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Grid = NDArray[np.float32]
Colour = Sequence[float] | Grid
GRID = 256
HORIZON_MM = 3000.0


class Canvas:
    """Premultiplied colour and coverage over a grid of plane coordinates.

    Parameters
    ----------
    a, b : shape (h, w)
        Plane coordinates of the samples, mm.
    sample_mm : float or None
        Distance between samples; None measures it from each signed distance (slanted planes).
    block : int
        Texture is evaluated once per block of so many samples a side: texture is smooth over a
        pixel, only edges need the finer samples. Must divide h and w.
    """

    def __init__(self, a: Grid, b: Grid, sample_mm: float | None, block: int = 1) -> None:
        self.a = a
        self.b = b
        self.block = block
        self.sample_mm = sample_mm
        self.rgb: Grid = np.zeros((*a.shape, 3), np.float32)
        self.alpha: Grid = np.zeros(a.shape, np.float32)

    def cover(self, sd: NDArray[np.floating[Any]]) -> Grid:
        """Share of each sample's area inside a shape: exact to first order on straight edges."""
        if self.sample_mm is not None:
            return np.asarray(np.clip(0.5 - sd / np.float32(self.sample_mm), 0, 1), np.float32)
        # a tile at the picture's border may be a single sample wide
        gy, gx = (np.gradient(sd, axis=i) if n > 1 else 0.0 * sd for i, n in enumerate(sd.shape))
        size = np.maximum(np.hypot(gx, gy), 1e-6)
        near = np.abs(sd) < HORIZON_MM  # across the plane's horizon the distance jumps in sign
        return np.asarray(np.clip(0.5 - sd / size, 0, 1) * near, np.float32)

    def cloud(
        self, seed: int, octaves: Sequence[tuple[float, float]], stretch: float = 1.0
    ) -> Grid:
        """`cloud` at the canvas's coordinates, stretched along a; shape (h, w)."""
        wide = np.float32(stretch)
        return self.soft(lambda a, b: cloud(a / wide, b, seed, octaves))

    def soft(self, value: Callable[[Grid, Grid], Grid]) -> Grid:
        """A smooth function of the coordinates, evaluated once per block; shape (h, w)."""
        n = self.block
        if n == 1:
            return value(self.a, self.b)
        h, w = self.a.shape
        size = (w // n, h // n)
        a = cv2.resize(self.a, size, interpolation=cv2.INTER_AREA)
        b = cv2.resize(self.b, size, interpolation=cv2.INTER_AREA)
        coarse = value(np.asarray(a, np.float32), np.asarray(b, np.float32))
        return np.asarray(cv2.resize(coarse, (w, h), interpolation=cv2.INTER_NEAREST), np.float32)

    def flood(self, colour: Colour) -> None:
        """Paint everything."""
        self.rgb[...] = np.asarray(colour, np.float32)
        self.alpha[...] = 1.0

    def fill(self, sd: NDArray[np.floating[Any]], colour: Colour, opacity: float = 1.0) -> None:
        """Paint `colour` (three numbers, or shape (h, w, 3)) where `sd` is negative."""
        part: tuple[slice, slice] = (slice(None), slice(None))
        if self.sample_mm is not None:
            near = sd < self.sample_mm
            rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
            if rows.size == 0:
                return
            part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        paint = np.asarray(colour, np.float32)
        share = self.cover(sd[part]) * np.float32(opacity)
        keep = 1.0 - share
        self.rgb[part] *= keep[..., None]
        self.rgb[part] += share[..., None] * (paint[part] if paint.ndim == 3 else paint)
        self.alpha[part] *= keep
        self.alpha[part] += share

    def shade(self, factor: Grid) -> None:
        """Multiply what is painted so far by `factor`, shape (h, w): shadows, light."""
        self.rgb *= factor[..., None]


def box(a: Grid, b: Grid, x0: float, y0: float, x1: float, y1: float, round_mm: float = 0) -> Grid:
    """Signed distance to a rectangle between two corners, with optional rounded corners."""
    da = np.abs(a - (x0 + x1) / 2) - ((x1 - x0) / 2 - round_mm)
    db = np.abs(b - (y0 + y1) / 2) - ((y1 - y0) / 2 - round_mm)
    if round_mm == 0:
        return np.asarray(np.maximum(da, db), np.float32)
    outside = np.hypot(np.maximum(da, 0), np.maximum(db, 0))
    return np.asarray(outside + np.minimum(np.maximum(da, db), 0) - round_mm, np.float32)


def disc(a: Grid, b: Grid, x: float, y: float, radius: float) -> Grid:
    """Signed distance to a disc."""
    return np.asarray(np.hypot(a - x, b - y) - radius, np.float32)


def stick(a: Grid, b: Grid, x0: float, y0: float, x1: float, y1: float, width: float) -> Grid:
    """Signed distance to a round-ended stroke between two points."""
    dx, dy = x1 - x0, y1 - y0
    share = np.clip(((a - x0) * dx + (b - y0) * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
    gap = np.hypot(a - x0 - share * dx, b - y0 - share * dy)
    return np.asarray(gap - width / 2, np.float32)


def polygon(a: Grid, b: Grid, corners: Sequence[tuple[float, float]]) -> Grid:
    """Signed distance to a simple polygon, corners in order."""
    nearest = np.full(a.shape, np.inf, np.float32)
    inside = np.zeros(a.shape, bool)
    for (x0, y0), (x1, y1) in zip(corners, [*corners[1:], corners[0]], strict=True):
        dx, dy = x1 - x0, y1 - y0
        share = np.clip(((a - x0) * dx + (b - y0) * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
        gap = np.hypot(a - x0 - share * dx, b - y0 - share * dy)
        nearest = np.minimum(nearest, gap).astype(np.float32)
        if y0 != y1:
            crosses = ((y0 > b) != (y1 > b)) & (a < dx * (b - y0) / dy + x0)
            inside ^= crosses
    return np.where(inside, -nearest, nearest).astype(np.float32)


def without(sd: Grid, hole: Grid) -> Grid:
    """The first shape with the second cut out."""
    return np.maximum(sd, -hole)


@functools.lru_cache(maxsize=64)
def _lattice(seed: int) -> Grid:
    values = np.random.default_rng(seed).standard_normal((GRID, GRID)).astype(np.float32)
    return np.pad(values, ((1, 3), (1, 3)), mode="wrap")


def _wrap(x: NDArray[np.floating[Any]]) -> Grid:
    """Lattice place from 1 to GRID + 1."""
    return np.asarray(x - GRID * np.floor(x / GRID) + 1.0, np.float32)


def cloud(a: Grid, b: Grid, seed: int, octaves: Sequence[tuple[float, float]]) -> Grid:
    """Smooth random texture: sum of octaves ``(cell_mm, amplitude)``.

    Each octave has its own lattice, turned against the others, so that their sum does not repeat
    within any scene.
    """
    total = np.zeros(a.shape, np.float32)
    for number, (cell, amplitude) in enumerate(octaves):
        angle = 0.37 + 1.13 * number
        c, s = math.cos(angle) / cell, math.sin(angle) / cell
        x = _wrap(a * c + b * s + 31.7 * (number + 1))
        y = _wrap(b * c - a * s + 17.3 * (number + 1))
        lattice = _lattice(seed * 101 + number)
        total += np.float32(amplitude) * np.asarray(
            cv2.remap(lattice, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32
        )
    return total


def tint(colour: Sequence[float], light: Grid) -> Grid:
    """A colour under varying light: shape (h, w, 3), never negative."""
    lit = np.maximum(light, 0)[..., None] * np.asarray(colour, np.float32)
    return np.asarray(lit, np.float32)


def lettering(
    a: Grid,
    b: Grid,
    text: str,
    x: float,
    y: float,
    height_mm: float,
    stroke_mm: float,
    *,
    mirrored: bool = False,
) -> Grid:
    """Signed distance (approximate) to simple stroke letters, from the left baseline (x, y).

    ``mirrored`` letters fill the same place and read right where a grows to the left.
    """
    pixels = 2.2 * 22 / height_mm  # px per mm of a small raster; distance is taken from it
    font, scale = cv2.FONT_HERSHEY_SIMPLEX, 2.2
    (w, h), base = cv2.getTextSize(text, font, scale, 1)
    raster = np.full((h + base + 24, w + 24), 255, np.uint8)
    cv2.putText(raster, text, (12, h + 12), font, scale, (0,), 1)
    far = np.asarray(cv2.distanceTransform(raster, cv2.DIST_L2, 5), np.float32) / pixels
    along = w - (a - x) * pixels if mirrored else (a - x) * pixels
    u = (along + 12).astype(np.float32)
    v = (h + 12 - (b - y) * pixels).astype(np.float32)
    gap = cv2.remap(
        far, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(99.0,)
    )
    return np.asarray(gap, np.float32) - np.float32(stroke_mm / 2)
