"""What an event folder consists of: making a new one, and telling one from other folders."""

import contextlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from clipmark.errors import FolderError
from clipmark.record import disk, sheets
from clipmark.record.instants import utc_text
from clipmark.record.templates import EVENT_TOML, GATES_TOML, SESSION_TOML, quoted

JOURNAL_NAME = "journal.jsonl"
SUBFOLDERS = ("clips", "lenses", "evidence", "report")
_LEFT_BY_SYSTEMS = {".ds_store", "thumbs.db", "desktop.ini"}


def make_folder(
    path: Path, name: str, clock: Callable[[], datetime], *, gates: bool = False
) -> None:
    """Make the folder with its rule sheet and session record; all of it, or nothing.

    With `gates` the rule sheet is that of a gate course with penalties.

    Raises
    ------
    FolderError
        When it is a file, not empty, an event already, or cannot be written.
    """
    _refuse_occupied(path)
    name = name.strip() or path.absolute().name
    made: list[Path] = []
    try:
        for folder in (path, *(path / sub for sub in SUBFOLDERS)):
            if not folder.is_dir():
                folder.mkdir(parents=folder == path)
                made.append(folder)
        for file_name, text in (
            (sheets.SESSION_NAME, SESSION_TOML.format(date=utc_text(clock())[:10])),
            (
                sheets.EVENT_NAME,
                (GATES_TOML if gates else EVENT_TOML).format(name=quoted(name)),
            ),
        ):
            disk.create_file(path / file_name, text.encode("utf-8"))
            made.append(path / file_name)
    except OSError as error:
        for item in reversed(made):
            with contextlib.suppress(OSError):
                item.rmdir() if item.is_dir() else item.unlink()
        raise disk.explain(error, "make an event folder", path) from error


def _refuse_occupied(path: Path) -> None:
    if path.exists() and not path.is_dir():
        raise FolderError(
            f"{path} is a file, so it cannot become an event folder; give another name"
        )
    if not path.is_dir():
        return
    if (path / JOURNAL_NAME).exists() or (path / sheets.EVENT_NAME).exists():
        raise FolderError(f"{path} is an event folder already; open it, or give another name")
    try:
        inside = [item for item in path.iterdir() if item.name.lower() not in _LEFT_BY_SYSTEMS]
    except OSError as error:
        raise disk.explain(error, "look into the folder", path) from error
    if inside:
        raise FolderError(
            f"{path} is not empty (it holds {inside[0].name}) and is not an event folder; give a "
            "new or empty folder"
        )


def refuse_no_event(path: Path) -> None:
    """Raise `FolderError` unless `path` is an event folder that can be looked into."""
    try:
        if not path.exists():
            raise FolderError(
                f"{path} is not there; check the path, or make it with `clipmark start {path}`"
            )
        if not path.is_dir():
            raise FolderError(f"{path} is a file, not an event folder; give the folder")
        found = (path / JOURNAL_NAME).exists() or (path / sheets.EVENT_NAME).exists()
    except PermissionError as error:
        raise disk.explain(error, "open the event folder", path) from error
    if not found:
        raise FolderError(
            f"{path} is not an event folder: it holds neither {sheets.EVENT_NAME} nor "
            f"{JOURNAL_NAME}; give the event's own folder, or make one with `clipmark start`"
        )
