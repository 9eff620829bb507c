"""Pictures of a side tilt: a room, a platform, a truck seen from its end, light added up linearly.

Each thing is painted once as a raster and looked up where it is turned to in each frame, with
several samples in every pixel, before lens blur, tone curve and grain.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FolderError
from clipmark.sample.encode import Planes, write_clip
from clipmark.sample.paint import Canvas, Grid, box, cloud, disc, lettering, stick, tint
from clipmark.sample.picture import Sensor
from clipmark.sample.raster import Raster, as_raster, canvas_over
from clipmark.sample.scene import Truck
from clipmark.sample.tilt import (
    HALF_TYRE_MM,
    LEAN_ABOUT_MM,
    PLATFORM_DEEP_MM,
    PLATFORM_MM,
    RAIL_HALF_MM,
    RAIL_MM,
    SCALE_DOWN_MM,
    SCALE_MM,
    STANDS_MM,
    TABLE_MM,
    TYRE_HIGH_MM,
    TiltScene,
    spin,
    tilt_truth,
)
from clipmark.sample.truth import file_sha256

Array = NDArray[np.float64]
DENSER = 1.25  # a raster is so much finer than the samples


class TiltRenderer:
    """Renders the frames of one tilt; keeps what stays the same between them."""

    def __init__(self, scene: TiltScene) -> None:
        self.scene = scene
        self.times_s = scene.timing.times_s()
        self.ss = scene.look.supersample
        self.sensor = Sensor(scene.look, scene.camera.width, scene.camera.height)
        density = DENSER * scene.px_per_mm * self.ss
        self._room = self._paint_room()
        self._platform = _platform(scene, density)
        self._axle = _axle(scene, density)
        self._body = _body(scene.truck, density)

    def __len__(self) -> int:
        return len(self.times_s)

    def frame(self, k: int) -> Planes:
        """Luma and chroma of frame `k`, rounded."""
        rng = np.random.default_rng([self.scene.seed, k])
        light = self.sensor.blur(self.light(k))
        luma, chroma = self.sensor.code_values(self.sensor.expose(light, 0, 0, None))
        return self.sensor.finish(luma, chroma, rng, self.scene.encoding.ten_bit)

    def light(self, k: int) -> Grid:
        """Unblurred linear picture of frame `k`, shape (h, w, 3)."""
        scene, way = self.scene, self.scene.way
        tilt, turn = scene.at(float(self.times_s[k]))
        out = self._room.copy()
        self._lay(out, self._platform, np.zeros(2), tilt * way, scene.hinge_mm)
        pivot = scene.on_platform(STANDS_MM, 0.0, tilt)
        roll = (tilt + turn) * way
        self._lay(out, self._axle, np.zeros(2), roll, pivot)
        middle = np.array([way * scene.track_mm / 2, LEAN_ABOUT_MM])
        centre = pivot + spin(roll) @ middle
        at = np.array([0.0, LEAN_ABOUT_MM])
        self._lay(out, self._body, at, roll + scene.lean_deg(tilt) * way, centre)
        size = (scene.camera.width, scene.camera.height)
        return np.asarray(cv2.resize(out, size, interpolation=cv2.INTER_AREA), np.float32)

    def _lay(self, out: Grid, piece: Raster, about: Array, roll_deg: float, at: Array) -> None:
        """Turn a piece about a place of its own and put that place `at` in the world."""
        per_mm = self.scene.px_per_mm * self.ss
        high, wide = out.shape[:2]
        rows, columns = piece.rgba.shape[:2]
        own = np.array([[piece.x0, piece.y1], [piece.x0 + columns / piece.px_per_mm, piece.y1],
                        [piece.x0, piece.y1 - rows / piece.px_per_mm],
                        [piece.x0 + columns / piece.px_per_mm, piece.y1 - rows / piece.px_per_mm],
                        ])  # fmt: skip
        world = (own - about) @ spin(roll_deg).T + at
        u, v = world[:, 0] * per_mm, high - world[:, 1] * per_mm
        x0, x1 = max(int(u.min()) - 2, 0), min(int(u.max()) + 3, wide)
        y0, y1 = max(int(v.min()) - 2, 0), min(int(v.max()) + 3, high)
        if x0 >= x1 or y0 >= y1:
            return
        x = (np.arange(x0, x1) + 0.5) / per_mm - at[0]
        y = (high - np.arange(y0, y1) - 0.5) / per_mm - at[1]
        back = spin(-roll_deg)
        a = back[0, 0] * x[None, :] + back[0, 1] * y[:, None] + about[0]
        b = back[1, 0] * x[None, :] + back[1, 1] * y[:, None] + about[1]
        rgba = piece.sample(a.astype(np.float32), b.astype(np.float32))
        part = out[y0:y1, x0:x1]
        part *= 1.0 - rgba[..., 3:]
        part += rgba[..., :3]

    def _paint_room(self) -> Grid:
        """Wall and levelled table, at the samples of the picture."""
        scene, per_mm = self.scene, self.scene.px_per_mm * self.ss
        wide, high = scene.camera.width * self.ss, scene.camera.height * self.ss
        x = ((np.arange(wide) + 0.5) / per_mm).astype(np.float32)
        y = ((high - np.arange(high) - 0.5) / per_mm).astype(np.float32)
        a, b = np.meshgrid(x, y)
        canvas, seed = Canvas(a, b, 1 / per_mm), scene.seed
        light = 0.92 + canvas.cloud(
            seed, [(150, 0.15), (60, 0.10), (24, 0.06), (9, 0.05), (3.6, 0.04)]
        )
        canvas.flood(tint((0.235, 0.262, 0.25), np.clip(light, 0.3, 1.6)))
        for place in range(40, 700, 170):
            canvas.fill(box(a, b, place, -10, place + 5, 900), (0.07, 0.075, 0.075), 0.75)
        grain = 0.9 + canvas.cloud(seed + 20, [(16, 0.12), (6, 0.08), (2.4, 0.05)], stretch=9)
        canvas.fill(box(a, b, -50, -50, 2000, TABLE_MM), tint((0.055, 0.042, 0.03), grain))
        return canvas.rgb


def _platform(scene: TiltScene, density: float) -> Raster:
    """Own origin at the hinge, its upper edge along the x axis, with two crosses for the scale."""
    way = scene.way
    x0, x1 = (-6.0, PLATFORM_MM) if way > 0 else (-PLATFORM_MM, 6.0)
    canvas = canvas_over(x0, -PLATFORM_DEEP_MM - 3, x1, 3.0, density)
    a, b = canvas.a, canvas.b
    grain = 0.92 + cloud(a, b, scene.seed + 3, [(14, 0.10), (5, 0.08), (2.2, 0.06)])
    wood = box(a, b, x0 + 1, -PLATFORM_DEEP_MM, x1 - 1, 0.0)
    canvas.fill(wood, tint((0.52, 0.42, 0.29), grain))
    for at in SCALE_MM:
        for turn in (0, 1):
            reach = np.array([3.0, 0.0]) if turn else np.array([0.0, 3.0])
            cross = stick(a, b, way * at - reach[0], -SCALE_DOWN_MM - reach[1],
                          way * at + reach[0], -SCALE_DOWN_MM + reach[1], 0.8)  # fmt: skip
            canvas.fill(cross, (0.02, 0.02, 0.02))
    return as_raster(canvas, x0, 3.0, density)


def _axle(scene: TiltScene, density: float) -> Raster:
    """Own origin at the outer lower edge of the downhill tyre."""
    way, track = scene.way, scene.track_mm
    x0, x1 = (-4.0, track + 4) if way > 0 else (-track - 4, 4.0)
    canvas = canvas_over(x0, -3.0, x1, TYRE_HIGH_MM + 4, density)
    a, b = canvas.a, canvas.b
    middle, edge = way * track / 2, track / 2 - 4
    steel = 0.9 + cloud(a, b, scene.seed + 4, [(7, 0.16), (2.8, 0.12)])
    canvas.fill(box(a, b, middle - edge, 18, middle + edge, 26, 2), tint((0.13, 0.13, 0.14), steel))
    canvas.fill(disc(a, b, middle, 23.0, 11.0), tint((0.10, 0.10, 0.11), steel))
    for number, centre in enumerate((HALF_TYRE_MM, track - HALF_TYRE_MM)):
        x = way * centre
        rubber = 0.9 + cloud(a, b, scene.seed + 5 + number, [(7, 0.35), (3.2, 0.45), (1.8, 0.2)])
        tyre = box(a, b, x - HALF_TYRE_MM, 0.0, x + HALF_TYRE_MM, TYRE_HIGH_MM, 2.0)
        canvas.fill(tyre, tint((0.055, 0.054, 0.056), rubber))
        grooves = np.abs(np.abs(a - x) - 5.0) - 0.6
        canvas.fill(np.maximum(tyre + 1.0, grooves).astype(np.float32), (0.012, 0.012, 0.012), 0.8)
    return as_raster(canvas, x0, TYRE_HIGH_MM + 4, density)


def _body(truck: Truck, density: float) -> Raster:
    """Own origin on the platform in the truck's middle: rail, cab, screen, lamps, number."""
    canvas = canvas_over(-56.0, 26.0, 56.0, 104.0, density)
    a, b = canvas.a, canvas.b
    dirt = cloud(a, b, truck.seed, [(22, 0.14), (8, 0.13), (3.4, 0.12), (1.8, 0.08)])
    light = (0.95 + dirt).astype(np.float32)
    for x in (-28.0, 28.0):
        canvas.fill(stick(a, b, x, 27.0, 0.8 * x, 44.0, 5.0), (0.45, 0.42, 0.12))
    canvas.fill(
        box(a, b, -RAIL_HALF_MM, RAIL_MM[0], RAIL_HALF_MM, RAIL_MM[1]),
        tint((0.62, 0.61, 0.58), light),
    )
    cab = box(a, b, -38, RAIL_MM[1], 38, 94, 5)
    canvas.fill(cab, tint(truck.paint, light))
    canvas.fill(np.maximum(cab, box(a, b, -60, 90, 60, 94)), tint(truck.second_paint, light))
    canvas.fill(box(a, b, -31, 70, 31, 89, 3), tint((0.07, 0.10, 0.12), 0.8 + 2 * dirt))
    canvas.fill(np.abs(box(a, b, -31, 70, 31, 89, 3)) - 0.7, (0.02, 0.02, 0.02))
    for x in (-30.0, 30.0):
        canvas.fill(disc(a, b, x, 64.0, 4.2), (0.80, 0.77, 0.60))
        canvas.fill(np.abs(disc(a, b, x, 64.0, 4.6)) - 0.5, (0.03, 0.03, 0.03))
    canvas.fill(box(a, b, -12, 58, 12, 67, 1), (0.78, 0.76, 0.70))
    canvas.fill(lettering(a, b, truck.number, -3.5, 59.4, 6.2, 1.3), (0.02, 0.02, 0.025))
    return as_raster(canvas, -56.0, 104.0, density)


def render_tilt(scene: TiltScene, path: str | Path) -> dict[str, object]:
    """Render and encode a tilt; its truth with ``clip`` and ``clip_sha256``.

    Raises
    ------
    FolderError
        If the file cannot be written.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise FolderError(
            f"the folder {path.parent} for the clip {path.name} does not exist; make it first"
        )
    renderer = TiltRenderer(scene)
    write_clip(scene, _frames(renderer), path)
    return {"clip": path.name, "clip_sha256": file_sha256(path), **tilt_truth(scene)}


def _frames(renderer: TiltRenderer) -> Iterator[Planes]:
    for k in range(len(renderer)):
        yield renderer.frame(k)
