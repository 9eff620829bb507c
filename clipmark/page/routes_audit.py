"""A disputed result on the page: its life, protests, rulings, repetition, the journal's chain."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse

from clipmark.audit.claims import ask, parse_claim
from clipmark.audit.filing import EnteredProtest, enter_protest, file_ruling, protests_of
from clipmark.audit.quantities import quantities_of
from clipmark.audit.replay import AttemptReplay, replay_attempt
from clipmark.audit.ruling import RuledClaim, ruling_on
from clipmark.errors import AuditError, PageError
from clipmark.page.bodies import Answer, RecordId, Refusal, finite
from clipmark.page.bodies_audit import (
    CheckAsked,
    ClaimAsked,
    ErrandAnswer,
    ErrandId,
    ErrandStarted,
    Filed,
    ProtestAsked,
)
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.errands import Errand, Work
from clipmark.page.jobs import QueueFullError
from clipmark.page.refusals import in_page_words
from clipmark.record.claim_words import claim_words
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.history_words import history_of
from clipmark.record.models import Claim

router = APIRouter(tags=["audit"])
BUSY: dict[int | str, dict[str, Any]] = {429: {"model": Refusal}}


@router.get("/attempts/{id}/life")
def life(id: RecordId, desk: DeskOf) -> Answer:
    """What happened to an attempt, in the order of the journal, in words."""
    _attempt(desk, id)
    with desk.event_lock:
        return {"lines": [line.to_dict() for line in history_of(desk.event, id)]}


@router.get("/attempts/{id}/claims")
def claims(id: RecordId, desk: DeskOf) -> Answer:
    """What can be claimed of an attempt, and what was."""
    saved = _attempt(desk, id)
    with desk.event_lock:
        protests = protests_of(desk.event, id)
    measures = [
        {"measure": name, "unit": item.unit, "value": item.value}
        for name, item in quantities_of(saved.attempt).items()
    ]
    return {
        "measures": finite(measures),
        "protests": [_told(item) for item in protests],
        "verdict": saved.attempt.verdict,
    }


@router.post("/attempts/{id}/ruling", status_code=202, response_model=ErrandStarted, responses=BUSY)
def ruling(id: RecordId, asked: ClaimAsked, desk: DeskOf) -> ErrandStarted | JSONResponse:
    """What the footage says of a claim, in the background; nothing is saved."""
    saved = _attempt(desk, id)
    claim = parse_claim(asked.claim)
    ask(id, saved.attempt, claim)  # refused here and now where it cannot be ruled on

    def work(errand: Errand) -> RuledClaim:
        return ruling_on(EventFolder.open(desk.event_path), id, claim, progress=errand.tell)

    return _started(desk, work)


@router.post("/attempts/{id}/replay", status_code=202, response_model=ErrandStarted, responses=BUSY)
def replay(id: RecordId, desk: DeskOf) -> ErrandStarted | JSONResponse:
    """Every reading of an attempt measured once more, in the background; nothing is saved."""
    _attempt(desk, id)

    def work(errand: Errand) -> AttemptReplay:
        event = EventFolder.open(desk.event_path)
        return replay_attempt(
            event,
            event.attempt(id),
            progress=lambda done, total: errand.tell("measuring", done, total),
        )

    return _started(desk, work)


@router.get("/errands/{errand}", response_model=ErrandAnswer)
def errand_now(errand: ErrandId, desk: DeskOf) -> ErrandAnswer:
    """How far an audit is, and what it gave."""
    found = desk.errands.get(errand)
    result = found.result
    told = result.to_dict() if isinstance(result, (RuledClaim, AttemptReplay)) else None
    return ErrandAnswer(
        state=found.state,
        step=found.step,
        done=found.done,
        total=found.total,
        error=None if found.error is None else in_page_words(found.error),
        result=finite(told),
    )


@router.post("/errands/{errand}/stop", status_code=204, response_class=Response)
def errand_stop(errand: ErrandId, desk: DeskOf) -> Response:
    """End an audit at its next step."""
    desk.errands.get(errand).stop()
    return Response(status_code=204)


@router.post("/attempts/{id}/protests", response_model=Filed)
def protest(id: RecordId, asked: ProtestAsked, desk: DeskOf) -> Filed:
    """Enter a protest, or file the ruling on one; on the disk when this answers.

    The judge's verdict stays what it is.
    """
    _attempt(desk, id)
    ruled = None if asked.errand is None else _ruled(desk, id, asked)
    if ruled is None and asked.protest is not None:
        raise AuditError(
            f"the protest {asked.protest} is entered already; see what the footage says, and rule"
        )
    with desk.event_lock:
        if ruled is None:
            filed = enter_protest(
                desk.event,
                id,
                asked.claim,
                by=asked.by,
                protested_by=asked.protested_by,
                note=asked.note,
            )
        else:
            filed = file_ruling(
                desk.event,
                ruled,
                by=asked.by,
                protest_id=asked.protest,
                protested_by=asked.protested_by,
                note=asked.note,
            )
        newest = desk.event.attempt(id)
    return Filed(protest=filed.protest_id, revision=newest.revision, ruled=ruled is not None)


@router.get("/journal/check")
def journal_checked(desk: DeskOf) -> Answer:
    """What the last check of the journal found; it is made at every start, in the background."""
    return desk.journal_watch.told()


@router.post("/journal/check", status_code=202)
def journal_check(asked: CheckAsked, desk: DeskOf) -> Answer:
    """Check the journal once more."""
    desk.journal_watch.start(clips=asked.clips)
    return desk.journal_watch.told()


def _started(desk: Desk, work: Work) -> ErrandStarted | JSONResponse:
    try:
        return ErrandStarted(errand=desk.errands.start(work).id)
    except QueueFullError as error:
        return JSONResponse({"error": str(error)}, 429, {"retry-after": "5"})


def _ruled(desk: Desk, id: str, asked: ProtestAsked) -> RuledClaim:
    """The ruling that was shown, if it is on this claim."""
    result = desk.errands.get(asked.errand or "").result
    if not isinstance(result, RuledClaim) or result.attempt.id != id:
        raise AuditError("there is no such ruling on this attempt; see what the footage says first")
    now = ask(id, _attempt(desk, id).attempt, parse_claim(asked.claim)).claim
    if _bare(result.claim) != _bare(now):
        raise AuditError(
            "the claim was changed since the footage was asked; ask it again before ruling"
        )
    return result


def _bare(claim: Claim) -> Claim:
    return claim.model_copy(update={"by": ""})


def _attempt(desk: Desk, id: str) -> SavedAttempt:
    """The newest revision; raises `PageError` when there is no such attempt."""
    with desk.event_lock:
        desk.event.journal.refresh()
        if desk.event.journal.newest("attempt", id) is None:
            raise PageError(f"there is no attempt '{id}' in this event; open the list again")
        return desk.event.attempt(id)


def _told(item: EnteredProtest) -> dict[str, Any]:
    ruling = item.ruling
    return {
        "id": item.id,
        "claim": str(item.protest.claim),
        "words": claim_words(item.protest.claim.to_body()),
        "by": item.protest.claim.by,
        "note": item.protest.note,
        "revision": item.protest.attempt.revision,
        "ruling": None
        if ruling is None
        else {
            "outcome": ruling.ruling.outcome,
            "probability": ruling.ruling.probability,
            "by": ruling.ruling.by,
            "note": ruling.ruling.note,
        },
    }
