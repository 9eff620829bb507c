"""Pictures of a scene: rays, layers, truck, light gathered over each pixel's area and open time.

Light is added up linearly: samples inside a pixel are averaged before lens blur and tone curve.
The still part is painted once; with a still camera only the truck's box changes from frame to
frame. Tremor turns the camera about its centre, which needs no depth: the still part is painted
once in straight coordinates and looked up.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.sample.cover import CoverPaint, PlacedCover
from clipmark.sample.master import STRIP_ROWS, Master
from clipmark.sample.paint import Canvas, Grid
from clipmark.sample.picture import Sensor
from clipmark.sample.raster import Raster
from clipmark.sample.rays import Box, Rays
from clipmark.sample.scene import Scene
from clipmark.sample.stage import Layer, Plane, stage_layers
from clipmark.sample.truck import (
    BODY_BOX,
    TruckPaint,
    contact_shadow,
    over,
    rolled,
)

Array = NDArray[np.float64]


class Renderer:
    """Renders the frames of one scene; keeps what stays the same between them.

    ``times_s`` is when each frame's picture is taken: earlier than its stamp where it is a repeat.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene.settled()
        self.camera = self.scene.camera
        self._pictured = self.scene.timing.pictured()
        self.times_s = self.scene.timing.times_s()[self._pictured]
        self.sensor = Sensor(self.scene.look, self.camera.width, self.camera.height)
        self.ss = self.scene.look.supersample
        self._layers = stage_layers(self.scene)
        self.rays = Rays(self.camera, self.ss)
        self._covers = [
            CoverPaint(PlacedCover(cover, self.scene.board), self.rays)
            for cover in self.scene.covers
        ]
        self._paint: TruckPaint | None = None
        if self.scene.truck is not None:
            density = self.camera.focal_px / self.camera.distance_mm * self.ss
            self._paint = TruckPaint.bake(
                self.scene.truck, density, mirrored=self.scene.heading() < 0
            )
        self._still: Grid | None = None
        self._still_codes: tuple[Grid, Grid] | None = None
        self._resting: tuple[Grid, Grid] | None = None
        self._union: tuple[Box, tuple[Grid, Grid, Grid]] | None = None
        self._master: Master | None = None

    def __len__(self) -> int:
        return len(self.times_s)

    def codes(self, k: int) -> tuple[Grid, Grid]:
        """Noise-free luma, shape (h, w), and chroma, shape (h/2, w/2, 2), unrounded 8-bit scale."""
        if self.camera.tremor is not None or self._covers or not self.scene.look.steady:
            return self._whole(k, None)
        if self._still_codes is None:
            still = self.sensor.blur(self._still_light())
            self._still_codes = self.sensor.code_values(self.sensor.expose(still, 0, 0, None))
        if not self.scene.motion.moves:
            if self._resting is None:
                self._resting = self._with_patch(k)
            return self._resting
        return self._with_patch(k)

    def _with_patch(self, k: int) -> tuple[Grid, Grid]:
        assert self._still_codes is not None
        luma, chroma = (plane.copy() for plane in self._still_codes)
        patch = self._truck_patch(k)
        if patch is not None:
            (x0, y0, x1, y1), light = patch
            box_luma, box_chroma = self.sensor.code_values(self.sensor.expose(light, x0, y0, None))
            luma[y0:y1, x0:x1] = box_luma
            chroma[y0 // 2 : y1 // 2, x0 // 2 : x1 // 2] = box_chroma
        return luma, chroma

    def frame(self, k: int) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Luma and chroma as a camera would store them: grain added, rounded to 8 or 10 bits."""
        rng = np.random.default_rng([self.scene.seed, 77, int(self._pictured[k])])
        if self.scene.look.grain_in == "linear" and self.scene.look.grain_levels > 0:
            luma, chroma = self._whole(k, rng)
        else:
            luma, chroma = self.codes(k)
        return self.sensor.finish(luma, chroma, rng, self.scene.encoding.ten_bit)

    def rgb8(self, k: int) -> NDArray[np.uint8]:
        """Noise-free picture for looking at, shape (h, w, 3) RGB."""
        return np.asarray(np.rint(self._exposed(k, None) * 255), np.uint8)

    def _whole(self, k: int, rng: np.random.Generator | None) -> tuple[Grid, Grid]:
        return self.sensor.code_values(self._exposed(k, rng))

    def _exposed(self, k: int, rng: np.random.Generator | None) -> Grid:
        """Encoded RGB 0 to 1 of the whole of frame `k`."""
        light = self._light(k)
        for cover in self._covers:
            cover.lay(light, float(self.times_s[k]))
        return self.sensor.expose(self.sensor.blur(light), 0, 0, rng, self._lamp(k))

    def _lamp(self, k: int) -> Grid | None:
        """Light of each row of frame `k` over a steady lamp's, or None when it is steady."""
        if self.scene.look.steady:
            return None
        times = self.times_s[k] + self.camera.row_time_s(np.arange(self.camera.height))
        return self.scene.look.lamp(times).astype(np.float32)

    def _light(self, k: int) -> Grid:
        """Unblurred linear picture of frame `k`, shape (h, w, 3)."""
        if self.camera.tremor is not None:
            return self._shaken(k)
        light = self._still_light().copy()
        box = self._truck_box(k)
        if box is not None:
            light[box[1] : box[3], box[0] : box[2]] = self._truck_light(k, box)
        return light

    # -- the still part -----------------------------------------------------------------------

    def _still_light(self) -> Grid:
        if self._still is None:
            w, h = self.camera.width, self.camera.height
            self._still = np.empty((h, w, 3), np.float32)
            for y0 in range(0, h, STRIP_ROWS):
                y1 = min(y0 + STRIP_ROWS, h)
                xn, yn, _ = self.rays.of_box((0, y0, w, y1))
                xn, yn = xn.astype(np.float32), yn.astype(np.float32)
                back, _, front = self._paint_layers(xn, yn)
                light = back * (1.0 - front[..., 3:]) + front[..., :3]
                self._still[y0:y1] = _pool(light, self.ss)
        return self._still

    def _paint_layers(self, xn: Array, yn: Array) -> tuple[Grid, Grid, Grid]:
        """Back colour (h, w, 3), board coverage (h, w), front premultiplied RGBA (h, w, 4)."""
        h, w = xn.shape
        back = np.zeros((h, w, 3), np.float32)
        board = np.zeros((h, w), np.float32)
        front = np.zeros((h, w, 4), np.float32)
        for layer in self._layers:
            part = self._visible(layer, xn, yn)
            if part is None:
                continue
            canvas = self._canvas(layer.plane, xn[part], yn[part])
            layer.paint(canvas)
            keep = 1.0 - canvas.alpha
            if layer.group == "front":
                rgba = np.dstack([canvas.rgb, canvas.alpha]).astype(np.float32)
                over(front[part], rgba)
                continue
            back[part] = back[part] * keep[..., None] + canvas.rgb
            board[part] *= keep
            if layer.group == "board":
                board[part] += canvas.alpha
        return back, board, front

    def _visible(self, layer: Layer, xn: Array, yn: Array) -> tuple[slice, slice] | None:
        """The part of a tile that a layer can reach, or None."""
        a0, b0, a1, b1 = layer.bounds
        corners = layer.plane.world(np.array([[a0, b0], [a1, b0], [a1, b1], [a0, b1]]))
        seen = (corners - self.rays.place) @ self.rays.turn.T
        if seen[:, 2].min() <= 1.0:
            return slice(0, xn.shape[0]), slice(0, xn.shape[1])
        flat = seen[:, :2] / seen[:, 2:]
        margin = 3.0 / self.camera.focal_px
        low, high = flat.min(axis=0) - margin, flat.max(axis=0) + margin
        inside = (xn > low[0]) & (xn < high[0]) & (yn > low[1]) & (yn < high[1])
        return _bounding(inside, self.ss)

    def _canvas(self, plane: Plane, xn: Array, yn: Array) -> Canvas:
        """Plane coordinates where the rays meet a plane."""
        a, b = self.rays.meet(plane, self.rays.in_world(xn, yn))
        sample = None
        if plane.faces and a.shape[0] > 1 and a.shape[1] > 1:
            sample = float(np.median(np.hypot(np.diff(a, axis=1), np.diff(b, axis=1))))
        return Canvas(a, b, sample, self.ss)

    # -- the truck ----------------------------------------------------------------------------

    def _truck_box(self, k: int) -> Box | None:
        """Even-sided box of whole px that holds the truck, its shadow and blur at frame `k`."""
        if self.scene.truck is None:
            return None
        truck, half = self.scene.truck, self.scene.truck.wheelbase_mm / 2 + 8.0
        x0, _, x1, y1 = BODY_BOX
        low = -truck.middle_height_mm() - 22.0
        x0, x1 = min(x0, -half - 60), max(x1, half + 60)
        slack = abs(self.camera.readout_s) / 2 + self.camera.exposure_s / 2
        points = []
        for time in (self.times_s[k] - slack, self.times_s[k], self.times_s[k] + slack):
            for x, y in ((x0, low), (x1, low), (x1, y1 + 4), (x0, y1 + 4)):
                near = self.scene.body_point_mm(time, x, y, sprung=False)
                points += [near, near - (0.0, 0.0, truck.track_mm)]
        px = self.camera.project(np.array(points), float(self.times_s[k]))
        reach = self.sensor.reach_px + 3
        left, top = np.floor(px.min(axis=0)).astype(int) - reach
        right, bottom = np.ceil(px.max(axis=0)).astype(int) + reach
        left, top = max(0, left // 2 * 2), max(0, top // 2 * 2)
        right = min(self.camera.width, (right + 1) // 2 * 2)
        bottom = min(self.camera.height, (bottom + 1) // 2 * 2)
        return (left, top, right, bottom) if right > left and bottom > top else None

    def _truck_patch(self, k: int) -> tuple[Box, Grid] | None:
        """The truck's box at frame `k` and its blurred light."""
        box = self._truck_box(k)
        if box is None:
            return None
        x0, y0, x1, y1 = box
        reach = self.sensor.reach_px
        left, top = max(0, x0 - reach), max(0, y0 - reach)
        region = self._still_light()[top : y1 + reach, left : x1 + reach].copy()
        inner = (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left))
        region[inner] = self._truck_light(k, box)
        return box, self.sensor.blur(region)[inner]

    def _truck_light(self, k: int, box: Box) -> Grid:
        """Unblurred light of the truck's box at frame `k`, shape (h, w, 3)."""
        xn, yn, rows = self.rays.of_box(box)
        total = np.zeros((box[3] - box[1], box[2] - box[0], 3), np.float32)
        times = self.rays.open_times(float(self.times_s[k]))
        for time in times:
            row_times = time + self.camera.row_time_s(rows)
            rest_x, rest_y = self.rays.at_rest(xn, yn, row_times)
            if self.camera.tremor is None:
                back, board, front = self._cut_union(box)
            else:
                back, board, front = self._get_master().layers(rest_x, rest_y)
            light = self._with_truck(back, board, rest_x, rest_y, row_times)
            light = light * (1.0 - front[..., 3:]) + front[..., :3]
            total += _pool(light, self.ss)
        return total / np.float32(len(times))

    def _cut_union(self, box: Box) -> tuple[Grid, Grid, Grid]:
        """Sub-pixel layers behind the truck's box, painted once for all places it comes to."""
        if self._union is None or not _holds(self._union[0], box):
            boxes = [b for b in map(self._truck_box, range(len(self))) if b is not None]
            ends = np.array(boxes)
            x0, y0 = (int(v) for v in ends[:, :2].min(axis=0))
            x1, y1 = (int(v) for v in ends[:, 2:].max(axis=0))
            xn, yn, _ = self.rays.of_box((x0, y0, x1, y1))
            self._union = ((x0, y0, x1, y1), self._paint_layers(xn, yn))
        (x0, y0, _, _), layers = self._union
        rows = slice((box[1] - y0) * self.ss, (box[3] - y0) * self.ss)
        columns = slice((box[0] - x0) * self.ss, (box[2] - x0) * self.ss)
        back, board, front = (plane[rows, columns] for plane in layers)
        return back, board, front

    def _with_truck(self, back: Grid, board: Grid, xn: Array, yn: Array, times: Array) -> Grid:
        """Lay shadow and truck over the back, all at sub-pixel samples."""
        scene, truck, paint = self.scene, self.scene.need_truck(), self._paint
        assert paint is not None
        travel = scene.motion.travel(times)[:, None]
        pitch = scene.motion.pitch_rad(times)[:, None]
        turn = scene.wheel_turn_rad(times)[:, None]
        rear = scene.motion.rear_rad(times)[:, None]
        ahead, up = scene.reared_mm(rear)
        travel = travel + ahead
        rays = self.rays.in_world(xn, yn)
        x, w = self._board_frame(rays, 0.0, travel)
        light = back * (1.0 - board * (1.0 - contact_shadow(x, w, truck)))[..., None]
        sample = abs(float(x[0, 1] - x[0, 0])) + abs(float(w[0, 1] - w[0, 0]))
        above = np.clip(0.5 + w / sample, 0, 1).astype(np.float32)
        rgba = np.zeros((*x.shape, 4), np.float32)
        fx, fw = self._board_frame(rays, -truck.track_mm, travel)
        far_above = above * np.clip(0.5 + fw / sample, 0, 1)
        far_above = far_above.astype(np.float32)
        self._lay_wheels(rgba, paint.far_wheel, (fx, fw), turn + 0.4, (rear, up), far_above)
        angle = truck.squat_rad + rear + pitch
        height = w - truck.middle_height_mm() - up
        bx = (x * np.cos(angle) + height * np.sin(angle)).astype(np.float32)
        by = (height * np.cos(angle) - x * np.sin(angle)).astype(np.float32)
        over(rgba, paint.body.sample(bx, by))
        self._lay_wheels(rgba, paint.wheel, (x, w), turn, (rear, up), above)
        return np.asarray(light * (1.0 - rgba[..., 3:]) + rgba[..., :3], np.float32)

    def _lay_wheels(
        self,
        rgba: Grid,
        wheel: Raster,
        frame: tuple[Grid, Grid],
        turn: Array,
        reared: tuple[Array, Array],
        above: Grid,
    ) -> None:
        """Both wheels of one side; `reared` is the turn about the rear axle, and what it lifts."""
        truck, (x, w), (rear, up) = self.scene.need_truck(), frame, reared
        c, s = np.cos(truck.squat_rad + rear), np.sin(truck.squat_rad + rear)
        reach = truck.wheel_mm / 2 + 2.0
        for number, axle in enumerate(self.scene.axles()):
            dx = x - (axle * c).astype(np.float32)
            dw = w - (truck.middle_height_mm() + up + axle * s).astype(np.float32)
            part = _bounding((np.abs(dx) < reach) & (np.abs(dw) < reach))
            if part is None:
                continue
            wheel_x, wheel_y = rolled(dx[part], dw[part], (turn + 0.23 * number)[part[0]])
            piece = wheel.sample(wheel_x, wheel_y) * above[part][..., None]
            over(rgba[part], piece)

    def _board_frame(
        self, rays: tuple[Array, Array, Array], z_mm: float, travel: Array
    ) -> tuple[Grid, Grid]:
        """Along the heading from the truck's middle, and off the board, in a facing plane."""
        board, truck = self.scene.board, self.scene.need_truck()
        a, b = self.rays.meet(Plane.facing(z_mm), rays)
        dx, dy = a - board.foot[0], b - board.foot[1]
        q = dx * board.along[0] + dy * board.along[1]
        w = dx * board.normal[0] + dy * board.normal[1]
        x = truck.sense * (q - truck.start_mm) - travel
        return x.astype(np.float32), w.astype(np.float32)

    # -- the hand-held camera -----------------------------------------------------------------

    def _get_master(self) -> Master:
        if self._master is None:
            self._master = Master(self.camera, self.ss, self._paint_layers)
        return self._master

    def _shaken(self, k: int) -> Grid:
        """Unblurred light of a whole frame under tremor."""
        master, camera = self._get_master(), self.camera
        xn, yn = master.pixel_rays
        rows = np.arange(camera.height, dtype=np.float64)
        times = self.rays.open_times(float(self.times_s[k]))
        light = np.zeros((camera.height, camera.width, 3), np.float32)
        for time in times:
            rest_x, rest_y = self.rays.at_rest(xn, yn, time + camera.row_time_s(rows))
            light += master.pixels(rest_x, rest_y)
        light /= np.float32(len(times))
        box = self._truck_box(k)
        if box is not None:
            light[box[1] : box[3], box[0] : box[2]] = self._truck_light(k, box)
        return light


def _pool(samples: Grid, ss: int) -> Grid:
    """Average of ss x ss samples, shape (h, w, 3): what falls on one pixel's area."""
    if ss == 1:
        return samples
    h, w = samples.shape[0] // ss, samples.shape[1] // ss
    return np.asarray(cv2.resize(samples, (w, h), interpolation=cv2.INTER_AREA), np.float32)


def _bounding(inside: NDArray[np.bool_], block: int = 1) -> tuple[slice, slice] | None:
    """Smallest tile around the True samples, widened to whole blocks; None without any."""
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if rows.size == 0:
        return None
    (r0, r1), (c0, c1) = (
        (int(ends[0]) // block * block, -(-(int(ends[-1]) + 1) // block) * block)
        for ends in (rows, columns)
    )
    return slice(r0, r1), slice(c0, c1)


def _holds(outer: Box, inner: Box) -> bool:
    return (
        outer[0] <= inner[0]
        and outer[1] <= inner[1]
        and outer[2] >= inner[2]
        and outer[3] >= inner[3]
    )
