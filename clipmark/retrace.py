"""Traces that are not kept any more, brought back: readings repeated from the journal and the clip.

Joins the rooms of record, audit and evidence. A trace is kept again only where the reading comes
out as it was saved, so that a chart never shows another measurement than the figures beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import cast

import pandas as pd

from clipmark.audit.compare import compare_results
from clipmark.audit.repeat import repeat_traced, true_fps_of
from clipmark.clip import open_clip
from clipmark.errors import ClipmarkError
from clipmark.evidence import TRACED, keep_trace, kept_trace
from clipmark.record.canonical import JsonObject
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading
from clipmark.record.texts import plain
from clipmark.report.story import AttemptStory

Step = Callable[[str, int, int], None]


def bring_back(
    event: EventFolder, stories: Sequence[AttemptStory], step: Step | None = None
) -> dict[str, list[str]]:
    """Measure again what has no trace any more; by attempt, why it could not be brought back.

    Parameters
    ----------
    event : EventFolder
    stories : sequence of AttemptStory
    step : callable, optional
        Told what is being done, how many readings are done, and of how many.
    """
    gone = [
        (story, reading)
        for story in stories
        for reading in story.attempt.readings
        if reading.measure in TRACED
        and kept_trace(event.path, story.id, reading.result, reading.measure) is None
    ]
    refused: dict[str, list[str]] = {}
    for done, (story, reading) in enumerate(gone):
        if step is not None:
            step("measuring again", done, len(gone))
        try:
            table = trace_again(event, story.attempt, reading)
        except ClipmarkError as error:
            told = " ".join(str(error).split()).rstrip(".").replace(f"{event.path}/", "")
            refused.setdefault(story.id, []).append(
                f"The {reading.measure} could not be measured again: {told}."
            )
            continue
        if table is None:
            refused.setdefault(story.id, []).append(
                f"The {reading.measure} comes out differently when it is measured again, so its "
                "trace is not shown; `clipmark audit replay` says by how much."
            )
            continue
        keep_trace(event.path, story.id, reading.result, table, measure=reading.measure)
    return refused


def trace_again(event: EventFolder, attempt: Attempt, reading: Reading) -> pd.DataFrame | None:
    """The trace of a reading, repeated; None where the reading does not come out as it was.

    Raises
    ------
    ClipmarkError
        When the clip is nowhere, or the reading cannot be repeated.
    """
    if attempt.clip is None:
        return None
    place = event.find_clip(attempt.clip)
    with open_clip(place, true_fps=true_fps_of(attempt, reading)) as clip:
        result, table = repeat_traced(clip, attempt, reading)
    found = compare_results(reading.result, cast(JsonObject, plain(result)))
    return None if found.sameness == "changed" else table
