"""Files on their way into ``clips/``: received whole or not at all, under a safe name."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import time
import unicodedata
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import BinaryIO

from anyio import CancelScope
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from clipmark.errors import ClipmarkError, FolderError, RecordError
from clipmark.page.limits import UPLOAD_BYTES
from clipmark.record import disk

SPARE_BYTES = 200_000_000  # of the disk, left for the journal
BUFFER_BYTES = 1 << 20
LONGEST_NAME = 120
LEFT_OVER_S = 3600.0  # a part that nobody has written to for so long was left by a killed process
DEVICE_NAMES = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(10))}
_PREFIX, _SUFFIX = ".upload-", ".part"


def safe_name(name: str) -> str:
    """A file name that is only a name, on any system.

    Raises
    ------
    RecordError
        When nothing of it can be used.
    """
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(
        "_" if character in '<>:"|?*' else character
        for character in unicodedata.normalize("NFC", last)
        if unicodedata.category(character)[0] != "C"
    )
    stem, dot, ending = kept.strip(" .").rpartition(".")
    stem, ending = (stem.strip(" ."), ending) if dot else (ending, "")
    ending = ending[:10]
    stem = stem[: LONGEST_NAME - len(ending) - 1]
    while len(f"{stem}.{ending}".encode()) > 2 * LONGEST_NAME:  # a disk counts bytes
        stem = stem[:-1]
    if not stem:
        raise RecordError(f"'{last[:40]}' is no name for a clip; give it one such as run-07.mp4")
    if stem.split(".")[0].casefold() in DEVICE_NAMES:
        stem = f"clip-{stem}"
    return f"{stem}.{ending}" if ending else stem


@asynccontextmanager
async def received(request: Request, clips: Path) -> AsyncIterator[Path]:
    """The body of a request as a flushed file in the folder `clips`, for as long as this lasts.

    Whatever happens, also when the request is called off, nothing of it stays under that name.

    Raises
    ------
    FolderError
        When it does not fit, or cannot be written.
    ClientDisconnect
        When sending was broken off.
    """
    part = clips / f"{_PREFIX}{secrets.token_hex(8)}{_SUFFIX}"
    try:
        await _receive(request, part)
        yield part
    finally:
        with CancelScope(shield=True), contextlib.suppress(OSError):
            await run_in_threadpool(part.unlink, missing_ok=True)


def remove_left_over(clips: Path) -> None:
    """Delete what a killed process left of clips that were being sent."""
    with contextlib.suppress(OSError):
        for part in clips.glob(f"{_PREFIX}*{_SUFFIX}"):
            with contextlib.suppress(OSError):
                if time.time() - part.stat().st_mtime > LEFT_OVER_S:
                    part.unlink()


async def _receive(request: Request, part: Path) -> None:
    """Write the body to a file, flushed; raises as `received` does."""
    limit = await run_in_threadpool(_room_bytes, part)
    announced = request.headers.get("content-length", "")
    if announced.isascii() and announced.isdigit() and int(announced[:20]) > limit:
        raise _too_large(limit)
    try:
        file = await run_in_threadpool(part.open, "xb")
        try:
            size, waiting = 0, bytearray()
            async for chunk in request.stream():
                size += len(chunk)
                if size > limit:
                    raise _too_large(limit)
                waiting += chunk
                if len(waiting) >= BUFFER_BYTES:
                    await run_in_threadpool(file.write, bytes(waiting))
                    waiting.clear()
            await run_in_threadpool(_finish, file, bytes(waiting))
        finally:
            with CancelScope(shield=True):
                await run_in_threadpool(file.close)
    except OSError as error:
        if isinstance(error, ClipmarkError):
            raise
        raise disk.explain(error, "take the clip in", part.parent) from error


def _room_bytes(part: Path) -> int:
    """How many bytes may come, by the disk and by the bound."""
    try:
        part.parent.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(part.parent).free
    except OSError as error:
        raise disk.explain(error, "take the clip in", part.parent) from error
    return max(0, min(UPLOAD_BYTES, free - SPARE_BYTES))


def _too_large(limit_bytes: int) -> FolderError:
    if limit_bytes >= UPLOAD_BYTES:
        return FolderError(
            f"the clip is larger than {UPLOAD_BYTES // 10**9} GB, and nothing was taken in; cut "
            "it, or copy it into clips/ by hand"
        )
    return FolderError(
        f"the disk has room for {limit_bytes // 10**6} MB more, and the clip is larger, so nothing "
        "was taken in; free some space and repeat"
    )


def _finish(file: BinaryIO, rest: bytes) -> None:
    file.write(rest)
    file.flush()
    os.fsync(file.fileno())
