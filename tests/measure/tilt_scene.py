"""Drawn clips of a truck, seen from its end, on a platform that is tilted; truth by construction.

A world of layers (table, platform, tyres with axle, body), each a raster that is turned and placed
in every frame at twice the picture's resolution. The truck is a rigid body over its downhill
contact, with springs that lean beforehand; its motion is integrated step by step from the moments,
not taken from the model that is tested.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from tests.motion.drawn import write

FINE = 2  # the canvas is so much finer than the picture
RASTER = 2  # a layer is so much finer than the canvas
HALF_TYRE, TYRE_HIGH = 12.0, 46.0  # mm
GRAVITY = 9810.0  # mm/s^2


@dataclass(frozen=True)
class TiltScene:
    """One attempt on the platform; mm, deg, s, px."""

    size: tuple[int, int] = (800, 540)
    px_per_mm: float = 1.8
    fps: float = 60.0
    side: str = "left"  # the low side in the picture
    rate_deg_s: float = 1.0
    start_deg: float = 38.0
    rest_s: float = 0.3  # before the platform sets off
    track_mm: float = 108.0  # between the outer edges of the tyres
    height_mm: float = 60.0  # of the centre of gravity
    inertia_mm: float = 38.0  # radius of gyration about it
    lean_per_deg: float = 0.06
    stop_at_deg: float | None = None
    slide_at_deg: float | None = None
    caught_at_deg: float | None = None  # a strap holds the truck at this extra turn
    first_wheel_before_s: float = 0.0  # the front wheel leaves so much earlier than the rear one
    jerk_deg: float = 0.0  # of the platform, at 3 Hz
    cover: tuple[float, float] | None = None  # seconds in which a hand hides the platform
    sway_px: float = 0.0  # of a camera held by hand
    sway_deg: float = 0.0  # its roll
    after_s: float = 0.4
    most_turn_deg: float = 60.0
    sigma: float = 1.2
    seed: int = 3

    @property
    def way(self) -> int:
        """1 when the right end goes up."""
        return 1 if self.side == "left" else -1

    @property
    def balance_deg(self) -> float:
        return math.degrees(math.atan(self.track_mm / 2 / self.height_mm))

    @property
    def k_per_s(self) -> float:
        r2 = (self.track_mm / 2) ** 2 + self.height_mm**2
        return math.sqrt(GRAVITY * math.sqrt(r2) / (r2 + self.inertia_mm**2))


@dataclass(frozen=True)
class Truth:
    """What is true of a drawn clip; angles towards tipping are positive in `tilt`, `turn`."""

    scene: TiltScene
    path: Path
    t_s: np.ndarray
    tilt_deg: np.ndarray
    turn_deg: np.ndarray  # extra turn of the axle against the platform
    slide_mm: np.ndarray
    onset_s: float
    gap_s: float
    first_gap_s: float
    topple_s: float
    slide_s: float
    marks: dict = field(default_factory=dict)
    frame: int = 0

    def tilt_at(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.tilt_deg))


def motion(scene: TiltScene) -> dict[str, np.ndarray | float]:
    """Platform, extra turn and slide over fine time."""
    dt = 1 / 4000
    balance = scene.balance_deg
    stop = scene.stop_at_deg
    last = (balance - scene.start_deg) / scene.rate_deg_s + scene.rest_s + 4.0
    if stop is not None:
        last = (stop - scene.start_deg) / scene.rate_deg_s + scene.rest_s + 0.5
    if scene.slide_at_deg is not None:
        last = (scene.slide_at_deg - scene.start_deg) / scene.rate_deg_s + scene.rest_s + 0.25
    t = np.arange(0, last, dt)
    tilt = scene.start_deg + scene.rate_deg_s * np.maximum(t - scene.rest_s, 0.0)
    # it sets off over a tenth of a second
    tilt -= scene.rate_deg_s * 0.05 * (1 - np.exp(-np.maximum(t - scene.rest_s, 0) / 0.05))
    tilt += scene.jerk_deg * np.sin(2 * np.pi * 3 * t) * (t > scene.rest_s)
    if stop is not None:
        tilt = np.minimum(tilt, stop)
    turn, speed = np.zeros(len(t)), 0.0
    k2 = scene.k_per_s**2
    jerk = np.gradient(np.gradient(tilt, dt), dt)  # the whole roll is what the moments turn
    for i in range(1, len(t)):
        theta = math.radians(tilt[i - 1] + turn[i - 1] - balance)
        speed += (math.degrees(k2 * math.sin(theta)) - jerk[i - 1]) * dt
        value = turn[i - 1] + speed * dt
        if value <= 0:
            value, speed = 0.0, 0.0
        if scene.caught_at_deg is not None and value > scene.caught_at_deg:
            value, speed = scene.caught_at_deg, 0.0
        if value > scene.most_turn_deg:
            value, speed = scene.most_turn_deg, 0.0
        turn[i] = value
    slide, slide_s = np.zeros(len(t)), math.nan
    if scene.slide_at_deg is not None:
        start = float(t[np.argmax(tilt >= scene.slide_at_deg)])
        slide = 0.5 * 900.0 * np.maximum(t - start, 0) ** 2
        slide_s = start
        turn[:] = 0.0
    return {"t": t, "tilt": tilt, "turn": turn, "slide": slide, "slide_s": slide_s}


def film_tilt(scene: TiltScene, path: Path) -> Truth:
    """Draw and encode; the last frame comes `after_s` after the gap, or when nothing happens."""
    moved = motion(scene)
    t, tilt, turn = moved["t"], moved["tilt"], moved["turn"]
    slide = moved["slide"]
    arm = scene.track_mm - HALF_TYRE
    gap = arm * np.sin(np.radians(turn))
    lifted = bool((gap > 1.0).any())
    end = t[-1]
    gap_s = onset_s = first_s = topple_s = math.nan
    if lifted:
        gap_s = float(t[np.argmax(gap > 1.0)])
        onset_s = float(t[np.argmax(tilt > scene.balance_deg)])
        first_s = gap_s - scene.first_wheel_before_s
        end = min(t[-1], gap_s + scene.after_s)
    if (turn > 15).any():
        topple_s = float(t[np.argmax(turn > 15)])
    times = np.arange(0, end, 1 / scene.fps)
    tilt_f, turn_f = np.interp(times, t, tilt), np.interp(times, t, turn)
    slide_f = np.interp(times, t, slide)
    front_f = _front_gap(scene, times, gap_s, turn_f)
    rng = np.random.default_rng(scene.seed)
    stage = _Stage(scene)
    pictures = [
        stage.picture(*args, rng)
        for args in zip(times, tilt_f, turn_f, slide_f, front_f, strict=True)
    ]
    write(path, pictures, list(times))
    marks = stage.marks(float(tilt_f[0]), np.random.default_rng([scene.seed, 9]))
    return Truth(
        scene, path, times, tilt_f, turn_f, slide_f, onset_s, gap_s, first_s, topple_s,
        float(moved["slide_s"]), marks,
    )  # fmt: skip


def _front_gap(scene: TiltScene, times: np.ndarray, gap_s: float, turn: np.ndarray) -> np.ndarray:
    """How far the front uphill tyre is off, mm: earlier than the rear one, slowly."""
    rigid = (scene.track_mm - HALF_TYRE) * np.sin(np.radians(turn))
    if not scene.first_wheel_before_s or math.isnan(gap_s):
        return rigid
    start = gap_s - scene.first_wheel_before_s - 0.5
    early = np.clip((times - start) / 0.5, 0, None)
    return rigid + np.minimum(early, 3.0)  # 1 mm at first_gap_s, 3 mm at most


@dataclass(frozen=True)
class _Layer:
    """Grey and cover, with the raster's place: mm of its left top corner, px per mm."""

    grey: np.ndarray
    cover: np.ndarray
    x0: float
    y1: float
    per_mm: float


