"""The platform's angle at an event with everything that makes it uncertain."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

from clipmark.geometry.line_mark import LineMark
from clipmark.measure.angle_solve import solve_angles
from clipmark.measure.tilt_follow import Followed, TiltTrace
from clipmark.measure.tilt_marks import PreparedTilt
from clipmark.measure.values import Value
from clipmark.motion.tilt_events import Seen

DRAWS, BUDGET_DRAWS = 10_000, 1_000
TIME_SOURCE = "time of the event, times the turning rate"
SLOWER = "tilt the platform more slowly, or film more frames a second"
K_95 = 1.959964
BudgetRows = list[dict[str, str | float | None]]


@dataclass(frozen=True, eq=False)
class EventValue:
    """An event's angle: the value, its budget, and what one level reference has a share in.

    Attributes
    ----------
    value : Value
    rows : list of dict
        Source, kind, u_deg, dof, advice; largest first.
    level_u_deg : float
        Standard uncertainty that comes from level reference and view.
    """

    value: Value
    rows: BudgetRows
    level_u_deg: float


def value_at(
    ready: PreparedTilt,
    trace: TiltTrace,
    followed: Followed,
    seen: Seen,
    seed: int,
    with_budget: bool = True,
) -> EventValue:
    """The platform's angle (a magnitude, positive on its way up) at an event.

    The view, the lens and the level line enter as in a reading of one frame, at the line as it lay
    then; to it come the line as followed, and the time of the event times the turning rate.
    """
    track, look = followed.platform, ready.placed.look
    known = np.flatnonzero(track.seen)
    k = int(known[np.argmin(np.abs(track.t_s[known] - seen.t_s))])
    square = ready.picture.to_square(track.ends_px[k])
    anchored = ready.placed.ramp
    turn_u = math.hypot(anchored.u_angle_rad, math.radians(seen.u_tilt_deg))
    line = LineMark(square, anchored.u_offset_px, turn_u, anchored.dof)
    model = replace(ready.model, ramp=line, chassis=None)
    rows: dict[str, BudgetRows] = {"ramp_deg": []}
    if with_budget:
        _, rows, _ = solve_angles(model, look.picture, seed, 200, BUDGET_DRAWS)
    drawn = np.degrees(model.draw_rad(seed, DRAWS)["ramp"] - model.estimate_rad()["ramp"])
    rng = np.random.default_rng([seed, zlib.crc32(TIME_SOURCE.encode())])
    unit = rng.standard_normal(DRAWS)
    below = max(seen.tilt_deg - seen.low_deg, 0.0) / K_95
    above = max(seen.high_deg - seen.tilt_deg, 0.0) / K_95
    late = unit * np.where(unit < 0, below, above)
    samples = seen.tilt_deg + trace.way * drawn + late
    found = [_named(row) for row in rows["ramp_deg"]]
    level_u = math.sqrt(sum(_size(row) ** 2 for row in found if not _own(row)))
    if below or above:
        u_time = math.sqrt((below**2 + above**2) / 2)
        found.append(
            {"source": TIME_SOURCE, "kind": "A", "u_deg": u_time, "dof": None, "advice": SLOWER}
        )
    found.sort(key=lambda row: -_size(row))
    return EventValue(Value.from_samples(seen.tilt_deg, samples), found, level_u)


def _size(row: dict[str, str | float | None]) -> float:
    size = row["u_deg"]
    return float(size) if isinstance(size, (int, float)) else 0.0


def _own(row: dict[str, str | float | None]) -> bool:
    return str(row["source"]).startswith("platform line")


def _named(row: dict[str, str | float | None]) -> dict[str, str | float | None]:
    """The platform's line is the ramp line of the angle's own model."""
    said = {
        name: str(row[name]).replace("ramp line", "platform line") for name in ("source", "advice")
    }
    return {**row, **said}
