"""How a refusal, a bad request and a defect reach the browser: as one sentence."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from clipmark import defects
from clipmark.errors import ClipmarkError, FolderError, FrameError, PageError, RevisionError
from clipmark.record import disk

_STATUS: tuple[tuple[type[ClipmarkError], int], ...] = (
    (PageError, 404),
    (FrameError, 404),
    (RevisionError, 409),
)
# An option in brackets behind the thing it gives: what the page leaves out of a sentence.
OPTIONS = re.compile(r" \(--[a-z][a-z-]*(?: and --[a-z][a-z-]*)*\)")
_PLAIN = {
    404: "there is nothing at this address of the page; open the page anew",
    405: "this address of the page does not take that kind of request; open the page anew",
}


def status_of(error: ClipmarkError) -> int:
    """Which HTTP status a refusal has."""
    cause = error.__cause__
    if isinstance(error, FolderError) and isinstance(cause, OSError) and disk.is_full(cause):
        return 507
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 400)


def answer(status: int, sentence: str, headers: Mapping[str, str] | None = None) -> JSONResponse:
    """A refusal as the page gets it."""
    return JSONResponse({"error": in_page_words(sentence)}, status, headers)


def in_page_words(sentence: str) -> str:
    """A sentence on one line, without the options of the command line that it names in brackets.

    Examples
    --------
    >>> in_page_words("a scale mark needs its length (--scale-mm) as well; give both")
    'a scale mark needs its length as well; give both'
    """
    return " ".join(OPTIONS.sub("", sentence).split())


def install(app: FastAPI) -> None:
    """Make every error of `app` an answer with one sentence."""
    app.add_exception_handler(ClipmarkError, _refused)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _defect)


async def _refused(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, ClipmarkError)
    return answer(status_of(error), str(error))


async def _unreadable(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return answer(422, in_words(error.errors()))


async def _plain(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    sentence = _PLAIN.get(error.status_code, str(error.detail))
    return answer(error.status_code, sentence, error.headers)


async def _defect(request: Request, error: Exception) -> JSONResponse:
    """Keep the details in a file; the page is told where."""
    return answer(500, defects.keep(f"{request.method} {request.url.path}", error))


def in_words(errors: Sequence[Any]) -> str:
    """The first thing wrong with a request, as a sentence."""
    first = errors[0]
    place = ".".join(str(part) for part in first["loc"] if part not in ("body", "query", "path"))
    what = str(first["msg"])[:200].removeprefix("Value error, ")
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    return f"the request cannot be read at {place or 'its start'}: {what}{more}; correct it"
