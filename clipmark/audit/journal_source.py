"""Where a journal is read from: an event folder, the file itself, or a backup of the event.

Nothing is written and nothing is set aside, so that a check leaves what it checks as it was.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, field
from pathlib import Path

from clipmark.errors import AuditError, FolderError
from clipmark.record import disk
from clipmark.record.attempts_file import CSV_NAME
from clipmark.record.backup import SPOILED
from clipmark.record.layout import JOURNAL_NAME, refuse_no_event
from clipmark.record.sheets import EVENT_NAME

MOST_BYTES = 4 << 30  # of records in a backup; 100,000 attempts take a tenth of it
_BESIDE = (CSV_NAME, EVENT_NAME)


@dataclass(frozen=True)
class JournalSource:
    """A journal and what lies beside it.

    Attributes
    ----------
    path : Path
        What was named: folder, file or backup.
    journal : bytes or Path
        Its bytes, or the file that they are read from a stretch at a time.
    folder : Path or None
        The event folder, where there is one.
    beside : dict
        Bytes of ``attempts.csv`` and ``event.toml`` as far as they are there, and of the lens
        files (``lenses/NAME``).
    torn_files : tuple of str
        Torn lines that were set aside earlier.
    others : tuple of str
        Further journal files in the same folder.
    """

    path: Path
    journal: bytes | Path
    folder: Path | None = None
    beside: dict[str, bytes] = field(default_factory=dict)
    torn_files: tuple[str, ...] = ()
    others: tuple[str, ...] = ()


def read_source(path: Path | str) -> JournalSource:
    """Read a journal with what lies beside it.

    Raises
    ------
    FolderError
        When it is not there, holds no journal, or cannot be read.
    AuditError
        When it is a ZIP file without a journal in it.
    """
    path = Path(path)
    try:
        if path.is_dir():
            return _of_folder(path)
        if path.is_file() and zipfile.is_zipfile(path):
            return _of_backup(path)
        if path.is_file():
            return JournalSource(path, path)
    except (FolderError, AuditError):
        raise
    except SPOILED as error:
        raise AuditError(
            f"{path}: the ZIP file is damaged ({error}); use another copy of it"
        ) from None
    except OSError as error:
        raise disk.explain(error, "read the journal", path) from error
    raise FolderError(f"{path} is not there; give an event folder, its journal or a backup of it")


def _of_folder(folder: Path) -> JournalSource:
    refuse_no_event(folder)
    journal = folder / JOURNAL_NAME
    others = sorted(
        item.name
        for item in folder.iterdir()
        if item.is_file() and item.name != JOURNAL_NAME and _is_like_a_journal(item.name)
    )
    if not journal.is_file():
        there = f"; there is {others[0]}, which may be it under another name" if others else ""
        raise FolderError(
            f"{folder} holds no {JOURNAL_NAME}: no attempt was saved in it yet, or the journal was "
            f"taken away{there}; put it back, or use a backup"
        )
    names = [name for name in _BESIDE if (folder / name).is_file()]
    beside = {name: (folder / name).read_bytes() for name in names}
    for item in sorted((folder / "lenses").glob("*.json")):
        beside[f"lenses/{item.name}"] = item.read_bytes()
    torn = tuple(item.name for item in sorted(folder.glob("journal.torn-*.txt")))
    return JournalSource(folder, journal, folder, beside, torn, tuple(others))


def _is_like_a_journal(name: str) -> bool:
    """``journal (1).jsonl``, ``journal-old.jsonl``: what copying and syncing leave behind."""
    return name.endswith(".jsonl") or (
        name.startswith("journal") and not name.endswith((".lock", ".txt"))
    )


def _of_backup(path: Path) -> JournalSource:
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        if JOURNAL_NAME not in names:
            raise AuditError(
                f"{path} holds no {JOURNAL_NAME}, so it is no backup of an event; give the folder, "
                "its journal or a backup of it"
            )
        wanted = [name for name in names if name in _BESIDE or name.startswith("lenses/")]
        if sum(archive.getinfo(name).file_size for name in (*wanted, JOURNAL_NAME)) > MOST_BYTES:
            raise AuditError(
                f"{path} would unpack to more than {MOST_BYTES >> 30} GiB of records, which no "
                "event has; use another copy of it"
            )
        beside = {name: archive.read(name) for name in wanted if not name.endswith("/")}
        torn = tuple(sorted(name for name in names if name.startswith("journal.torn-")))
        return JournalSource(path, archive.read(JOURNAL_NAME), None, beside, torn)
