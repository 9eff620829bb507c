"""Taking clips in, and pairing them with entries, tests and tries by their names."""

from __future__ import annotations

import os
import secrets
import shutil
import unicodedata
from pathlib import Path
from typing import Annotated, BinaryIO

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from clipmark.clip import open_clip
from clipmark.errors import ClipmarkError, FolderError, FootageError, RecordError
from clipmark.page.bodies import Answer, PairingAsked
from clipmark.page.desk import Desk, DeskOf
from clipmark.page.routes_frames import ClipBody, clip_body
from clipmark.record import disk
from clipmark.record.clips import adopt, clip_files, clip_sha256
from clipmark.record.models import ClipRef
from clipmark.record.pairing import pair_names
from clipmark.record.rule_sheet import read_rule_sheet

router = APIRouter(tags=["clips"])
LARGEST_BYTES = 32_000_000_000
SPARE_BYTES = 200_000_000  # of the disk, left for the journal
BUFFER_BYTES = 1 << 20
LONGEST_NAME = 120
DEVICE_NAMES = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(10))}


@router.post(
    "/clips",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}
            },
        }
    },
)
async def take_in(
    request: Request, desk: DeskOf, name: Annotated[str, Query(min_length=1, max_length=400)]
) -> ClipBody:
    """Take a clip in: the raw bytes of the file as the body, its name beside it."""
    safe = safe_name(name)
    part = desk.event_path / "clips" / f".upload-{secrets.token_hex(8)}.part"
    try:
        await _receive(request, part)
        return await run_in_threadpool(_admit, desk, part, safe)
    except ClientDisconnect:
        raise FolderError(f"{safe}: sending was broken off, nothing was taken in") from None
    finally:
        await run_in_threadpool(part.unlink, missing_ok=True)


@router.post("/pairings")
def pairings(asked: PairingAsked, desk: DeskOf) -> Answer:
    """What the names of the clips say by a pattern."""
    sheet = read_rule_sheet(desk.event_path)
    paths = clip_files(desk.event_path)
    pairs = pair_names(
        asked.pattern,
        [path.name for path in paths],
        entries=[entry.name for entry in sheet.entries],
        tests=[test.id for test in sheet.tests],
    )
    return {
        "pairs": [
            {
                "sha": clip_sha256(path),
                "name": pair.name,
                "entry": pair.entry,
                "test": pair.test,
                "try_no": pair.try_no,
                "setup": pair.setup,
                "step_deg": pair.step_deg,
                "sentence": pair.sentence,
            }
            for path, pair in zip(paths, pairs, strict=True)
        ]
    }


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


async def _receive(request: Request, part: Path) -> None:
    """Write the body to a file, flushed; raises `FolderError` when it does not fit."""
    limit = await run_in_threadpool(_room, part)
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
            await run_in_threadpool(file.close)
    except OSError as error:
        if isinstance(error, ClipmarkError):
            raise
        raise disk.explain(error, "take the clip in", part.parent) from error


def _room(part: Path) -> int:
    """How many bytes may come, by the disk and by the bound."""
    try:
        part.parent.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(part.parent).free
    except OSError as error:
        raise disk.explain(error, "take the clip in", part.parent) from error
    return max(0, min(LARGEST_BYTES, free - SPARE_BYTES))


def _too_large(limit: int) -> FolderError:
    if limit >= LARGEST_BYTES:
        return FolderError(
            f"the clip is larger than {LARGEST_BYTES // 10**9} GB, and nothing was taken in; cut "
            "it, or copy it into clips/ by hand"
        )
    return FolderError(
        f"the disk has room for {limit // 10**6} MB more, and the clip is larger, so nothing was "
        "taken in; free some space and repeat"
    )


def _finish(file: BinaryIO, rest: bytes) -> None:
    file.write(rest)
    file.flush()
    os.fsync(file.fileno())


def _admit(desk: Desk, part: Path, name: str) -> ClipBody:
    """Check that it is footage, and put it among the clips; the clip as the page lists it."""
    try:
        with open_clip(part) as clip:
            sha256 = clip.sha256
    except (FootageError, FolderError) as error:
        raise FootageError(str(error).replace(part.name, name)) from error
    ref: ClipRef = adopt(desk.event_path, part, name, sha256)
    desk.shelf.refresh()
    return clip_body(desk, desk.shelf.find(ref.sha256), desk.attempts_by_clip())
