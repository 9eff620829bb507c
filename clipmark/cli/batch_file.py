"""A list of tasks as a file: TOML, or CSV from a spreadsheet."""

from __future__ import annotations

import csv
import io
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

from clipmark.cli.batch_tasks import Task
from clipmark.errors import FolderError, RecordError
from clipmark.record import disk

COLUMNS = ("verb", "clip", "options", "name")
YES, NO = ("yes", "true", "x"), ("no", "false")
MOST_BYTES = 50_000_000


def read_tasks(path: Path) -> list[Task]:
    """The tasks in a file, in order.

    TOML: ``[[task]]`` tables with ``verb``, ``clip`` and ``options``, a string as typed on the
    command line or a list of strings; ``name`` if wanted. ``[options]`` holds such strings by verb,
    put before those of each task. CSV: a header row with the same names; further columns may be
    options, such as ``--frame``, with their value in the cell, several values apart by ``;``, and
    yes or no for those that take none. Paths are relative to the file's folder.

    Raises
    ------
    FolderError
        When it cannot be read, or is neither TOML nor CSV by its name.
    RecordError
        When a row cannot be understood; with file, row and what to do.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FolderError(f"{path.name} is too large for a list of tasks; check the name")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordError(f"{path.name} is not UTF-8 text; save it as UTF-8") from error
    except FolderError:
        raise
    except OSError as error:
        raise disk.explain(error, "read the list of tasks", path) from error
    kind = path.suffix.lower()
    if kind == ".toml":
        rows = _toml_rows(text, path)
    elif kind == ".csv":
        rows = _csv_rows(text, path)
    else:
        raise FolderError(
            f"{path.name} is no list of tasks: its name must end in .toml or .csv, or it must be "
            "an event folder (--replay, --evidence)"
        )
    base = path.absolute().parent
    tasks = [
        Task(number, verb, clip, options, base, name)
        for number, (verb, clip, options, name) in enumerate(rows, start=1)
    ]
    if not tasks:
        raise RecordError(f"{path.name} holds no task; add one row or [[task]] for each clip")
    return tasks


_Row = tuple[str, str, tuple[str, ...], str]


def _toml_rows(text: str, path: Path) -> Iterator[_Row]:
    try:
        whole = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordError(f"{path.name} is not TOML: {error}; mend that place") from error
    odd = sorted(set(whole) - {"task", "options"})
    if odd:
        raise RecordError(f"{path.name}: '{odd[0]}' is not known; there are [options] and [[task]]")
    shared, tasks = whole.get("options", {}), whole.get("task", [])
    if not isinstance(shared, Mapping) or not isinstance(tasks, list):
        raise RecordError(f"{path.name}: write [options] once, and [[task]] for each clip")
    for number, task in enumerate(tasks, start=1):
        where = f"{path.name}, task {number}"
        if not isinstance(task, Mapping):
            raise RecordError(f"{where}: write [[task]] and its keys below it")
        odd = sorted(set(task) - set(COLUMNS))
        if odd:
            raise RecordError(f"{where}: '{odd[0]}' is not known; a task has {', '.join(COLUMNS)}")
        verb, clip = _text(task, "verb", where), _text(task, "clip", where)
        options = (
            *_options(shared.get(verb, ""), f"{path.name}, options of {verb}"),
            *_options(task.get("options", ""), where),
        )
        yield verb, clip, options, str(task.get("name", ""))


def _text(task: Mapping[str, object], name: str, where: str) -> str:
    found = task.get(name)
    if not isinstance(found, str) or not found.strip():
        raise RecordError(f"{where}: the {name} is missing; give {name} as text")
    return found.strip()


def _options(told: object, where: str) -> tuple[str, ...]:
    if isinstance(told, list) and all(isinstance(item, (str, int, float)) for item in told):
        return tuple(str(item) for item in told)
    if not isinstance(told, str):
        raise RecordError(
            f'{where}: options are one text as on the command line, such as "--frame 0 --quick", '
            "or a list of such words"
        )
    try:
        return tuple(shlex.split(told))
    except ValueError as error:
        raise RecordError(
            f"{where}: the options cannot be read ({str(error).lower()}); close every quotation "
            "mark"
        ) from error


def _csv_rows(text: str, path: Path) -> Iterator[_Row]:
    first = text.split("\n", 1)[0]
    between = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text), delimiter=between, strict=True)
    try:
        header = [cell.strip() for cell in next(reader, [])]
        for name in header:
            if name not in COLUMNS and not name.startswith("--"):
                raise RecordError(
                    f"{path.name}: the column '{name}' is not known; there are "
                    f"{', '.join(COLUMNS)}, and options such as --frame"
                )
        for cells in reader:
            if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
                continue
            yield _csv_row(header, cells, f"{path.name}, line {reader.line_num}")
    except csv.Error as error:
        raise RecordError(
            f"{path.name}, line {reader.line_num}: it is not CSV ({error}); close every quotation "
            "mark"
        ) from error


def _csv_row(header: list[str], cells: list[str], where: str) -> _Row:
    if len(cells) > len(header):
        raise RecordError(
            f"{where}: there are {len(cells)} cells under {len(header)} columns; put options that "
            "hold commas into quotation marks"
        )
    row = dict(zip(header, cells, strict=False))
    options = list(_options(row.get("options", ""), where))
    for name, cell in row.items():
        if name.startswith("--"):
            for value in filter(None, (part.strip() for part in cell.split(";"))):
                if value.lower() in YES:
                    options.append(name)
                elif value.lower() not in NO:
                    options += [name, value]
    verb, clip = _text(row, "verb", where), _text(row, "clip", where)
    return verb, clip, tuple(options), row.get("name", "").strip()
