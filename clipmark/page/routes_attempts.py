"""Attempts and drafts: listed, opened, kept, signed."""

from __future__ import annotations

import contextlib
from typing import Annotated, Any

import pandas as pd
from fastapi import APIRouter, BackgroundTasks, Path, Response
from fastapi.responses import JSONResponse

from clipmark.errors import FolderError, MarkError, PageError, RevisionError
from clipmark.evidence import keep_chart, keep_trace, kept_trace
from clipmark.page.bodies import (
    Answer,
    DraftKey,
    DraftPut,
    HeldRefusal,
    Kept,
    NewerRefusal,
    RecordId,
    SignAsked,
    Signed,
    finite,
)
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.drafts import HeldError
from clipmark.page.jobs import MOTIONS
from clipmark.page.measuring import Results, motion_key, readings_of, recorded_span, results_for
from clipmark.page.traces import Trace, trace_of
from clipmark.record.changes import changes_by_revision
from clipmark.record.clips import reference
from clipmark.record.draft import AttemptDraft
from clipmark.record.folder import SavedAttempt
from clipmark.record.models import Attempt, ClipRef, JournalLine
from clipmark.record.readings import beside
from clipmark.record.texts import as_model
from clipmark.signing import FROM_MARKS, draft_from_attempt, sign_attempt

router = APIRouter(tags=["attempts"])
RevisionNumber = Annotated[int, Path(ge=1, le=10_000_000)]
READING_COLUMNS = {"angle": ("ramp_deg", "chassis_deg"), "crawl": ("mean_speed_mm_s",)}


@router.get("/attempts")
def attempts(desk: DeskOf) -> Answer:
    """The newest revision of every attempt, one row each."""
    keys = desk.drafts.keys()
    with desk.event_lock:
        saved = desk.event.attempts()
    return {"attempts": [_row(item, keys) for item in saved]}


@router.get("/attempts/{id}")
def attempt(id: RecordId, desk: DeskOf) -> Answer:
    """One attempt: as the journal has it, as a draft, and its readings."""
    saved = _saved(desk, id)
    traces = _traces(desk, saved)
    return {**_whole(saved), "trace": traces["crawl"], "traces": traces}


def _traces(desk: Desk, saved: SavedAttempt) -> dict[str, Trace | None]:
    """What is kept of the motions of an attempt, for drawing."""
    found: dict[str, Trace | None] = {}
    for measure in MOTIONS:
        reading = saved.attempt.reading(measure)
        table = None
        if reading is not None:
            table = kept_trace(desk.event_path, saved.id, reading.result, measure)
        found[measure] = None if table is None else trace_of(table)
    return found


@router.get("/attempts/{id}/history")
def history(id: RecordId, desk: DeskOf) -> Answer:
    """Every revision of one attempt, oldest first, with what each changed in the one before."""
    return {
        "revisions": [
            {
                "revision": line.revision,
                "at": line.at,
                "by": line.by,
                "sha256": line.sha256,
                "seq": line.seq,
                "changes": [vars(change) for change in changes],
            }
            for line, changes in changes_by_revision(_lines(desk, id))
        ]
    }


@router.get("/attempts/{id}/revisions/{revision}")
def revision(id: RecordId, revision: RevisionNumber, desk: DeskOf) -> Answer:
    """One revision, as a draft too; signed, it goes on top of the newest one."""
    lines = _lines(desk, id)
    found = next((line for line in lines if line.revision == revision), None)
    if found is None:
        raise PageError(
            f"attempt {id} has no revision {revision}, its newest is {lines[-1].revision}; open "
            "the list again"
        )
    old = as_model(Attempt, found.body, f"revision {revision} of attempt {id}")
    return {
        "id": id,
        "revision": revision,
        "newest": lines[-1].revision,
        "by": found.by,
        "at": found.at,
        "body": found.body,
        "draft": draft_from_attempt(old, id, lines[-1].revision).plain(),
        "readings": readings_of(old),
    }


