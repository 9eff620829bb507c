"""What is kept beside the journal of an attempt, handed to the report by whoever keeps it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from clipmark.report.html import Inlined, svg_inlined
from clipmark.report.story import AttemptStory

MEASURES = ("tilt", "climb", "crawl")
WORDS = {"tilt": "side tilt", "climb": "attempt at the board", "crawl": "crawl"}
CAPTIONS = {
    "tilt": "Platform, roll to it and gap over time, with the events of the tilt",
    "climb": "Way, speed and chassis to ramp over time, with what happened when",
    "crawl": "Position and speed over time",
}


@dataclass(frozen=True)
class Kept:
    """Traces and charts of readings; each None where it is not kept.

    Attributes
    ----------
    trace : callable
        Given an attempt and a measure, the trace of its reading.
    chart : callable
        The same for its chart, an SVG file.
    """

    trace: Callable[[AttemptStory, str], pd.DataFrame | None]
    chart: Callable[[AttemptStory, str], bytes | None]

    def followed(self, story: AttemptStory) -> pd.DataFrame | None:
        """The trace of what was followed through the attempt's clip."""
        return self.trace(story, story.followed) if story.followed else None

    def charts(self, story: AttemptStory) -> list[tuple[str, bytes, Inlined]]:
        """Measure, file and picture of every chart that is kept of an attempt."""
        found = []
        for measure in MEASURES:
            if story.attempt.reading(measure) is None:
                continue
            drawn = self.chart(story, measure)
            if drawn is not None:
                told = f"Chart of the {WORDS[measure]} of {story.title}"
                found.append((measure, drawn, svg_inlined(drawn, told, f"{CAPTIONS[measure]}.")))
        return found

    def missing(self, story: AttemptStory) -> str:
        """What is not shown since a trace is gone; empty where all is there."""
        measure = story.followed
        if measure not in ("tilt", "climb") or self.trace(story, measure) is not None:
            return ""
        return (
            f"The trace of this {WORDS[measure]} is not kept any more, so neither its chart nor "
            "the lines as they were followed are shown; a report made with --measure-again has "
            "them back."
        )
