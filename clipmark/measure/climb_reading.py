"""What a climb gives: the proposal with its reason, figures, phases, and where they came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np
import pandas as pd

from clipmark import __version__
from clipmark.measure.climb_board import Board
from clipmark.measure.crawl_reading import CrawlReading
from clipmark.measure.crawl_table import write_table
from clipmark.measure.values import Value, named
from clipmark.motion.climb_series import Ending

UNITS = {
    "run_up_mm_s": ("run_up", "mm_s"),
    "finish_t_s": ("finish_t", "s"),
    "tip_over_t_s": ("tip_over_t", "s"),
    "progress_mm": ("progress", "mm"),
    "slide_back_mm": ("slide_back", "mm"),
    "roll_back_mm": ("roll_back", "mm"),
    "went_back_mm": ("went_back", "mm"),
}
OF_CRAWL = (
    "duration",
    "mean_speed",
    "start_jump",
    "start_delay",
    "stop_distance",
    "roll_off",
)


@dataclass(frozen=True, eq=False)
class ClimbReading:
    """An attempt at a board, read from one span of one clip.

    Attributes
    ----------
    proposed : str
        ``cleared``, ``failed`` or ``unclear``: a proposal, never a verdict.
    reason : str
        In words, with the figures that it rests on.
    reason_code : str or None
        ``cleared``, ``stalled``, ``spun``, ``slid-back``, ``tipped-back``; None where unclear.
    ended_by, ended_by_why : str
        ``grip``, ``balance``, ``drive`` or ``cannot tell``, and why.
    values : dict of str to Value or None
        ``run_up_mm_s, finish_t_s, tip_over_t_s, progress_mm, slide_back_mm, roll_back_mm,
        went_back_mm``; None where there is none, or the footage cannot tell.
    facts : dict
        All else that is printed of the attempt itself.
    descend : dict
        What a descent gives; empty for a climb.
    board_moved : dict
    crawl : CrawlReading
        The crawl along the ramp line from the same pass.
    scaled : bool
        Whether lengths are mm; else they are given in px.
    unit_px : float
        Px per unit of length where they are not.
    table : DataFrame
    board : Board
    ending : Ending
    warnings : tuple of str
    settings : dict
    """

    proposed: str
    reason: str
    reason_code: str | None
    ended_by: str
    ended_by_why: str
    values: dict[str, Value | None]
    facts: dict[str, object]
    descend: dict[str, object]
    board_moved: dict[str, object]
    crawl: CrawlReading
    scaled: bool
    unit_px: float
    table: pd.DataFrame
    board: Board
    ending: Ending
    warnings: tuple[str, ...]
    settings: dict[str, object]

    def _estimate(self, name: str) -> float | None:
        value = self.values.get(name)
        return None if value is None else value.estimate

    @property
    def finish_t_s(self) -> float | None:
        """When the rear-most contact point crossed the finish line."""
        return self._estimate("finish_t_s")

    @property
    def tip_over_t_s(self) -> float | None:
        """When the front left the board for good."""
        return self._estimate("tip_over_t_s")

    @property
    def run_up_mm_s(self) -> float | None:
        """Speed at the foot of the ramp line, or where the span begins."""
        return self._estimate("run_up_mm_s")

    @property
    def slide_back_mm(self) -> float | None:
        """Way back down on wheels that did not roll with it."""
        return self._estimate("slide_back_mm")

    @property
    def frame(self) -> int:
        """Ordinal of the frame that the marks were set on."""
        return self.crawl.frame

    @property
    def fingerprint(self) -> str:
        """Proof of that frame's picture."""
        return self.crawl.fingerprint

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""
        out: dict[str, object] = {
            "proposed": self.proposed,
            "reason": self.reason,
            "reason_code": self.reason_code,
            "ended_by": self.ended_by,
            "ended_by_why": self.ended_by_why,
        }
        for key, (name, unit) in UNITS.items():
            value = self.values.get(key)
            length = unit.startswith("mm")
            if self.scaled or not length:
                out |= named(name, unit, value)
            else:
                out |= named(name, unit, None)
            if length and not self.scaled:
                out |= named(name, unit.replace("mm", "px"), _in_px(value, self.unit_px))
        crawl = self.crawl.to_dict()
        out |= self.facts | self.descend
        out |= self._of_crawl(crawl)
        return out | {
            "board_moved": self.board_moved,
            "ramp": None
            if self.board.at_reference is None
            else _ramp(self.board.at_reference.to_dict()),
            "budget": crawl["budget"] if self.scaled else {},
            "noise_floor_mm_s": crawl["noise_floor_mm_s"] if self.scaled else None,
            "camera": crawl["camera"],
            "shake_px": crawl["shake_px"],
            "frame": crawl["frame"],
            "t_s": crawl["t_s"],
            "clip_sha256": crawl["clip_sha256"],
            "fingerprint": crawl["fingerprint"],
            "first_frame": crawl["first_frame"],
            "last_frame": crawl["last_frame"],
            "first_fingerprint": crawl["first_fingerprint"],
            "last_fingerprint": crawl["last_fingerprint"],
            "warnings": list(self.warnings),
            "settings": self.settings,
            "versions": {
                "clipmark": __version__,
                "numpy": np.__version__,
                "pandas": pd.__version__,
            },
        }

    def _of_crawl(self, crawl: Mapping[str, object]) -> dict[str, object]:
        """Figures that the crawl along the ramp gives, lengths only where there is a scale."""
        out: dict[str, object] = {}
        for name, value in crawl.items():
            base = name.split("_u95")[0].split("_low95")[0].split("_high95")[0]
            if not any(base == stem or base.startswith(f"{stem}_") for stem in OF_CRAWL):
                continue
            length = "mm" in name
            out[name] = value if self.scaled or not length else None
        for name in ("stalls", "phases", "wheels", "slip"):
            out[name] = crawl[name] if self.scaled else _without_mm(crawl[name], self.unit_px)
        return out

    def write_trace(self, path: str | PathLike[str]) -> None:
        """Write the trace as CSV, whole or not at all; raises `FolderError` when it cannot be."""
        write_table(self.table, Path(path))


def _in_px(value: Value | None, unit_px: float) -> Value | None:
    if value is None:
        return None
    parts = (value.estimate, value.u, value.low95, value.high95)
    return Value(*(part * unit_px for part in parts))


def _without_mm(items: object, unit_px: float) -> object:
    """The same list of objects with lengths in px instead of mm."""
    if not isinstance(items, list):
        return items
    out = []
    for item in items:
        changed: dict[str, object] = {}
        for name, value in item.items():
            if "mm" not in name:
                changed[name] = value
            elif isinstance(value, (int, float)):
                changed[name.replace("mm", "px")] = value * unit_px
        out.append(changed)
    return out


def _ramp(angle: Mapping[str, object]) -> dict[str, object]:
    """What is kept of the angle reading of the reference frame."""
    values = ("ramp_deg", "ramp_u95_deg", "ramp_low95_deg", "ramp_high95_deg")
    return {name: angle[name] for name in (*values, "budget", "frame", "seed", "draws", "warnings")}
