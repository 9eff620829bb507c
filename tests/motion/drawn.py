"""Small drawn clips for following: a textured body over a textured background, truth by drawing.

Loaded by path from the test files (the test folders are no packages). Photographs of scikit-image
stand in for textures; sub-pixel places by cubic interpolation of a picture blurred by 0.8 px, good
to about 0.003 px.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import numpy as np
from scipy import ndimage
from skimage import data

WIDTH, HEIGHT = 480, 320
BODY = (96, 64)  # width, height of the body, px
TICKS = 90_000  # per second

Place = Callable[[float], tuple[float, float]]


@cache
def background() -> np.ndarray:
    """A still textured ground, 40 px larger than the picture on every side."""
    tile = np.tile(data.gravel()[:200, :], (2, 2))[: HEIGHT + 80, : WIDTH + 80].astype(float)
    return ndimage.gaussian_filter(0.5 * tile + 60, 0.8)


@cache
def body_texture() -> np.ndarray:
    """What the body looks like."""
    return ndimage.gaussian_filter(data.coins()[: BODY[1] + 8, 60 : 60 + BODY[0] + 8] * 1.0, 0.8)


def picture(
    place: tuple[float, float] | None,
    camera: tuple[float, float] = (0.0, 0.0),
    rng: np.random.Generator | None = None,
    hide: tuple[int, int, int, int] | None = None,
    flat_ground: bool = False,
    sigma: float = 1.5,
) -> np.ndarray:
    """One luma picture; `place` is the body's top left corner, `camera` shifts everything."""
    ground = background()
    if flat_ground:
        ground = np.full_like(ground, 110.0)
    if camera != (0.0, 0.0):
        ground = ndimage.shift(ground, camera[::-1], order=3, mode="nearest")
    out = ground[40 : 40 + HEIGHT, 40 : 40 + WIDTH].copy()
    if place is not None:
        x, y = place[0] + camera[0], place[1] + camera[1]
        left, top = int(np.floor(x)), int(np.floor(y))
        moved = ndimage.shift(body_texture(), (y - top, x - left), order=3, mode="nearest")
        out[top : top + BODY[1], left : left + BODY[0]] = moved[4:-4, 4:-4]
    if hide is not None:
        x0, y0, w, h = hide
        out[y0 : y0 + h, x0 : x0 + w] = 200.0
    if rng is not None:
        out += rng.normal(0, sigma, out.shape)
    return np.clip(np.rint(out), 0, 255).astype(np.uint8)


def write(path: Path, pictures: Sequence[np.ndarray], times_s: Sequence[float]) -> Path:
    """Encode luma pictures with x264 at high quality, with the given times."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(60))
        stream.width, stream.height = pictures[0].shape[1], pictures[0].shape[0]
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "12", "preset": "veryfast", "g": "48", "bf": "2"}
        stream.time_base = Fraction(1, TICKS)
        stream.codec_context.time_base = Fraction(1, TICKS)
        for luma, time in zip(pictures, times_s, strict=True):
            frame = av.VideoFrame(luma.shape[1], luma.shape[0], "yuv420p")
            _fill(frame.planes[0], luma)
            for plane in list(frame.planes)[1:]:
                _fill(plane, np.full((luma.shape[0] // 2, luma.shape[1] // 2), 128, np.uint8))
            frame.pts, frame.time_base = round(time * TICKS), Fraction(1, TICKS)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _fill(plane, values: np.ndarray) -> None:
    rows = np.zeros((plane.height, plane.line_size), np.uint8)
    rows[:, : values.shape[1]] = values
    plane.update(rows.tobytes())
