"""Measuring from marks: angles, one fit on demand, crawls in the background."""

from __future__ import annotations

from typing import Annotated

from anyio import from_thread
from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse
from numpy.linalg import LinAlgError

from clipmark.errors import FitError, MarkError
from clipmark.marks import Line, Point
from clipmark.measure.one_fit import fit_one_line, fit_one_wheel
from clipmark.page.bodies import (
    AngleAsked,
    Answer,
    ClipId,
    CrawlAsked,
    FitAsked,
    JobAnswer,
    JobId,
    JobStarted,
    MotionAsked,
    Refusal,
    finite,
)
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.jobs import QueueFullError
from clipmark.page.joining import tilts
from clipmark.page.measuring import angle_result, marks_file, start_motion
from clipmark.page.refusals import in_page_words
from clipmark.record.draft import Marks
from clipmark.record.models import Motion
from clipmark.sheet_grade import TestGrade

router = APIRouter(tags=["marking"])
MOST_FOLLOWED = 20_000  # frames told in one answer


@router.post("/clips/{sha}/angle")
def measure_angle_now(sha: ClipId, asked: AngleAsked, desk: DeskOf, request: Request) -> Answer:
    """The angles from these marks; live ones quickly, without edge fit and budget."""

    def gone() -> bool:
        return from_thread.run(request.is_disconnected)

    return angle_result(desk, sha, asked.marks, live=asked.live, gone=gone)


@router.post("/clips/{sha}/fit")
def fit_one(sha: ClipId, asked: FitAsked, desk: DeskOf) -> Answer:
    """One mark moved onto what the picture shows, with its spread and its runner-up."""
    view = marks_file(
        desk,
        Marks(
            lens=asked.lens,
            view_angle=asked.view_angle,
            square_within=asked.square_within,
            sheet=asked.sheet,
            sheet_size=asked.sheet_size,
        ),
    ).view()
    try:
        with desk.shelf.clip(sha) as clip:
            if asked.what == "hub" or asked.what == "wheel":
                if asked.point is None:
                    raise MarkError(f"the {asked.what} has no point; mark its middle")
                found = fit_one_wheel(
                    clip, asked.frame, Point(*asked.point), asked.what, asked.rim_px, view
                )
            else:
                if asked.line is None:
                    raise MarkError(f"the {asked.what} has no line; mark both its ends")
                found = fit_one_line(clip, asked.frame, Line(*asked.line), asked.what, view)
    except (LinAlgError, ArithmeticError) as error:
        raise FitError(
            f"the {asked.what} cannot be fitted there ({error}); mark it closer, or elsewhere"
        ) from error
    answer: Answer = finite(found)
    return answer


@router.post(
    "/clips/{sha}/crawl",
    status_code=202,
    response_model=JobStarted,
    responses={429: {"model": Refusal}},
)
def crawl_start(sha: ClipId, asked: CrawlAsked, desk: DeskOf) -> JobStarted | JSONResponse:
    """Follow the body in the background; poll the job."""
    return _started(desk, "crawl", sha, asked.marks, asked.test)


@router.post(
    "/clips/{sha}/climb",
    status_code=202,
    response_model=JobStarted,
    responses={429: {"model": Refusal}},
)
def climb_start(sha: ClipId, asked: MotionAsked, desk: DeskOf) -> JobStarted | JSONResponse:
    """Follow an attempt at the board, or a descent, in the background; poll the job."""
    return _started(desk, "climb", sha, asked.marks)


@router.post(
    "/clips/{sha}/tilt",
    status_code=202,
    response_model=JobStarted,
    responses={429: {"model": Refusal}},
)
def tilt_start(sha: ClipId, asked: MotionAsked, desk: DeskOf) -> JobStarted | JSONResponse:
    """Follow platform and truck through a side tilt in the background; poll the job."""
    return _started(desk, "tilt", sha, asked.marks)


@router.get("/tilts")
def saved_tilts(desk: DeskOf, entry: Annotated[str | None, Query(max_length=200)] = None) -> Answer:
    """Saved side tilts, of one entry, that the other side's can be joined with."""
    return {"tilts": tilts(desk, entry)}


def _started(
    desk: Desk, measure: Motion, sha: str, marks: Marks, test: str | None = None
) -> JobStarted | JSONResponse:
    try:
        return JobStarted(job=start_motion(desk, measure, sha, marks, test).id)
    except QueueFullError as error:
        return JSONResponse({"error": str(error)}, 429, {"retry-after": "5"})


@router.get("/jobs/{job}", response_model=JobAnswer)
def job_now(
    job: JobId,
    desk: DeskOf,
    after: Annotated[int, Query(ge=0, le=10**9)] = 0,
    test: Annotated[str | None, Query(max_length=200)] = None,
) -> JobAnswer:
    """How far a job is; `followed` from index `after` on.

    A crawl is graded as signing would grade it for the test named `test`.
    """
    found = desk.jobs.get(job)
    result = found.result
    if result is not None and test:
        result = TestGrade.of(desk.sheets.look().rules, test).graded(found.measure, result)
    followed = found.followed[after : after + MOST_FOLLOWED]
    return JobAnswer(
        state=found.state,
        done=found.done,
        total=found.total,
        error=None if found.error is None else in_page_words(found.error),
        result=finite(result),
        followed=[
            {"frame": item.frame, "t_s": item.t_s, "along_px": item.along_px} for item in followed
        ],
        trace=found.trace,
    )


@router.post("/jobs/{job}/stop", status_code=204, response_class=Response)
def job_stop(job: JobId, desk: DeskOf) -> Response:
    """End a job between two frames."""
    desk.jobs.stop(job)
    return Response(status_code=204)
