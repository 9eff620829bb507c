"""What a file says before any picture is decoded: read here, or in a guarded process."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from clipmark.clip.admit import Source, check_file, choose_stream, file_sha256, open_container
from clipmark.clip.facts import StreamFacts, read_facts
from clipmark.clip.guarded import run_guarded
from clipmark.clip.index import FrameIndex, build_index
from clipmark.clip.limits import check_aspect
from clipmark.errors import FootageError


@dataclass(frozen=True)
class Stated:
    """A file as it describes itself.

    Attributes
    ----------
    source : Source
        File and stream.
    index : FrameIndex
    facts : StreamFacts
    sha256 : str
        Of the whole file, hex.
    """

    source: Source
    index: FrameIndex
    facts: StreamFacts
    sha256: str


def state_of(path: Path, *, guarded: bool) -> Stated:
    """What the file states; refused where it cannot be a clip.

    Raises
    ------
    FolderError, FootageError
        In a sentence that names the file.
    """
    check_file(path)
    if not guarded:
        return _read(path)
    return run_guarded(partial(_read, path), about=path.name)


def _read(path: Path) -> Stated:
    container = open_container(path)
    try:
        stream, source = choose_stream(path, container)
        index = build_index(path, container, stream)
        facts = read_facts(container, stream)
        digest = file_sha256(path)
    finally:
        container.close()
    if index.frame_count == 0:
        raise FootageError(f"{path.name} holds no pictures; copy it from the camera again")
    check_aspect(path.name, facts.pixel_aspect)
    return Stated(source, index, facts, digest)


_guarded: bool | None = None


def guard_clips(guarded: bool) -> None:
    """Whether clips opened from now on in this process are decoded in processes of their own.

    Without it the environment decides: `CLIPMARK_GUARD=1`.
    """
    global _guarded
    _guarded = guarded


def guards_clips(asked: bool | None) -> bool:
    """Whether a clip is to be guarded: as asked, else as the whole process does."""
    usual = _guarded if _guarded is not None else os.environ.get("CLIPMARK_GUARD") == "1"
    return (usual if asked is None else asked) and os.name == "posix"
