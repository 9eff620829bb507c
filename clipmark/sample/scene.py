"""What is in a rendered scene, as small frozen facts; the defaults make a plausible clip.

World: mm, X right, Y up from the table top, Z towards the camera; the plane of motion is Z = 0.
Board coordinates: q along the board's top edge from its foot, w off the board, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import FootageError
from clipmark.sample.camera import Camera
from clipmark.sample.checks import check_scene
from clipmark.sample.motion import Motion

Array = NDArray[np.float64]
WALL_Z = -420.0
TABLE_FRONT_Z = 40.0


@dataclass(frozen=True)
class Board:
    """The tilted board, hinged at its foot; ``ramp_deg`` is its true slope, 0 to 85.

    ``rises`` says which end of it is higher, ``right`` or ``left``. ``foot_mm`` is where its top
    edge begins (by default so that the board is in the picture's middle).
    """

    ramp_deg: float = 30.0
    rises: str = "right"
    length_mm: float = 640.0
    thickness_mm: float = 18.0
    depth_mm: float = 170.0
    foot_mm: tuple[float, float] | None = None

    @property
    def along(self) -> Array:
        """Unit vector up the board, shape (2,) in (X, Y)."""
        a = math.radians(self.ramp_deg)
        return np.array([math.cos(a) * self.side, math.sin(a)])

    @property
    def normal(self) -> Array:
        """Unit vector off the board's top, shape (2,)."""
        a = math.radians(self.ramp_deg)
        return np.array([-math.sin(a) * self.side, math.cos(a)])

    @property
    def side(self) -> int:
        """+1 when it rises to the right, -1 to the left."""
        return 1 if self.rises == "right" else -1

    @property
    def foot(self) -> Array:
        """Start of the top edge, shape (2,) mm."""
        if self.foot_mm is not None:
            return np.array(self.foot_mm)
        reach = self.length_mm / 2 * math.cos(math.radians(self.ramp_deg))
        return np.array([-self.side * reach, self.thickness_mm + 3.0])

    def at(self, q_mm: float, w_mm: float = 0.0, z_mm: float = 0.0) -> Array:
        """World point, shape (3,), of board coordinates."""
        x, y = self.foot + q_mm * self.along + w_mm * self.normal
        return np.array([x, y, z_mm])


@dataclass(frozen=True)
class Truck:
    """The invented truck: where it stands, how it squats, what it looks like.

    ``start_mm`` is the place of the middle between its hubs along the board at time 0, ``faces``
    is ``up`` or ``down`` the board, ``chassis_to_ramp_deg`` nose up from the board.
    ``rim_style`` is ``spoked`` (with valve, hexagonal nut and dirt: every angle looks different),
    ``even`` (the same after every turn by 360 / ``spokes`` deg, tyre and all), ``plain`` (a flat
    light disc with a valve, a nut and faint dirt) or ``blank`` (disc and tyre look the same at any
    angle); ``tyre_style`` is ``knobbly`` or ``smooth`` (round, without lugs).
    """

    start_mm: float = 300.0
    faces: str = "up"
    chassis_to_ramp_deg: float = 2.0
    wheelbase_mm: float = 133.0
    wheel_mm: float = 54.0
    rim_radius_mm: float = 17.0
    track_mm: float = 92.0
    squash_mm: float = 1.5
    spokes: int = 6
    paint: tuple[float, float, float] = (0.42, 0.10, 0.05)
    second_paint: tuple[float, float, float] = (0.70, 0.62, 0.42)
    name: str = "SISKIN"
    number: str = "7"
    seed: int = 3
    rim_style: str = "spoked"
    tyre_style: str = "knobbly"

    @property
    def sense(self) -> int:
        """+1 when it faces up the board."""
        return 1 if self.faces == "up" else -1

    @property
    def squat_rad(self) -> float:
        """Chassis to ramp, rad."""
        return math.radians(self.chassis_to_ramp_deg)

    def middle_height_mm(self) -> float:
        """Height over the board of the middle between the hubs: the lower tyre is squashed."""
        low = self.wheel_mm / 2 - self.squash_mm
        return low + self.wheelbase_mm / 2 * abs(math.sin(self.squat_rad))


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper standing upright on a darker card, by its lower left corner, mm.

    ``border_mm`` is the inset of a printed frame, None for blank paper.
    """

    x_mm: float
    y_mm: float
    z_mm: float = 0.0
    width_mm: float = 297.0
    height_mm: float = 210.0
    turn_deg: float = 0.0
    border_mm: float | None = None
    card_mm: float = 14.0

    def corners(self, inset_mm: float = 0.0) -> Array:
        """Top left, top right, bottom right, bottom left, shape (4, 3) mm."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        i, w, h = inset_mm, self.width_mm, self.height_mm
        flat = np.array([[i, h - i], [w - i, h - i], [w - i, i], [i, i]])
        turned = flat @ np.array([[c, s], [-s, c]]) + (self.x_mm, self.y_mm)
        return np.column_stack([turned, np.full(4, self.z_mm)])


@dataclass(frozen=True)
class Plumb:
    """A hanging string with a bob: truly vertical, at ``x_mm``, from high above to the bob."""

    x_mm: float
    bob_mm: float = 70.0
    z_mm: float = 6.0
    width_mm: float = 1.6
    top_mm: float = 2000.0


@dataclass(frozen=True)
class ScaleMark:
    """Two printed crosses ``length_mm`` apart in the plane of motion; middle at (x, y)."""

    x_mm: float
    y_mm: float
    length_mm: float = 200.0
    turn_deg: float = 0.0
    z_mm: float = 0.0

    def ends(self) -> Array:
        """Both crosses, shape (2, 3) mm, left first."""
        angle = math.radians(self.turn_deg)
        step = self.length_mm / 2 * np.array([math.cos(angle), math.sin(angle), 0.0])
        middle = np.array([self.x_mm, self.y_mm, self.z_mm])
        return np.array([middle - step, middle + step])


@dataclass(frozen=True)
class Cover:
    """A textured blob before the truck: stones, a hand, a branch.

    ``middle_mm`` is its middle at time 0 and ``velocity_mm_s`` how it moves: (X, Y) of the world,
    or (q, w) of the board with ``place`` = ``board``. ``size_mm`` is its width and height along the
    same axes, ``wobble`` how bumpy its outline is (0: an ellipse). It stands ``z_mm`` before
    the plane of motion, nearer to the camera than all else.
    """

    middle_mm: tuple[float, float]
    size_mm: tuple[float, float] = (90.0, 40.0)
    velocity_mm_s: tuple[float, float] = (0.0, 0.0)
    place: str = "world"
    z_mm: float = 8.0
    colour: tuple[float, float, float] = (0.24, 0.22, 0.19)
    wobble: float = 0.35
    seed: int = 1


@dataclass(frozen=True)
class Look:
    """What the light and the sensor do to the picture.

    ``tone`` is ``srgb``, ``scurve`` or ``linear``; ``grain_levels`` the standard deviation of
    white luma noise in 8-bit levels, added after the tone curve (``grain_in`` = ``encoded``) or
    before it (``linear``, growing with the root of the light). ``blur_px`` is a Gaussian's sigma.
    ``flicker`` (depth, hz) is the mains: light times 1 + depth sin(2 pi hz t), t being the time of
    each row (depth is as seen, after any averaging over the open time); ``brighten`` adds that
    share of the light at time 0 every second.
    """

    tone: str = "srgb"
    blur_px: float = 0.8
    grain_levels: float = 1.5
    grain_in: str = "encoded"
    exposure: float = 1.0
    vignette: float = 0.10
    supersample: int = 2
    full_range: bool = False
    flicker: tuple[float, float] = (0.0, 100.0)
    brighten: float = 0.0

    @property
    def steady(self) -> bool:
        """True when the light never changes."""
        return not (self.flicker[0] or self.brighten)

    def lamp(self, times_s: ArrayLike) -> Array:
        """The light over that of a steady lamp at `times_s`, never below 0."""
        t = np.asarray(times_s, dtype=np.float64)
        depth, hz = self.flicker
        wave = 1.0 + depth * np.sin(2 * math.pi * hz * t)
        return np.asarray(wave * np.maximum(1.0 + self.brighten * t, 0.0))


@dataclass(frozen=True)
class Timing:
    """When frames are taken: evenly at ``fps``, or at the ``pts`` given (in ``time_base``).

    At the ordinals ``repeats`` the picture is that of the frame before, encoded again, while the
    time stamps run on: what a converter does that fills a missing frame.
    """

    fps: Fraction = Fraction(60)
    frames: int = 60
    pts: tuple[int, ...] | None = None
    time_base: Fraction = Fraction(1, 90000)
    repeats: tuple[int, ...] = ()

    def all_pts(self) -> tuple[int, ...]:
        """Integer time stamps of the frames in ``time_base``."""
        if self.pts is not None:
            return self.pts
        step = 1 / (self.fps * self.time_base)
        return tuple(round(k * step) for k in range(self.frames))

    def times_s(self) -> Array:
        """Seconds from the first frame, shape (n,)."""
        pts = np.array(self.all_pts(), dtype=np.float64)
        return np.asarray((pts - pts[0]) * float(self.time_base))

    def pictured(self) -> NDArray[np.int64]:
        """Ordinal of the frame whose picture each frame shows, shape (n,)."""
        shown = np.arange(len(self.all_pts()), dtype=np.int64)
        for k in sorted(self.repeats):
            shown[k] = shown[k - 1]
        return shown


@dataclass(frozen=True)
class Encoding:
    """How the clip is written.

    ``bit_rate`` in bit/s, or constant quality ``crf`` when given. ``ten_bit`` needs libx265 or
    libx264 with 10-bit support. ``stored_turn`` is how many quarter turns clockwise a player must
    turn the stored picture to show it upright (written in the file's display matrix).
    """

    codec: str = "libx264"
    bit_rate: int = 12_000_000
    crf: float | None = None
    preset: str = "veryfast"
    gop: int = 60
    bframes: int = 2
    ten_bit: bool = False
    stored_turn: int = 0
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Scene:
    """Everything that makes a clip. ``Scene().settled()`` fills in places left to the renderer."""

    camera: Camera = field(default_factory=Camera)
    board: Board = field(default_factory=Board)
    truck: Truck | None = field(default_factory=Truck)
    motion: Motion = field(default_factory=Motion)
    timing: Timing = field(default_factory=Timing)
    look: Look = field(default_factory=Look)
    encoding: Encoding = field(default_factory=Encoding)
    sheet: Sheet | str | None = "auto"
    plumb: Plumb | str | None = "auto"
    scale: ScaleMark | str | None = "auto"
    banner: str = "TARN HOLLOW/POCKET TRIALS"
    seed: int = 11
    covers: tuple[Cover, ...] = ()

    def settled(self) -> Scene:
        """The scene with camera target, sheet, plumb line and scale mark in definite places.

        Raises
        ------
        FootageError
            If the scene has no frames or asks for an impossible board or tone curve.
        """
        check_scene(self)
        camera, board = self.camera, self.board
        high = camera.distance_mm * camera.height / 2 / camera.focal_px
        wide = camera.distance_mm * camera.width * camera.aspect / 2 / camera.focal_px
        if camera.target_mm is None:
            middle = float(board.at(board.length_mm / 2)[1])
            camera = replace(camera, target_mm=(0.0, min(max(middle, 0.55 * high), high - 55.0)))
        tx, ty = camera.target()[:2]
        side, low = board.side, board.ramp_deg < 24
        sheet, plumb, scale = self.sheet, self.plumb, self.scale
        reach = wide * 0.93
        if isinstance(plumb, str):
            plumb = Plumb(x_mm=tx - side * (reach - 12.0))
        if isinstance(sheet, str):
            left = tx - side * (reach - 40.0) if side > 0 else tx + reach - 40.0 - 297.0
            sheet = Sheet(x_mm=left, y_mm=ty + high * 0.9 - 224.0)
        if isinstance(scale, str):
            scale = ScaleMark(
                x_mm=tx + side * (0.12 if low else 0.55) * wide,
                y_mm=ty + high * 0.82 if low else 26.0,
            )
        return replace(self, camera=camera, sheet=sheet, plumb=plumb, scale=scale)

    def heading(self) -> int:
        """+1 when the truck faces right in the picture, -1 left."""
        truck = self.truck
        return self.board.side * (truck.sense if truck else 1)

    def hubs_mm(self, time_s: float) -> Array:
        """Rear and front hub centres, shape (2, 3) mm, at `time_s`."""
        return np.array([self.body_point_mm(time_s, x, 0.0, sprung=False) for x in self.axles()])

    def axles(self) -> tuple[float, float]:
        """Rear and front hub along the chassis from its middle, mm."""
        half = self.need_truck().wheelbase_mm / 2
        return -half, half

    def need_truck(self) -> Truck:
        """The truck; raises `FootageError` when the scene has none."""
        if self.truck is None:
            raise FootageError("the scene has no truck; give it one to ask where its hubs are")
        return self.truck

    def wheel_turn_rad(self, times_s: ArrayLike) -> Array:
        """Turn of the wheels at `times_s`, rad, positive as rolling ahead turns them."""
        return np.asarray(self.motion.turn_mm(times_s) / (self.need_truck().wheel_mm / 2))

    def body_point_mm(self, time_s: float, x: float, y: float, *, sprung: bool = True) -> Array:
        """World place, shape (3,), of a point of the truck: x forward, y up from the hubs' middle.

        Points of the body rock with the springs, hubs (``sprung`` False) do not.
        """
        truck = self.need_truck()
        rear = float(self.motion.rear_rad(time_s))
        pitch = float(self.motion.pitch_rad(time_s)) if sprung else 0.0
        ahead, up = (float(value) for value in self.reared_mm(rear))
        c, s = math.cos(truck.squat_rad + rear + pitch), math.sin(truck.squat_rad + rear + pitch)
        travel = float(self.motion.travel(time_s)) + ahead
        q = truck.start_mm + truck.sense * (travel + x * c - y * s)
        return self.board.at(q, truck.middle_height_mm() + up + x * s + y * c)

    def reared_mm(self, rear_rad: ArrayLike) -> tuple[Array, Array]:
        """How far the hubs' middle goes ahead and up when the truck turns about its rear axle."""
        truck = self.need_truck()
        half, squat = truck.wheelbase_mm / 2, truck.squat_rad
        angle = squat + np.asarray(rear_rad, dtype=np.float64)
        ahead = half * (np.cos(angle) - math.cos(squat))
        return np.asarray(ahead), np.asarray(half * (np.sin(angle) - math.sin(squat)))
