"""A backup: one ZIP file with everything of an event that cannot be made again.

Taken under the journal's lock, checked by reading it back, and only then given its name.
"""

import contextlib
import io
import json
import os
import struct
import zipfile
import zlib
from pathlib import Path
from typing import cast

from pydantic import JsonValue

from clipmark import __version__
from clipmark.errors import FolderError, RecordError
from clipmark.record import disk
from clipmark.record.attempts_file import CSV_NAME, SCHEMA_NAME
from clipmark.record.attempts_table import LOST_NAME
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import read_chain
from clipmark.record.clips import clip_files
from clipmark.record.folder import EventFolder
from clipmark.record.hidden_areas import FILE_NAME as HIDDEN_NAME
from clipmark.record.instants import utc_text
from clipmark.record.layout import JOURNAL_NAME
from clipmark.record.sheets import EVENT_NAME, SESSION_NAME

MANIFEST_NAME = "manifest.json"
_FORMAT = "clipmark backup 1"


def backup(event: EventFolder, target: Path | str, *, clips: bool = False) -> Path:
    """Write a backup of the event to a ZIP file; return its path.

    Parameters
    ----------
    event : EventFolder
        The event; a journal with faults is taken as it is.
    target : Path or str
        The ZIP file; it must not exist.
    clips : bool
        Take the footage too.

    Raises
    ------
    FolderError
        When the file exists, or it cannot be written; nothing half-written stays.
    RecordError
        When what was written does not read back the same.
    """
    target = Path(target)
    if os.path.lexists(target):
        raise FolderError(f"{target} is there already; a backup replaces nothing, give a new name")
    part = disk.temporary_beside(target)
    try:
        _write(event, part, clips)
        verify_backup(part)
        disk.publish_new(part, target)
    except FileExistsError:
        raise FolderError(
            f"{target} is there already; a backup replaces nothing, give a new name"
        ) from None
    except OSError as error:
        if isinstance(error, FolderError):
            raise
        raise disk.explain(error, "write the backup", target) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    return target


def _records(folder: Path) -> list[Path]:
    """The records of an event, in order: the journal first."""
    names = (JOURNAL_NAME, EVENT_NAME, SESSION_NAME, HIDDEN_NAME, CSV_NAME, SCHEMA_NAME)
    found = [folder / name for name in names if (folder / name).is_file()]
    found += sorted(folder.glob("journal.torn-*.txt"))
    found += sorted(folder.glob(LOST_NAME.format("*")))
    return found + sorted(path for path in (folder / "lenses").rglob("*") if path.is_file())


def _write(event: EventFolder, part: Path, with_clips: bool) -> None:
    """Records under the journal's lock; clips, which never change, after it is given back."""
    with part.open("wb") as sink:
        with zipfile.ZipFile(
            sink, "w", compression=zipfile.ZIP_DEFLATED, strict_timestamps=False
        ) as archive:
            with contextlib.suppress(RecordError, FolderError):
                event.write_attempts_file()  # most of it before others must wait
            with event.journal.locked():
                with contextlib.suppress(RecordError, FolderError):
                    event.write_attempts_file()
                files = [_pack(archive, event.path, path) for path in _records(event.path)]
                manifest = _manifest(event)
            if with_clips:
                files += [_pack(archive, event.path, path) for path in clip_files(event.path)]
            manifest["files"] = files
            archive.writestr(MANIFEST_NAME, json.dumps(manifest, indent=2) + "\n")
        sink.flush()
        os.fsync(sink.fileno())


def _pack(archive: zipfile.ZipFile, folder: Path, path: Path) -> JsonValue:
    """Put one file in; what the manifest says of it."""
    name = path.relative_to(folder).as_posix()
    info = zipfile.ZipInfo.from_file(path, name, strict_timestamps=False)
    is_clip = name.startswith("clips/")  # compressed already
    info.compress_type = zipfile.ZIP_STORED if is_clip else zipfile.ZIP_DEFLATED
    with path.open("rb") as reader, archive.open(info, "w", force_zip64=is_clip) as writer:
        sha256, size = disk.copy_and_hash(reader, writer.write)
    return {"path": name, "size": size, "sha256": sha256}


def _manifest(event: EventFolder) -> JsonObject:
    event.journal.refresh()
    chain = event.journal.chain
    return {
        "format": _FORMAT,
        "made_at": utc_text(event.journal.clock()),
        "software": f"clipmark {__version__}",
        "journal": {
            "lines": chain.lines,
            "last_sha256": chain.last_sha256,
            "faults": [str(fault) for fault in chain.faults],
        },
    }


SPOILED = (  # what the library raises over archives that were damaged or made up
    zipfile.BadZipFile, zlib.error, EOFError, KeyError, ValueError, TypeError, AttributeError,
    NotImplementedError, RuntimeError, OverflowError, struct.error,
)  # fmt: skip


def verify_backup(path: Path | str) -> JsonObject:
    """Read a backup through: every file against its hash, the journal line by line.

    Returns
    -------
    dict
        The manifest.

    Raises
    ------
    RecordError
        When something is missing, added or changed.
    FolderError
        When it cannot be read.
    """
    path = Path(path)
    try:
        with zipfile.ZipFile(path) as archive:
            return _verified(archive, path)
    except OSError as error:
        raise disk.explain(error, "read the backup", path) from error
    except SPOILED as error:
        if isinstance(error, RecordError):
            raise
        raise RecordError(
            f"{path}: this is not a whole backup of clipmark ({error}); use an earlier one"
        ) from None


def _verified(archive: zipfile.ZipFile, path: Path) -> JsonObject:
    manifest = cast(JsonObject, json.loads(archive.read(MANIFEST_NAME)))
    if manifest.get("format") != _FORMAT:
        raise RecordError(
            f"{path}: the form of this backup is not known to this version; open it with the "
            "version that made it"
        )
    promised = {str(item["path"]): str(item["sha256"]) for item in manifest["files"]}  # type: ignore[union-attr,call-overload,index]
    held = set(archive.namelist()) - {MANIFEST_NAME}
    for name in sorted(held ^ promised.keys()):
        fault = "is missing" if name in promised else "was added"
        raise RecordError(f"{path}: {name} {fault}; use an earlier backup")
    for name, sha256 in promised.items():
        with archive.open(name) as member:
            found, _ = disk.copy_and_hash(cast(io.BufferedReader, member), lambda _: None)
        if found != sha256:
            raise RecordError(f"{path}: {name} is not as it was backed up; use an earlier backup")
    if JOURNAL_NAME in promised:
        _verify_journal(archive.read(JOURNAL_NAME), manifest, path)
    return manifest


def _verify_journal(data: bytes, manifest: JsonObject, path: Path) -> None:
    chain, _ = read_chain(data)
    stated = cast(JsonObject, manifest["journal"])
    found = (chain.lines, chain.last_sha256, [str(fault) for fault in chain.faults])
    if found != (stated["lines"], stated["last_sha256"], stated["faults"]):
        raise RecordError(
            f"{path}: the journal in it does not read as its manifest says; use an earlier backup"
        )
