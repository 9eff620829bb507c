"""Wheels drawn from formulas: a rim at any place, turn and squeeze, truth by drawing.

Loaded by path from the test files (the test folders are no packages). Grey levels are averaged over
3 x 3 points of each pixel and blurred by 0.7 px, as a lens does.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

FINE = 3


@dataclass(frozen=True)
class Look:
    """What a wheel looks like: ``spokes`` alike, a ``valve`` that tells them apart, or lugs."""

    spokes: int = 6
    valve: bool = True
    plain: bool = False
    lugs: int = 0


def pattern(q: np.ndarray, look: Look) -> np.ndarray:
    """Grey levels at wheel coordinates q, shape (2, ...), rim at 1, without any turn."""
    r, a = np.hypot(*q), np.arctan2(q[1], q[0])
    tyre = 35 + (0 if not look.lugs else 25 * (np.cos(look.lugs * a) > 0.2) * (r > 1.25))
    out = np.where(r < 1.5, tyre, 120 + 12 * np.sin(9 * q[0]) * np.sin(7 * q[1] + 1))
    face = np.full_like(r, 170.0)
    if not look.plain:
        way = np.mod(a, 2 * math.pi / look.spokes) - math.pi / look.spokes
        across = np.abs(r * np.sin(way))
        face = np.where((across < 0.1) | (r > 0.86), 175.0, 50.0)
    if look.valve:
        face = np.where(np.hypot(q[0] - 0.62, q[1] - 0.28) < 0.07, 240.0, face)
        face = np.where(np.hypot(q[0] + 0.3, q[1] - 0.55) < 0.05, 90.0, face)
    face = np.where(r < 0.25, 140.0, face)
    return np.where(r < 1.0, face, out)


def picture(
    hub: tuple[float, float],
    turn_rad: float,
    look: Look,
    radius: float,
    *,
    size: tuple[int, int] = (200, 200),
    squeeze: float = 1.0,
    axis_deg: float = 0.0,
    cover: int = 0,
    light: float = 1.0,
    slope: float = 0.0,
    rng: np.random.Generator | None = None,
    sigma: float = 2.0,
) -> np.ndarray:
    """One luma picture of shape `size`.

    `turn_rad` is clockwise as seen; the wheel is `squeeze` times as wide across the axis that lies
    `axis_deg` counter-clockwise from x; the lowest `cover` rows are a stone that stays
    where it is; light is multiplied by ``light + slope * x``, x from -1 to 1.
    """
    height, width = size
    step = (np.arange(FINE) + 0.5) / FINE - 0.5
    x = (np.arange(width)[:, None] + step).ravel() - hub[0]
    y = (np.arange(height)[:, None] + step).ravel() - hub[1]
    gx, gy = np.meshgrid(x, y)
    turn = math.radians(axis_deg)
    along = (gx * math.cos(turn) - gy * math.sin(turn)) / radius
    aside = (gx * math.sin(turn) + gy * math.cos(turn)) / (radius * squeeze)
    c, s = math.cos(turn), math.sin(turn)  # back to the picture's own directions
    qx, qy = along * c + aside * s, -along * s + aside * c
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    fine = pattern(np.stack([qx * c + qy * s, -qx * s + qy * c]), look)
    out = fine.reshape(height, FINE, width, FINE).mean(axis=(1, 3))
    out = cv2.GaussianBlur(out, (0, 0), 0.7)
    out *= light + slope * np.linspace(-1, 1, width)
    if cover:
        top = height - cover
        stone = (
            120 + 100 * np.sin(0.5 * np.arange(width)) * np.sin(0.6 * np.arange(height))[:, None]
        )
        out[top:] = stone[top:]
    if rng is not None:
        out = out + rng.normal(0, sigma, out.shape)
    return np.clip(np.rint(out), 0, 255).astype(np.uint8)
