"""Before filming: what a planned stand would tell, and what would make it tell more.

The model of a reading is built from the planned geometry and put through the same Monte Carlo and
budget as a reading of a clip; see docs/planning.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS, SEED, solve_angles
from clipmark.measure.plan_changes import Change, changes
from clipmark.measure.plan_crawl import PlannedCrawl, plan_crawl
from clipmark.measure.plan_model import Planned, plan_model
from clipmark.measure.plan_pair import Pair, plan_pair
from clipmark.measure.plan_setup import SPREAD_DEG, STEP_DEG, TRIES, Setup
from clipmark.measure.values import Value, named

VALUES = ("ramp", "chassis", "chassis_to_ramp")


@dataclass(frozen=True, eq=False)
class Plan:
    """What is expected of a stand; `to_dict` is what ``--json`` prints.

    Attributes
    ----------
    planned : Planned
    values : dict of Value
        The expected reading of each angle, deg.
    budget, linear : dict
        As of a reading.
    pair : Pair
    changes : tuple of Change
    crawl : PlannedCrawl or None
    """

    planned: Planned
    values: dict[str, Value]
    budget: dict[str, list[dict[str, str | float | None]]]
    linear: dict[str, dict[str, float | None]]
    pair: Pair
    changes: tuple[Change, ...]
    crawl: PlannedCrawl | None

    def to_dict(self) -> dict[str, object]:
        """Everything as plain data."""
        setup, camera = self.planned.setup, self.planned.camera
        found: dict[str, object] = {}
        for name in VALUES:
            found.update(named(name, "deg", self.values.get(name)))
        wide = setup.size_px[0] / 2 / float(camera.centre[0])
        quality = setup.quality
        return {
            **found,
            "budget": self.budget,
            "linear": self.linear,
            "smallest_difference": self.pair.to_dict(),
            "changes": [item.to_dict() for item in self.changes],
            "crawl": None if self.crawl is None else self.crawl.to_dict(),
            "board_deg": setup.ramp_deg,
            "distance_mm": setup.distance_mm,
            "picture_px": list(setup.size_px),
            "camera": camera.source,
            "view_angle_deg": 2 * math.degrees(math.atan(wide)),
            "scale_px_per_mm": self.planned.px_per_mm,
            "ramp_line_px": self.planned.model.ramp.length_px,
            "edges": {
                "ramp": quality.ramp.__dict__,
                "level": quality.level.__dict__,
                "plumb": quality.plumb.__dict__,
                "sheet": quality.sheet.__dict__,
                "hub_u_px": quality.hub_u_px,
            },
            "seed": SEED,
            "draws": DRAWS,
            "frame": None,
            "t_s": None,
            "clip_sha256": None,
            "fingerprint": None,
            "warnings": list(self.planned.warnings),
        }


def plan(
    setup: Setup,
    *,
    tries: int = TRIES,
    spread_deg: float = SPREAD_DEG,
    step_deg: float = STEP_DEG,
    frame_rate_hz: float | None = None,
    wheel_mm: float = 54.0,
) -> Plan:
    """Work out what a stand would tell.

    Parameters
    ----------
    setup : Setup
    tries : int
        Of each of two trucks that are to be told apart.
    spread_deg, step_deg : float
        Spread from try to try (standard deviation), and the step of the ladder.
    frame_rate_hz : float, optional
        Frames per second; without it nothing is said of slow motion.
    wheel_mm : float
        Diameter of the wheels, for slip.

    Raises
    ------
    MarkError, LensError, PlaneError
        A sentence each.
    """
    planned = plan_model(setup)
    values, budget, linear = solve_angles(planned.model, planned.picture, SEED, DRAWS, BUDGET_DRAWS)
    pair = plan_pair(planned, tries, spread_deg, step_deg)
    crawl = None
    if frame_rate_hz is not None:
        crawl = plan_crawl(planned.px_per_mm, frame_rate_hz, wheel_mm)
    return Plan(planned, values, budget, linear, pair, changes(planned, values), crawl)
