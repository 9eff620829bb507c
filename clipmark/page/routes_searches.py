"""Attempts looked for in a clip: proposed to whoever marks, never saved."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse

from clipmark.measure.attempts_found import FoundAttempts
from clipmark.page.bodies import ClipId, Refusal, finite
from clipmark.page.bodies_searches import (
    SearchAnswer,
    SearchAsked,
    SearchedBody,
    SearchId,
    SearchStarted,
)
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.jobs import QueueFullError
from clipmark.page.refusals import in_page_words
from clipmark.page.searches import SearchTerms

router = APIRouter(tags=["attempts looked for"])
BUSY: dict[int | str, dict[str, Any]] = {429: {"model": Refusal}}


@router.post(
    "/clips/{sha}/attempts-seen", status_code=202, response_model=SearchStarted, responses=BUSY
)
def look(sha: ClipId, asked: SearchAsked, desk: DeskOf) -> SearchStarted | JSONResponse:
    """Look for attempts in a clip, in the background; nothing is saved."""
    desk.shelf.path(sha)  # refused where there is no such clip
    area = asked.within
    within = None if area is None else (area.x, area.y, area.w, area.h)
    terms = SearchTerms(asked.rest_s, asked.margin_s, within, asked.true_fps)
    try:
        return SearchStarted(search=desk.searches.start(sha, terms).id)
    except QueueFullError as error:
        return JSONResponse({"error": str(error)}, 429, {"retry-after": "5"})


@router.get("/clips/{sha}/attempts-seen")
def seen(sha: ClipId, desk: DeskOf) -> SearchedBody:
    """What was found in a clip last, and which attempts are marked there already."""
    desk.shelf.path(sha)
    running = desk.searches.running(sha)
    found = desk.searches.found(sha)
    return SearchedBody(
        running=None if running is None else running.id,
        found=None if found is None else _told(desk, sha, found),
    )


@router.get("/searches/{search}")
def now(search: SearchId, desk: DeskOf) -> SearchAnswer:
    """How far a search is."""
    errand = desk.searches.get(search)
    return SearchAnswer(
        state=errand.state,
        done=errand.done,
        total=errand.total,
        error=None if errand.error is None else in_page_words(errand.error),
    )


@router.post("/searches/{search}/stop", status_code=204, response_class=Response)
def stop(search: SearchId, desk: DeskOf) -> Response:
    """End a search at its next frame."""
    desk.searches.get(search).stop()
    return Response(status_code=204)


def _told(desk: Desk, sha: str, found: FoundAttempts) -> dict[str, Any]:
    """What was found, in the page's words, each span with the attempts that lie on it."""
    told: dict[str, Any] = finite(found.to_dict())
    told["warnings"] = [in_page_words(each) for each in found.warnings]
    told["not_told"] = None if found.not_told is None else in_page_words(found.not_told)
    marked = desk.spans_of(sha)
    for span in told["attempts"]:
        first, last = span["moves_first_frame"], span["moves_last_frame"]
        span["marked"] = [id for id, a, b in marked if a <= last and b >= first]
    return told
