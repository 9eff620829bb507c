"""A report of an event folder: what it holds, scored, put into a folder of files.

Joins the rooms of record, scoring, evidence and report; the command line and the page call it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from clipmark.errors import RecordError
from clipmark.evidence import kept_chart, kept_trace
from clipmark.record.folder import EventFolder
from clipmark.record.hidden_areas import HiddenArea, kept_areas
from clipmark.record.rule_sheet import RuleSheet, read_rule_sheet
from clipmark.report.from_scoring import results_view
from clipmark.report.kept import Kept
from clipmark.report.make import Maker, Step, Wanted
from clipmark.report.out_folder import PAGE_NAME, made_aside, put
from clipmark.report.story import AttemptStory, stories_of
from clipmark.report.views import Results
from clipmark.retrace import bring_back
from clipmark.scoring.score import score_event


@dataclass(frozen=True)
class ReportPaths:
    """What a report wrote.

    Attributes
    ----------
    folder, page : Path
    files : tuple of Path
        Everything, the page among it.
    left_out : mapping of str to sequence of str
        By attempt, a sentence for each thing that could not be shown.
    notes : sequence of str
        What an operator must know.
    """

    folder: Path
    page: Path
    files: tuple[Path, ...]
    left_out: Mapping[str, Sequence[str]]
    notes: Sequence[str]


def report_of_event(
    folder: Path | str,
    *,
    out: Path | None = None,
    attempts: Sequence[str] = (),
    wanted: Wanted | None = None,
    step: Step | None = None,
    measure_again: bool = False,
) -> ReportPaths:
    """Write the report of an event.

    Parameters
    ----------
    folder : path
        The event folder.
    out : Path, optional
        Where to; ``report/`` of the event folder when left out.
    attempts : sequence of str
        Only these, without standings; all when empty.
    wanted : Wanted, optional
        Clips, areas to hide and the like. Areas kept in the event folder are always hidden.
    step : callable, optional
        Told what is being made, how many are done, and of how many.
    measure_again : bool
        Readings whose trace is not kept any more are repeated from journal and clip, and kept
        again where they come out as they were saved.

    Raises
    ------
    FolderError, RecordError
        When the event cannot be read, an attempt is not there, or the folder cannot be written;
        an older report then stays as it was.
    """
    target = Path(folder) / "report" if out is None else out
    asked = wanted or Wanted()
    named = list(attempts)
    if named and asked.side_by_side is not None:
        named += [each for each in asked.side_by_side if each not in named]
    with EventFolder.open(folder) as event:
        sheet = read_rule_sheet(event.path)
        stories = stories_of(event, named, sheet)
        if asked.side_by_side is not None:
            stories_of(event, asked.side_by_side)  # refuses one that is not there
        asked = replace(asked, hidden=_joined(kept_areas(event.path), asked.hidden))
        refused = bring_back(event, stories, step) if measure_again else {}
        with made_aside(target) as made:
            maker = Maker(
                event, sheet, stories, results_of(event, sheet), asked, _kept(event.path), made,
                *([step] if step else []),
            )  # fmt: skip
            for attempt, told in refused.items():
                maker.left_out[attempt] += told
            page = maker.make(standings=not named)
            files = put(made, target)
        left_out = {key: told for key, told in maker.left_out.items() if told}
    return ReportPaths(target, target / PAGE_NAME, tuple(files), left_out, page.notes)


def results_of(event: EventFolder, sheet: RuleSheet | None = None) -> Results:
    """The event scored, as a report shows it; a sentence where the rule sheet cannot be scored."""
    try:
        return results_view(score_event(event), sheet)
    except RecordError as error:
        told = " ".join(str(error).split()).replace(f"{event.path}/", "")
        return Results(notes=[f"Nothing is scored: {told.rstrip('.')}."])


def _kept(event: Path) -> Kept:
    """Traces and charts as they lie beside the journal."""

    def trace(story: AttemptStory, measure: str) -> pd.DataFrame | None:
        reading = story.attempt.reading(measure)
        return None if reading is None else kept_trace(event, story.id, reading.result, measure)

    def chart(story: AttemptStory, measure: str) -> bytes | None:
        reading = story.attempt.reading(measure)
        return None if reading is None else kept_chart(event, story.id, reading.result, measure)

    return Kept(trace, chart)


def _joined(
    kept: Mapping[str, Sequence[HiddenArea]], given: Mapping[str, Sequence[HiddenArea]]
) -> dict[str, tuple[HiddenArea, ...]]:
    return {
        clip: tuple(dict.fromkeys([*kept.get(clip, ()), *given.get(clip, ())]))
        for clip in {**kept, **given}
    }
