"""Pictures of a fixed scene as a camera would record them on two occasions, with known truth.

Photographs (scikit-image's data) are laid side by side as a wall, low-passed, and read through a
homography with a quintic spline, which neither OpenCV's kernels nor the cubic spline of the code
under test is part of. Between the occasions change: light, its gradient, exposure, shadows, noise,
where the truck and the people are. Pictures go through x264 at the rate of a phone.
"""

import io
import math
from dataclasses import dataclass

import av
import numpy as np
from scipy import ndimage
from skimage import color, data

WIDTH, HEIGHT = 1920, 1080
FOCAL_PX = 1500.0  # 65 deg wide, as the main camera of many phones; common practice, no source
WALL = (2240, 1400)
PHOTOS = ("brick", "grass", "gravel", "astronaut", "coffee", "chelsea", "rocket", "camera")
BIT_RATE = 17_000_000  # 1080p30 of a phone; common practice, no source
SCENES = 8


def photo(name: str) -> np.ndarray:
    """A photograph in grey, 0 to 255."""
    picture = getattr(data, name)()
    grey = color.rgb2gray(picture) if picture.ndim == 3 else picture / 255.0
    return grey * 255.0


def wall(seed: int) -> np.ndarray:
    """Photographs at about twice their size, and parts without texture, larger than the picture."""
    rng = np.random.default_rng(seed)
    out = np.full(WALL[::-1], 120.0)
    for row in range(2):
        x = 0
        while x < WALL[0]:
            picture = photo(PHOTOS[rng.integers(len(PHOTOS))])
            grow = rng.uniform(1.3, 2.2)
            picture = ndimage.zoom(picture, grow, order=3)
            if rng.random() < 0.5:
                picture = picture[:, ::-1]
            h, w = WALL[1] // 2, min(picture.shape[1], WALL[0] - x)
            picture = np.tile(picture, (2, 1))[:h, :w]
            if rng.random() > 0.2:  # a fifth of the wall is bare
                level, contrast = rng.uniform(80, 150), rng.uniform(0.4, 0.9)
                place = np.s_[row * h : row * h + picture.shape[0], x : x + w]
                out[place] = level + contrast * (picture - picture.mean())
            x += w
    return ndimage.gaussian_filter(np.clip(out, 5, 250), 0.8)  # what a lens and sensor leave


@dataclass(frozen=True)
class Turned:
    """How the camera was moved: px of shift, degrees of yaw, pitch, roll."""

    shift: tuple[float, float] = (0.0, 0.0)
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0

    def matrix(self) -> np.ndarray:
        """Homography from the picture before to that after; the content rolls counter-clockwise."""
        y, p, r = (math.radians(v) for v in (self.yaw, self.pitch, self.roll))
        about_y = np.array(
            [[math.cos(y), 0, math.sin(y)], [0, 1, 0], [-math.sin(y), 0, math.cos(y)]]
        )
        about_x = np.array(
            [[1, 0, 0], [0, math.cos(p), -math.sin(p)], [0, math.sin(p), math.cos(p)]]
        )
        about_z = np.array(
            [[math.cos(r), math.sin(r), 0], [-math.sin(r), math.cos(r), 0], [0, 0, 1]]
        )
        k = np.array([[FOCAL_PX, 0, (WIDTH - 1) / 2], [0, FOCAL_PX, (HEIGHT - 1) / 2], [0, 0, 1]])
        shift = np.array([[1, 0, self.shift[0]], [0, 1, self.shift[1]], [0, 0, 1]])
        return shift @ k @ about_z @ about_x @ about_y @ np.linalg.inv(k)


class Scene:
    """A wall, to be seen by a camera that stands or was moved."""

    def __init__(self, seed: int) -> None:
        self.coefficients = ndimage.spline_filter(wall(seed), order=5).astype(np.float32)

    def seen(self, how: Turned | None = None) -> np.ndarray:
        """The picture without noise, 0 to 255."""
        back = np.linalg.inv((how or Turned()).matrix())
        x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
        at = back @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
        u, v = at[0] / at[2] + 160.31, at[1] / at[2] + 160.17
        values = ndimage.map_coordinates(
            self.coefficients, [v, u], order=5, prefilter=False, mode="nearest", output=np.float32
        )
        return values.reshape(HEIGHT, WIDTH)


def occasion(
    background: np.ndarray, seed: int, frames: int = 6, keep=(0, 2, 5)
) -> list[np.ndarray]:
    """Decoded pictures of a clip of the background: another light, other people, other noise."""
    rng = np.random.default_rng(seed)
    height, width = background.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    light = 1 + rng.uniform(-0.25, 0.25)
    light = light * (
        1
        + rng.uniform(-0.12, 0.12) * (x / width - 0.5)
        + rng.uniform(-0.12, 0.12) * (y / height - 0.5)
    )
    for _ in range(rng.integers(0, 3)):  # shadows with soft edges
        turn, at = rng.uniform(0, math.tau), rng.uniform(0.2, 0.8)
        edge = (x - at * width) * math.cos(turn) + (y - at * height) * math.sin(turn)
        light = light * (
            1 - rng.uniform(0.1, 0.3) / (1 + np.exp(np.clip(-edge / rng.uniform(3, 40), -50, 50)))
        )
    lit = 255 * np.clip(background / 255 * light, 0, 1) ** rng.uniform(0.9, 1.1)
    people = [
        (
            rng.uniform(0, width),
            rng.uniform(150, 260),
            rng.uniform(-3, 3),
            ndimage.zoom(photo("astronaut"), 1.6, order=1),
        )
        for _ in range(rng.integers(0, 3))
    ]
    board = (rng.uniform(0.2, 0.6) * width, rng.uniform(0.45, 0.7) * height)
    pictures = []
    for number in range(frames):
        picture = lit.copy()
        for left, wide, speed, skin in people:
            x0 = int(left + speed * number)
            x1, y0 = x0 + int(wide), height // 3
            x0, x1 = max(x0, 0), min(x1, width)
            if x1 - x0 > 4:
                picture[y0:, x0:x1] = skin[: height - y0, : x1 - x0]
        bx, by = int(board[0] + 2 * number), int(board[1])
        picture[by : by + 150, bx : bx + 320] = 60 + 0.5 * photo("gravel")[:150, :320]
        picture = picture + rng.normal(0, 1, picture.shape) * (1.0 + 1.5 * np.sqrt(picture / 255))
        pictures.append(np.clip(np.round(picture), 0, 255).astype(np.uint8))
    decoded = through_x264(pictures)
    return [decoded[k] for k in keep if k < len(decoded)]


def through_x264(
    pictures: list[np.ndarray], rate: int = 30, bit_rate: int = BIT_RATE, gop: int = 5
) -> list[np.ndarray]:
    """Luma after coding, full range."""
    height, width = pictures[0].shape
    store = io.BytesIO()
    with av.open(store, "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate = bit_rate
        stream.options = {"preset": "veryfast", "g": str(gop), "bf": "0", "threads": "1"}
        grey = np.full((height // 2, width), 128, np.uint8)
        for picture in pictures:
            frame = av.VideoFrame.from_ndarray(np.concatenate([picture, grey]), format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    store.seek(0)
    with av.open(store) as container:
        return [
            np.ascontiguousarray(frame.to_ndarray(format="yuv420p")[:height])
            for frame in container.decode(video=0)
        ]
