"""A second drawing of a board, a sheet, a string and two wheels, with everything wrong at once.

It shares nothing with the package nor with its sample renderer, so that neither is tuned to the
other: light is averaged over a grid of places in each pixel, edges are decided place by place, and
the camera behaves like a phone's: a tone curve with a shoulder, noise before it, sharpening after
it (an unsharp mask, which leaves halos), half the colour, and a real encoder. World: mm, X right, Y
up, Z toward the camera; all that is measured lies in the plane Z = 0.
"""

import math
from dataclasses import dataclass, field

import av
import numpy as np
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter, zoom
from scipy.spatial.transform import Rotation

OVER = 4  # places a side of a pixel near an edge
LUMA = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True)
class Optics:
    """A lens: focal length and principal point, px, and k1, k2 of Brown's radial polynomial."""

    width: int
    height: int
    focal: float
    centre: tuple[float, float]
    k1: float = 0.0
    k2: float = 0.0

    def rays(self, px):
        """Viewing rays x, y at depth 1, shape (N, 2), by a fine table of the radius."""
        away = (px - np.array(self.centre)) / self.focal
        bent = np.hypot(away[:, 0], away[:, 1])
        straight = np.linspace(0.0, 3.0, 400_001)
        curve = straight * (1 + self.k1 * straight**2 + self.k2 * straight**4)
        rising = int(np.argmax(np.append(np.diff(curve), -1.0) <= 0)) + 1
        found = np.interp(bent, curve[:rising], straight[:rising])
        return away * (found / np.maximum(bent, 1e-12))[:, None]

    def pixels(self, rays):
        """px of viewing rays, shape (N, 2)."""
        r2 = np.sum(rays**2, axis=1, keepdims=True)
        bent = rays * (1 + self.k1 * r2 + self.k2 * r2**2)
        return bent * self.focal + np.array(self.centre)

    @property
    def corner_bend(self):
        """Radial displacement at the corner over its straight radius."""
        corner = np.array([[0.0, 0.0]])
        straight = float(np.hypot(*self.rays(corner)[0]))
        bent = float(np.hypot(*((corner[0] - self.centre) / self.focal)))
        return bent / straight - 1

    def as_lens(self, covariance=None):
        """As a lens file."""
        return {
            "model": "ordinary",
            "fx": self.focal,
            "fy": self.focal,
            "cx": self.centre[0],
            "cy": self.centre[1],
            "distortion": {"k1": self.k1, "k2": self.k2, "p1": 0.0, "p2": 0.0, "k3": 0.0},
            "covariance": covariance,
            "image_size": [self.width, self.height],
        }


@dataclass(frozen=True)
class Phone:
    """What is done to the light: blur sigma px, tone curve, noise (8-bit levels), sharpening."""

    blur_px: float = 0.9
    power: float = 2.4
    shoulder: float = 0.8
    noise: float = 2.0
    sharpen: float = 0.0
    sharpen_px: float = 1.2
    exposure: float = 1.0

    def encoded(self, light):
        """Encoded values of linear light: a shoulder, then a power with a straight toe."""
        level = np.clip(light * self.exposure, 0, None)
        if self.shoulder > 0:
            level = (1 - np.exp(-self.shoulder * level)) / (1 - math.exp(-self.shoulder))
        toe = 0.006
        joint = toe ** (1 / self.power)
        low = level * joint / toe
        return np.clip(np.where(level < toe, low, level ** (1 / self.power)), 0, 1.05)


