"""The API of the blind page: one picture at a time, by a token that says nothing.

No answer holds a number that was measured, nor anything that names clip, attempt, truck or test.
Pictures are never kept by the browser's cache and carry no ETag: one that is shown twice must not
be known by it.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from numpy.linalg import LinAlgError

from clipmark.errors import ClipmarkError, FitError, MarkError, PageError
from clipmark.marks import Line, Point
from clipmark.measure.one_fit import fit_one_line, fit_one_wheel
from clipmark.page.blind_bodies import (
    BlindFit,
    BlindSign,
    BlindWork,
    FittedBody,
    HereBody,
    KeptBody,
    NowBody,
    PictureBody,
    Place,
    RefusalBody,
    Token,
    WantedBody,
)
from clipmark.page.blind_desk import BlindDesk, BlindDeskOf, Shown
from clipmark.page.blind_words import NO_FOOTAGE, scrubbed
from clipmark.page.bodies import finite
from clipmark.page.jobs import opened

router = APIRouter(tags=["blind marking"])
WIDTHS = (480, 640, 960, 1280, 1600, 1920, 2560, 3840)
_WHOLE = 1 << 16
_MOST_CROP = 512
_NEAR = 150  # ordinals; a small picture farther from the one asked for would mislead
_REFUSED: dict[int | str, dict[str, Any]] = {
    status: {"model": RefusalBody} for status in (400, 404, 422, 503)
}
_JPEG: dict[int | str, dict[str, Any]] = {**_REFUSED, 200: {"content": {"image/jpeg": {}}}}
_PNG: dict[int | str, dict[str, Any]] = {**_REFUSED, 200: {"content": {"image/png": {}}}}


@router.get("/now", responses=_REFUSED)
def now(desk: BlindDeskOf) -> NowBody:
    """How far the marker is, and the picture to be marked now."""
    saved = desk.plan()
    item, kept = saved.next_item, len(saved.markings)
    if saved.plan.closed or item is None:
        return NowBody(
            state="closed" if saved.plan.closed else "done",
            number=saved.total,
            total=saved.total,
            kept=kept,
        )
    token = desk.token_of(item)
    told = NowBody(state="marking", number=item, total=saved.total, kept=kept, token=token)
    try:
        shown = desk.shown(token)
    except ClipmarkError:
        return told.model_copy(update={"sentence": NO_FOOTAGE})
    picture, work = _picture(token, shown), desk.kept_work(item)
    return told.model_copy(update={"picture": picture, "work": work})


@router.get("/pictures/{token}/frames/{place}.jpg", responses=_JPEG, response_class=Response)
def exact_frame(
    desk: BlindDeskOf,
    token: Token,
    place: Place,
    width: Annotated[int, Query(ge=1, le=_WHOLE)] = 1280,
) -> Response:
    """The exact frame, upright, at most `width` px wide (rounded up to a usual width)."""
    shown = desk.shown(token)
    ordinal = shown.ordinal(place)
    width = next((usual for usual in WIDTHS if usual >= width), _WHOLE)
    with desk.shelf.reader(shown.sha256) as reader:
        data = reader.jpeg(ordinal, width)
        headers = _headers(place, damaged=reader.clip.is_damaged(ordinal))
    return Response(data, media_type="image/jpeg", headers=headers)


@router.get("/pictures/{token}/frames/{place}/crop.png", responses=_PNG, response_class=Response)
def true_pixels(
    desk: BlindDeskOf,
    token: Token,
    place: Place,
    x: Annotated[int, Query(ge=-_WHOLE, le=_WHOLE)],
    y: Annotated[int, Query(ge=-_WHOLE, le=_WHOLE)],
    w: Annotated[int, Query(ge=1, le=_MOST_CROP)],
    h: Annotated[int, Query(ge=1, le=_MOST_CROP)],
) -> Response:
    """True pixels of a rectangle of the upright picture; what lies outside is cut away."""
    shown = desk.shown(token)
    ordinal = shown.ordinal(place)
    left, top = max(0, x), max(0, y)
    right, bottom = min(shown.size[0], x + w), min(shown.size[1], y + h)
    if right <= left or bottom <= top:
        raise MarkError("the rectangle lies outside the picture; ask for one inside")
    with desk.shelf.reader(shown.sha256) as reader:
        data = reader.crop(ordinal, left, top, right - left, bottom - top)
        headers = _headers(place, damaged=reader.clip.is_damaged(ordinal))
    headers["x-crop"] = f"{left},{top},{right - left},{bottom - top}"
    return Response(data, media_type="image/png", headers=headers)


@router.get("/pictures/{token}/preview/{place}.jpg", responses=_JPEG, response_class=Response)
def preview(desk: BlindDeskOf, token: Token, place: Place) -> Response:
    """A small picture at once: of this frame, or the nearest there is; never decoded for."""
    shown = desk.shown(token)
    ordinal = shown.ordinal(place)
    caches = desk.shelf.caches
    with desk.shelf.reader(shown.sha256) as reader:
        data = caches.get(shown.sha256, ordinal) or reader.at_hand(ordinal)
    if data is not None:
        return Response(data, media_type="image/jpeg", headers=_headers(place))
    near = caches.nearest(shown.sha256, ordinal, _NEAR)
    seen = None if near is None else shown.window.place_of(near[0])
    if near is None or seen is None:
        raise PageError("there is no small picture near this frame yet")
    return Response(near[1], media_type="image/jpeg", headers=_headers(seen))


@router.post("/pictures/{token}/here", status_code=204, responses=_REFUSED)
def here(desk: BlindDeskOf, token: Token, body: HereBody) -> None:
    """Tell where the work is, so that the frames around it are made ready."""
    shown = desk.shown(token)
    width = next((usual for usual in WIDTHS if usual >= body.width), _WHOLE)
    desk.shelf.here(shown.sha256, shown.ordinal(body.ordinal), body.direction, width)


@router.post("/pictures/{token}/fit", responses=_REFUSED)
def fit_one(desk: BlindDeskOf, token: Token, asked: BlindFit) -> FittedBody:
    """One mark moved onto what the picture shows: where it lies then, and no angle."""
    shown = desk.shown(token)
    try:
        return _fitted(desk, shown, asked)
    except (LinAlgError, ArithmeticError) as error:
        raise FitError(f"the {asked.what} cannot be fitted there; mark it elsewhere") from error


@router.put("/pictures/{token}/work", status_code=204, responses=_REFUSED)
def keep_work(desk: BlindDeskOf, token: Token, work: BlindWork) -> None:
    """Keep what is marked and not signed."""
    desk.keep_work(token, work)


@router.post("/pictures/{token}/sign", responses=_REFUSED)
def sign(desk: BlindDeskOf, token: Token, asked: BlindSign) -> KeptBody:
    """Sign one picture; what was measured from it is kept and not told."""
    saved = desk.sign(token, asked)
    kept = len(saved.markings)
    return KeptBody(kept=kept, total=saved.total, sentence=f"Kept, {kept} of {saved.total}.")


@router.post("/close", responses=_REFUSED)
def close(desk: BlindDeskOf) -> KeptBody:
    """Close the plan: nothing more is marked in it."""
    saved = desk.close_now()
    return KeptBody(
        kept=len(saved.markings), total=saved.total, sentence="Closed. Thank you for marking."
    )


def _picture(token: str, shown: Shown) -> PictureBody:
    task, window = shown.task, shown.window
    frame = window.place_of(task.frame)
    patch = None if task.patch_frame is None else window.place_of(task.patch_frame)
    return PictureBody(
        token=token,
        width=shown.size[0],
        height=shown.size[1],
        pixel_aspect=shown.pixel_aspect,
        frame_count=len(window.ordinals),
        times_s=None if window.times_s is None else list(window.times_s),
        frame=0 if frame is None else frame,
        patch_frame=patch,
        edge_fit=shown.edge_fit,
        wanted=[
            WantedBody(name=role.name, hint=role.hint, count=role.count, needed=role.needed)
            for role in task.roles
        ],
    )


def _fitted(desk: BlindDesk, shown: Shown, asked: BlindFit) -> FittedBody:
    ordinal = shown.ordinal(asked.frame)
    round_one = asked.what == "hub" or asked.what == "wheel"
    view = desk.fit_view(shown, asked.sheet if round_one else None)
    with opened(desk.shelf, shown.sha256, None) as clip:
        if asked.what == "hub" or asked.what == "wheel":
            if asked.point is None:
                raise MarkError(f"the {asked.what} has no point; mark its middle")
            rim_px = desk.rim_px(shown) if asked.what == "hub" else asked.rim_px
            found = fit_one_wheel(clip, ordinal, Point(*asked.point), asked.what, rim_px, view)
        else:
            if asked.line is None:
                raise MarkError(f"the {asked.what} has no line; mark both its ends")
            found = fit_one_line(clip, ordinal, Line(*asked.line), asked.what, view)
    told = finite(found)
    names = ("picture_points", "runner_up_line", "radius_px", "wheel")
    body = {name: told.get(name) for name in names}
    body["measured"] = told["measured"] if round_one else None
    body["warnings"] = [scrubbed(sentence, desk.secrets) for sentence in told["warnings"]]
    return FittedBody.model_validate(body)


def _headers(place: int, *, damaged: bool = False) -> dict[str, str]:
    headers = {"x-frame-ordinal": str(place), "cache-control": "no-store"}
    return headers | ({"x-frame-damaged": "1"} if damaged else {})
