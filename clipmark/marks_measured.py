"""Everything that a marks file asks for, measured: angle, side tilt, climb, crawl."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pandas as pd

from clipmark.clip import Clip
from clipmark.marks_file import (
    MarksFile,
    Progress,
    angle_from,
    climb_from,
    crawl_from,
    tilt_from,
)

Traced = Callable[[str, pd.DataFrame], None]  # measure, its trace


def measure_marks(
    clip: Clip,
    marks: MarksFile,
    progress: Progress | None = None,
    traced: Traced | None = None,
    join: Mapping[str, object] | None = None,
) -> dict[str, dict[str, object]]:
    """Measure everything a marks file asks for; results by measure, as ``--json`` prints them.

    Parameters
    ----------
    clip : Clip
    marks : MarksFile
    progress : callable, optional
        Called with frames done and frames in all.
    traced : callable, optional
        Given the trace of whatever was followed, which is no part of the results.
    join : mapping, optional
        The result of the same truck's tilt to the other side.

    Raises
    ------
    ClipmarkError
        Of any kind the measurements raise; a sentence.
    """
    results: dict[str, dict[str, object]] = {}
    if "angle" in marks.measure:
        results["angle"] = angle_from(clip, marks).to_dict()
    followed: list[tuple[str, dict[str, object], pd.DataFrame]] = []
    if "tilt" in marks.measure:
        tilt = tilt_from(clip, marks, progress, join)
        followed.append(("tilt", tilt.to_dict(), tilt.table))
    if "climb" in marks.measure:
        climb = climb_from(clip, marks, progress)
        followed.append(("climb", climb.to_dict(), climb.table))
    if "crawl" in marks.measure:
        crawl = crawl_from(clip, marks, progress)
        followed.append(("crawl", crawl.to_dict(), crawl.table))
    for measure, result, table in followed:
        results[measure] = result
        if traced is not None:
            traced(measure, table)
    return results
