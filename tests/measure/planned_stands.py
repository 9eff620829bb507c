"""Stands that are planned, rendered and read: does a reading state what the plan predicted?"""

from __future__ import annotations

from dataclasses import dataclass, field

from clipmark.geometry.lens import Lens
from clipmark.geometry.planned_edge import PictureQuality, usual_quality
from clipmark.measure.angle_solve import SEED, solve_angles
from clipmark.measure.plan_model import plan_model
from clipmark.measure.plan_setup import PlannedLine, PlannedSheet, Setup
from clipmark.sample import Look
from tests.measure.filmed import Film, Filmed

NAMES = ("ramp", "chassis", "chassis_to_ramp")
SHEET_AT = (-560.0, 140.0)
DRAWS = 5_000


@dataclass(frozen=True)
class Case:
    """A stand: how it is filmed, what it is read against, and what is known of the camera."""

    film: Film
    against: str = "plumb"
    sheet: bool = False
    lens: bool = False
    view: dict = field(default_factory=dict)
    quality: PictureQuality = field(default_factory=usual_quality)

    def setup(self) -> Setup:
        film, (width, height) = self.film, self.film.size
        exact = (film.focal, film.focal, (width - 1) / 2, (height - 1) / 2)
        lens = Lens("ordinary", *exact, film.distortion, film.size) if self.lens else None
        kinds = self.against.split()
        return Setup(
            distance_mm=film.distance,
            size_px=film.size,
            board_mm=film.board_mm,
            ramp_deg=film.ramp_deg,
            lens=lens,
            plumbs=(PlannedLine((film.plumb_x, 0.0)),) if "plumb" in kinds else (),
            levels=(PlannedLine((0.0, -film.axis_over_table)),) if "level" in kinds else (),
            sheets=(PlannedSheet(film.sheet_size, film.sheet_at, 0.5),) if self.sheet else (),
            yaw_deg=film.yaw,
            pitch_deg=film.pitch,
            quality=self.quality,
            **self.view,
        )

    def predicted(self) -> dict[str, float]:
        """Expanded uncertainties that the plan expects, deg."""
        planned = plan_model(self.setup())
        values, _, _ = solve_angles(planned.model, planned.picture, SEED, DRAWS, 0)
        return {name: values[name].u95 for name in NAMES}

    def read(self, clip: Filmed) -> dict:
        """What clipmark prints of the clip of this stand."""
        return clip.read(
            self.against, self.sheet, self.lens, draws=DRAWS, budget_draws=0, **self.view
        ).to_dict()

    @staticmethod
    def told(reading: dict, clip: Filmed) -> tuple[dict[str, float], dict[str, float]]:
        """Expanded uncertainties that a reading states, and its errors, deg."""
        u95 = {name: reading[f"{name}_u95_deg"] for name in NAMES}
        return u95, {name: reading[f"{name}_deg"] - clip.truth[f"{name}_deg"] for name in NAMES}


def _film(**given) -> Film:
    return Film(**{"truck": True, "plumb_x": -250.0, **given})


FAR = {"distance": 3000.0, "focal": 3000.0, "yaw": 8.0, "pitch": 3.0}
POOR = {"look": Look(grain_levels=4.0, blur_px=1.4), "bit_rate": 4_000_000}
CASES = {
    "square near, plumb line alone": Case(_film(), view={"view_angle_deg": 65.2}),
    "square near, level line alone": Case(_film(ramp_deg=30), "level", lens=True),
    "square near, plumb and level line": Case(
        _film(ramp_deg=38, seed=21), "level plumb", view={"view_angle_deg": 65.2}
    ),
    "square near, sheet and lens file": Case(
        _film(sheet_at=SHEET_AT, seed=22), sheet=True, lens=True
    ),
    "square near, sheet, camera unknown": Case(
        _film(sheet_at=SHEET_AT, ramp_deg=52, seed=23), sheet=True
    ),
    "yawed far, sheet and lens file": Case(
        _film(**FAR, sheet_at=SHEET_AT, ramp_deg=35, seed=24), sheet=True, lens=True
    ),
    "yawed far, no sheet": Case(_film(**FAR, seed=25), lens=True, view={"square_within_deg": 10.0}),
    "small picture, sheet and lens file": Case(
        _film(size=(1280, 720), focal=1000.0, plumb_x=-300.0, sheet_at=(-460.0, 120.0), seed=26),
        sheet=True,
        lens=True,
    ),
    "half the scale, sheet and lens file": Case(
        _film(distance=3000.0, plumb_x=-300.0, sheet_at=SHEET_AT, ramp_deg=40, seed=27),
        sheet=True,
        lens=True,
    ),
    "poor picture, sheet and lens file": Case(
        _film(sheet_at=SHEET_AT, ramp_deg=42, seed=28, **POOR),
        sheet=True,
        lens=True,
        quality=usual_quality(blur_px=1.5, noise=0.012),
    ),
}
