"""What a side tilt gives: events with angles, first motion, gap, centre of gravity, the trace."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import pandas as pd

from clipmark import __version__
from clipmark.measure.crawl_table import write_table
from clipmark.measure.tilt_join import JoinedTilt
from clipmark.measure.tilt_values import BudgetRows
from clipmark.measure.values import Value, named
from clipmark.motion.line_sway import Sway
from clipmark.motion.tilt_events import TOPPLE_DEG, NotSeen

__all__ = ["TOPPLE_DEG", "TiltEvent", "TiltReading"]


@dataclass(frozen=True, eq=False)
class TiltEvent:
    """One event, by one criterion.

    Attributes
    ----------
    event, criterion : str
    t_s, t_u95_s : float
        s from the first shown frame.
    frame : int
        Nearest to it.
    tilt : Value or None
        Platform angle, deg, a magnitude; None where nothing says where level is.
    turned_deg : float
        Since the first frame of the span.
    rate_deg_s, rate_u95_deg_s : float
    budget : list of dict
    """

    event: str
    criterion: str
    t_s: float
    t_u95_s: float
    frame: int
    tilt: Value | None
    turned_deg: float
    rate_deg_s: float
    rate_u95_deg_s: float
    budget: BudgetRows

    def to_dict(self) -> dict[str, object]:
        """As printed."""
        return {
            "event": self.event,
            "criterion": self.criterion,
            "t_s": self.t_s,
            "t_u95_s": self.t_u95_s,
            "frame": self.frame,
            **named("tilt", "deg", self.tilt),
            "turned_deg": self.turned_deg,
            "rate_deg_s": self.rate_deg_s,
            "rate_u95_deg_s": self.rate_u95_deg_s,
        }


@dataclass(frozen=True, eq=False)
class TiltReading:
    """A side tilt, read from one span of one clip.

    Attributes
    ----------
    events : tuple of TiltEvent
        In order of time.
    missing : tuple of NotSeen
        The others, with why.
    first_motion, by_gap : TiltEvent or None
        First motion by the model, and the stated gap under all uphill tyres marked (or under the
        first where only that left).
    first_motion_ends_s : tuple of float or None
        95 % interval of its instant.
    gap_mm : float
        The gap that counts.
    growth_per_s : float or None
        Rate at which the truck's turning grows, by the model.
    low_side : str
        Which side was low: as said, else as seen in the picture.
    highest_tilt : Value or None
        Largest platform angle seen: a lower bound where an event was not reached.
    sways : dict of str to Sway or None
        Swing and vibration of the platform, and of the truck on it, before anything happened.
    joined : JoinedTilt or None
        Left and right together.
    table : DataFrame
        The trace.
    """

    events: tuple[TiltEvent, ...]
    missing: tuple[NotSeen, ...]
    first_motion: TiltEvent | None
    first_motion_ends_s: tuple[float, float] | None
    by_gap: TiltEvent | None
    gap_mm: float
    growth_per_s: float | None
    low_side: str
    highest_tilt: Value | None
    sways: dict[str, Sway | None]
    joined: JoinedTilt | None
    track_mm: float | None
    table: pd.DataFrame
    frame: int
    clip_sha256: str
    fingerprints: dict[int, str]
    first_frame: int
    last_frame: int
    warnings: tuple[str, ...]
    settings: dict[str, object]
    seed: int
    draws: int

    @property
    def lift_off(self) -> bool:
        """Whether any uphill wheel was seen to leave the platform."""
        return any("wheel" in item.event for item in self.events)

    @property
    def tilt_deg(self) -> float | None:
        """Platform angle at first motion."""
        first = self.first_motion
        return None if first is None or first.tilt is None else first.tilt.estimate

    @property
    def tilt_u95_deg(self) -> float | None:
        """Expanded uncertainty of `tilt_deg` at 95 %."""
        first = self.first_motion
        return None if first is None or first.tilt is None else first.tilt.u95

    @property
    def fingerprint(self) -> str:
        """Proof of the picture of first motion, or of the reference frame where there is none."""
        first = self.first_motion
        return self.fingerprints[self.frame if first is None else first.frame]

    @property
    def budget(self) -> dict[str, list[dict[str, str | float | None]]]:
        """Budget rows keyed by value."""
        found: dict[str, list[dict[str, str | float | None]]] = {}
        if self.first_motion is not None and self.first_motion.tilt is not None:
            found["tilt_deg"] = self.first_motion.budget
        if self.by_gap is not None and self.by_gap.tilt is not None:
            found["gap_tilt_deg"] = self.by_gap.budget
        return found

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""
        first, gap = self.first_motion, self.by_gap
        shown = first or gap
        ends = self.first_motion_ends_s
        return {
            "lift_off": self.lift_off,
            **named("tilt", "deg", None if first is None else first.tilt),
            "t_s": None if first is None else first.t_s,
            "t_interval95_s": None if ends is None else list(ends),
            "frame": None if first is None else first.frame,
            "criterion": None if first is None else first.criterion,
            "growth_per_s": self.growth_per_s,
            "gap_mm": self.gap_mm,
            "gap_t_s": None if gap is None else gap.t_s,
            "gap_frame": None if gap is None else gap.frame,
            **named("gap_tilt", "deg", None if gap is None else gap.tilt),
            "rate_deg_s": None if shown is None else shown.rate_deg_s,
            "events": [item.to_dict() for item in self.events],
            "other_events": [
                {"event": item.event, "said": item.said, "why": item.why} for item in self.missing
            ],
            "low_side": self.low_side,
            **named("highest_tilt", "deg", self.highest_tilt),
            "sway": {
                name: None if sway is None else sway.to_dict() for name, sway in self.sways.items()
            },
            "track_mm": self.track_mm,
            "cog": None if self.joined is None else self.joined.to_dict(),
            "budget": self.budget,
            "reference_frame": self.frame,
            "reference_fingerprint": self.fingerprints[self.frame],
            "clip_sha256": self.clip_sha256,
            "fingerprint": self.fingerprint,
            "first_frame": self.first_frame,
            "last_frame": self.last_frame,
            "first_fingerprint": self.fingerprints.get(self.first_frame),
            "last_fingerprint": self.fingerprints.get(self.last_frame),
            "warnings": list(self.warnings),
            "settings": self.settings,
            "seed": self.seed,
            "draws": self.draws,
            "software": f"clipmark {__version__}",
        }

    def write_trace(self, path: str | PathLike[str]) -> None:
        """Write the trace as CSV, whole or not at all; raises `FolderError` when it cannot be."""
        write_table(self.table, Path(path))
