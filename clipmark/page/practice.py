"""The sample event to practise on: a throw-away copy, made when somebody first opens it."""

from __future__ import annotations

import contextlib
import json
import shutil
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from clipmark.errors import ClipmarkError, PageError
from clipmark.page.desk import Desk
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from clipmark.sample.media import sample_media_folder

EVENT_NAME = "Tarn Hollow Pocket Trials (practice)"


class Practice:
    """ASGI application mounted beside the real event; nothing in it outlives the server."""

    def __init__(self, make_app: Callable[[Desk], ASGIApp]) -> None:
        self._make_app = make_app
        self._lock = threading.Lock()
        self._closed = False
        self._folder: Path | None = None
        self._desk: Desk | None = None
        self._app: ASGIApp | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, making the copy first when it is the first."""
        if scope["path"].rstrip("/") == scope.get("root_path", "").rstrip("/"):
            at_root = scope["path"].endswith("/")
            if not at_root:
                query = scope["query_string"].decode("latin-1")
                target = scope["path"] + "/" + (f"?{query}" if query else "")
                await RedirectResponse(target, 307)(scope, receive, send)
                return
        app = await run_in_threadpool(self._ready)
        await app(scope, receive, send)

    def _ready(self) -> ASGIApp:
        with self._lock:
            if self._closed:
                raise PageError("the page is being closed; start it again")
            if self._app is None:
                self._desk = self._made()
                self._app = self._make_app(self._desk)
            return self._app

    def _made(self) -> Desk:
        """A desk with the copy on it; nothing half-copied stays."""
        try:
            self._folder = Path(tempfile.mkdtemp(prefix="clipmark-practice-"))
        except OSError as error:
            place = Path(tempfile.gettempdir())
            raise disk.explain(error, "copy the sample event", place) from error
        try:
            path = self._folder / "tarn-hollow"
            copy_sample_event(path)
            return Desk(path, practice=True)
        except BaseException:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None
            raise

    def close(self) -> None:
        """Let the copy go; what was marked in it was practice."""
        with self._lock:
            desk, folder = self._desk, self._folder
            self._app = self._desk = self._folder = None
            self._closed = True
        if desk is not None:
            with contextlib.suppress(ClipmarkError):  # an attempts file that goes anyway
                desk.close()
            shutil.rmtree(desk.drafts.folder, ignore_errors=True)
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)


def copy_sample_event(path: Path) -> None:
    """Make an event folder with the sample's rule sheet, lenses and clips, and no attempts.

    Raises
    ------
    FolderError
        When it cannot be written.
    """
    media = sample_media_folder()
    with EventFolder.create(path, name=EVENT_NAME) as event:
        try:
            for name in ("event.toml", "session.toml"):
                shutil.copyfile(media / name, path / name)
            (path / "lenses").mkdir(exist_ok=True)
            for lens in sorted((media / "lenses").glob("*.json")):
                shutil.copyfile(lens, path / "lenses" / lens.name)
        except OSError as error:
            raise disk.explain(error, "copy the sample event", path) from error
        for clip in _clips(media):
            event.add_clip(clip)


def _clips(media: Path) -> list[Path]:
    """The clips of the sample event that are measured on the page: angles and crawls."""
    told = json.loads((media / "event.json").read_text(encoding="utf-8"))["attempts"]
    return sorted(
        media / item["clip"] for item in told if set(item["measure"]) <= {"angle", "crawl"}
    )
