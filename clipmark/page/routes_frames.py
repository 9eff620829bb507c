"""The part of the API that shows clips: facts, exact frames, true pixels, small pictures."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Path, Query, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from clipmark.errors import ClipmarkError, PageError
from clipmark.page.bodies import Refusal
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.page_builder import State
from clipmark.page.reader import BusyError, ClipReader
from clipmark.page.shelf import OnShelf

router = APIRouter(tags=["frames"])

WIDTHS = (480, 640, 960, 1280, 1600, 1920, 2560, 3840)
_WHOLE = 1 << 16  # px; wider than any picture that is let in
_FOR_GOOD = "private, max-age=31536000, immutable"
_MOST_CROP = 512
_NEAR = 150  # ordinals; a small picture farther from the one asked for would mislead
_LAST = 100_000_000
_FORM = "1"  # of the pictures made here; goes into every ETag

Sha = Annotated[str, Path(pattern="^[0-9a-f]{64}$", description="SHA-256 of the clip")]
Ordinal = Annotated[int, Path(ge=0, le=_LAST, description="frame ordinal, from 0")]
IfNoneMatch = Annotated[str | None, Header(max_length=4096)]
_REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"model": Refusal},
    404: {"model": Refusal},
    503: {"model": Refusal},
}
_JPEG: dict[int | str, dict[str, Any]] = {
    **_REFUSALS,
    200: {"content": {"image/jpeg": {}}},
    304: {"description": "As the browser has it"},
}
_PNG: dict[int | str, dict[str, Any]] = {
    **_REFUSALS,
    200: {"content": {"image/png": {}}},
    304: {"description": "As the browser has it"},
}


class CacheBody(BaseModel):
    """How far the page cache of a clip is; `every` 1 means every frame, n every n-th."""

    state: State
    done: int
    total: int
    every: int


class FactsBody(BaseModel):
    """What is known of a clip that was opened."""

    width: int
    height: int
    frame_count: int
    has_times: bool
    duration_s: float | None
    pixel_aspect: float
    warnings: list[str]
    damaged: list[int]
    missing: list[int]
    checked: bool


class ClipBody(BaseModel):
    """A clip of the event, named by its content."""

    sha: str
    name: str
    size_bytes: int
    readable: bool
    sentence: str | None
    facts: FactsBody | None
    cache: CacheBody
    attempts: list[str]


class ClipsBody(BaseModel):
    """All clips of the event."""

    clips: list[ClipBody]


class TimesBody(BaseModel):
    """Time of each frame, s from the first shown frame; null where the file has none."""

    times_s: list[float] | None


class HereBody(BaseModel):
    """Where the work is, which way it goes, and how wide frames are shown, px."""

    model_config = ConfigDict(extra="forbid")
    ordinal: Annotated[int, Field(ge=0, le=_LAST)]
    direction: Literal[-1, 0, 1] = 0
    width: Annotated[int, Field(ge=1, le=_WHOLE)] = 1280


def clip_body(desk: Desk, on_shelf: OnShelf, attempts: dict[str, list[str]]) -> ClipBody:
    """A clip as the page gets it."""
    shelf, sha = desk.shelf, on_shelf.sha256
    facts = shelf.facts(sha)
    return ClipBody(
        sha=sha,
        name=on_shelf.name,
        size_bytes=on_shelf.size_bytes,
        readable=on_shelf.refusal is None,
        sentence=on_shelf.refusal,
        facts=None
        if facts is None
        else FactsBody(
            width=facts.width,
            height=facts.height,
            frame_count=facts.frame_count,
            has_times=facts.has_times,
            duration_s=facts.duration_s,
            pixel_aspect=facts.pixel_aspect,
            warnings=list(facts.warnings),
            damaged=list(facts.damaged),
            missing=list(facts.missing),
            checked=shelf.caches.checked(sha),
        ),
        cache=_cache_body(desk, sha),
        attempts=attempts.get(sha, []),
    )


def _cache_body(desk: Desk, sha: str) -> CacheBody:
    state = desk.shelf.caches.state(sha)
    return CacheBody(state=state.state, done=state.done, total=state.total, every=state.every)


@router.get("/clips", responses=_REFUSALS)
def list_clips(desk: DeskOf) -> ClipsBody:
    """Every clip under clips/; facts of those opened before."""
    attempts = desk.attempts_by_clip()
    return ClipsBody(clips=[clip_body(desk, one, attempts) for one in desk.shelf.refresh()])


@router.post("/clips/{sha}/open", responses=_REFUSALS)
def open_for_page(desk: DeskOf, sha: Sha) -> ClipBody:
    """Open a clip and start the pass that checks it and builds its page cache."""
    with desk.shelf.clip(sha) as clip:
        desk.shelf.caches.want(clip)
        return clip_body(desk, desk.shelf.find(sha), desk.attempts_by_clip())


@router.get("/clips/{sha}/times", responses=_REFUSALS)
def frame_times(desk: DeskOf, sha: Sha) -> TimesBody:
    """True time of each frame."""
    with desk.shelf.clip(sha) as clip:
        return TimesBody(times_s=clip.times_s.tolist() if clip.has_times else None)


@router.get("/clips/{sha}/frames/{ordinal}.jpg", responses=_JPEG, response_class=Response)
def exact_frame(
    desk: DeskOf,
    sha: Sha,
    ordinal: Ordinal,
    width: Annotated[int, Query(ge=1, le=_WHOLE)] = 1280,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """The exact frame, upright, at most `width` px wide (rounded up to a usual width)."""
    width = next((usual for usual in WIDTHS if usual >= width), _WHOLE)
    etag = f'"{sha}-{ordinal}-{width}-j{_FORM}"'
    headers = {"etag": etag, "cache-control": _FOR_GOOD, "x-frame-ordinal": str(ordinal)}
    if _has(if_none_match, etag):
        desk.shelf.find(sha)
        return Response(status_code=304, headers=headers)
    try:
        with desk.shelf.reader(sha) as reader:
            data = reader.jpeg(ordinal, width)
            _note_damage(reader, ordinal, headers)
    except BusyError as busy:
        return _later(busy)
    return Response(data, media_type="image/jpeg", headers=headers)


@router.get("/clips/{sha}/frames/{ordinal}/crop.png", responses=_PNG, response_class=Response)
def true_pixels(
    desk: DeskOf,
    sha: Sha,
    ordinal: Ordinal,
    x: Annotated[int, Query(ge=-_WHOLE, le=_WHOLE)],
    y: Annotated[int, Query(ge=-_WHOLE, le=_WHOLE)],
    w: Annotated[int, Query(ge=1, le=_MOST_CROP)],
    h: Annotated[int, Query(ge=1, le=_MOST_CROP)],
    if_none_match: IfNoneMatch = None,
) -> Response:
    """True pixels of a rectangle of the upright picture; what lies outside is cut away."""
    etag = f'"{sha}-{ordinal}-{x}_{y}_{w}_{h}-p{_FORM}"'
    headers = {"etag": etag, "cache-control": _FOR_GOOD, "x-frame-ordinal": str(ordinal)}
    if _has(if_none_match, etag):
        desk.shelf.find(sha)
        return Response(status_code=304, headers=headers)
    try:
        with desk.shelf.reader(sha) as reader:
            left, top = max(0, x), max(0, y)
            right, bottom = min(reader.clip.width, x + w), min(reader.clip.height, y + h)
            reader.check_ordinal(ordinal)
            if right <= left or bottom <= top:
                raise PageError(
                    f"the rectangle {x},{y},{w},{h} lies outside the picture of "
                    f"{reader.clip.width} x {reader.clip.height} px; ask for one inside"
                )
            data = reader.crop(ordinal, left, top, right - left, bottom - top)
            _note_damage(reader, ordinal, headers)
    except BusyError as busy:
        return _later(busy)
    headers["x-crop"] = f"{left},{top},{right - left},{bottom - top}"
    return Response(data, media_type="image/png", headers=headers)


@router.get("/clips/{sha}/preview/{ordinal}.jpg", responses=_JPEG, response_class=Response)
def preview(
    desk: DeskOf, sha: Sha, ordinal: Ordinal, if_none_match: IfNoneMatch = None
) -> Response:
    """A small picture at once: of this frame, or the nearest there is; never decoded for."""
    with desk.shelf.reader(sha) as reader:
        reader.check_ordinal(ordinal)
        found = _small_picture(desk, reader, ordinal)
    if found is None:
        raise PageError(
            f"there is no small picture near frame {ordinal} yet; wait for the exact frame"
        )
    shown, data = found
    exact = shown == ordinal
    headers = {
        "x-frame-ordinal": str(shown),
        "cache-control": _FOR_GOOD if exact else "no-store",
    }
    if exact:
        headers["etag"] = f'"{sha}-{ordinal}-s{_FORM}"'
        if _has(if_none_match, headers["etag"]):
            return Response(status_code=304, headers=headers)
    return Response(data, media_type="image/jpeg", headers=headers)


@router.post("/clips/{sha}/here", status_code=204, responses=_REFUSALS)
def here(desk: DeskOf, sha: Sha, body: HereBody) -> None:
    """Tell where the work is, so that the frames around it are made ready."""
    width = next((usual for usual in WIDTHS if usual >= body.width), _WHOLE)
    desk.shelf.here(sha, body.ordinal, body.direction, width)


@router.get("/clips/{sha}/cache", responses=_REFUSALS)
def cache_state(desk: DeskOf, sha: Sha) -> CacheBody:
    """How far the page cache is."""
    desk.shelf.find(sha)
    return _cache_body(desk, sha)


@router.post("/clips/{sha}/check/stop", responses=_REFUSALS)
def stop_check(desk: DeskOf, sha: Sha) -> CacheBody:
    """End the checking pass; what it made so far is thrown away."""
    desk.shelf.find(sha)
    desk.shelf.caches.stop(sha)
    return _cache_body(desk, sha)


def _small_picture(desk: Desk, reader: ClipReader, ordinal: int) -> tuple[int, bytes] | None:
    """From the cache, or an exact one at hand, or the nearest in the cache."""
    caches, sha = desk.shelf.caches, reader.clip.sha256
    data = caches.get(sha, ordinal) or reader.at_hand(ordinal)
    return (ordinal, data) if data is not None else caches.nearest(sha, ordinal, _NEAR)


def _has(if_none_match: str | None, etag: str) -> bool:
    """Whether the browser holds this very answer."""
    if if_none_match is None:
        return False
    held = [part.strip().removeprefix("W/") for part in if_none_match.split(",")]
    return etag in held


def _note_damage(reader: ClipReader, ordinal: int, headers: dict[str, str]) -> None:
    if reader.clip.is_damaged(ordinal):
        headers["x-frame-damaged"] = "1"


def _later(busy: ClipmarkError) -> JSONResponse:
    return JSONResponse({"error": str(busy)}, 503, headers={"retry-after": "1"})