@router.get("/drafts")
def drafts(desk: DeskOf) -> Answer:
    """What is marked but not signed, newest first."""
    return {
        "drafts": [
            {
                "key": kept.key,
                "attempt": kept.draft.attempt,
                "at": kept.at,
                "holder": kept.holder,
                "entry": kept.draft.details.entry,
                "test": kept.draft.details.test,
                "step_deg": kept.draft.details.step_deg,
                "try_no": kept.draft.details.try_no,
                "clip": kept.draft.clip,
            }
            for kept in desk.drafts.all()
        ]
    }


@router.get("/drafts/{key}")
def draft(key: DraftKey, desk: DeskOf) -> Answer:
    """One draft."""
    kept = desk.drafts.get(key)
    return {"key": kept.key, "at": kept.at, "holder": kept.holder, "draft": kept.draft.plain()}


@router.put("/drafts/{key}", response_model=Kept, responses={409: {"model": HeldRefusal}})
def draft_keep(key: DraftKey, asked: DraftPut, desk: DeskOf) -> Kept | JSONResponse:
    """Keep a draft; it is on the disk when this answers."""
    try:
        at = desk.drafts.put(key, asked.holder, asked.draft, take_over=asked.take_over)
    except HeldError as error:
        refused = {"error": str(error), "holder": error.holder, "at": error.at}
        return JSONResponse(refused, 409)
    return Kept(key=key, at=at)


@router.delete("/drafts/{key}", status_code=204, response_class=Response)
def draft_drop(key: DraftKey, desk: DeskOf) -> Response:
    """Throw a draft away."""
    desk.drafts.remove(key)
    return Response(status_code=204)


@router.post("/attempts/sign", response_model=Signed, responses={409: {"model": NewerRefusal}})
def sign(asked: SignAsked, desk: DeskOf, afterwards: BackgroundTasks) -> Signed | JSONResponse:
    """Measure and save one revision, with everything in it; the answer comes after the flush.

    The same draft under the same new key is saved once only, so a lost answer may be asked again.
    """
    again = desk.drafts.signed_before(asked.key, asked.draft)
    if again is not None:
        return Signed.model_validate(again)
    draft = _continued(desk, asked.key, asked.draft)
    old = None if draft.attempt is None else _saved(desk, draft.attempt)
    base = asked.base_revision if asked.base_revision is not None else draft.base_revision
    if old is not None and base != old.revision:  # before anything is measured for nothing
        return _newer(old, base)
    before = None if old is None else old.attempt
    results = results_for(desk, draft, before)
    span, clips = recorded_span(desk, draft, before), _clip_refs(desk, draft)
    with desk.event_lock:
        again = desk.drafts.signed_before(asked.key, asked.draft)  # asked twice at once
        if again is not None:
            return Signed.model_validate(again)
        draft = _continued(desk, asked.key, draft)
        try:
            line = sign_attempt(desk.event, draft, asked.by, results, base, span=span, clips=clips)
        except RevisionError:
            if draft.attempt is None:
                raise
            return _newer(_saved(desk, draft.attempt), base)
        readings = {name: finite(_result_in(line, name)) for name in FROM_MARKS}
        signed = Signed(id=line.id, revision=line.revision, seq=line.seq, readings=readings)
        desk.drafts.note_signed(asked.key, asked.draft, signed.model_dump())
    kept = _keep_traces(desk, line.id, draft, results)
    if kept is not None:  # drawn once the answer is out
        result = _result_in(line, "crawl") or results["crawl"]
        afterwards.add_task(keep_chart, desk.event_path, line.id, result, kept)
    return signed


def _continued(desk: Desk, key: str, draft: AttemptDraft) -> AttemptDraft:
    """The draft of a new attempt that was signed already, whose answer was lost: of that one."""
    signed_as = desk.drafts.signed_as(key) if draft.attempt is None else None
    return draft if signed_as is None else draft.model_copy(update={"attempt": signed_as})


def _clip_refs(desk: Desk, draft: AttemptDraft) -> dict[str, ClipRef]:
    """Where the draft's clips lie, found before the event is locked for others."""
    found: dict[str, ClipRef] = {}
    for sha256 in (draft.clip, *(further.clip for further in draft.further_clips)):
        if sha256 is not None:
            with contextlib.suppress(PageError):  # gone since it was marked: signing names it
                path = desk.shelf.path(sha256)
                if path.is_file():
                    found[sha256] = reference(desk.event_path, path, sha256)
    return found


