"""Traces and charts kept beside the journal: a signed crawl is drawn without measuring it again.

They lie under ``evidence/``, named after the reading they belong to, and may be deleted at any
time: a measurement makes them anew.
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

NEEDED = {  # columns without which nothing can be drawn
    "crawl": {"t_s", "s_mm", "v_mm_s", "u_v_mm_s"},
    "climb": {"t_s"},
    "tilt": {"t_s", "platform_deg", "chassis_to_platform_deg"},
}


def trace_path(
    event: Path, attempt_id: str, result: Mapping[str, object], measure: str = "crawl"
) -> Path:
    """Where the trace of a reading lies; the name holds a hash of the reading itself.

    The grade is left out of the hash: it follows from reading and rule sheet, and the trace is the
    same before and after it was given.
    """
    measured = {name: value for name, value in result.items() if name != "grade"}
    proof = hashlib.sha256(canonical_bytes(plain(measured))).hexdigest()[:16]
    return event / "evidence" / attempt_id / f"{measure}-{proof}.csv"


def chart_path(event: Path, attempt_id: str, result: Mapping[str, object]) -> Path:
    """Where the chart of a crawl reading lies: beside its trace."""
    return trace_path(event, attempt_id, result).with_suffix(".svg")


def keep_trace(
    event: Path,
    attempt_id: str,
    result: Mapping[str, object],
    table: pd.DataFrame,
    *,
    chart: bool = True,
    measure: str = "crawl",
) -> Path | None:
    """Write the trace of a saved crawl, and its chart unless that is to be drawn later.

    Of a climb or a tilt (`measure`) no chart is drawn.

    None where the trace cannot be written, since it can be made anew.
    """
    place = trace_path(event, attempt_id, result, measure)
    with contextlib.suppress(OSError, ClipmarkError):
        place.parent.mkdir(parents=True, exist_ok=True)
        write_table(table, place)
        if chart and measure == "crawl":
            keep_chart(event, attempt_id, result, table)
        return place
    return None


def keep_chart(
    event: Path, attempt_id: str, result: Mapping[str, object], table: pd.DataFrame
) -> Path | None:
    """Draw a saved crawl beside its trace; None where that cannot be, since it can be made anew."""
    # The drawing library takes a third of a second to load: only when something is drawn.
    from clipmark.report.trace_chart import draw_trace

    place = chart_path(event, attempt_id, result)
    with contextlib.suppress(OSError, ClipmarkError):
        place.parent.mkdir(parents=True, exist_ok=True)
        draw_trace(result, table, place)
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
    return table if NEEDED[measure] <= set(table.columns) else None
