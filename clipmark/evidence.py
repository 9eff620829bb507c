"""Traces and charts kept beside the journal: what was followed is drawn without measuring again.

They lie under ``evidence/``, named after the reading they belong to (a crawl, a side tilt, a
climb), and may be deleted at any time: a measurement makes them anew.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from clipmark.errors import ClipmarkError
from clipmark.measure.crawl_table import write_table
from clipmark.record.canonical import canonical_bytes
from clipmark.record.texts import plain

TRACED: dict[str, frozenset[str]] = {  # measures that leave a trace, and columns it cannot lack
    "crawl": frozenset({"t_s", "s_mm", "v_mm_s", "u_v_mm_s"}),
    "tilt": frozenset({"t_s", "platform_deg", "chassis_deg", "tilt_deg", "frame"}),
    "climb": frozenset({"t_s", "chassis_to_ramp_deg", "frame"}),
}
GIVEN_BY_SHEET = ("grade", "reverse_call")  # follow from reading and rule sheet


def as_measured(result: Mapping[str, object]) -> dict[str, object]:
    """A reading without what the rule sheet makes of it."""
    return {name: value for name, value in result.items() if name not in GIVEN_BY_SHEET}


def trace_path(
    event: Path, attempt_id: str, result: Mapping[str, object], measure: str = "crawl"
) -> Path:
    """Where the trace of a reading lies; the name holds a hash of the reading itself.

    What the rule sheet makes of a reading is left out of the hash: the trace is the same before
    and after it was given.
    """
    proof = hashlib.sha256(canonical_bytes(plain(as_measured(result)))).hexdigest()[:16]
    return event / "evidence" / attempt_id / f"{measure}-{proof}.csv"


def chart_path(
    event: Path, attempt_id: str, result: Mapping[str, object], measure: str = "crawl"
) -> Path:
    """Where the chart of a reading lies: beside its trace."""
    return trace_path(event, attempt_id, result, measure).with_suffix(".svg")


def keep_trace(
    event: Path,
    attempt_id: str,
    result: Mapping[str, object],
    table: pd.DataFrame,
    *,
    measure: str = "crawl",
    chart: bool = True,
) -> Path | None:
    """Write the trace of a saved reading, and its chart unless that is to be drawn later.

    None where the trace cannot be written, since it can be made anew.
    """
    place = trace_path(event, attempt_id, result, measure)
    with contextlib.suppress(OSError, ClipmarkError):
        place.parent.mkdir(parents=True, exist_ok=True)
        write_table(table, place)
        if chart:
            keep_chart(event, attempt_id, result, table, measure)
        return place
    return None


def keep_chart(
    event: Path,
    attempt_id: str,
    result: Mapping[str, object],
    table: pd.DataFrame,
    measure: str = "crawl",
) -> Path | None:
    """Draw a reading beside its trace; None where that cannot be, since it can be made anew."""
    # The drawing library takes a third of a second to load: only when something is drawn.
    from clipmark.report.reading_charts import draw_reading

    place = chart_path(event, attempt_id, result, measure)
    with contextlib.suppress(OSError, ClipmarkError):
        place.parent.mkdir(parents=True, exist_ok=True)
        draw_reading(measure, result, table, place)
        return place
    return None


def kept_trace(
    event: Path, attempt_id: str, result: Mapping[str, object], measure: str = "crawl"
) -> pd.DataFrame | None:
    """The trace of exactly this reading, or None where none is kept or it cannot be read."""
    place = trace_path(event, attempt_id, result, measure)
    try:
        table = pd.read_csv(place)
    except (OSError, ValueError):
        return None
    return table if set(table.columns) >= TRACED[measure] else None


def kept_chart(
    event: Path, attempt_id: str, result: Mapping[str, object], measure: str = "crawl"
) -> bytes | None:
    """The chart of exactly this reading as an SVG file; drawn anew from its trace where it is gone.

    None where there is no trace either.
    """
    place = chart_path(event, attempt_id, result, measure)
    if not place.is_file():
        table = kept_trace(event, attempt_id, result, measure)
        if table is None or keep_chart(event, attempt_id, result, table, measure) is None:
            return None
    try:
        return place.read_bytes()
    except OSError:
        return None
