"""Drawn clips for what a clip can support: a wooden board before a wall, and a body that creeps.

Truth is by drawing: the board's angle, the body's speed. Pixels are coded with x264 as asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from scipy.ndimage import gaussian_filter, shift, zoom
from scipy.special import ndtr

WIDTH, HEIGHT, RATE = 960, 540, 60
BODY = (120, 84)
FLOOR_Y = HEIGHT - 22.3


@dataclass(frozen=True)
class Drawn:
    """How a clip is drawn and coded."""

    angle_deg: float = 20.0
    blur_px: float = 1.0
    noise: float = 2.0  # codes
    megabits: float = 8.0
    speed_px_s: float = 40.0
    frames: int = 100
    seed: int = 1


def board(what: Drawn, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Linear light of the scene without the body, and a point on the board's upper edge."""
    middle = np.array([WIDTH / 2, HEIGHT * 0.62]) + rng.uniform(-4, 4, 2)
    a = np.radians(what.angle_deg)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    above = -(x - middle[0]) * np.sin(a) - (y - middle[1]) * np.cos(a)
    along = (x - middle[0]) * np.cos(a) - (y - middle[1]) * np.sin(a)
    wall = 0.20 + 0.06 * x / WIDTH
    for k, amplitude in ((24, 0.02), (6, 0.015), (60, 0.03)):
        coarse = rng.standard_normal((HEIGHT // k + 2, WIDTH // k + 2)).astype(np.float32)
        wall = wall + amplitude * zoom(coarse, k, order=1)[:HEIGHT, :WIDTH]
    grain = gaussian_filter(rng.standard_normal((40, 2200)).astype(np.float32), (1, 12)) * 0.06
    row = np.clip(above + 36, 0, 39).astype(int)
    wood = 0.55 + grain[row, np.clip(along + 1100, 0, 2199).astype(int)]
    inside = ndtr(-above / what.blur_px) * ndtr((above + 22) / what.blur_px)
    light = wall + (wood - wall) * inside
    floor = ndtr((y - FLOOR_Y) / what.blur_px)  # level, by drawing
    return np.clip(light + (0.06 - light) * floor, 0.0, 1.0), middle


def codes(light: np.ndarray) -> np.ndarray:
    """Luma codes of linear light, by the curve of IEC 61966-2-1."""
    clipped = np.clip(light, 0.0, 1.0)
    luma = np.where(clipped < 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    return 16 + 219 * luma


def body_light(what: Drawn, rng: np.random.Generator) -> np.ndarray:
    """A body with panels and lettering-like marks, blurred as the rest."""
    big = np.kron(rng.uniform(0.05, 0.8, (7, 10)), np.ones((12, 12)))
    return gaussian_filter(big, what.blur_px)


def write(path: Path, what: Drawn, *, rate: int = RATE) -> np.ndarray:
    """Draw and encode; returns a point on the board's upper edge."""
    rng = np.random.default_rng(what.seed)
    still, middle = board(what, rng)
    body = body_light(what, rng)
    left, top = 0.5 * (WIDTH - BODY[0]) - 0.5 * what.speed_px_s * what.frames / rate, 40.0

    def picture(k: int) -> np.ndarray:
        x = left + what.speed_px_s * k / rate
        whole = int(np.floor(x))
        moved = shift(np.pad(body, 2, mode="edge"), (0, x - whole), order=3, mode="nearest")
        light = still.copy()
        light[int(top) : int(top) + BODY[1], whole : whole + BODY[0]] = moved[2:-2, 2:-2]
        noisy = codes(light) + rng.normal(0, what.noise, light.shape)
        return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)

    encode(path, [picture(k) for k in range(what.frames)], what.megabits, rate)
    return middle


def encode(
    path: Path, pictures: list[np.ndarray], megabits: float, rate: int = RATE,
    times_s: list[float] | None = None,
) -> None:  # fmt: skip
    """Luma pictures through x264."""
    height, width = pictures[0].shape
    grey = np.full((height // 2, width), 128, np.uint8)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate = int(megabits * 1e6)
        stream.options = {"preset": "veryfast", "g": str(rate)}
        if times_s is not None:
            stream.time_base = stream.codec_context.time_base = Fraction(1, 90_000)
        for k, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(np.concatenate([picture, grey]), format="yuv420p")
            if times_s is not None:
                frame.pts, frame.time_base = round(times_s[k] * 90_000), Fraction(1, 90_000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
