"""A side tilt with exactly known truth: platform, truck seen from its end, how it tips.

World: mm, X right, Y up from the picture's lower border, the plane of rolling seen square-on. The
truck is a rigid body over its downhill contact, with springs that lean beforehand; its motion is
integrated step by step from the moments, not taken from a formula.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.camera import Camera
from clipmark.sample.scene import Encoding, Look, Timing, Truck

Array = NDArray[np.float64]
GRAVITY_MM_S2 = 9810.0
STEP_S = 1 / 4000
SETS_OFF_S = 0.05  # of the platform, until it turns at its rate
HALF_TYRE_MM, TYRE_HIGH_MM = 12.0, 46.0
RAIL_MM = (42.0, 50.0)  # lower and upper edge of the chassis rail over the platform
RAIL_HALF_MM = 42.0
PLATFORM_MM, PLATFORM_DEEP_MM = 250.0, 14.0
SCALE_MM = (20.0, 220.0)  # places of the two crosses along the platform
SCALE_DOWN_MM = 7.0  # and how far they lie below its upper edge
HINGE_UP_MM = 55.0
STANDS_MM = 30.0  # the downhill tyre's outer edge, from the hinge
TABLE_MM = 20.0  # height of the level table edge in the picture
LEAN_ABOUT_MM = 30.0  # height at which the body leans on its springs


@dataclass(frozen=True)
class TiltScene:
    """One attempt on the platform.

    ``side`` is the low side in the picture. ``height_mm`` and ``offset_mm`` are the centre of
    gravity's: over the platform, and towards the truck's right wheels; ``inertia_mm`` the radius
    of gyration about it; ``track_mm`` lies between the outer edges of the tyres; ``lean_per_deg``
    is how much the body leans on its springs for each degree of tilt.
    """

    camera: Camera = field(
        default_factory=lambda: Camera(width=800, height=540, view_deg=18.0, distance_mm=1400.0)
    )
    truck: Truck = field(default_factory=Truck)
    timing: Timing = field(default_factory=lambda: Timing(Fraction(30), frames=75))
    look: Look = field(default_factory=Look)
    encoding: Encoding = field(default_factory=Encoding)
    side: str = "left"
    start_deg: float = 40.0
    rate_deg_s: float = 1.0
    rest_s: float = 0.3
    track_mm: float = 108.0
    height_mm: float = 60.0
    offset_mm: float = 0.0
    inertia_mm: float = 38.0
    lean_per_deg: float = 0.06
    most_turn_deg: float = 60.0
    gap_mm: float = 1.0
    seed: int = 11

    @property
    def way(self) -> int:
        """1 when the right end goes up."""
        return 1 if self.side == "left" else -1

    @property
    def arm_mm(self) -> float:
        """From the downhill contact to the foot of the centre of gravity."""
        return self.track_mm / 2 + self.offset_mm * self.way

    @property
    def balance_deg(self) -> float:
        """Platform angle at which it begins to tip."""
        return math.degrees(math.atan(self.arm_mm / self.height_mm))

    @property
    def growth_per_s(self) -> float:
        """How fast tipping grows, for a body that is let go at its balance point."""
        r2 = self.arm_mm**2 + self.height_mm**2
        return math.sqrt(GRAVITY_MM_S2 * math.sqrt(r2) / (r2 + self.inertia_mm**2))

    @property
    def px_per_mm(self) -> float:
        """Of the plane of rolling."""
        return self.camera.focal_px / self.camera.distance_mm

    @property
    def hinge_mm(self) -> Array:
        """World place of the platform's hinge."""
        wide = self.camera.width / self.px_per_mm
        margin = 0.16 * wide
        return np.array([margin if self.way > 0 else wide - margin, HINGE_UP_MM])

    @cached_property
    def moved(self) -> dict[str, Array]:
        """Fine times, the platform's angle, the truck's extra turn against it (deg)."""
        last = float(self.timing.times_s()[-1]) + 0.1
        times = np.arange(0.0, last, STEP_S)
        off = np.maximum(times - self.rest_s, 0.0)
        tilt = self.start_deg + self.rate_deg_s * off
        tilt -= self.rate_deg_s * SETS_OFF_S * (1 - np.exp(-off / SETS_OFF_S))
        turn = tipped_deg(tilt, self.balance_deg, self.growth_per_s, self.most_turn_deg)
        return {"t": times, "tilt": tilt, "turn": turn}

    def at(self, time_s: float) -> tuple[float, float]:
        """Platform angle and extra turn, deg, at a time."""
        moved = self.moved
        return (
            float(np.interp(time_s, moved["t"], moved["tilt"])),
            float(np.interp(time_s, moved["t"], moved["turn"])),
        )

    def lean_deg(self, tilt_deg: float) -> float:
        """How much the body leans on its springs."""
        return self.lean_per_deg * min(tilt_deg, self.balance_deg)

    def on_platform(self, along_mm: float, up_mm: float, tilt_deg: float) -> Array:
        """World place of a point of the platform, from its hinge."""
        point = np.array([self.way * along_mm, up_mm])
        return np.asarray(self.hinge_mm + spin(tilt_deg * self.way) @ point)

    def px(self, world_mm: Array) -> Array:
        """Upright px of world points, shape (..., 2)."""
        x = world_mm[..., 0] * self.px_per_mm - 0.5
        y = self.camera.height - world_mm[..., 1] * self.px_per_mm - 0.5
        return np.stack([x, y], axis=-1)