@dataclass(frozen=True)
class Stand:
    """The scene: turns of the camera, deg, board, sheet, string, wheels; lengths mm."""

    optics: Optics
    phone: Phone = field(default_factory=Phone)
    ramp_deg: float = 30.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    distance: float = 900.0
    length: float = 560.0
    thick: float = 20.0
    up: float = 60.0  # the board's middle over where the axis meets the plane
    sheet_at: tuple[float, float, float] = (-140.0, -8.0, 0.0)  # corner 1 along, off; deg
    sheet_size: tuple[float, float] = (297.0, 210.0)
    sheet_tilt_deg: float = 0.0  # yaw of the sheet against the plane of motion
    paper: float = 0.8
    plumb_x: float = 300.0
    string_mm: float = 1.5
    string_light: float = 0.02
    axle: float = 0.0  # middle of the wheels along the board from its middle
    wheelbase: float = 133.0
    rim: float = 18.0
    nose_up_deg: float = 2.0
    patches: int = 5
    steps: bool = True
    wheels: bool = True
    seed: int = 1

    @property
    def turn(self):
        """World to camera (x right, y down, z forward), shape (3, 3)."""
        angles = [self.yaw_deg, self.pitch_deg, self.roll_deg]
        return Rotation.from_euler("yxz", angles, degrees=True).as_matrix() @ np.diag([1, -1, -1])

    @property
    def eye(self):
        """Centre of projection in the world, shape (3,); the board's middle is the origin."""
        return np.array([0.0, -self.up, 0.0]) - self.turn.T @ np.array([0.0, 0.0, self.distance])

    def px(self, world):
        """px of world places, shape (N, 3) or (N, 2) in the plane."""
        world = np.atleast_2d(np.asarray(world, float))
        if world.shape[1] == 2:
            world = np.column_stack([world, np.zeros(len(world))])
        seen = (world - self.eye) @ self.turn.T
        return self.optics.pixels(seen[:, :2] / seen[:, 2:])

    @property
    def along(self):
        a = math.radians(self.ramp_deg)
        return np.array([math.cos(a), math.sin(a)])

    @property
    def off(self):
        return np.array([-self.along[1], self.along[0]])

    def sheet_axes(self):
        """Corner 1, and unit axes to corners 2 and 4, in the world, each (3,)."""
        q, w, turn = self.sheet_at
        corner = np.append(q * self.along + w * self.off, 0.0)
        a = math.radians(turn)
        tilt = math.radians(self.sheet_tilt_deg)
        first = np.array([math.cos(a), math.sin(a), 0.0])
        second = np.array([math.sin(a), -math.cos(a), 0.0])
        # turned about the vertical axis through its middle
        spin = Rotation.from_euler("y", tilt).as_matrix()
        middle = corner + first * self.sheet_size[0] / 2 + second * self.sheet_size[1] / 2
        return middle + spin @ (corner - middle), spin @ first, spin @ second

    def sheet_corners(self):
        """World places of the corners, clockwise as seen, shape (4, 3)."""
        corner, first, second = self.sheet_axes()
        w, h = self.sheet_size
        return np.array(
            [corner, corner + w * first, corner + w * first + h * second, corner + h * second]
        )

    def hubs(self):
        """Rear (left) and front (right) hub, shape (2, 2) mm in the plane."""
        a = math.radians(self.ramp_deg + self.nose_up_deg)
        step = self.wheelbase / 2 * np.array([math.cos(a), math.sin(a)])
        middle = self.axle * self.along + (self.rim * 1.55 + 2.0) * self.off
        return np.array([middle - step, middle + step])

    # -- drawing ------------------------------------------------------------------------------

    def light(self, px, room):
        """Linear RGB light at places of the picture, shape (N, 3)."""
        rays = self.optics.rays(px)
        way = np.column_stack([rays, np.ones(len(rays))]) @ self.turn  # in the world
        far = -self.eye[2] / way[:, 2]
        x, y = self.eye[0] + far * way[:, 0], self.eye[1] + far * way[:, 1]
        q, w = x * self.along[0] + y * self.along[1], x * self.off[0] + y * self.off[1]
        light = room.at(px, x, y)
        half = self.length / 2
        drop = self.eye[:2] @ self.off
        off_way = way[:, :2] @ self.off
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = -drop / off_way  # where rays meet the board's top
            top_q = (self.eye[:2] @ self.along) + reach * (way[:, :2] @ self.along)
            top_z = self.eye[2] + reach * way[:, 2]
        top = (drop > 0) & (np.abs(top_q) < half) & (top_z < 0) & (top_z > -150) & (reach > 0)
        light[top] = room.grip(top_q[top], top_z[top])
        side = (np.abs(q) < half) & (w < 0) & (w > -self.thick)
        light[side] = room.wood(q[side], w[side])
        if self.wheels:
            for hub in self.hubs():
                room.wheel(light, x - hub[0], y - hub[1], self.rim)
        light = self._with_sheet(light, way, room)
        string_far = (8.0 - self.eye[2]) / way[:, 2]
        sx = self.eye[0] + string_far * way[:, 0]
        light[np.abs(sx - self.plumb_x) < self.string_mm / 2] = self.string_light
        return light

    def _with_sheet(self, light, way, room):
        corner, first, second = self.sheet_axes()
        normal = np.cross(first, second)
        far = ((corner - self.eye) @ normal) / (way @ normal)
        place = self.eye + far[:, None] * way - corner
        a, b = place @ first, place @ second
        w, h = self.sheet_size
        shade = (a > 1.0) & (a < w + 1.2) & (b > 1.0) & (b < h + 1.2)
        light[shade] *= 0.45
        on = (a > 0) & (a < w) & (b > 0) & (b < h)
        light[on] = self.paper * (0.92 + 0.1 * a[on] / w - 0.06 * b[on] / h)[:, None]
        lines = on & (np.abs(b - h / 2) < 3) & (np.abs(a - w / 2) < w / 4)
        light[lines] = 0.05
        return light

    def picture(self):
        """Blurred linear light of the whole picture, shape (H, W, 3)."""
        room = Room(self)
        w, h = self.optics.width, self.optics.height
        x, y = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
        px = np.column_stack([x.ravel(), y.ravel()])
        light = np.concatenate([self.light(part, room) for part in np.array_split(px, 12)])
        light = light.reshape(h, w, 3)
        grey = light @ LUMA
        near = maximum_filter(grey, 3) - minimum_filter(grey, 3) > 0.02 + 0.1 * grey
        string = self.px([[self.plumb_x, v, 8.0] for v in np.linspace(-900, 900, 3000)])
        seen = np.all((string > 1) & (string < (w - 2, h - 2)), axis=1)
        column, row = np.rint(string[seen]).astype(int).T
        near[row, column] = True
        near = maximum_filter(near, 3)
        rows, columns = np.nonzero(near)
        step = (np.arange(OVER) + 0.5) / OVER - 0.5
        total = np.zeros((len(rows), 3))
        for dy in step:
            for dx in step:
                total += self.light(np.column_stack([columns + dx, rows + dy]), room)
        light[rows, columns] = total / OVER**2
        return gaussian_filter(light, (self.phone.blur_px, self.phone.blur_px, 0))


