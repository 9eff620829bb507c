"""From linear light to the code values of a video picture, and grain."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.sample.scene import Look

Grid = NDArray[np.float32]
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709-6, item 3.2
TABLE_STEPS = 8192


def tone_table(look: Look) -> Grid:
    """Encoded value over light from 0 to 1 in `TABLE_STEPS` steps.

    ``srgb`` is the curve of IEC 61966-2-1; ``scurve`` adds contrast to it; ``linear`` none.
    """
    light = np.linspace(0.0, 1.0, TABLE_STEPS + 1)
    if look.tone == "linear":
        return np.asarray(light, np.float32)
    curve = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    if look.tone == "scurve":
        curve = 0.4 * curve + 0.6 * curve * curve * (3.0 - 2.0 * curve)
    return np.asarray(curve, np.float32)


class Sensor:
    """Blur, vignette, tone curve and grain of one scene's pictures."""

    def __init__(self, look: Look, width: int, height: int) -> None:
        self.look = look
        self.table = tone_table(look)
        x = (np.arange(width, dtype=np.float32) - (width - 1) / 2) / (width / 2)
        y = (np.arange(height, dtype=np.float32) - (height - 1) / 2) / (width / 2)
        fall = 1.0 - look.vignette * (x[None, :] ** 2 + y[:, None] ** 2) / (
            1 + (height / width) ** 2
        )
        self.gain: Grid = (look.exposure * fall).astype(np.float32)

    @property
    def reach_px(self) -> int:
        """How far blur carries light, px."""
        return int(np.ceil(4.0 * self.look.blur_px)) + 1

    def blur(self, linear: Grid) -> Grid:
        """Lens blur, shape (h, w, 3)."""
        if self.look.blur_px <= 0:
            return linear
        size = 2 * self.reach_px + 1
        out = cv2.GaussianBlur(
            linear, (size, size), self.look.blur_px, borderType=cv2.BORDER_REPLICATE
        )
        return np.asarray(out, np.float32)

    def expose(
        self,
        linear: Grid,
        x0: int,
        y0: int,
        rng: np.random.Generator | None,
        lamp: Grid | None = None,
    ) -> Grid:
        """Encoded RGB 0 to 1 of light at place (x0, y0) of the picture.

        `rng` adds linear grain; `lamp`, shape (h,), is the light of each row over a steady one.
        """
        h, w = linear.shape[:2]
        light = linear * self.gain[y0 : y0 + h, x0 : x0 + w, None]
        if lamp is not None:
            light = light * lamp[:, None, None]
        if rng is not None:
            level = self.look.grain_levels / 219.0
            noise = rng.standard_normal((h, w, 3), dtype=np.float32)
            light = light + level * np.sqrt(np.maximum(0.05 + light, 0)) * noise
        if self.look.tone == "linear":
            return np.asarray(np.clip(light, 0, 1), np.float32)
        place = np.clip(light, 0, 1) * np.float32(TABLE_STEPS)
        low = np.minimum(place.astype(np.int32), TABLE_STEPS - 1)
        part = place - low
        return np.asarray(self.table[low] * (1 - part) + self.table[low + 1] * part, np.float32)

    def code_values(self, rgb: Grid) -> tuple[Grid, Grid]:
        """Luma, shape (h, w), and chroma, shape (h/2, w/2, 2), on the 8-bit scale, unrounded.

        BT.709 matrix, limited range 16 to 235 unless the look asks for full range.
        """
        luma = rgb @ LUMA
        blue = (rgb[..., 2] - luma) / np.float32(1.8556)
        red = (rgb[..., 0] - luma) / np.float32(1.5748)
        h, w = luma.shape
        pair = np.dstack([blue, red]).reshape(h // 2, 2, w // 2, 2, 2).mean(axis=(1, 3))
        if self.look.full_range:
            return luma * 255, pair * 255 + 128
        return 16 + luma * 219, pair * 224 + 128

    def finish(
        self, luma: Grid, chroma: Grid, rng: np.random.Generator, ten_bit: bool
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Encoded grain and rounding to 8 or 10 bits; returns luma and chroma."""
        scale = 4.0 if ten_bit else 1.0
        top = 1023.0 if ten_bit else 255.0
        if self.look.grain_in == "encoded" and self.look.grain_levels > 0:
            level = np.float32(self.look.grain_levels)
            luma = luma + level * rng.standard_normal(luma.shape, dtype=np.float32)
            chroma = chroma + 0.6 * level * rng.standard_normal(chroma.shape, dtype=np.float32)
        return (
            np.clip(np.rint(luma * scale), 0, top).astype(np.uint16),
            np.clip(np.rint(chroma * scale), 0, top).astype(np.uint16),
        )
