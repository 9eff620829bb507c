"""The blind page: a small app of its own behind the same gate, for one plan.

It has no route of the marking page. What a marker can ask for is in `routes_blind`.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from clipmark import __version__
from clipmark.errors import ClipmarkError
from clipmark.page import blind_words, routes_blind
from clipmark.page.app import STATIC
from clipmark.page.blind_desk import BlindDesk
from clipmark.page.limits import Rate
from clipmark.page.security import Doors, Gate

log = logging.getLogger(__name__)


def create_blind_app(
    event_path: Path, plan_id: str, doors: Doors, *, rate: Rate | None = None
) -> ASGIApp:
    """The blind page of one open plan, gate included, as an ASGI application.

    Raises
    ------
    AuditError, FolderError, RecordError
        When the plan cannot be marked, or the event folder cannot be opened.
    """
    return Gate(blind_app(BlindDesk(event_path, plan_id)), doors, rate=rate)


def blind_app(desk: BlindDesk) -> FastAPI:
    """The blind page of one desk, without the gate; the desk is closed with the app."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(_close, desk)

    app = FastAPI(
        title="clipmark blind marking",
        version=__version__,
        openapi_url="/api/schema.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.desk = desk
    blind_words.install(app)
    app.include_router(routes_blind.router, prefix="/api")
    app.mount("/static", StaticFiles(directory=STATIC), name="static")

    @app.get("/", include_in_schema=False)
    def page() -> FileResponse:
        return FileResponse(STATIC / "blind.html", headers={"cache-control": "no-cache"})

    return app


def _close(desk: BlindDesk) -> None:
    """Close it; what stays undone is said in the terminal, and keeps nothing else from closing."""
    try:
        desk.close()
    except ClipmarkError as error:
        log.error("clipmark audit blind: %s", error)
