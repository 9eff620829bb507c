"""What a trace shows in one frame: lines and points in the picture, and figures in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from clipmark.report.overlay import DrawnLine, Four
from clipmark.report.words import measured, number
from clipmark.uncertainty.digits import number_of

FOLLOWED_LINES = ("platform", "chassis", "ramp")
# Marks that go along with the truck, or with the platform: only true in the frame they are set on.
GOES_ALONG = {
    "tilt": ("platform", "chassis", "scale"),
    "climb": ("ramp", "hubs", "travel"),
    "crawl": (),
}
Row = Mapping[str, object] | pd.Series


@dataclass(frozen=True)
class Curve:
    """What is drawn over time under an annotated clip: columns of the trace, and its name."""

    value: str
    u: str
    name: str


CURVES = {
    "crawl": Curve("v_mm_s", "u_v_mm_s", "speed, mm/s"),
    "climb": Curve("v_mm_s", "u_v_mm_s", "speed, mm/s"),
    "tilt": Curve("platform_deg", "u_platform_deg", "platform, °"),
}


def lines_in(row: Row) -> list[DrawnLine]:
    """Lines as they were followed into that frame, px of the upright picture."""
    found = []
    for role in FOLLOWED_LINES:
        ends = _four(row, *(f"{role}_{axis}{end}_px" for end in (1, 2) for axis in "xy"))
        if ends is not None:
            found.append(DrawnLine(role, (), ends))
    for names in (("rear", "front"), ("hub1", "hub2")):
        hubs = _four(row, *(f"{name}_{axis}_px" for name in names for axis in "xy"))
        if hubs is not None:
            found.append(DrawnLine("hubs", (), hubs))
            break
    return found


def points_in(row: Row) -> list[tuple[float, float]]:
    """Single points followed into that frame: uphill tyres, a hub that is alone."""
    names = [f"tyre{n}" for n in (1, 2, 3, 4)]
    if not any(line.role == "hubs" for line in lines_in(row)):
        names += ["hub1", "hub2", "rear", "front"]
    found = []
    for name in names:
        x, y = number_of(row.get(f"{name}_x_px")), number_of(row.get(f"{name}_y_px"))
        if x is not None and y is not None:
            found.append((x, y))
    return found


def words_in(row: Row, measure: str) -> list[str]:
    """What was known in that frame, each with U where the trace has it."""
    if measure == "tilt":
        return _tilt_words(row)
    told = []
    speed, u = number_of(row.get("v_mm_s")), number_of(row.get("u_v_mm_s"))
    gap = row.get("gap")
    if speed is not None:
        told.append(f"speed {measured(speed, 1.96 * u if u else None, 'mm/s')}")
    elif isinstance(gap, str) and gap:
        told.append(f"speed not known: {gap}" if measure == "crawl" else f"truck lost: {gap}")
    if measure == "climb":
        nose = number_of(row.get("chassis_to_ramp_deg"))
        place = number_of(row.get("rear_mm"))
        told += [f"{number(place, 1)} mm along the board"] if place is not None else []
        told += [f"chassis to ramp {number(nose, 1)}°"] if nose is not None else []
    return told


def _tilt_words(row: Row) -> list[str]:
    told = []
    for name in ("platform", "chassis"):  # their U is told with the events: level is most of it
        angle, reason = number_of(row.get(f"{name}_deg")), row.get(f"{name}_gap")
        if angle is not None:
            told.append(f"{name} {number(abs(angle), 2)}°")
        elif isinstance(reason, str) and reason:
            told.append(f"{name} lost: {reason}")
    roll = number_of(row.get("chassis_to_platform_deg"))
    told += [f"roll to the platform {number(roll, 2)}°"] if roll is not None else []
    for n in (1, 2):
        for unit in ("mm", "px"):
            gap = number_of(row.get(f"tyre{n}_off_{unit}"))
            told += [f"tyre {n} off by {number(gap, 2)} {unit}"] if gap is not None else []
    return told


def row_of(trace: pd.DataFrame | None, ordinal: int) -> pd.Series | None:
    """The row of a frame, or None."""
    if trace is None or "frame" not in trace.columns:
        return None
    rows = trace[trace["frame"] == ordinal]
    return None if rows.empty else rows.iloc[0]


def _four(row: Row, *names: str) -> Four | None:
    values = [number_of(row.get(name)) for name in names]
    if any(value is None for value in values):
        return None
    a, b, c, d = (float(value) for value in values if value is not None)
    return a, b, c, d
