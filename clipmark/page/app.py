"""Putting the page together: routes, static files, the practice event, the gate before it all."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.responses import FileResponse
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from clipmark import __version__
from clipmark.errors import ClipmarkError
from clipmark.page import (
    refusals,
    routes_attempts,
    routes_audit,
    routes_clips,
    routes_event,
    routes_frames,
    routes_hidden,
    routes_marking,
    routes_searches,
)
from clipmark.page.bodies import Refusal
from clipmark.page.desk import Desk
from clipmark.page.limits import Rate
from clipmark.page.practice import Practice
from clipmark.page.security import Doors, Gate

log = logging.getLogger(__name__)
STATIC = Path(__file__).parent / "static"
ROUTERS = (
    routes_event,
    routes_clips,
    routes_frames,
    routes_hidden,
    routes_marking,
    routes_attempts,
    routes_audit,
    routes_searches,
)
REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": Refusal, "description": what}
    for status, what in (
        (400, "Refused, with the reason"),
        (401, "The page was not entered with its key"),
        (403, "From another site or host"),
        (404, "Not there"),
        (409, "A newer revision, or another browser, came first"),
        (413, "Too large"),
        (422, "The request cannot be read"),
        (429, "Too many requests"),
    )
}


def create_app(event_path: Path, doors: Doors, *, rate: Rate | None = None) -> ASGIApp:
    """The whole page of one event, gate included, as an ASGI application.

    Parameters
    ----------
    event_path : Path
        The event folder; it must be there.
    doors : Doors
        Key and host names.
    rate : Rate, optional
        Another bound on requests than the usual one.

    Raises
    ------
    FolderError, RecordError
        When the event folder cannot be opened.
    """
    desk = Desk(event_path)
    practice = Practice(lambda desk: event_app(desk))
    app = event_app(desk, practice)
    app.mount("/practice", practice)
    return Gate(app, doors, rate=rate)


def event_app(desk: Desk, practice: Practice | None = None) -> FastAPI:
    """The page of one desk, without the gate; the desk is closed with the app."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        for part in (practice, desk):
            if part is not None:
                await run_in_threadpool(_close, part)

    app = FastAPI(
        title="clipmark marking page",
        version=__version__,
        openapi_url="/api/schema.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
        responses=REFUSALS,
    )
    app.state.desk = desk
    refusals.install(app)
    for module in ROUTERS:
        app.include_router(module.router, prefix="/api")
    app.mount("/static", StaticFiles(directory=STATIC), name="static")

    @app.get("/", include_in_schema=False)
    def page() -> FileResponse:
        return FileResponse(STATIC / "index.html", headers={"cache-control": "no-cache"})

    return app


def _close(part: Desk | Practice) -> None:
    """Close it; what stays undone is said in the terminal, and keeps nothing else from closing."""
    try:
        part.close()
    except ClipmarkError as error:
        log.error("clipmark mark: %s", error)