def spin(deg: float) -> Array:
    """Turn in the plane, counter-clockwise."""
    a = math.radians(deg)
    return np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])


def tipped_deg(tilt_deg: Array, balance_deg: float, growth_per_s: float, most_deg: float) -> Array:
    """Turn of a truck against its platform, step by step of `STEP_S` from the moments, deg.

    Parameters
    ----------
    tilt_deg : ndarray, shape (n,)
        The platform's angle.
    balance_deg, growth_per_s : float
    most_deg : float
        Where a strap holds it.
    """
    turn, value, speed = np.zeros(len(tilt_deg)), 0.0, 0.0
    pushed = np.gradient(np.gradient(tilt_deg, STEP_S), STEP_S)  # moments turn the whole roll
    for i in range(1, len(tilt_deg)):
        over = math.radians(tilt_deg[i - 1] + value - balance_deg)
        speed += (math.degrees(growth_per_s**2 * math.sin(over)) - pushed[i - 1]) * STEP_S
        value += speed * STEP_S
        if value <= 0:
            value, speed = 0.0, 0.0
        elif value > most_deg:
            value, speed = most_deg, 0.0
        turn[i] = value
    return turn


def tilt_truth(scene: TiltScene) -> dict[str, Any]:
    """Everything known about the clip of a tilt.

    Returns
    -------
    dict
        ``tilt_deg`` (platform at first motion), ``first_motion_s``, ``gap_tilt_deg``, ``gap_s``
        (the stated gap under the uphill tyre), ``topple_deg``, ``topple_s`` (15 deg of extra
        turn); ``low_side``, ``rate_deg_s``, ``growth_per_s``, ``track_mm``, ``cog`` with
        ``height_mm``, ``offset_mm``, ``stability_factor``; ``lines_px`` of the first frame
        (``platform``, ``chassis``, ``level``, ``scale``), ``scale_mm``, ``tyres_px``; ``frames``
        with ``pts``, ``times_s``, ``tilt_deg``, ``turn_deg``, ``chassis_deg`` (magnitudes).
        Instants that the clip does not reach are None.
    """
    times = scene.timing.times_s()
    moved, both = scene.moved, [scene.at(float(t)) for t in times]
    gap = (scene.track_mm - HALF_TYRE_MM) * np.sin(np.radians(moved["turn"]))
    instants = {
        "first_motion": _first(moved, moved["tilt"] > scene.balance_deg),
        "gap": _first(moved, gap > scene.gap_mm),
        "topple": _first(moved, moved["turn"] > 15.0),
    }
    reached = {
        name: t if t is not None and t <= times[-1] else None for name, t in instants.items()
    }
    told = {
        f"{name}_deg" if name != "gap" else "gap_tilt_deg": None if t is None else scene.at(t)[0]
        for name, t in reached.items()
    }
    lines, tyres = placed_px(scene, both[0][0])
    return {
        "format": "clipmark sample truth 1",
        "kind": "tilt",
        "frame_count": len(times),
        "width": scene.camera.width,
        "height": scene.camera.height,
        "reference_frame": 0,
        "tilt_deg": told.pop("first_motion_deg"),
        **told,
        **{f"{name}_s": t for name, t in reached.items()},
        "gap_mm": scene.gap_mm,
        "low_side": scene.side,
        "rate_deg_s": scene.rate_deg_s,
        "growth_per_s": scene.growth_per_s,
        "track_mm": scene.track_mm,
        "cog": {
            "height_mm": scene.height_mm,
            "offset_mm": scene.offset_mm,
            "stability_factor": scene.track_mm / 2 / scene.height_mm,
        },
        "px_per_mm": scene.px_per_mm,
        "lines_px": lines,
        "scale_mm": SCALE_MM[1] - SCALE_MM[0],
        "tyres_px": tyres,
        "look": asdict(scene.look),
        "frames": {
            "pts": list(scene.timing.all_pts()),
            "time_base": [scene.timing.time_base.numerator, scene.timing.time_base.denominator],
            "times_s": times.tolist(),
            "tilt_deg": [tilt for tilt, _ in both],
            "turn_deg": [turn for _, turn in both],
            "chassis_deg": [tilt + turn + scene.lean_deg(tilt) for tilt, turn in both],
        },
    }


