"""Areas of a clip that are made unrecognisable in whatever is handed out."""

from __future__ import annotations

import hashlib

import rfc8785
from fastapi import APIRouter
from fastapi.responses import JSONResponse

from clipmark.page.bodies import ClipId, Refusal
from clipmark.page.bodies_hidden import AreaBody, AreasAsked, AreasBody
from clipmark.page.desk import Desk, DeskOf
from clipmark.record.hidden_areas import HiddenArea, keep_areas, kept_areas

router = APIRouter(tags=["hidden areas"])


@router.get("/clips/{sha}/hidden")
def hidden(sha: ClipId, desk: DeskOf) -> AreasBody:
    """The areas of a clip that are hidden in every report."""
    desk.shelf.path(sha)  # refused where there is no such clip
    with desk.event_lock:
        return _told(_kept(desk, sha))


@router.put("/clips/{sha}/hidden", response_model=AreasBody, responses={409: {"model": Refusal}})
def hide(sha: ClipId, asked: AreasAsked, desk: DeskOf) -> AreasBody | JSONResponse:
    """Keep exactly these areas; refused when others were kept since they were read."""
    desk.shelf.path(sha)
    areas = tuple(
        HiddenArea.checked(area.x, area.y, area.w, area.h, area.first_frame, area.last_frame)
        for area in asked.areas
    )
    with desk.event_lock:
        if _told(_kept(desk, sha)).mark != asked.mark:
            sentence = (
                "other areas of this clip were kept since these were opened; open them again, and "
                "draw what is still missing"
            )
            return JSONResponse({"error": sentence}, status_code=409)
        keep_areas(desk.event_path, sha, areas)
        return _told(_kept(desk, sha))


def _kept(desk: Desk, sha: str) -> tuple[HiddenArea, ...]:
    return kept_areas(desk.event_path).get(sha, ())


def _told(areas: tuple[HiddenArea, ...]) -> AreasBody:
    plain = [area.to_dict() for area in areas]
    mark = hashlib.sha256(rfc8785.dumps(plain)).hexdigest()
    return AreasBody(areas=[AreaBody.model_validate(area) for area in plain], mark=mark)
