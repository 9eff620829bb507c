"""How far a journal was judged before: a note that speeds up opening, and is never the truth.

It lies in the user's own cache folder, one small file for each journal, and may be deleted at any
moment. It says no more than "the first so many bytes, so many lines, were judged and found sound,
and the last of these lines had this hash". Since each line's hash covers its bytes and the hash of
the line before, lines that still lead to that hash are byte for byte those that were judged; so an
opening still reads and hashes every byte, and spares only the reading of each line as JSON. A note
that does not fit is passed over, as is one of another version of clipmark.
"""

import contextlib
import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import platformdirs

from clipmark import __version__
from clipmark.record import disk

LEAST_BYTES = 1 << 20  # a journal is judged as quickly as a note is read below about this
MOST_NOTES = 1_000  # the oldest are dropped beyond
_FORMAT = "clipmark checkpoint 1"


@dataclass(frozen=True)
class Judged:
    """The stretch of a journal that was judged sound: `size` bytes, `lines` lines."""

    size: int
    lines: int
    sha256: str  # of the last of these lines

    def __post_init__(self) -> None:
        if not (self.size > 0 and self.lines > 0 and len(self.sha256) == 64):
            raise ValueError


@dataclass(frozen=True)
class TableNote:
    """An attempts file as this version wrote it: what it was made from, and its own hash."""

    file_sha256: str
    event: str
    seq: int  # of the last journal line that was looked at
    sha256: str  # of that line


def folder() -> Path:
    """Where the notes lie."""
    return Path(platformdirs.user_cache_dir("clipmark")) / "journals"


def read_judged(journal: Path) -> Judged | None:
    """What was judged of a journal before; None when that is not known."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        return Judged(**_read(journal, "judged"))
    return None


def read_table_note(table: Path) -> TableNote | None:
    """What was written down of an attempts file; None when that is not known."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        return TableNote(**_read(table, "table"))
    return None


def keep(path: Path, note: Judged | TableNote) -> None:
    """Write a note down; one that cannot be written is done without."""
    with contextlib.suppress(OSError):
        place = _place(path)
        if not place.exists():
            place.parent.mkdir(parents=True, exist_ok=True)
            _drop_oldest(place.parent)
        part = disk.temporary_beside(place)
        fields = {
            "format": _FORMAT,
            "software": __version__,
            "of": str(path.absolute()),
            "judged" if isinstance(note, Judged) else "table": asdict(note),
        }
        # Not flushed: after a power cut it is this one, the one before, or one that does not fit.
        part.write_text(json.dumps(fields), encoding="utf-8")
        part.replace(place)


def _place(path: Path) -> Path:
    name = hashlib.sha256(str(path.absolute()).encode("utf-8", "surrogatepass")).hexdigest()[:32]
    return folder() / f"{name}.json"


def _read(path: Path, what: str) -> dict[str, Any]:
    fields = json.loads(_place(path).read_text(encoding="utf-8"))
    if (fields["format"], fields["software"]) != (_FORMAT, __version__):
        raise ValueError
    if fields["of"] != str(path.absolute()):
        raise ValueError
    found: dict[str, Any] = fields[what]
    return found


def _drop_oldest(notes: Path) -> None:
    found = sorted(notes.glob("*.json"), key=lambda note: note.stat().st_mtime)
    for note in found[: max(0, len(found) + 1 - MOST_NOTES)]:
        note.unlink()