def _first(moved: dict[str, Array], when: NDArray[np.bool_]) -> float | None:
    return float(moved["t"][int(np.argmax(when))]) if when.any() else None


def placed_px(scene: TiltScene, tilt: float) -> tuple[dict[str, list[float]], list[list[float]]]:
    """Lines of a frame before anything tips, and the uphill tyre's middle with half its size."""
    way, px = scene.way, scene.px
    pivot = scene.on_platform(STANDS_MM, 0.0, tilt)
    roll = spin(tilt * way)
    leaning = spin((tilt + scene.lean_deg(tilt)) * way)
    middle = pivot + roll @ np.array([way * scene.track_mm / 2, LEAN_ABOUT_MM])
    rail = [middle + leaning @ np.array([x, RAIL_MM[1] - LEAN_ABOUT_MM])
            for x in (-RAIL_HALF_MM, RAIL_HALF_MM)]  # fmt: skip
    ends = {
        "platform": [scene.on_platform(x, 0.0, tilt) for x in (0.0, PLATFORM_MM - 6.0)],
        "chassis": rail,
        "scale": [scene.on_platform(x, -SCALE_DOWN_MM, tilt) for x in SCALE_MM],
    }
    lines = {name: px(np.array(pair)).ravel().tolist() for name, pair in ends.items()}
    level = float(px(np.array([0.0, TABLE_MM]))[1])
    lines["level"] = [0.0, level, scene.camera.width - 1.0, level]
    tyre = pivot + roll @ np.array([way * (scene.track_mm - HALF_TYRE_MM), TYRE_HIGH_MM / 2])
    half = 9.0 * scene.px_per_mm
    return lines, [[*px(tyre).tolist(), half, half]]


def rough_tilt_marks(truth: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    """Marks as a hurried operator sets them: lines some px off, the scale within half a px."""
    marks: dict[str, Any] = {"frame": truth["reference_frame"]}
    for name in ("platform", "chassis", "level"):
        ends = np.array(truth["lines_px"][name]).reshape(2, 2)
        inner = ends[0] + np.array([[0.04], [0.96]]) * (ends[1] - ends[0])
        marks[name] = np.round((inner + rng.uniform(-1.5, 1.5, (2, 2))).ravel(), 1).tolist()
    clicked = np.array(truth["lines_px"]["scale"]) + 0.4 * rng.standard_normal(4)
    marks["scale"] = np.round(clicked, 2).tolist()
    marks["scale_mm"] = truth["scale_mm"]
    shift = rng.integers(-2, 3, 2)
    marks["uphill_tyres"] = [
        [
            float(round(x - w + shift[0])),
            float(round(y - h + shift[1])),
            round(2.0 * w),
            round(2.0 * h),
        ]
        for x, y, w, h in truth["tyres_px"]
    ]
    marks["track_mm"] = truth["track_mm"]
    marks["span"] = [0, truth["frame_count"] - 1]
    return marks
