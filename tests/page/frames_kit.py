"""What the tests of the page's frames share: an event with counted clips, and its routes alone."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from fastapi import FastAPI
from fastapi.testclient import TestClient

from clipmark.page import refusals, routes_frames
from clipmark.page.lanes import Lane
from clipmark.page.shelf import Shelf
from tests.clip import conftest as clips

make_clip, counted_picture = clips.make_clip, clips.counted_picture
LONG_GROUP = "bframes=3:keyint=250:b-pyramid=normal"


@contextmanager
def page(event: Path, **how: object) -> Iterator[TestClient]:
    """The frames' part of the page on a shelf of its own; ``client.shelf`` is the shelf."""
    shelf = Shelf(event, **how)
    app = FastAPI()
    app.state.desk = SimpleNamespace(
        shelf=shelf, event_path=event, attempts_by_clip=lambda: {"0" * 64: ["a-1"]}
    )
    refusals.install(app)
    app.include_router(routes_frames.router, prefix="/api")
    with TestClient(app) as client:
        client.shelf = shelf
        try:
            yield client
        finally:
            shelf.close()


def event_with(folder: Path, *paths: Path) -> Path:
    (folder / "clips").mkdir(parents=True, exist_ok=True)
    for path in paths:
        (folder / "clips" / path.name).symlink_to(path)
    return folder


def sha_of(client: TestClient, name: str) -> str:
    listed = client.get("/api/clips").json()["clips"]
    return next(clip["sha"] for clip in listed if clip["name"] == name)


def seen(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def counter_of(data: bytes, scale: float = 1.0) -> int:
    """The burnt-in counter, read from the pixels of a JPEG of a counted clip."""
    grey = cv2.cvtColor(seen(data), cv2.COLOR_BGR2GRAY)
    if scale != 1.0:
        grey = cv2.resize(grey, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_LINEAR)
    return clips.read_counter(grey)


class Decodes:
    """Counts and lists what the lanes were asked to decode."""

    def __init__(self, monkeypatch) -> None:
        self.asked: list[tuple[str, int]] = []
        lock, decode = threading.Lock(), Lane.decode

        def counted(lane, ordinal, stop):
            with lock:
                self.asked.append((threading.current_thread().name, ordinal))
            return decode(lane, ordinal, stop)

        monkeypatch.setattr(Lane, "decode", counted)

    def __len__(self) -> int:
        return len(self.asked)
