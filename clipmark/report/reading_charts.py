"""The chart of a reading that followed something: of a crawl, a side tilt, a climb."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pandas as pd

from clipmark.report.climb_chart import draw_climb
from clipmark.report.tilt_chart import draw_tilt
from clipmark.report.trace_chart import draw_trace

DRAWN_BY: dict[str, Callable[[Mapping[str, object], pd.DataFrame, Path], None]] = {
    "crawl": draw_trace,
    "tilt": draw_tilt,
    "climb": draw_climb,
}


def draw_reading(
    measure: str, result: Mapping[str, object], table: pd.DataFrame, path: Path
) -> None:
    """Draw a reading from its JSON form and its trace; raises what drawing that measure raises."""
    DRAWN_BY[measure](result, table, path)
