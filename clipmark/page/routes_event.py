"""The event as a whole: rule sheet, what changed, stands, the session record."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse

from clipmark.errors import FolderError, PageError, RecordError, RevisionError
from clipmark.measure.crawl_terms import CrawlTerms
from clipmark.page.bodies import (
    Answer,
    NewerRefusal,
    RecordId,
    Saved,
    SessionPut,
    StandCheck,
    StandPut,
    finite,
)
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.session_told import changes_of, other_in_file, session_head, waiting_session
from clipmark.page.sheet_watch import Sheets, not_writable
from clipmark.page.stand_marks import page_body, stand_of
from clipmark.record import disk
from clipmark.record.embedding import SESSION_ID
from clipmark.record.instants import utc_now, utc_text
from clipmark.record.journal import Draft
from clipmark.record.models import (
    CALL_NAMES,
    FAIL_REASONS,
    VOID_REASONS,
    JournalLine,
    Stand,
)
from clipmark.record.sheets import SESSION_NAME
from clipmark.record.texts import as_model
from clipmark.stands import check_stand, reference_of

router = APIRouter(tags=["event"])
MOST_LINES = 1_000  # of the journal in one answer
SEEN_NAME = "first-visit-seen"


@router.get("/event")
def event(desk: DeskOf) -> Answer:
    """What the page must know of the event to begin with."""
    seen = desk.sheets.look()
    sheet = seen.rules
    with desk.event_lock:
        desk.event.journal.refresh()
        findings = _findings(desk, seen)
        entries = desk.event.journal.entries
        seq = entries[-1].seq if entries else 0
        held = _newest(desk, "session", SESSION_ID)
        session = (held.revision, held.body) if held else (None, None)
        with contextlib.suppress(RecordError, FolderError):  # told among the findings
            waiting = waiting_session(desk)
            if waiting is not None:
                session = (waiting.base_revision + 1, waiting.body)
        stands = _stands(desk)
        people = _people(desk, session[1])
    return {
        "name": sheet.name,
        "folder": desk.event_path.resolve().name,
        "place": sheet.place,
        "date": sheet.date,
        "findings": findings,
        "sheets": seen.mark,
        "seq": seq,
        "tests": [
            {
                "id": test.id,
                "kind": test.kind,
                "surface": test.surface,
                "steps_deg": list(test.steps_deg),
                "tries_per_step": test.tries_per_step,
                "stop_after_failed_steps": test.stop_after_failed_steps,
                "measure": test.measure,
                "calls": test.calls,
                "grades": [list(pair) for pair in test.grades],
                "grade_table": None if test.grade_table is None else asdict(test.grade_table),
                "terms": asdict(CrawlTerms(test.hold_s, test.band_hz)),
            }
            for test in sheet.tests
        ],
        "entries": [
            {"name": entry.name, "driver": entry.driver, "setups": list(entry.setups)}
            for entry in sheet.entries
        ],
        "stands": stands,
        "lenses": lens_names(desk),
        "reasons": {"failed": list(FAIL_REASONS), "void": list(VOID_REASONS)},
        "call_names": list(
            dict.fromkeys((*CALL_NAMES, *(name for test in sheet.tests for name in test.calls)))
        ),
        "session": session_head(*session),
        "people": people,
        "first_visit": not (desk.drafts.folder.parent / SEEN_NAME).exists(),
        "practice": desk.practice,
    }


@router.get("/changes")
def changes(desk: DeskOf, after: Annotated[int, Query(ge=0, le=2**53 - 1)] = 0) -> Answer:
    """Journal lines with a number above `after`, oldest first, at most a thousand.

    With them a mark that changes with the hand-written sheets, and what is wrong with the folder.
    """
    seen = desk.sheets.look()
    with desk.event_lock:
        desk.event.journal.refresh()
        findings = _findings(desk, seen)
        entries = desk.event.journal.entries
        fresh = []
        for entry in reversed(entries):
            if entry.seq <= after:
                break
            fresh.append(entry)
        lines = [entry.whole() for entry in fresh[::-1][:MOST_LINES]]
        seq = lines[-1].seq if lines else (entries[-1].seq if entries else 0)
    return {
        "seq": seq,
        "sheets": seen.mark,
        "findings": findings,
        "lines": [
            {
                "seq": line.seq,
                "kind": line.kind,
                "id": line.id,
                "revision": line.revision,
                "by": line.by,
                "at": line.at,
            }
            for line in lines
        ],
    }


@router.get("/stands")
def stands(desk: DeskOf) -> Answer:
    """Every stand, with the newest revision of it."""
    with desk.event_lock:
        desk.event.journal.refresh()
        return {"stands": _stands(desk)}


@router.put("/stands/{id}", response_model=Saved, responses={409: {"model": NewerRefusal}})
def stand_save(id: RecordId, asked: StandPut, desk: DeskOf) -> Saved | JSONResponse:
    """Save one revision of a stand."""
    body = stand_of(desk, asked.body)
    with desk.event_lock:
        try:
            line = desk.event.save_stand(
                body, by=asked.by, id=id, base_revision=asked.base_revision
            )
        except RevisionError as error:
            return _newer(error, _newest(desk, "stand", id))
    return Saved(id=line.id, revision=line.revision, seq=line.seq)


@router.post("/stands/{id}/check")
def stand_check(id: RecordId, asked: StandCheck, desk: DeskOf) -> Answer:
    """Whether the camera stands as it did when the stand was marked, and the marks carried over."""
    with desk.event_lock:
        desk.event.journal.refresh()
        line = _newest(desk, "stand", id)
    if line is None:
        raise PageError(f"there is no stand '{id}' in this event; save it first")
    stand = as_model(Stand, line.body, f"the stand {id}")
    found, _ = reference_of(stand, id)
    lens = desk.event_path / stand.lens.path if stand.lens else None
    with desk.shelf.clip(found.sha256) as reference, desk.shelf.clip(asked.clip) as clip:
        lens = lens if lens is not None and lens.is_file() else None
        check = check_stand(stand, reference, clip, asked.frame, lens=lens)
    answer: Answer = finite({**check.to_dict(), "marks": check.marks})
    return answer


@router.get("/session")
def session(desk: DeskOf) -> Answer:
    """The session record that holds, and what changed in it, newest first.

    ``file`` is what ``session.toml`` says where it says otherwise: it was kept, and then another
    record was saved on the page, which holds until the file is changed once more.
    """
    with desk.event_lock:
        lines = desk.event.history(SESSION_ID, "session")
        waiting = waiting_session(desk)
        in_file = None if waiting else other_in_file(desk)
    newest = lines[-1] if lines else None
    revision, body = (newest.revision, newest.body) if newest else (None, None)
    if waiting is not None:
        revision, body = waiting.base_revision + 1, waiting.body
    return {
        "revision": revision,
        "body": body,
        "by": newest.by if newest else None,
        "at": newest.at if newest else None,
        "file": in_file,
        "changes": list(changes_of(lines))[::-1],
    }


@router.put("/session", response_model=Saved, responses={409: {"model": NewerRefusal}})
def session_save(asked: SessionPut, desk: DeskOf) -> Saved | JSONResponse:
    """Save one revision of the session record."""
    body = asked.body.model_copy(update={"source_sha256": None})
    with desk.event_lock:
        desk.event.journal.refresh()
        newest = _newest(desk, "session", SESSION_ID)
        base = asked.base_revision
        try:
            if newest is not None and base is None:
                raise RevisionError(
                    f"the session record has revision {newest.revision} already; open it, and make "
                    "the change there"
                )
            line = desk.event.save_session(body, by=asked.by, base_revision=base)
        except RevisionError as error:
            waiting = waiting_session(desk)
            if waiting is None:
                return _newer(error, _newest(desk, "session", SESSION_ID))
            return _changed_by_hand(waiting)
    return Saved(id=line.id, revision=line.revision, seq=line.seq)


@router.post("/practice-hint/done", status_code=204, response_class=Response)
def first_visit_seen(desk: DeskOf) -> Response:
    """Remember on this machine that the short guide was seen."""
    path = desk.drafts.folder.parent / SEEN_NAME
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    except OSError as error:
        raise disk.explain(error, "remember that the guide was seen", path) from error
    return Response(status_code=204)


def lens_names(desk: Desk) -> list[str]:
    """Lens files of the event, by name."""
    folder = desk.event_path / "lenses"
    with contextlib.suppress(OSError):
        return sorted(path.name for path in folder.glob("*.json") if path.is_file())
    return []


def _findings(desk: Desk, seen: Sheets) -> list[str]:
    """What is wrong with the folder and its sheets; the event lock is held."""
    stuck = not_writable(desk.event_path)
    return [
        *([stuck] if stuck else []),
        *seen.findings,
        *desk.event.findings,
    ]


def _newest(desk: Desk, kind: str, id: str) -> JournalLine | None:
    entry = desk.event.journal.newest(kind, id)
    return entry.whole() if entry else None


def _stands(desk: Desk) -> list[dict[str, Any]]:
    """Every stand as the page has it; one that this version cannot read is left out."""
    found = []
    for (kind, id), entry in desk.event.journal.chain.newest.items():
        if kind != "stand":
            continue
        line = entry.whole()
        with contextlib.suppress(RecordError):
            stand = as_model(Stand, line.body, f"the stand {id}")
            found.append(
                {
                    "id": id,
                    "revision": line.revision,
                    "by": line.by,
                    "at": line.at,
                    "body": page_body(stand),
                }
            )
    return found


def _people(desk: Desk, session: Mapping[str, object] | None) -> list[str]:
    """Everybody who signed or judged so far, the last first; then the session's people."""
    names: dict[str, None] = {}
    with contextlib.suppress(RecordError):
        for saved in reversed(desk.event.attempts()):
            for name in (saved.attempt.marked_by, saved.attempt.called_by):
                if name:
                    names.setdefault(name)
    for role in ("judge", "filmed_by"):
        found = (session or {}).get(role)
        if isinstance(found, str) and found:
            names.setdefault(found)
    return list(names)[:50]


def _changed_by_hand(waiting: Draft) -> JSONResponse:
    """The refusal of a save over a ``session.toml`` that was changed meanwhile, with that one."""
    theirs = {
        "revision": waiting.base_revision + 1,
        "by": SESSION_NAME,
        "at": utc_text(utc_now()),
        "body": waiting.body,
    }
    sentence = (
        f"{SESSION_NAME} was changed by hand since this record was opened; look at both, and save "
        "the one that holds"
    )
    return JSONResponse({"error": sentence, "theirs": theirs}, 409)


def _newer(error: RevisionError, line: JournalLine | None) -> JSONResponse:
    """The refusal of a save over a newer revision, with that revision."""
    theirs: dict[str, Any] = {}
    if line is not None:
        theirs = {
            "revision": line.revision,
            "by": line.by,
            "at": line.at,
            "body": page_body(as_model(Stand, line.body, "the stand"))
            if line.kind == "stand"
            else line.body,
        }
    return JSONResponse({"error": str(error), "theirs": theirs}, 409)