def _result_in(line: JournalLine, measure: str) -> dict[str, Any] | None:
    """A result as it was saved; a crawl with its grade."""
    attempt = as_model(Attempt, line.body, "the attempt")
    reading = attempt.reading(measure)
    return None if reading is None else dict(reading.result)


def _keep_traces(desk: Desk, id: str, draft: AttemptDraft, results: Results) -> pd.DataFrame | None:
    """Keep the traces of what was measured for this revision; that of a crawl, None without one."""
    crawl = None
    if draft.clip is None:
        return None
    for measure in MOTIONS:
        if measure not in results:
            continue
        # a lens file, or the attempt joined with, taken away since: measured anew then
        with contextlib.suppress(FolderError, MarkError, PageError):
            key = motion_key(desk, measure, draft.clip, draft.marks, draft.details.test)
            table = desk.jobs.table(key)
            if table is not None:
                kept = results[measure]
                keep_trace(desk.event_path, id, kept, table, chart=False, measure=measure)
                crawl = table if measure == "crawl" else crawl
    return crawl


def _lines(desk: Desk, id: str) -> list[JournalLine]:
    """Every revision of one attempt; raises `PageError` when there is none."""
    with desk.event_lock:
        lines = desk.event.history(id)
    if not lines:
        raise PageError(f"there is no attempt '{id}' in this event; open the list again")
    return lines


def _saved(desk: Desk, id: str) -> SavedAttempt:
    """One attempt; raises `PageError` when there is none."""
    with desk.event_lock:
        desk.event.journal.refresh()
        if desk.event.journal.newest("attempt", id) is None:
            raise PageError(f"there is no attempt '{id}' in this event; open the list again")
        return desk.event.attempt(id)


def _newer(saved: SavedAttempt, base: int | None) -> JSONResponse:
    """The refusal of a save over a newer revision, with that revision."""
    started = "none" if base is None else f"revision {base}"
    theirs = _whole(saved)
    sentence = (
        f"attempt {saved.id} has revision {saved.revision}, saved by {saved.line.by}, but these "
        f"marks were started from {started}; look at both, and sign the one that holds from there"
    )
    return JSONResponse({"error": sentence, "theirs": theirs}, 409)


def _whole(saved: SavedAttempt) -> dict[str, Any]:
    return {
        "id": saved.id,
        "revision": saved.revision,
        "trusted": saved.trusted,
        "by": saved.line.by,
        "at": saved.line.at,
        "body": saved.line.body,
        "draft": draft_from_attempt(saved.attempt, saved.id, saved.revision).plain(),
        "readings": readings_of(saved.attempt),
    }


def _row(saved: SavedAttempt, draft_keys: set[str]) -> dict[str, object]:
    body = saved.attempt
    row: dict[str, object] = {
        "id": saved.id,
        "revision": saved.revision,
        "trusted": saved.trusted,
        "entry": body.entry,
        "test": body.test,
        "try_no": body.try_no,
        "step_deg": body.step_deg,
        "verdict": body.verdict,
        "reason": body.reason,
        "clip_sha": body.clip.sha256 if body.clip else None,
        "clip_name": body.clip.path.rsplit("/", 1)[-1] if body.clip else None,
        "first_frame": body.span.first_frame if body.span else None,
        "last_frame": body.span.last_frame if body.span else None,
        "marked_by": body.marked_by,
        "marked_at": body.marked_at,
        "has_draft": saved.id in draft_keys,
        "claim": None if body.claim is None else str(body.claim),
        "protested_by": None if body.claim is None else body.claim.by,
        "ruling": None
        if body.ruling is None
        else {
            "outcome": body.ruling.outcome,
            "probability": body.ruling.probability,
            "by": body.ruling.by,
        },
    }
    for measure, names in READING_COLUMNS.items():
        reading = body.reading(measure)
        values = {} if reading is None else {name: (v, u) for name, v, u in reading.values()}
        for name in names:
            row[name], row[beside(name, "u95")] = values.get(name, (None, None))
    return row
