"""How a refusal, a bad request and a defect reach the browser: as one sentence."""

from __future__ import annotations

import errno
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import platformdirs
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from clipmark import __version__
from clipmark.errors import ClipmarkError, FolderError, FrameError, PageError, RevisionError

_STATUS: tuple[tuple[type[ClipmarkError], int], ...] = (
    (PageError, 404),
    (FrameError, 404),
    (RevisionError, 409),
)
_PLAIN = {
    404: "there is nothing at this address of the page; open the page anew",
    405: "this address of the page does not take that kind of request; open the page anew",
}


def status_of(error: ClipmarkError) -> int:
    """Which HTTP status a refusal has."""
    if isinstance(error, FolderError) and _disk_full(error):
        return 507
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 400)


def answer(status: int, sentence: str) -> JSONResponse:
    """A refusal as the page gets it."""
    return JSONResponse({"error": " ".join(sentence.split())}, status)


def install(app: FastAPI) -> None:
    """Make every error of `app` an answer with one sentence."""
    app.add_exception_handler(ClipmarkError, _refused)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _defect)


def _disk_full(error: BaseException) -> bool:
    cause = error.__cause__
    return isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT)


async def _refused(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, ClipmarkError)
    return answer(status_of(error), str(error))


async def _unreadable(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return answer(422, in_words(error.errors()))


async def _plain(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    return answer(error.status_code, _PLAIN.get(error.status_code, str(error.detail)))


async def _defect(request: Request, error: Exception) -> JSONResponse:
    """Keep the details in a file; the page is told where."""
    where = Path(platformdirs.user_log_dir("clipmark")) / "defect.txt"
    details = "".join(traceback.format_exception(error))
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_text(
            f"clipmark {__version__}\n{request.method} {request.url.path}\n{details}",
            encoding="utf-8",
        )
        told = f"details are in {where}"
    except OSError:
        told = "and its details could not be written to a file"
    return answer(
        500,
        f"this is a defect of clipmark, not of your input ({type(error).__name__}); {told}",
    )


def in_words(errors: Sequence[Any]) -> str:
    """The first thing wrong with a request, as a sentence."""
    first = errors[0]
    place = ".".join(str(part) for part in first["loc"] if part not in ("body", "query", "path"))
    what = str(first["msg"])[:200].removeprefix("Value error, ")
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    return f"the request cannot be read at {place or 'its start'}: {what}{more}; correct it"
