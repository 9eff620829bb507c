"""What a trace chart shows, taken out of a crawl reading in its JSON form.

Every part is optional: readings of older versions hold less, and so does footage that cannot tell.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from clipmark.uncertainty.digits import digits_for, number_of

FloatArray = NDArray[np.float64]
LONGEST_STEP = 3.0  # times the usual: a longer one between two frames is a gap too
_TURNING = re.compile(r"^wheel([1-9][0-9]*)_deg_s$")


@dataclass(frozen=True)
class Phase:
    """One phase: from, to (s), its name, and how it moved, in words (may be empty)."""

    from_s: float
    until_s: float
    name: str
    told: str = ""


@dataclass(frozen=True)
class Stall:
    """One stall: from, to (s)."""

    from_s: float
    until_s: float


@dataclass(frozen=True)
class Gap:
    """A stretch in which the body has no place: from, to (s), why."""

    from_s: float
    until_s: float
    why: str


@dataclass(frozen=True)
class Jump:
    """A start jump: from which instant, its peak and the steady speed after it, mm/s."""

    from_s: float
    until_s: float
    peak_mm_s: float
    steady_mm_s: float
    ratio: float


@dataclass(frozen=True, eq=False)
class WheelTrace:
    """How one wheel turns.

    Attributes
    ----------
    number : int
        As in the table's columns, from 1.
    values : ndarray, shape (n,)
        Speed of its surface, mm/s; or of its turning, deg/s, where no diameter is known.
    unit : str
        Which of the two.
    """

    number: int
    values: FloatArray
    unit: str


def column(table: pd.DataFrame, name: str) -> FloatArray:
    """A column of a trace as numbers, NaN where there is none, shape (n,)."""
    return np.asarray(pd.to_numeric(table[name], errors="coerce"), dtype=np.float64)


def rows_of(value: object) -> list[Mapping[str, object]]:
    """The objects of a JSON list; empty for null and anything else."""
    if not isinstance(value, Sequence) or isinstance(value, (str, bytes)):
        return []
    return [item for item in value if isinstance(item, Mapping)]


def phases_in(result: Mapping[str, object]) -> list[Phase]:
    """Phases of a reading in order of time."""
    found = []
    for row in rows_of(result.get("phases")):
        start, end = number_of(row.get("t_s")), number_of(row.get("until_s"))
        if start is None or end is None or not end > start:
            continue
        found.append(Phase(start, end, str(row.get("phase") or "phase"), _how(row)))
    return sorted(found, key=lambda phase: phase.from_s)


def _how(row: Mapping[str, object]) -> str:
    """How a phase moved: ``wheels locked, sliding``; empty where nothing stands out."""
    words = []
    wheels, moved = row.get("wheels"), row.get("moved_by")
    if wheels in ("locked", "spinning"):
        words.append(f"wheels {wheels}")
    if moved in ("sliding", "rolling freely"):
        words.append(str(moved))
    return ", ".join(words)


def stalls_in(result: Mapping[str, object]) -> list[Stall]:
    """Stalls that were not commanded, in order of time."""
    found = []
    for row in rows_of(result.get("stalls")):
        start, dwell = number_of(row.get("t_s")), number_of(row.get("dwell_s"))
        if start is not None and dwell is not None and row.get("commanded") is not True:
            found.append(Stall(start, start + dwell))
    return sorted(found, key=lambda stall: stall.from_s)


def gaps_in(table: pd.DataFrame) -> list[Gap]:
    """Stretches without a place, and frames that are missing, with what is said of them."""
    times = table["t_s"].to_numpy(dtype=np.float64)
    lost = ~np.isfinite(table["s_mm"].to_numpy(dtype=np.float64))
    reasons = words_of(table["gap"]) if "gap" in table.columns else None
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost.astype(np.int8), [0]])))
    found = [
        Gap(float(times[a]), float(times[b - 1]), reasons[a] if reasons else "")
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]
    for at in missing_after(times).tolist():
        if not (lost[at - 1] or lost[at]):
            found.append(Gap(float(times[at - 1]), float(times[at]), "no frames"))
    return sorted(found, key=lambda gap: gap.from_s)


def words_of(column: pd.Series) -> list[str]:
    """Texts of a column, empty for unknown; a trace read from a file has none where all are."""
    return ["" if pd.isna(value) else str(value) for value in column]


def stretches(table: pd.DataFrame, column: str, what: str) -> list[tuple[float, float, str, str]]:
    """Stretches in which a column names a reason: from s, to s, ``what lost: reason``, ``what``."""
    if column not in table.columns:
        return []
    times = table["t_s"].to_numpy(dtype=np.float64)
    reasons = np.array(words_of(table[column]))
    edges = np.flatnonzero(np.concatenate([[True], reasons[1:] != reasons[:-1], [True]]))
    return [
        (float(times[a]), float(times[b - 1]), f"{what} lost: {reasons[a]}", f"{what} lost")
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        if reasons[a]
    ]


def missing_after(times_s: FloatArray) -> NDArray[np.int64]:
    """Indices of the rows before which frames are missing."""
    steps = np.diff(times_s)
    usual = float(np.median(steps)) if len(steps) else 0.0
    if not usual > 0:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.flatnonzero(steps > LONGEST_STEP * usual) + 1, dtype=np.int64)


def jumps_in(result: Mapping[str, object], times_s: FloatArray, speed: FloatArray) -> list[Jump]:
    """Start jumps with the marks that show them: the peak's window and the steady speed after."""
    starts = [
        (number_of(row.get("t_s")), number_of(row.get("until_s")), number_of(row.get("start_jump")))
        for row in rows_of(result.get("phases"))
    ]
    if not any(ratio for _, _, ratio in starts) and len(times_s):
        stood = number_of(result.get("stood_at_start_s")) or 0.0
        starts = [
            (float(times_s[0]) + stood, float(times_s[-1]), number_of(result.get("start_jump")))
        ]
    found = []
    for start, end, ratio in starts:
        if start is None or end is None or not ratio or ratio <= 0:
            continue
        window = (times_s >= start) & (times_s <= start + 0.5) & np.isfinite(speed)
        if window.any():
            peak = float(speed[window][np.argmax(np.abs(speed[window]))])
            found.append(Jump(start, end, peak, peak / ratio, ratio))
    return found


def wheels_in(table: pd.DataFrame) -> list[WheelTrace]:
    """How each followed wheel turns, as the speed of its surface where that is known."""
    found = []
    for column in table.columns:
        match = _TURNING.match(str(column))
        if match is None:
            continue
        number = int(match[1])
        for name, unit in ((f"wheel{number}_surface_mm_s", "mm/s"), (str(column), "deg/s")):
            values = pd.to_numeric(table[name]).to_numpy(float) if name in table.columns else None
            if values is not None and np.isfinite(values).any():
                found.append(WheelTrace(number, values, unit))
                break
    return found


def figure_words(result: Mapping[str, object], name: str, unit: str) -> str | None:
    """``20.10 ± 0.05 mm/s`` of a value, to two figures of its uncertainty; None where unknown."""
    tail = f"_{unit.replace('/', '_')}" if unit else ""
    value = number_of(result.get(f"{name}{tail}"))
    u95 = number_of(result.get(f"{name}_u95{tail}"))
    if value is None:
        return None
    after = f" {unit}" if unit else ""
    if u95 is None:
        return f"{value:.4g}{after}"
    places = digits_for(u95)
    return f"{value:.{places}f} \N{PLUS-MINUS SIGN} {u95:.{places}f}{after}"
