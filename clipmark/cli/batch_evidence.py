"""Traces and charts of saved readings made anew from journal and clips."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from clipmark.cli.app import DONE, told_of
from clipmark.cli.batch_call import Called
from clipmark.cli.show import json_text
from clipmark.errors import AuditError, ClipmarkError
from clipmark.evidence import TRACED, keep_chart, keep_trace
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading
from clipmark.retrace import trace_again

EVIDENCE = "evidence"  # in place of a verb


def make_evidence(folder: Path, attempt_id: str) -> Called:
    """Measure what leaves a trace in a saved attempt once more; keep traces and charts beside it.

    A reading that does not come back gets none: they would be of another one.
    """
    try:
        return Called(DONE, json_text(_made(folder, attempt_id)))
    except Exception as error:
        sentence, status = told_of("clipmark batch --evidence", error)
        return Called(status, sentence)


def _made(folder: Path, attempt_id: str) -> dict[str, object]:
    event = EventFolder.open(folder)  # never closed: nothing is saved, so nothing has to follow
    saved = event.attempt(attempt_id)
    clip = saved.attempt.clip
    traced = [reading for reading in saved.attempt.readings if reading.measure in TRACED]
    if not traced or clip is None:
        raise AuditError(f"attempt {attempt_id} has no reading with a clip that leaves a trace")
    files: list[Path] = []
    for reading in traced:
        table = trace_again(event, saved.attempt, reading)
        if table is None:
            raise AuditError(
                f"the {reading.measure} of attempt {attempt_id} does not come back as it was "
                "saved, so that its trace would be of another reading; see clipmark audit replay "
                f"{folder} {attempt_id}"
            )
        files += _kept(folder, attempt_id, reading, table)
    return {
        "attempt": attempt_id,
        "revision": saved.revision,
        "clip_sha256": clip.sha256,
        "files": [each.relative_to(folder).as_posix() for each in files],
    }


def _kept(folder: Path, attempt_id: str, reading: Reading, table: pd.DataFrame) -> list[Path]:
    measure = reading.measure
    trace = keep_trace(folder, attempt_id, reading.result, table, measure=measure, chart=False)
    if trace is None:
        raise ClipmarkError(
            f"the trace of attempt {attempt_id} cannot be written under {folder / 'evidence'}; "
            "check the rights and the space there"
        )
    chart = keep_chart(folder, attempt_id, reading.result, table, measure)
    return [trace] if chart is None else [trace, chart]
