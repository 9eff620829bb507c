"""One clip of the sample event, and the invented trucks that run in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from clipmark.sample.scene import Scene, Truck
from clipmark.sample.tilt import TiltScene

SISKIN = Truck(spokes=6)
DIPPER = Truck(
    name="DIPPER",
    number="12",
    paint=(0.05, 0.16, 0.26),
    second_paint=(0.66, 0.66, 0.62),
    spokes=5,
    seed=17,
)
WHINFELL = Truck(
    name="WHINFELL",
    number="3",
    paint=(0.11, 0.24, 0.07),
    second_paint=(0.72, 0.50, 0.10),
    spokes=6,
    seed=29,
)


@dataclass(frozen=True)
class Attempt:
    """One clip of the event with what the judge wrote down and how the operator marks it."""

    attempt: int
    clip: str
    scene: Scene | TiltScene
    entry: str
    test: str
    surface: str
    step_deg: float | None
    set_start_deg: float | None
    verdict: str
    lens: str | None = None
    reference: str = "plumb"
    square_within: float | None = None
    drop: tuple[str, ...] = ()
    setup: str = "as entered"
    try_no: int = 1
    reason: str = ""
    kinds: tuple[str, ...] = field(default=("angle",))
    grade: int | None = None  # as the judge gave it
    join: str = ""  # clip of the same truck's tilt to the other side
    mode: str = ""  # of a climb
    finish_mm: float | None = None  # along the board
    told: dict[str, Any] = field(default_factory=dict)  # what else is true of it
