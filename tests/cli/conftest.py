"""A small drawn clip with a board, a plumb line and two wheels, and the command line under test."""

import json
import math
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import pytest

from clipmark.cli.app import status_of

WIDTH, HEIGHT, OVERSAMPLED = 640, 360, 4
RAMP_DEG, CHASSIS_DEG = 28.0, 31.0


@dataclass(frozen=True)
class DrawnClip:
    path: Path
    ramp: str = "100,320,520,96"
    plumb: str = "561,40,563,300"
    hubs: str = "258,186,372,118"

    @property
    def angle(self) -> list[str]:
        return ["angle", str(self.path), "--frame", "2", "--ramp", self.ramp]


def draw() -> np.ndarray:
    """Luma codes 16..235, area-averaged; truth: RAMP_DEG, CHASSIS_DEG, plumb exactly upright."""
    n = OVERSAMPLED
    step = (np.arange(n) + 0.5) / n - 0.5
    x = (np.arange(WIDTH)[:, None] + step).ravel()[None, :]
    y = (np.arange(HEIGHT)[:, None] + step).ravel()[:, None]
    value = 0.62 + 0.1 * np.sin(x / 37.0) * np.cos(y / 53.0)
    value = np.where((np.abs(x - 562) < 1.2) & (y > 20) & (y < 330), 0.1, value)
    a = math.radians(RAMP_DEG)
    up = (x - 310) * math.sin(a) + (y - 208) * math.cos(a)  # positive below the board's top edge
    value = np.where((up > 0) & (up < 24), 0.25, value)
    c = math.radians(CHASSIS_DEG)
    for side in (-1, 1):
        hx = 315 + side * 66 * math.cos(c)
        hy = 152 - side * 66 * math.sin(c)
        r = np.hypot(x - hx, y - hy)
        value = np.where(r < 44, 0.12, value)
        value = np.where(r < 27, 0.75, value)
        value = np.where(r < 9, 0.3, value)
    small = value.reshape(HEIGHT, n, WIDTH, n).mean(axis=(1, 3))
    return 16 + 219 * small


def encode(path: Path, pictures: list[np.ndarray], fps: int = 30) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "12"}
        for number, picture in enumerate(pictures):
            grey = np.clip(np.round(picture), 16, 235).astype(np.uint8)
            planes = np.concatenate([grey, np.full((HEIGHT // 2, WIDTH), 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


@pytest.fixture(scope="session")
def drawn_clip(tmp_path_factory) -> DrawnClip:
    path = tmp_path_factory.mktemp("drawn") / "board.mp4"
    rng = np.random.default_rng(4)
    picture = draw()
    encode(path, [picture + rng.normal(0, 2.0, picture.shape) for _ in range(8)])
    return DrawnClip(path)


@dataclass
class Ran:
    status: int
    out: str
    err: str

    @property
    def json(self) -> dict:
        return json.loads(self.out)


@pytest.fixture
def clipmark(capsys, monkeypatch, tmp_path):
    """Run the command line in this process; caches and logs go to a folder of the test."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))

    def run(*arguments: str) -> Ran:
        capsys.readouterr()
        status = status_of([str(item) for item in arguments])
        captured = capsys.readouterr()
        return Ran(status, captured.out, captured.err)

    return run
