"""Pictures of straight edges through a lens of known bend, drawn from the lens's own formula.

Each place of a finer grid is carried to straight space by a table of ``q (1 + b1 q^2 + b2 q^4)``
with q over the half diagonal, so that nothing of the package that is tested has a part in it.
Light is averaged over pixels, blurred, put through the sRGB curve and made noisy.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

OVER = 3
LEVELS = (0.12, 0.1, 0.85, 0.2, 0.9)  # light of each board


@dataclass(frozen=True)
class Scene:
    """A frame of boards around the picture: edges near all four sides, and one upright inside.

    ``bend`` is the first term at the corner, ``second`` the next; ``middle`` the shift of the
    bend's middle from the picture's, px; ``wave_px`` how wavy the edges are, straight px;
    ``bows`` how far each is bowed, over its length.
    """

    width: int = 640
    height: int = 360
    bend: float = 0.0
    second: float = 0.0
    middle: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.9
    noise: float = 2.0
    wave_px: float = 0.0
    bows: tuple[float, ...] = (0.0,) * 5

    @property
    def half(self):
        return np.hypot(self.width, self.height) / 2

    def straight(self, points):
        """Places about the bend's middle in straight space, of px, shape (..., 2)."""
        away = points - (np.array([self.width - 1, self.height - 1]) / 2 + self.middle)
        r = np.hypot(away[..., 0], away[..., 1]) / self.half
        q = np.linspace(0, 2, 200_001)
        curve = q * (1 + q * q * (self.bend + self.second * q * q))
        rising = np.argmax(np.append(np.diff(curve), -1.0) <= 0) + 1  # up to where it folds back
        return away * (np.interp(r, curve[:rising], q[:rising]) / np.maximum(r, 1e-12))[..., None]

    def bent(self, straight):
        """px of places about the bend's middle in straight space, shape (N, 2)."""
        q2 = np.sum(straight**2, axis=-1, keepdims=True) / self.half**2
        middle = np.array([self.width - 1, self.height - 1]) / 2 + self.middle
        return middle + straight * (1 + q2 * (self.bend + self.second * q2))

    @property
    def corner_bend(self):
        """Displacement at the corner over its straight radius, the middle in the middle."""
        q = np.roots([self.second, 0, self.bend, 0, 1, -1])
        q = min(item.real for item in q if abs(item.imag) < 1e-9 and item.real > 0)
        return 1 / q - 1

    def ends(self):
        """px of both ends of the five edges, shape (5, 2, 2)."""
        w, h = self.width / 2, self.height / 2
        marked = np.array(
            [
                [(-0.9 * w, -0.83 * h), (0.9 * w, -0.77 * h)],
                [(-0.9 * w, 0.8 * h), (0.9 * w, 0.84 * h)],
                [(-0.9 * w, -0.72 * h), (-0.88 * w, 0.7 * h)],
                [(0.89 * w, -0.66 * h), (0.9 * w, 0.74 * h)],
                [(-0.45 * w, -0.7 * h), (-0.47 * w, 0.7 * h)],
            ]
        )
        return marked + np.array([self.width - 1, self.height - 1]) / 2

    def draw(self, rng):
        """Luma codes 16 to 235, shape (height, width)."""
        step = (np.arange(OVER) + 0.5) / OVER - 0.5
        x = (np.arange(self.width)[:, None] + step).ravel()
        y = (np.arange(self.height)[:, None] + step).ravel()
        places = self.straight(np.stack(np.meshgrid(x, y), axis=-1))
        light = 0.5 + 0.05 * np.sin(places[..., 0] / 61.0) * np.cos(places[..., 1] / 47.0)
        for (a, b), level, bow in zip(self.ends(), LEVELS, self.bows, strict=True):
            start, end = self.straight(np.array([a, b]))
            along = (end - start) / np.hypot(*(end - start))
            t = (places - start) @ along
            off = (places - start) @ np.array([along[1], -along[0]])
            length = np.hypot(*(end - start))
            off = off + self.wave_px * np.sin(t / 17.0)
            off = off + bow * length * (1 - (2 * t / length - 1) ** 2)
            inside = (t > -30) & (t < length + 30)
            outward = np.sign((start + end) @ np.array([along[1], -along[0]]))
            wide = 12.0 if abs((start + end)[0]) < 0.7 * self.width and along[1] > 0.5 else 1e3
            light = np.where(inside & (off * outward > 0) & (off * outward < wide), level, light)
        light = gaussian_filter(light, self.blur_px * OVER, truncate=3)
        light = light.reshape(self.height, OVER, self.width, OVER).mean(axis=(1, 3))
        value = np.where(light > 0.0031308, 1.055 * light ** (1 / 2.4) - 0.055, 12.92 * light)
        codes = 16 + 219 * value + rng.normal(0, self.noise, light.shape)
        return np.clip(np.round(codes), 0, 255).astype(np.uint8)


class DrawnClip:
    """A clip of one drawn picture, as far as measuring a lens looks at one."""

    black_level, white_level, pixel_aspect = 16, 235, 1
    sha256 = "0" * 64

    def __init__(self, luma):
        self.luma = luma

    def frame(self, ordinal):
        return DrawnFrame(self.luma)


@dataclass(frozen=True)
class DrawnFrame:
    luma: np.ndarray
    time_s: float = 0.0
    fingerprint: str = "0" * 64
