"""Files of a task, sent along to a worker that does not see them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from clipmark.cli.batch_call import OUTPUTS
from clipmark.cli.batch_tasks import Ready
from clipmark.cli.batch_work import FOLDERS, Job, SentFile
from clipmark.errors import FolderError, MarkError
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from clipmark.record.layout import JOURNAL_NAME
from clipmark.record.sheets import EVENT_NAME
from clipmark.stands import find_stand, reference_of

MOST_BYTES = 1 << 30  # of one file; it passes through the memory of three programs


def refuse_to_send(item: Ready) -> None:
    """Refuse a task that cannot be done away from its files.

    Raises
    ------
    MarkError
        When it uses a stand: that is a clip of its own in the event folder.
    FolderError
        When a file is too large to be sent.
    """
    if "stand" in item.parsed.given:
        raise MarkError(
            "a stand (--stand) cannot be sent along (--send); put the event folder where every "
            "machine sees it, and leave --send out"
        )
    for name, path in item.paths.items():
        if name in item.hashes and (size := Path(path).stat().st_size) > MOST_BYTES:
            raise FolderError(
                f"{Path(path).name} has {size / 1e9:.1f} GB, too much to be sent (--send); put it "
                "where every machine sees it, and leave --send out"
            )


def packed(job: object) -> tuple[object, Sequence[bytes]]:
    """A job with the contents of its files.

    Raises
    ------
    FolderError
        When a file cannot be read.
    """
    assert isinstance(job, Job)
    files = []
    for name, path in job.paths.items():
        if name in FOLDERS:
            files += _of_event(name, Path(path), job)
        elif name not in OUTPUTS:
            files.append((name, Path(path).name, Path(path)))
    sent, contents = [], []
    for name, inside, place in files:
        try:
            content = place.read_bytes()
        except OSError as error:
            raise disk.explain(error, "read it", place) from error
        contents.append(content)
        sent.append(SentFile(name, inside, hashlib.sha256(content).hexdigest()))
    return replace(job, sent=tuple(sent)), contents


def _of_event(parameter: str, folder: Path, job: Job) -> list[tuple[str, str, Path]]:
    """What of an event folder a task needs: sheet, journal, lenses, and the attempt's clips."""
    names = [EVENT_NAME, JOURNAL_NAME]
    found = [(parameter, name, folder / name) for name in names if (folder / name).is_file()]
    lenses = folder / "lenses"
    found += [(parameter, f"lenses/{path.name}", path) for path in sorted(lenses.glob("*.json"))]
    if parameter == "folder":
        found += _clips_of(folder, job.arguments[1])
    return found


def _clips_of(folder: Path, attempt_id: str) -> list[tuple[str, str, Path]]:
    event = EventFolder.open(folder)
    attempt = event.attempt(attempt_id).attempt
    named = [
        item for item in (attempt.clip, *(each.clip for each in attempt.further_clips)) if item
    ]
    if attempt.stand is not None:
        ref, stand = find_stand(event, attempt.stand.id)
        named.append(reference_of(stand, ref.id)[0])
    found = {}
    for wanted in named:
        try:
            found[wanted.path] = event.find_clip(wanted)
        except FolderError:
            continue  # the replay says that it is missing
    return [("folder", path, place) for path, place in found.items()]