class _Stage:
    def __init__(self, scene: TiltScene) -> None:
        self.scene = scene
        self.per_mm = scene.px_per_mm * FINE
        wide, high = scene.size
        self.canvas = (wide * FINE, high * FINE)
        margin = 60 / scene.px_per_mm
        right = wide / scene.px_per_mm - margin - 40
        x = margin + 40 if scene.way > 0 else right
        self.hinge = np.array([x, 55.0])  # mm from the left and from the lower border
        raster = self.per_mm * RASTER
        self.ground = _ground(scene, self.canvas)
        self.platform = _platform(raster, scene.seed, scene.way)
        self.axle = _axle(raster, scene.track_mm, scene.seed, scene.way)
        self.front = _front(raster, scene.track_mm, scene.seed, scene.way)
        self.body = _body(raster, scene.track_mm, scene.seed, scene.way)

    def picture(self, t, tilt, turn, slide, front, rng) -> np.ndarray:
        scene = self.scene
        out = self.ground.copy()
        way = scene.way
        lean = scene.lean_per_deg * min(tilt, scene.balance_deg)
        foot = np.array([way * (30.0 - slide), 0.0])  # of the pivot on the platform
        self._put(out, self.platform, np.zeros(2), tilt * way, self.hinge)
        pivot = self._on_platform(foot, tilt)
        roll = (tilt + turn) * way
        self._put(out, self.axle, np.zeros(2), roll, pivot)
        if scene.first_wheel_before_s:  # the front wheel, drawn over the rear axle
            raised = self._on_platform(foot + np.array([0.0, front]), tilt)
            self._put(out, self.front, np.zeros(2), tilt * way, raised)
        middle = np.array([way * scene.track_mm / 2, 30.0])
        centre = pivot + _turn(roll) @ middle
        self._put(out, self.body, middle, roll + lean * way, centre)
        small = cv2.resize(out, scene.size, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), 0.6)
        if scene.sway_px or scene.sway_deg:
            small = _swayed(small, t, scene)
        if scene.cover is not None and scene.cover[0] <= t <= scene.cover[1]:
            high = scene.size[1]
            small[int(0.2 * high) :, :] = 150 + 6 * np.sin(np.arange(scene.size[0]) / 9.0)
        small += rng.normal(0, scene.sigma, small.shape)
        return np.clip(np.rint(small), 16, 235).astype(np.uint8)

    def _on_platform(self, point: np.ndarray, tilt: float) -> np.ndarray:
        return self.hinge + _turn(tilt * self.scene.way) @ point

    def _put(self, out, layer: _Layer, centre, roll_deg: float, at) -> None:
        """Turn a layer about `centre` (its mm) by roll and put that point `at` (world mm)."""
        spin = _turn(roll_deg)
        high = self.canvas[1]
        # raster px -> own mm -> world mm -> canvas px (the centre of the top-left px is at 0, 0)
        own = np.array([[1 / layer.per_mm, 0], [0, -1 / layer.per_mm]])
        corner = np.array([layer.x0 + 0.5 / layer.per_mm, layer.y1 - 0.5 / layer.per_mm])
        flip = np.array([[self.per_mm, 0], [0, -self.per_mm]])
        linear = flip @ spin @ own
        offset = flip @ (spin @ (corner - centre) + at) + np.array([-0.5, high - 0.5])
        rows, columns = layer.grey.shape
        corners = np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]]) @ linear.T + offset
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
        far = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 3, self.canvas)
        if (far <= low).any():
            return
        matrix = np.column_stack([linear, offset - low])
        size = tuple(int(v) for v in far - low)
        grey = cv2.warpAffine(layer.grey, matrix, size, flags=cv2.INTER_LINEAR)
        cover = cv2.warpAffine(layer.cover, matrix, size, flags=cv2.INTER_LINEAR)
        part = out[low[1] : far[1], low[0] : far[0]]
        part *= 1 - cover
        part += grey

    def px(self, world: np.ndarray) -> np.ndarray:
        """Upright px of a world point, mm."""
        x = world[0] * self.scene.px_per_mm - 0.5
        return np.array([x, self.scene.size[1] - world[1] * self.scene.px_per_mm - 0.5])

    def marks(self, tilt: float, rng) -> dict:
        """Rough marks on the first frame, as a hurried operator sets them."""
        scene, way = self.scene, self.scene.way
        foot = np.array([way * 30.0, 0.0])
        lean = scene.lean_per_deg * min(tilt, scene.balance_deg)

        def rough(first, second):
            ends = np.concatenate([self.px(first), self.px(second)]) + rng.normal(0, 1.2, 4)
            return tuple(float(v) for v in ends)

        pivot = self._on_platform(foot, tilt)
        spin = _turn(tilt * way)
        middle = pivot + spin @ np.array([way * scene.track_mm / 2, 30.0])
        tipped = _turn((tilt + lean) * way)
        ends = [self._on_platform(np.array([way * x, 0.0]), tilt) for x in (4.0, 236.0)]
        rail = [middle + tipped @ np.array([x, 20.0]) for x in (-38.0, 38.0)]
        tyre_x = way * (scene.track_mm - HALF_TYRE)
        tyre = self.px(pivot + spin @ np.array([tyre_x, TYRE_HIGH / 2]))
        half = 9.0 * scene.px_per_mm
        found = {
            "platform": rough(*ends),
            "chassis": rough(*rail),
            "level": (10.0, self._level_y, scene.size[0] - 10.0, self._level_y),
            "uphill_tyres": [(tyre[0] - half, tyre[1] - half, 2 * half, 2 * half)],
            "scale": tuple(
                float(v) for v in np.concatenate([self.px(p) for p in self._scale_ends(tilt)])
            ),
            "scale_mm": 200.0,
        }
        if scene.first_wheel_before_s:
            front = self.px(pivot + spin @ np.array([tyre_x - way * 26.0, TYRE_HIGH / 2]))
            half = 7.0 * scene.px_per_mm
            found["uphill_tyres"].append((front[0] - half, front[1] - half, 2 * half, 2 * half))
        return found

    def _scale_ends(self, tilt: float) -> list[np.ndarray]:
        return [self._on_platform(np.array([self.scene.way * x, 0.0]), tilt) for x in (20, 220)]

    @property
    def _level_y(self) -> float:
        return self.scene.size[1] - 20.0 * self.scene.px_per_mm - 0.5