class Room:
    """Wall, textures and wheels of one stand; random, but fixed by its seed."""

    def __init__(self, stand):
        rng = np.random.default_rng([stand.seed, 1])
        w, h = stand.optics.width, stand.optics.height
        base = rng.uniform(0.07, 0.2)
        wall = base + rng.uniform(-0.1, 0.1) * (np.arange(w) / w - 0.5)[None, :]
        wall = wall + rng.uniform(-0.08, 0.08) * (np.arange(h) / h - 0.5)[:, None]
        for size, share in ((120, 0.25), (30, 0.12), (8, 0.06), (3, 0.04)):
            coarse = rng.standard_normal((h // size + 3, w // size + 3))
            wall = wall + base * share * zoom(coarse, size, order=1)[:h, :w] * 0.5
        self.wall = np.clip(wall, 0.015, 0.9)
        # things behind that begin and end along the board's edge
        self.things = [
            (*rng.uniform(-350, 350, 2), *rng.uniform(40, 220, 2), rng.uniform(0.02, 0.75))
            for _ in range(stand.patches if stand.steps else 0)
        ]
        self.tint = rng.uniform(0.85, 1.1, 3)
        self.board_tint = np.array([1.1, 0.95, 0.75]) * rng.uniform(0.4, 0.6)
        self.grip_light = rng.uniform(0.03, 0.12)
        self.grain = gaussian_filter(rng.standard_normal((64, 2048)), (0.7, 14)) * 0.5
        self.alloy = rng.uniform(0.4, 0.7)
        self.tyre = rng.uniform(0.015, 0.04)
        self.spokes = int(rng.integers(5, 8))
        self.spin = rng.uniform(0, 2 * math.pi, 2)
        self.lamp = rng.uniform(-0.3, 0.3, 2)

    def at(self, px, x, y):
        h, w = self.wall.shape
        column = np.clip(np.rint(px[:, 0]).astype(int), 0, w - 1)
        row = np.clip(np.rint(px[:, 1]).astype(int), 0, h - 1)
        value = self.wall[row, column]
        for left, low, wide, high, level in self.things:
            inside = (x > left) & (x < left + wide) & (y > low) & (y < low + high)
            value = np.where(inside, level, value)
        return value[:, None] * self.tint

    def wood(self, q, w):
        row = np.clip((-w).astype(int), 0, 63)
        column = np.clip((q * 2 + 1024).astype(int), 0, 2047)
        value = 1 + self.grain[row, column] + self.lamp[0] * q / 600
        return value[:, None] * self.board_tint

    def grip(self, q, z):
        value = self.grip_light * (1 + 0.3 * np.sin(q / 7.0) * np.sin(z / 5.0))
        return np.repeat(value[:, None], 3, axis=1)

    def wheel(self, light, x, y, rim):
        r = np.hypot(x, y)
        near = r < 1.56 * rim
        if not near.any():
            return
        x, y, r = x[near], y[near], r[near]
        turn = np.arctan2(y, x)
        value = np.full(len(r), self.tyre)
        value[(r > 1.2 * rim) & (np.sin(22 * turn) > 0.3)] *= 2.2
        value[r < rim] = self.alloy
        hole = (
            (r < 0.87 * rim) & (r > 0.3 * rim) & (np.cos(self.spokes * turn + self.spin[0]) < 0.45)
        )
        value[hole] = 0.03
        value[r < 0.12 * rim] = 0.3
        shade = 1 + 0.25 * y / rim * self.lamp[1] * 3
        light[near] = (value * np.clip(shade, 0.5, 1.5))[:, None]


def film(stand, path, megabits, frames=5, fps=30):
    """Encode a short clip of a still stand; every frame has its own noise."""
    light = stand.picture()
    phone = stand.phone
    rng = np.random.default_rng([stand.seed, 2])
    w, h = stand.optics.width, stand.optics.height
    with av.open(str(path), "w", format="mp4") as out:
        options = {"preset": "veryfast", "g": "60", "bf": "2"}
        stream = out.add_stream("libx264", rate=fps, options=options)
        stream.width, stream.height, stream.pix_fmt = w, h, "yuv420p"
        stream.bit_rate = int(megabits * 1e6)
        stream.codec_context.thread_count = 1
        stream.codec_context.color_range = 1
        stream.codec_context.colorspace = 1
        clean = phone.encoded(light)
        slope = 0.6 + 0.4 * (1 - clean)  # a raised shadow shows more of the sensor's noise
        for _ in range(frames):
            grain = phone.noise / 219 * rng.standard_normal(clean.shape, dtype=np.float32)
            rgb = clean + slope * grain
            luma = rgb @ LUMA
            if phone.sharpen > 0:
                luma = luma + phone.sharpen * (luma - gaussian_filter(luma, phone.sharpen_px))
            pair = [(rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748]
            small = [c.reshape(h // 2, 2, w // 2, 2).mean(axis=(1, 3)) * 224 + 128 for c in pair]
            planes = [16 + 219 * luma, *small]
            frame = av.VideoFrame(w, h, "yuv420p")
            for plane, values in zip(frame.planes, planes, strict=True):
                rows = np.zeros((values.shape[0], plane.line_size), np.uint8)
                rows[:, : values.shape[1]] = np.clip(np.rint(values), 0, 255)
                plane.update(rows.tobytes())
            frame.color_range, frame.colorspace = 1, 1
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


OPTICS = {
    "phone 720": (Optics(1280, 720, 1010.0, (646.0, 352.0), 0.035, -0.02), 8.0),
    "phone 1080": (Optics(1920, 1080, 1480.0, (951.0, 548.0), -0.05, 0.02), 17.0),
    "action 720": (Optics(1280, 720, 700.0, (633.0, 364.0), -0.165, 0.028), 10.0),
    "action 1080": (Optics(1920, 1080, 1010.0, (966.0, 534.0), -0.18, 0.033), 20.0),
}


def random_stand(seed):
    """A stand with everything wrong at once, and the rate it is encoded at, Mb/s.

    Stands whose sheet or wheels would leave the picture are drawn anew.
    """
    for attempt in range(200):
        stand, megabits = _any_stand(np.random.default_rng([seed, 40, attempt]), seed)
        size = np.array([stand.optics.width, stand.optics.height])
        seen = np.concatenate([stand.px(stand.sheet_corners()), stand.px(stand.hubs())])
        if np.all((seen > 14) & (seen < size - 15)):
            return stand, megabits
    raise AssertionError("no stand fits the picture")


def _any_stand(rng, seed):
    optics, megabits = OPTICS[list(OPTICS)[seed % len(OPTICS)]]
    phone = Phone(
        blur_px=rng.uniform(0.6, 1.5),
        power=rng.uniform(2.1, 2.5),
        shoulder=rng.uniform(0.2, 1.5),
        noise=rng.uniform(1.0, 3.5),
        sharpen=rng.uniform(0.2, 0.8) if seed % 5 > 1 else 0.0,
        sharpen_px=rng.uniform(0.8, 1.6),
        exposure=rng.uniform(0.8, 1.25),
    )
    ramp = float(rng.uniform(8, 50) * rng.choice([-1, 1]))
    wide = rng.uniform(760, 960)  # mm across the picture's middle
    kind = seed // 4 % 3
    if kind == 0:  # taped to the board's side, hanging from it
        sheet = (rng.uniform(-230, -70), -rng.uniform(8, 16), ramp + rng.uniform(-1, 1))
    elif kind == 1:  # below the board's side
        sheet = (rng.uniform(-230, -70), -rng.uniform(21, 30), ramp + rng.uniform(-2, 2))
    else:  # upright, its upper corner against the board's side
        turn = rng.uniform(-3, 3)
        place = np.array([rng.uniform(-150, 150), -rng.uniform(5, 30)])
        if ramp < 0:
            lean = math.radians(turn - ramp)
            place -= 297.0 * np.array([math.cos(lean), math.sin(lean)])
        sheet = (float(place[0]), float(place[1]), turn)
    stand = Stand(
        optics,
        phone,
        ramp_deg=ramp,
        yaw_deg=rng.uniform(-12, 12),
        pitch_deg=rng.uniform(-12, 12),
        roll_deg=rng.uniform(-8, 8),
        distance=optics.focal * wide / optics.width,
        up=rng.uniform(40, 110),
        sheet_at=sheet,
        paper=rng.uniform(0.65, 0.9),
        plumb_x=rng.choice([-1, 1]) * rng.uniform(0.3, 0.38) * wide,
        string_mm=rng.uniform(1.2, 2.2),
        string_light=rng.choice([0.015, 0.85]),
        axle=rng.uniform(-60, 100),
        wheelbase=rng.uniform(120, 150),
        rim=rng.uniform(25.5, 32) * wide / optics.width * (1.0 if optics.height < 1000 else 1.3),
        nose_up_deg=rng.uniform(-3, 4),
        seed=seed,
    )
    return stand, megabits * rng.uniform(0.8, 1.15)
