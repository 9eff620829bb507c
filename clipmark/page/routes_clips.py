"""Taking clips in, and pairing them with entries, tests and tries by their names."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from clipmark.clip import open_clip
from clipmark.errors import FolderError, FootageError
from clipmark.page.bodies import Answer, PairingAsked
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.routes_frames import ClipBody, clip_body
from clipmark.page.uploads import received, safe_name
from clipmark.record.clips import adopt
from clipmark.record.pairing import pair_names
from clipmark.record.rule_sheet import read_rule_sheet

router = APIRouter(tags=["clips"])


class TakenIn(ClipBody):
    """A clip that was sent, and whether it was here before, under the name it has."""

    here_already: bool


@router.post(
    "/clips",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}
            },
        }
    },
)
async def take_in(
    request: Request, desk: DeskOf, name: Annotated[str, Query(min_length=1, max_length=400)]
) -> TakenIn:
    """Take a clip in: the raw bytes of the file as the body, its name beside it."""
    safe = safe_name(name)
    try:
        async with received(request, desk.event_path / "clips") as part:
            return await run_in_threadpool(_admit, desk, part, safe)
    except ClientDisconnect:
        raise FolderError(
            f"{safe}: sending was broken off, and nothing was taken in; send it again"
        ) from None


@router.post("/pairings")
def pairings(asked: PairingAsked, desk: DeskOf) -> Answer:
    """What the names of the clips say by a pattern."""
    sheet = read_rule_sheet(desk.event_path)
    clips = desk.shelf.refresh()
    pairs = pair_names(
        asked.pattern,
        [clip.name for clip in clips],
        entries=[entry.name for entry in sheet.entries],
        tests=[test.id for test in sheet.tests],
    )
    return {
        "pairs": [
            {
                "sha": clip.sha256,
                "name": pair.name,
                "entry": pair.entry,
                "test": pair.test,
                "try_no": pair.try_no,
                "setup": pair.setup,
                "step_deg": pair.step_deg,
                "sentence": pair.sentence,
            }
            for clip, pair in zip(clips, pairs, strict=True)
        ]
    }


def _admit(desk: Desk, part: Path, name: str) -> TakenIn:
    """Check that it is footage, and put it among the clips; the clip as the page lists it."""
    try:
        with open_clip(part) as clip:
            sha256 = clip.sha256
    except FolderError as error:
        raise FolderError(str(error).replace(part.name, name)) from error
    except FootageError as error:
        raise FootageError(str(error).replace(part.name, name)) from error
    with desk.intake_lock:  # else the same clip sent twice at once would be there twice
        here_already = any(clip.sha256 == sha256 for clip in desk.shelf.refresh())
        ref = adopt(desk.event_path, part, name, sha256)
    desk.shelf.refresh()
    body = clip_body(desk, desk.shelf.find(ref.sha256), desk.attempts_by_clip())
    return TakenIn(**body.model_dump(), here_already=here_already)
