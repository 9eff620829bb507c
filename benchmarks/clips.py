"""Clips for the benchmarks: drawn quickly, the number of each frame readable in its picture."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.uint8]
WIDTH, HEIGHT = 1920, 1080
CELL, BITS = 24, 14  # px of a square that is dark or light, and how many of them
BODY = (400.0, 500.0, 320, 200)  # left, top, width, height at frame 0, px
STEP = (0.65, -0.1)  # px per frame


def texture(shape: tuple[int, int], seed: int, blur: float, strength: float) -> NDArray[np.float32]:
    """Blurred noise about mid-grey."""
    rng = np.random.default_rng(seed)
    drawn = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), blur)
    return np.asarray(118 + strength * drawn / drawn.std(), np.float32)


def put_number(picture: NDArray[np.float32], number: int) -> None:
    """Write a number as dark and light squares in the top left corner."""
    for bit in range(BITS):
        value = 200 if number >> bit & 1 else 40
        picture[:CELL, bit * CELL : (bit + 1) * CELL] = value


def number_in(picture: NDArray[np.integer]) -> int:
    """Read it back."""
    half = CELL // 2
    squares = (picture[half, bit * CELL + half] > 120 for bit in range(BITS))
    return sum(1 << bit for bit, light in enumerate(squares) if light)


def write_creep(path: Path, frames: int, *, group: int = 250, bit_rate: int = 20_000_000) -> None:
    """1080p60: a textured body creeps over a textured ground, grain of 1.5 levels."""
    ground, body = texture((HEIGHT, WIDTH), 1, 2.0, 22.0), texture((BODY[3], BODY[2]), 2, 1.5, 30.0)
    rng = np.random.default_rng(3)
    grain = [rng.normal(0, 1.5, (HEIGHT, WIDTH)).astype(np.float32) for _ in range(5)]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(60))
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.bit_rate = bit_rate
        groups = {"g": str(group), "keyint_min": str(group), "sc_threshold": "0"}
        stream.options = {"preset": "veryfast", "bf": "2", **groups}
        for number in range(frames):
            picture = ground + grain[number % len(grain)]
            x, y = BODY[0] + STEP[0] * number, BODY[1] + STEP[1] * number
            shift = np.array([[1, 0, x % 1], [0, 1, y % 1]], np.float32)
            moved = cv2.warpAffine(body, shift, BODY[2:], borderMode=cv2.BORDER_REFLECT)
            picture[int(y) : int(y) + BODY[3], int(x) : int(x) + BODY[2]] = (
                moved + grain[(number + 1) % len(grain)][: BODY[3], : BODY[2]]
            )
            put_number(picture, number)
            frame = grey_frame(np.clip(np.rint(picture), 16, 235).astype(np.uint8))
            frame.pts, frame.time_base = number, Fraction(1, 60)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def grey_frame(luma: Grey) -> av.VideoFrame:
    """A picture without colour."""
    half = np.full((luma.shape[0] // 2, luma.shape[1]), 128, np.uint8)
    return av.VideoFrame.from_ndarray(np.concatenate([luma, half]), format="yuv420p")


def write_long(path: Path, seconds: int) -> None:
    """640 x 360 at 30 frames/s: a bar that wanders over grey; cheap to write and small."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        stream.options = {"preset": "ultrafast", "qp": "40", "g": "60"}
        for number in range(seconds * 30):
            luma = np.full((360, 640), 90, np.uint8)
            luma[:, number % 640] = 200
            frame = grey_frame(luma)
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
