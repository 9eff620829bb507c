"""Drawn boards that turn about a hinge before a textured ground, with exact truth.

A board is a turned rectangle with a texture of its own; its edges are blurred analytically (a
Gaussian's integral across), so that the line is exactly where it is said to be, at any fraction
of a pixel. A lens bends the picture: every pixel is drawn where its ray falls.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import ndimage, special
from skimage import data

Angle = Callable[[float], float]


@dataclass(frozen=True)
class Scene:
    """A board hinged at `hinge_px` (straight px), risen by `angle_deg(t)`, and what covers it."""

    angle_deg: Angle
    hinge_px: tuple[float, float] = (70.0, 260.0)
    length_px: float = 360.0
    thick_px: float = 22.0
    size: tuple[int, int] = (480, 360)
    blur_px: float = 1.1
    texture: float = 0.25  # of the board, share of its brightness
    ground: float = 0.5  # contrast of the ground's texture
    board_level: float = 165.0
    sigma: float = 1.5
    k1: float = 0.0
    focal_px: float = 520.0
    hand: Callable[[float], tuple[float, float, float] | None] | None = None  # x, y, radius px
    light: Callable[[float], float] = lambda t: 1.0
    smear: Callable[[float], float] = lambda t: 0.0  # additional blur of the whole, px
    strip: Callable[[float], float] = lambda t: 0.0  # board moved along itself, px
    table_px: float | None = None  # level edge of a dark table, straight px from the top
    seed: int = 0

    def to_straight(self, points: np.ndarray) -> np.ndarray:
        """Undistorted px, by fixed point."""
        middle = (np.array(self.size) - 1) / 2
        bent = (np.asarray(points, float) - middle) / self.focal_px
        ray = bent.copy()
        for _ in range(12):
            ray = bent / (1 + self.k1 * np.sum(ray**2, axis=-1, keepdims=True))
        return ray * self.focal_px + middle

    def from_straight(self, points: np.ndarray) -> np.ndarray:
        middle = (np.array(self.size) - 1) / 2
        ray = (np.asarray(points, float) - middle) / self.focal_px
        return ray * (1 + self.k1 * np.sum(ray**2, axis=-1, keepdims=True)) * self.focal_px + middle

    def line(self, t: float, inset: float = 0.08) -> np.ndarray:
        """Ends of the board's top edge at `t`, upright-picture px, hinge end first."""
        turn = np.radians(-self.angle_deg(t))
        along = np.array([np.cos(turn), np.sin(turn)])
        reach = np.array([inset, 1 - inset])[:, None] * self.length_px + self.strip(t)
        return self.from_straight(np.array(self.hinge_px) + reach * along)

    def picture(self, t: float) -> np.ndarray:
        """Luma at `t`."""
        w, h = self.size
        rng = np.random.default_rng((self.seed, round(t * 1e5)))
        straight, out = _still(self.size, self.k1, self.focal_px, self.seed, self.ground)
        out = out.copy()
        if self.table_px is not None:
            below = _within(straight[..., 1], self.table_px, 1e4, self.blur_px)
            out *= 1 - 0.6 * below
        turn = np.radians(-self.angle_deg(t))
        c, s = np.cos(turn), np.sin(turn)
        off = straight - self.hinge_px
        v = -off[..., 0] * s + off[..., 1] * c
        q = off[..., 0] * c + off[..., 1] * s - self.strip(t)
        far = 6 * self.blur_px
        near = (v > -far) & (v < self.thick_px + far) & (q > -far) & (q < self.length_px + far)
        v, q = v[near], q[near]
        own = ndimage.map_coordinates(_wood(self.seed), [v + 20, q + 20], order=1, mode="reflect")
        board = self.board_level * (1 + self.texture * own)
        share = _within(v, 0.0, self.thick_px, self.blur_px)
        share *= _within(q, 0.0, self.length_px, self.blur_px)
        out[near] = out[near] * (1 - share) + board * share
        if self.hand is not None and (place := self.hand(t)) is not None:
            y, x = np.mgrid[:h, :w]
            hx, hy, radius = place
            out = np.where(np.hypot(x - hx, y - hy) < radius, _skin(self.seed)[:h, :w], out)
        if self.smear(t):
            out = ndimage.gaussian_filter(out, self.smear(t))
        out = out * self.light(t) + rng.normal(0, self.sigma, out.shape)
        return np.clip(np.rint(out), 0, 255).astype(np.uint8)


@cache
def _still(
    size: tuple[int, int], k1: float, focal_px: float, seed: int, ground: float
) -> tuple[np.ndarray, np.ndarray]:
    """Straight px of every pixel, and the ground there."""
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    lens = Scene(lambda t: 0.0, size=size, k1=k1, focal_px=focal_px)
    straight = lens.to_straight(np.stack([x, y], axis=-1))
    at = [straight[..., 1] + 60, straight[..., 0] + 60]
    level = ndimage.map_coordinates(_ground(seed), at, order=1, mode="reflect")
    return straight, 95 + ground * (level - 95)


def _within(x: np.ndarray, low: float, high: float, blur: float) -> np.ndarray:
    scale = blur * np.sqrt(2)
    return 0.5 * (special.erf((x - low) / scale) - special.erf((x - high) / scale))


@cache
def _ground(seed: int) -> np.ndarray:
    tile = np.roll(np.tile(data.gravel()[:400, :400].astype(float), (3, 5)), 37 * seed, axis=1)
    return ndimage.gaussian_filter(tile, 1.0)


@cache
def _wood(seed: int) -> np.ndarray:
    tile = np.roll(np.tile(data.brick()[:300, :500].astype(float), (1, 4)), 53 * seed, axis=1)
    tile = ndimage.gaussian_filter(tile, 1.0)
    return (tile - tile.mean()) / 128


@cache
def _skin(seed: int) -> np.ndarray:
    tile = np.tile(data.grass().astype(float), (3, 4))
    return 150 + 0.4 * (ndimage.gaussian_filter(np.roll(tile, 11 * seed, axis=0), 2.0) - 128)