def _turn(deg: float) -> np.ndarray:
    a = math.radians(deg)
    return np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])


def _swayed(picture: np.ndarray, t: float, scene: TiltScene) -> np.ndarray:
    """The picture as a camera held by hand sees it; as it is at t = 0."""
    rng = np.random.default_rng([scene.seed, 4])
    waves = []
    for hz, size in ((0.7, 1.0), (2.9, 0.5), (0.9, 1.0), (3.7, 0.5), (0.6, 1.0)):
        late = rng.uniform(0, 2 * math.pi)
        waves.append(size * (math.sin(2 * math.pi * hz * t + late) - math.sin(late)))
    dx, dy = scene.sway_px * (waves[0] + waves[1]), scene.sway_px * (waves[2] + waves[3])
    roll = math.radians(scene.sway_deg) * waves[4]
    c, s = math.cos(roll), math.sin(roll)
    high, wide = picture.shape
    x, y = (wide - 1) / 2, (high - 1) / 2
    matrix = np.array([[c, -s, x - c * x + s * y + dx], [s, c, y - s * x - c * y + dy]])
    return cv2.warpAffine(
        picture, matrix, (wide, high), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )


def _texture(shape: tuple[int, int], seed: int, grain: float, strength: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.zeros(shape)
    for size in (grain, 2.5 * grain, 6 * grain):
        small = rng.normal(0, 1, (max(int(shape[0] / size), 2), max(int(shape[1] / size), 2)))
        out += cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return strength * out / out.std()


def _ground(scene: TiltScene, canvas: tuple[int, int]) -> np.ndarray:
    """A wall, and the front edge of a levelled table 20 mm over the lower border."""
    wide, high = canvas
    per_mm = scene.px_per_mm * FINE
    out = 125 + _texture((high, wide), scene.seed + 1, 4 * per_mm, 8.0)
    rows = np.arange(high)[:, None] + 0.5
    share = np.clip(rows - (high - 20 * per_mm) + 0.5, 0, 1)
    table = 60 + _texture((high, wide), scene.seed + 2, 4 * per_mm, 4.0)
    return (out * (1 - share) + table * share).astype(np.float32)


def _blank(x0: float, y0: float, x1: float, y1: float, per_mm: float):
    shape = (round((y1 - y0) * per_mm), round((x1 - x0) * per_mm))
    ys = y1 - (np.arange(shape[0]) + 0.5) / per_mm
    xs = x0 + (np.arange(shape[1]) + 0.5) / per_mm
    return np.zeros(shape, np.float32), np.zeros(shape, np.float32), xs[None, :], ys[:, None]


def _paint(grey, cover, distance, per_mm: float, values) -> None:
    """Where `distance` (mm, negative inside) says so."""
    share = np.clip(0.5 - distance * per_mm, 0, 1).astype(np.float32)
    grey *= 1 - share
    grey += share * np.asarray(values, np.float32)
    cover *= 1 - share
    cover += share


def _box(xs, ys, x0, y0, x1, y1, round_mm=0.0):
    dx = np.abs(xs - (x0 + x1) / 2) - (x1 - x0) / 2 + round_mm
    dy = np.abs(ys - (y0 + y1) / 2) - (y1 - y0) / 2 + round_mm
    outside = np.hypot(np.maximum(dx, 0), np.maximum(dy, 0))
    return outside + np.minimum(np.maximum(dx, dy), 0) - round_mm


def _platform(per_mm: float, seed: int, way: int) -> _Layer:
    x0, x1 = (-6.0, 250.0) if way > 0 else (-250.0, 6.0)
    grey, cover, xs, ys = _blank(x0, -16.0, x1, 4.0, per_mm)
    wood = 185 + _texture(grey.shape, seed + 3, 3 * per_mm, 7.0)
    _paint(grey, cover, _box(xs, ys, x0 + 1, -14.0, x1 - 1, 0.0), per_mm, wood)
    return _Layer(grey, cover, x0, 4.0, per_mm)


def _tyre(grey, cover, xs, ys, centre: float, per_mm: float, seed: int) -> None:
    rubber = 62 + _texture(grey.shape, seed, 2.2 * per_mm, 11.0)
    low, high = centre - HALF_TYRE, centre + HALF_TYRE
    _paint(grey, cover, _box(xs, ys, low, 0.0, high, TYRE_HIGH, 2.0), per_mm, rubber)


def _axle(per_mm: float, track: float, seed: int, way: int) -> _Layer:
    """Own origin: the outer lower edge of the downhill tyre."""
    x0, x1 = (-4.0, track + 4) if way > 0 else (-track - 4, 4.0)
    grey, cover, xs, ys = _blank(x0, -3.0, x1, TYRE_HIGH + 4, per_mm)
    middle = way * track / 2
    bar = 105 + _texture(grey.shape, seed + 4, 2 * per_mm, 6.0)
    edge = track / 2 - 4
    _paint(grey, cover, _box(xs, ys, middle - edge, 18, middle + edge, 27), per_mm, bar)
    for number, centre in enumerate((HALF_TYRE, track - HALF_TYRE)):
        _tyre(grey, cover, xs, ys, way * centre, per_mm, seed + 5 + number)
    return _Layer(grey, cover, x0, TYRE_HIGH + 4, per_mm)


def _front(per_mm: float, track: float, seed: int, way: int) -> _Layer:
    """The front axle's uphill tyre, seen inside of the rear one."""
    x0, x1 = (-4.0, track + 4) if way > 0 else (-track - 4, 4.0)
    grey, cover, xs, ys = _blank(x0, -3.0, x1, TYRE_HIGH + 4, per_mm)
    _tyre(grey, cover, xs, ys, way * (track - HALF_TYRE - 26.0), per_mm, seed + 8)
    return _Layer(grey, cover, x0, TYRE_HIGH + 4, per_mm)


def _body(per_mm: float, track: float, seed: int, way: int) -> _Layer:
    """Own origin as the axle's; a rail 20 mm over the axle's middle, a cab over it."""
    x0, x1 = (0.0, track) if way > 0 else (-track, 0.0)
    grey, cover, xs, ys = _blank(x0, 26.0, x1, 100.0, per_mm)
    middle = way * track / 2
    rail = 205 + _texture(grey.shape, seed + 10, 5 * per_mm, 5.0)
    cab = 90 + _texture(grey.shape, seed + 11, 3 * per_mm, 12.0)
    _paint(grey, cover, _box(xs, ys, middle - 42, 42, middle + 42, 50), per_mm, rail)
    _paint(grey, cover, _box(xs, ys, middle - 40, 50, middle + 40, 92, 4), per_mm, cab)
    for off in (-28, 28):
        _paint(grey, cover, _box(xs, ys, middle + off - 3, 28, middle + off + 3, 42), per_mm, 140)
    return _Layer(grey, cover, x0, 100.0, per_mm)
