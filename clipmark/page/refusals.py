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
from clipmark.page.field_words import label_of
from clipmark.record import disk
from clipmark.record.finding_words import wanted

_STATUS: tuple[tuple[type[ClipmarkError], int], ...] = (
    (PageError, 404),
    (FrameError, 404),
    (RevisionError, 409),
)
# An option in brackets behind the thing it gives: what the page leaves out of a sentence.
OPTIONS = re.compile(r" \(--[a-z][a-z-]*(?: and --[a-z][a-z-]*)*\)")
_VERBS = ("is ", "holds ", "must ", "runs ", "ends ")  # a finding of ours that goes on from a label
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
    """The first thing wrong with a request: which field, what it is, and what it must be.

    Examples
    --------
    >>> in_words([{"type": "less_than_equal", "loc": ("body", "draft", "details", "step_deg"),
    ...            "msg": "", "input": 4200, "ctx": {"le": 180.0}}])
    'step is 4200, but must be at most 180 °; correct it'
    """
    first = errors[0]
    found = label_of(first["loc"])
    place = ".".join(str(part) for part in first["loc"] if part not in ("body", "query", "path"))
    label, unit = found if found else (f"what the page sent as '{place}'" if place else "", "")
    more = f" ({_others(len(errors) - 1)})" if len(errors) > 1 else ""
    return f"{_sentence(first, label, unit)}{more}"


def _sentence(finding: Mapping[str, Any], label: str, unit: str) -> str:
    kind, message = str(finding["type"]), str(finding["msg"])[:200].removeprefix("Value error, ")
    if kind == "missing":
        if isinstance(finding["loc"][-1], int):
            return (
                f"{label or 'a list'} is not whole, a number of it is missing; give it and repeat"
            )
        return f"{label or 'the body of the request'} is missing; give it and repeat"
    if kind == "extra_forbidden":
        named = str(finding["loc"][-1])[:60]
        return f"the page sent '{named}', which is no field here; load the page anew and repeat"
    if kind == "json_invalid" or not label:
        return "what the page sent cannot be read; load the page anew and repeat"
    must_be = wanted(finding, unit)
    if must_be is not None:
        return f"{label} is {_given(finding)}, but must be {must_be}; correct it"
    if message.startswith(_VERBS):
        return f"{label} {message}"
    return message


def _given(finding: Mapping[str, Any]) -> str:
    """What was given, short; of a text that is too long, its length."""
    value = finding["input"]
    if isinstance(value, str) and str(finding["type"]).endswith("too_long"):
        return f"{len(value)} characters long"
    if value is None or value == "":
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"'{value[:40]}'" if len(value) <= 40 else f"'{value[:40]}\u2026'"
    if isinstance(value, Mapping):
        return "a table of fields"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    return str(value)[:40]


def _others(count: int) -> str:
    return "and one more field is wrong" if count == 1 else f"and {count} more fields are wrong"
