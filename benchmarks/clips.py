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
SWAYING = (1400, 900)  # left and top of a body of 640 x 400 px that goes to and fro


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


def write_swaying(path: Path, seconds: int, *, size: tuple[int, int] = (3840, 2160)) -> None:
    """60 frames/s: a body goes to and fro over ten seconds, coded once and repeated to the end."""
    width, height = size
    ground, body = texture((height, width), 1, 3.0, 22.0), texture((400, 640), 2, 2.0, 30.0)
    rng = np.random.default_rng(3)
    grain = [rng.normal(0, 1.5, (height, width)).astype(np.float32) for _ in range(3)]
    frames = 600
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(60))
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = Fraction(1, 60)
        stream.bit_rate = 40_000_000
        closed = "keyint=120:min-keyint=120:scenecut=0:open-gop=0"
        stream.options = {"preset": "veryfast", "bf": "2", "x264-params": closed}
        coded: list[tuple[bytes, int, int, bool]] = []
        for number in range(frames + 1):
            frame = None
            if number < frames:
                x = SWAYING[0] + 300 * (1 - np.cos(2 * np.pi * number / frames))
                shift = np.array([[1, 0, x % 1], [0, 1, 0]], np.float32)
                picture = ground + grain[number % len(grain)]
                place = picture[SWAYING[1] : SWAYING[1] + 400, int(x) : int(x) + 640]
                place[:] = cv2.warpAffine(body, shift, (640, 400), borderMode=cv2.BORDER_REFLECT)
                frame = grey_frame(np.clip(np.rint(picture), 16, 235).astype(np.uint8))
                frame.pts, frame.time_base = number, Fraction(1, 60)
            coded += [(bytes(p), p.pts, p.dts, p.is_keyframe) for p in stream.encode(frame)]
        for turn in range(seconds * 60 // frames):
            for content, pts, dts, is_key in coded:
                packet = av.Packet(content)
                packet.stream, packet.time_base = stream, Fraction(1, 60)
                packet.pts, packet.dts = pts + frames * turn, dts + frames * turn
                packet.is_keyframe = is_key
                container.mux(packet)


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
