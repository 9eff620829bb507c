"""The rows of docs/errors.md: the mistake, what a protractor reads, what clipmark makes of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

from clipmark.measure.angle_reading import AngleReading
from tests.measure.filmed import Film, film
from tests.published.errors_table import CORNER_PX, FAR_STAND, FOCAL, NEAR, Case

TRUE_DEG = (45.0, 53.0)
SIDE_MM = 700.0  # the ramp line near the picture's right edge, which it needs to be bent
SHEET_AT = (-560.0, 140.0)


@dataclass(frozen=True)
class Row:
    """One row: its words, its geometry, and what the clip of it is read against."""

    words: str
    case: Case
    against: str
    film: dict = field(default_factory=dict)

    def naive(self) -> tuple[str, ...]:
        """Errors of the naive reading at 45 and 53 deg, as printed."""
        return tuple(f"{self.case.naive_deg(true):+.2f}" for true in TRUE_DEG)

    @property
    def promise_deg(self) -> float:
        """What can honestly be promised of the camera's squareness."""
        return max(5.0, abs(self.case.yaw), abs(self.case.pitch))

    def filmed(self) -> Film:
        """The clip: 1 px to the mm in the plane, whatever the distance."""
        case = self.case
        k1 = -case.barrel / 100 * (FOCAL / CORNER_PX) ** 2
        set_up = {
            "distance": case.distance,
            "focal": case.distance,
            "yaw": case.yaw,
            "pitch": case.pitch,
            "roll": case.roll,
            "board_mm": case.length,
            "ramp_at": case.ramp_at,
            "plumb_x": -250.0,
            "sheet_at": SHEET_AT,
            "distortion": (k1, 0.0, 0.0, 0.0, 0.0),
        }
        return Film(**{**set_up, **self.film})

    @property
    def renders(self) -> bool:
        """Whether the lens holds all over the picture, so that a clip can be made."""
        return self.case.barrel <= 10

    def clipmark(self, folder: Path) -> tuple[str, str]:
        """Error and U at 45 deg, with sheet and lens file, and with the line alone; as printed."""
        if not self.renders:
            return "-", "-"
        clip = film(self.filmed(), folder / "row.mp4")
        both = clip.read(self.against, sheet=True, lens=True)
        line = clip.read(self.against, square_within_deg=self.promise_deg)
        return printed(both), printed(line)


def printed(reading: AngleReading) -> str:
    """Error (sign as the naive one) and U."""
    found = reading.to_dict()
    error, u95 = float(found["ramp_deg"]) - TRUE_DEG[0], float(found["ramp_u95_deg"])
    return f"{error:+.2f}, U {u95:.2f}"


def _rows() -> list[Row]:
    rows = [
        Row(f"yaw {yaw}, at 4 m, plumb line", Case("", FAR_STAND, yaw=yaw), "plumb")
        for yaw in (5, 10, 15)
    ]
    rows += [
        Row(f"pitch {pitch}, at 4 m, level line", Case("", FAR_STAND, pitch=pitch), "level")
        for pitch in (5, 10, 15)
    ]
    rows += [
        Row(
            f"yaw 10, at 1.5 m, ramp line 200 mm {word} the axis, plumb line",
            Case("", yaw=10, ramp_at=(0.0, height)),
            "plumb",
            {"axis_over_table": 480.0} if height < 0 else {},
        )
        for word, height in (("below", -200.0), ("above", 200.0))
    ]
    rows += [
        Row(
            f"yaw {yaw}, at {distance / 1000:g} m, level line 250 mm below the axis",
            Case("", distance, yaw=yaw, against=("level", -250.0)),
            "level",
            {"axis_over_table": 250.0},
        )
        for distance in (NEAR, FAR_STAND)
        for yaw in (5, 10)
    ]
    rows += [
        Row(
            f"pitch {pitch}, at {distance / 1000:g} m, plumb line 400 mm left of the axis",
            Case("", distance, pitch=pitch, against=("plumb", -400.0)),
            "plumb",
            {"plumb_x": -400.0},
        )
        for distance in (NEAR, FAR_STAND)
        for pitch in (5, 10)
    ]
    rows.append(
        Row(
            "yaw 10 and pitch -5, at 4 m, level line 250 mm below the axis",
            Case("", FAR_STAND, yaw=10, pitch=-5, against=("level", -250.0)),
            "level",
            {"axis_over_table": 250.0},
        )
    )
    rows.append(Row("roll 1, nothing to tell level from", Case("", roll=1.0), "plumb"))
    rows += [
        Row(
            f"barrel {barrel} % at the corner, ramp line 700 px right of the middle",
            Case("", barrel=barrel, ramp_at=(SIDE_MM, 0.0), length=500.0),
            "plumb",
        )
        for barrel in (2, 5, 10, 20)
    ]
    return rows


ROWS = _rows()
assert math.isclose(FOCAL, NEAR)  # 1 px to the mm in the naive column as well
