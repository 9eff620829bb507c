"""Traces and charts of saved crawls made anew from journal and clips, as after a deleted folder."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from clipmark.audit.compare import compare_results
from clipmark.audit.repeat import repeat_crawl, true_fps_of
from clipmark.cli.app import DONE, told_of
from clipmark.cli.batch_call import Called
from clipmark.cli.show import json_text
from clipmark.clip import open_clip
from clipmark.errors import AuditError, ClipmarkError
from clipmark.evidence import keep_chart, keep_trace
from clipmark.record.canonical import JsonObject
from clipmark.record.folder import EventFolder
from clipmark.record.texts import plain

EVIDENCE = "evidence"  # in place of a verb


def make_evidence(folder: Path, attempt_id: str) -> Called:
    """Measure the crawl of a saved attempt once more and keep its trace and chart beside it.

    A crawl that does not come back gets none: they would be of another reading.
    """
    try:
        return Called(DONE, json_text(_made(folder, attempt_id)))
    except Exception as error:
        sentence, status = told_of("clipmark batch --evidence", error)
        return Called(status, sentence)


def _made(folder: Path, attempt_id: str) -> dict[str, object]:
    event = EventFolder.open(folder)  # never closed: nothing is saved, so nothing has to follow
    saved = event.attempt(attempt_id)
    reading = saved.attempt.reading("crawl")
    clip = saved.attempt.clip
    if reading is None or clip is None:
        raise AuditError(f"attempt {attempt_id} has no crawl reading with a clip to draw")
    with open_clip(event.find_clip(clip), true_fps=true_fps_of(saved.attempt, reading)) as footage:
        crawl = repeat_crawl(footage, saved.attempt, reading)
    now = cast(JsonObject, plain(crawl.to_dict()))
    if compare_results(reading.result, now).sameness == "changed":
        raise AuditError(
            f"the crawl of attempt {attempt_id} does not come back as it was saved, so that its "
            f"trace would be of another reading; see clipmark audit replay {folder} {attempt_id}"
        )
    trace = keep_trace(folder, attempt_id, reading.result, crawl.table, chart=False)
    if trace is None:
        raise ClipmarkError(
            f"the trace of attempt {attempt_id} cannot be written under {folder / 'evidence'}; "
            "check the rights and the space there"
        )
    chart = keep_chart(folder, attempt_id, reading.result, crawl.table)
    return {
        "attempt": attempt_id,
        "revision": saved.revision,
        "clip_sha256": clip.sha256,
        "trace": trace.relative_to(folder).as_posix(),
        "chart": None if chart is None else chart.relative_to(folder).as_posix(),
    }
