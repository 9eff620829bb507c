"""A rendered clip of one stand, read by `measure_angle`: what tables and plans are held against.

World of the renderer: mm, y up from the table, on whose front edge (40 mm before the plane of
motion, y = 0) the level line lies. Its pitch is positive looking down, the other way round from
that of `clipmark.geometry.plane`; here, as in the package, positive has the plane's top farther.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

import clipmark
from clipmark.marks import Sheet as MarkedSheet
from clipmark.sample import (
    Board,
    Camera,
    Encoding,
    Look,
    Plumb,
    Scene,
    Sheet,
    Timing,
    Truck,
    render_clip,
    rough_marks,
)


@dataclass(frozen=True)
class Film:
    """One rendered stand; mm in the plane from where the optical axis meets it, deg, px."""

    ramp_deg: float = 45.0
    distance: float = 1500.0
    focal: float = 1500.0
    size: tuple[int, int] = (1920, 1080)
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    board_mm: float = 600.0
    ramp_at: tuple[float, float] = (0.0, 0.0)
    axis_over_table: float = 330.0
    plumb_x: float | None = None
    sheet_at: tuple[float, float] | None = None
    sheet_size: tuple[float, float] = (297.0, 210.0)
    truck: bool = False
    look: Look = field(default_factory=Look)
    bit_rate: int = 12_000_000
    seed: int = 11

    def scene(self) -> Scene:
        a, half = math.radians(self.ramp_deg), self.board_mm / 2
        foot = (
            self.ramp_at[0] - half * math.cos(a),
            self.axis_over_table + self.ramp_at[1] - half * math.sin(a),
        )
        sheet = None
        if self.sheet_at is not None:
            wide, high = self.sheet_size
            left, low = self.sheet_at[0] - wide / 2, self.sheet_at[1] - high / 2
            sheet = Sheet(left, low + self.axis_over_table, width_mm=wide, height_mm=high)
        return Scene(
            camera=Camera(
                width=self.size[0],
                height=self.size[1],
                view_deg=2 * math.degrees(math.atan(self.size[0] / 2 / self.focal)),
                distance_mm=self.distance,
                target_mm=(0.0, self.axis_over_table),
                yaw_deg=self.yaw,
                pitch_deg=-self.pitch,
                roll_deg=self.roll,
                distortion=self.distortion,
            ),
            board=Board(ramp_deg=self.ramp_deg, length_mm=self.board_mm, foot_mm=foot),
            truck=Truck(start_mm=self.board_mm / 2) if self.truck else None,
            timing=Timing(Fraction(30), frames=3),
            look=self.look,
            encoding=Encoding(bit_rate=self.bit_rate),
            sheet=sheet,
            plumb=None if self.plumb_x is None else Plumb(self.plumb_x, bob_mm=70.0),
            scale=None,
            seed=self.seed,
        )


@dataclass(frozen=True)
class Filmed:
    """The clip, what is true of it, and marks as a hurried operator sets them."""

    path: Path
    truth: dict
    marks: dict

    def read(self, against: str, sheet: bool = False, lens: bool = False, **view):
        """Measure frame 1 against the ``level`` or ``plumb`` line."""
        marks = self.marks
        options = {against: marks[against], **view}
        if sheet:
            options["sheet"] = MarkedSheet.from_values(marks["sheet"], marks["sheet_size"])
        if lens:
            options["lens"] = {**self.truth["lens"], "covariance": None}
        if "hubs" in marks:
            options.update(hubs=marks["hubs"], rim_px=marks["rim_px"])
        with clipmark.open_clip(self.path) as clip:
            return clipmark.measure_angle(clip, 1, ramp=marks["ramp"], **options)


def film(wanted: Film, path: Path) -> Filmed:
    """Render and mark."""
    truth = render_clip(wanted.scene(), path, 1)
    rng = np.random.default_rng([wanted.seed, 5])
    return Filmed(path, truth, rough_marks(truth, rng, 4.0, 1.0))
