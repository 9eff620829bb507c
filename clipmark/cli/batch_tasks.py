"""What a batch is to do: tasks read from a file or taken from an event folder, and their keys.

The key of a task says everything that its result depends on: contents of clip and other files,
verb, options, versions of the software. What is done under a key stays done.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from clipmark.cli.batch_call import CLIP, OUTPUTS, Parsed, parse_call
from clipmark.cli.batch_evidence import EVIDENCE
from clipmark.errors import FolderError, MarkError, RecordError
from clipmark.evidence import TRACED
from clipmark.record import disk
from clipmark.record.clips import clip_sha256
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.readings import versions_in_use
from clipmark.record.sheets import EVENT_NAME
from clipmark.stands import find_stand

MEASURING = ("angle", "tilt", "climb", "crawl", "footage")
REPLAY = "audit replay"


@dataclass(frozen=True)
class Task:
    """One row of work.

    Attributes
    ----------
    number : int
        Place in the list, from 1.
    verb : str
    clip : str
        As written; of a task from an event folder the attempt's clip.
    options : tuple of str
        As on the command line.
    base : Path
        What relative paths are relative to.
    name : str
        What people call it; the clip's name where none is given.
    """

    number: int
    verb: str
    clip: str
    options: tuple[str, ...]
    base: Path
    name: str = ""

    @property
    def label(self) -> str:
        """How the task is told of."""
        return self.name or Path(self.clip).name


@dataclass(frozen=True)
class Ready:
    """A task that can be done.

    Attributes
    ----------
    task : Task
    parsed : Parsed
    paths : mapping of str to str
        Files and folders by parameter, whole paths.
    hashes : mapping of str to str
        SHA-256 of the files to be read, by parameter.
    key : str
        64 hexadecimal digits.
    """

    task: Task
    parsed: Parsed
    paths: Mapping[str, str]
    hashes: Mapping[str, str]
    key: str

    @property
    def outputs(self) -> list[Path]:
        """Files that it writes."""
        return [Path(path) for name, path in self.paths.items() if name in OUTPUTS]


def make_ready(task: Task) -> Ready:
    """Read the options of a task and take the hashes of its files.

    Raises
    ------
    MarkError
        When verb or options cannot be read.
    FolderError, RecordError
        When a file or an event folder that it names cannot be read.
    """
    if task.verb == REPLAY or task.verb == EVIDENCE:
        return _of_attempt(task)
    if task.verb not in MEASURING:
        raise MarkError(
            f"'{task.verb}' cannot be done in a batch; the verbs are {', '.join(MEASURING)}"
        )
    parsed = parse_call(task.verb, [task.clip, *task.options])
    if "save_stand" in parsed.given:
        raise MarkError(
            "a stand is kept once, not in a batch; leave --save-stand out, and keep it with "
            f"clipmark {task.verb}"
        )
    paths = {name: str(task.base / path) for name, path in parsed.paths.items()}
    if CLIP not in paths:
        raise MarkError("the clip is missing; name it")
    hashes, about = {}, {}
    for name, path in paths.items():
        if name in OUTPUTS:
            continue
        if name in ("into", "rules"):
            about[name] = _event_state(Path(path), parsed.given.get("stand"))
        elif name == CLIP:
            hashes[name] = _clip_hash(Path(path), task.clip)
        else:
            hashes[name] = _file_hash(Path(path))
    given: dict[str, object] = {
        name: value for name, value in parsed.given.items() if name not in hashes
    }
    given.pop("as_json", None)
    return Ready(task, parsed, paths, hashes, _key(task.verb, given, hashes | about))


def attempts_as_tasks(folder: Path, verb: str) -> list[Task]:
    """The saved attempts of an event folder, one task each; for evidence those with a trace.

    Raises
    ------
    FolderError, RecordError
        When the folder cannot be read.
    """
    event = EventFolder.open(folder)
    chosen = [saved for saved in event.attempts() if _has(saved, verb)]
    if not chosen:
        what = "a crawl, tilt or climb reading" if verb == EVIDENCE else "a reading"
        raise RecordError(f"{folder} has no attempt with {what}; measure some first")
    return [
        Task(
            number, verb, saved.attempt.clip.path if saved.attempt.clip else "",
            (str(folder), saved.id), Path.cwd(), saved.id,
        )
        for number, saved in enumerate(chosen, start=1)
    ]  # fmt: skip


def _has(saved: SavedAttempt, verb: str) -> bool:
    if verb == EVIDENCE:
        return any(reading.measure in TRACED for reading in saved.attempt.readings)
    return bool(saved.attempt.readings)


def _of_attempt(task: Task) -> Ready:
    """A saved attempt: its key is the journal line, and which clip is there to be measured."""
    folder = task.base / task.options[0]
    event = _opened(folder)
    saved = event.attempt(task.options[1])
    about = {"line": saved.line.sha256, "sheet": _file_hash(folder / EVENT_NAME)}
    if saved.attempt.clip is not None:
        try:
            about[CLIP] = clip_sha256(event.find_clip(saved.attempt.clip))
        except FolderError:
            about[CLIP] = "not there"
    parsed = Parsed(task.verb, task.options, {"folder": str(folder)}, {})
    return Ready(task, parsed, parsed.paths, {}, _key(task.verb, {"attempt": saved.id}, about))


@cache
def _opened(folder: Path) -> EventFolder:
    """An event folder, opened once for all tasks of a batch; each look reads what was added."""
    return EventFolder.open(folder)


def _event_state(folder: Path, stand: object) -> str:
    """What a reading may take from an event folder: its rule sheet, and a stand."""
    found = _file_hash(folder / EVENT_NAME)
    if stand is None:
        return found
    _, marked = find_stand(_opened(folder), str(stand))
    return f"{found} {marked.model_dump_json()}"


def _clip_hash(path: Path, named: str) -> str:
    if not path.exists():
        raise FolderError(f"{named} does not exist; check the name and the folder")
    return clip_sha256(path)


def _file_hash(path: Path) -> str:
    try:
        return disk.file_sha256(path)
    except OSError as error:
        raise disk.explain(error, "read it", path) from error


def _key(verb: str, given: Mapping[str, object], contents: Mapping[str, str]) -> str:
    whole = {
        "verb": verb,
        "options": dict(sorted(given.items())),
        "contents": dict(sorted(contents.items())),
        "versions": versions_in_use(),
    }
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def key_without_files(task: Task) -> str:
    """A key for a task that cannot be made ready: it is told under it, and never taken as done."""
    whole = json.dumps(["not ready", task.verb, task.clip, list(task.options)])
    return hashlib.sha256(whole.encode()).hexdigest()


def refuse_same_output(ready: Sequence[Ready], told: Callable[[Ready, str], None]) -> list[Ready]:
    """Tasks of which no two write the same file; `told` of the later one of such a pair."""
    first: dict[Path, int] = {}
    kept = []
    for item in ready:
        twice = next((path for path in item.outputs if path in first), None)
        if twice is not None:
            told(
                item,
                f"{twice.name} is written by task {first[twice]} as well; give each its own file",
            )
            continue
        first |= dict.fromkeys(item.outputs, item.task.number)
        kept.append(item)
    return kept
