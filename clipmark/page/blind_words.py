"""What the blind page may say of an error: no numbers, no names, and no more than it must.

A marker who is told "frame 412 of siskin-climb.mp4" is not blind any more. A fit that fails must
be said, since it is theirs to mend; everything else is told in general words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from clipmark import defects
from clipmark.errors import (
    AuditError,
    ClipmarkError,
    FitError,
    FollowError,
    MarkError,
    PageError,
    PlaneError,
)
from clipmark.page.reader import BusyError
from clipmark.page.refusals import in_page_words

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
OF_THE_MARKS = (MarkError, FitError, FollowError, PlaneError, AuditError)  # the marker's to mend
NO_FOOTAGE = (
    "this picture cannot be read here; tell whoever asked you to mark, or sign it as one that "
    "cannot be marked"
)
NOT_NOW = "this picture is not ready; ask for it again"
NOT_HERE = "this is not the picture to be marked now; load the page anew"
NOT_KEPT = "this could not be kept; tell whoever asked you to mark, and sign it again"
DEFECT = "something went wrong in clipmark itself; tell whoever asked you to mark, and go on"
UNREADABLE = "what the page sent cannot be read; load the page anew and repeat"
NOTHING = "there is nothing at this address; open the page anew"
_FILE = re.compile(r"\S*[/\\]\S+|\S+\.(?:mp4|mov|mkv|webm|avi|m4v|json|jsonl|toml|csv)\b", re.I)
_HEX = re.compile(r"\b[0-9a-f]{8,}\b")
_NUMBER = re.compile(r"[-+\N{MINUS SIGN}]?\d+(?:[.,:]\d+)*(?:e[-+]?\d+)?")


def scrubbed(sentence: str, secrets: Iterable[str] = ()) -> str:
    """A sentence without numbers, file names, hashes and what else is secret.

    Parameters
    ----------
    sentence : str
    secrets : iterable of str
        Names that must not be told, in any spelling of capitals.

    Examples
    --------
    >>> scrubbed("the ramp line of siskin.mp4 is 12.4 px long, but 20 px is needed")
    'the ramp line of … is … px long, but … px is needed'
    """
    told = in_page_words(sentence)
    for pattern in (_FILE, _HEX):
        told = pattern.sub(ELLIPSIS, told)
    for secret in sorted(filter(None, secrets), key=len, reverse=True):
        told = re.sub(re.escape(secret), ELLIPSIS, told, flags=re.IGNORECASE)
    return _NUMBER.sub(ELLIPSIS, told)


def told_of(error: ClipmarkError, secrets: Iterable[str] = ()) -> tuple[int, str]:
    """Status and sentence of a refusal."""
    if isinstance(error, OF_THE_MARKS):
        return 400, scrubbed(str(error), secrets)
    if isinstance(error, BusyError):
        return 503, NOT_NOW
    if isinstance(error, PageError):
        return 404, NOT_HERE
    return 400, NO_FOOTAGE


def install(app: FastAPI) -> None:
    """Make every error of `app` an answer that tells nothing; ``app.state.desk`` knows names."""
    app.add_exception_handler(ClipmarkError, _refused)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _defect)


def refusal(status: int, sentence: str) -> JSONResponse:
    """A refusal as the page gets it."""
    headers = {"retry-after": "1"} if status == 503 else None
    return JSONResponse({"error": sentence}, status, headers)


async def _refused(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, ClipmarkError)
    return refusal(*told_of(error, _secrets(request)))


async def _unreadable(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return refusal(422, UNREADABLE)


async def _plain(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    return JSONResponse({"error": NOTHING}, error.status_code, error.headers)


async def _defect(request: Request, error: Exception) -> JSONResponse:
    """Keep the details in a file for whoever set it up; the marker is told none of them."""
    defects.keep("blind marking", error)
    return refusal(500, DEFECT)


def _secrets(request: Request) -> Sequence[str]:
    desk: Any = request.app.state.desk
    found: Sequence[str] = desk.secrets
    return found
