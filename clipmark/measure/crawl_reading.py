"""What a crawl measurement gives: figures with uncertainties, the trace, where they came from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np
import pandas as pd

from clipmark import __version__
from clipmark.measure.crawl_table import write_table
from clipmark.measure.crawl_values import Trace
from clipmark.measure.values import Value, named
from clipmark.uncertainty.budget import Budget

UNITS = {
    "duration_s": "s",
    "distance_mm": "mm",
    "rollback_mm": "mm",
    "ripple": "",
    "start_jump": "",
    "start_delay_s": "s",
    "stop_distance_mm": "mm",
    "roll_off_mm": "mm",
    "sparc": "",
    "ldlj": "",
}


@dataclass(frozen=True, eq=False)
class CrawlReading:
    """A crawl, read from one span of one clip.

    Attributes
    ----------
    values : dict of str to Value or None
        ``duration_s, distance_mm, mean_speed_mm_s, slowest_speed_mm_s, rollback_mm, ripple,
        start_jump, start_delay_s, stop_distance_mm, roll_off_mm, sparc, ldlj``; None where the
        footage cannot tell.
    budgets : dict of str to Budget
        Behind each value.
    table : DataFrame
        The trace: ``t_s, s_mm, u_s_mm, v_mm_s, u_v_mm_s``, columns of every wheel, ``frame, gap``.
    stalls : list of dict or None
        ``t_s, dwell_s, dwell_u95_s, s_mm, commanded``; None where stalls cannot be told.
    phases : list of dict or None
        See `clipmark.measure.crawl_phases`; None where standing and moving cannot be told.
    moved : bool
        Whether any motion stands out of the noise; a truck that stood is given no speed.
    wheels : list of dict
        What was followed of each marked wheel.
    slip : list of dict or None
        Per wheel, over the way ahead; None without a rolling diameter.
    ripple_orders : list of dict or None
        Lines per turn of a wheel that stand out of the noise; None where none can be told.
    ripple_band_hz : tuple
        The band of `ripple`.
    ripple_span_s : tuple or None
        From when to when the ripple was judged.
    ripple_seen : bool or None
        False when the ripple is below the noise floor.
    ripple_floor : float or None
        Ripple that noise alone would show at most in 39 of 40 clips like this.
    rollback_largest_mm, rollback_threshold_mm : float
        Largest single piece, and what counts at all.
    noise_floor_mm_s, noise_source
        Standard deviation of the filtered speed of a body at rest, and how it is known.
    window_s : float
        Width of the speed filter.
    stall_limit_mm_s : float
        Speed under which the truck counts as standing.
    stood_at_start_s, stood_at_end_s : float
        Standing at the ends of the span, which is no stall.
    shake_px, camera
        Camera shake (NaN when unknown), and whether it was still, drifting, moving or unknown.
    frame, t_s, clip_sha256, fingerprints, first_frame, last_frame
        Reference frame, its time, and proofs of the pictures by ordinal.
    warnings : tuple of str
    settings : dict
        Marks and settings of the measurement.
    trace : Trace or None
        What the figures were computed from; it is not printed or saved.
    """

    values: dict[str, Value | None]
    budgets: dict[str, Budget]
    table: pd.DataFrame
    stalls: list[dict[str, float | bool]] | None
    phases: list[dict[str, object]] | None
    moved: bool
    wheels: list[dict[str, object]]
    slip: list[dict[str, object]] | None
    ripple_orders: list[dict[str, object]] | None
    ripple_band_hz: tuple[float, float]
    ripple_span_s: tuple[float, float] | None
    ripple_seen: bool | None
    ripple_floor: float | None
    rollback_largest_mm: float
    rollback_threshold_mm: float
    noise_floor_mm_s: float
    noise_source: str
    window_s: float
    stall_limit_mm_s: float
    stood_at_start_s: float
    stood_at_end_s: float
    shake_px: float
    camera: str
    frame: int
    t_s: float
    clip_sha256: str
    fingerprints: dict[int, str]
    first_frame: int
    last_frame: int
    warnings: tuple[str, ...]
    settings: dict[str, object]
    trace: Trace | None = None

    def _estimate(self, name: str) -> float | None:
        value = self.values.get(name)
        return None if value is None else value.estimate

    def _u95(self, name: str) -> float | None:
        value = self.values.get(name)
        return None if value is None else value.u95

    @property
    def duration_s(self) -> float:
        """From the first to the last frame in which the body was found."""
        return self._estimate("duration_s") or 0.0

    @property
    def distance_mm(self) -> float:
        """Travel between those frames."""
        return self._estimate("distance_mm") or 0.0

    @property
    def distance_u95_mm(self) -> float:
        """Expanded uncertainty of `distance_mm` at 95 %."""
        return self._u95("distance_mm") or 0.0

    @property
    def mean_speed_mm_s(self) -> float:
        """Travel over duration."""
        return self._estimate("mean_speed_mm_s") or 0.0

    @property
    def mean_speed_u95_mm_s(self) -> float:
        """Expanded uncertainty of `mean_speed_mm_s` at 95 %."""
        return self._u95("mean_speed_mm_s") or 0.0

    @property
    def slowest_speed_mm_s(self) -> float | None:
        """Lowest mean speed held for the hold time; None when there was no such stretch."""
        return self._estimate("slowest_speed_mm_s")

    @property
    def slowest_speed_u95_mm_s(self) -> float | None:
        """Expanded uncertainty of `slowest_speed_mm_s` at 95 %."""
        return self._u95("slowest_speed_mm_s")

    @property
    def ripple(self) -> float | None:
        """Standard deviation of speed in the band over mean speed; see `ripple_seen`."""
        return self._estimate("ripple")

    @property
    def ripple_u95(self) -> float | None:
        """Expanded uncertainty of `ripple` at 95 %."""
        return self._u95("ripple")

    @property
    def rollback_mm(self) -> float:
        """Backward travel beyond the noise, in all."""
        return self._estimate("rollback_mm") or 0.0

    @property
    def start_jump(self) -> float | None:
        """Peak speed of the first 0.5 s over the steady speed after it; None without a start."""
        return self._estimate("start_jump")

    @property
    def fingerprint(self) -> str:
        """Proof of the reference frame's picture."""
        return self.fingerprints[self.frame]

    @property
    def budget(self) -> dict[str, list[dict[str, str | float | None]]]:
        """Budget rows keyed by value."""
        return {name: budget.rows(_unit(name)) for name, budget in self.budgets.items()}

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""
        out: dict[str, object] = {}
        for name, value in self.values.items():
            unit = _unit(name)
            base = name.removesuffix(f"_{unit}") if unit else name
            out |= named(base, unit, value)
        return out | {
            "ripple_band_hz": list(self.ripple_band_hz),
            "ripple_span_s": None if self.ripple_span_s is None else list(self.ripple_span_s),
            "ripple_below_noise_floor": None if self.ripple_seen is None else not self.ripple_seen,
            "ripple_noise_floor": self.ripple_floor,
            "ripple_orders": self.ripple_orders,
            "stalls": self.stalls,
            "phases": self.phases,
            "moved": self.moved,
            "wheels": self.wheels,
            "slip": self.slip,
            "grade": None,
            "stall_limit_mm_s": self.stall_limit_mm_s,
            "stood_at_start_s": self.stood_at_start_s,
            "stood_at_end_s": self.stood_at_end_s,
            "rollback_largest_mm": self.rollback_largest_mm,
            "rollback_threshold_mm": self.rollback_threshold_mm,
            "noise_floor_mm_s": self.noise_floor_mm_s,
            "noise_source": self.noise_source,
            "window_s": self.window_s,
            "shake_px": None if math.isnan(self.shake_px) else self.shake_px,
            "camera": self.camera,
            "budget": self.budget,
            "frame": self.frame,
            "t_s": self.t_s,
            "clip_sha256": self.clip_sha256,
            "fingerprint": self.fingerprint,
            "first_frame": self.first_frame,
            "last_frame": self.last_frame,
            "first_fingerprint": self.fingerprints.get(self.first_frame),
            "last_fingerprint": self.fingerprints.get(self.last_frame),
            "warnings": list(self.warnings),
            "settings": self.settings,
            "versions": {
                "clipmark": __version__,
                "numpy": np.__version__,
                "pandas": pd.__version__,
            },
        }

    def write_trace(self, path: str | PathLike[str]) -> None:
        """Write the trace as CSV, whole or not at all; raises `FolderError` when it cannot be."""
        write_table(self.table, Path(path))


def _unit(name: str) -> str:
    """Unit that a value's name ends in."""
    return UNITS.get(name, "mm_s")
