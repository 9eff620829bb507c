"""Lens files of an event: a reading names one in ``lenses/``, so one from elsewhere is copied."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

from clipmark.record import disk
from clipmark.record.models import FileRef


def take_in(folder: Path, source: Path) -> FileRef:
    """How a record names the lens file at `source`; copied into ``lenses/`` when it lies elsewhere.

    A file with the same content that is there already is used as it is; another of the same name
    gets a number added to its own.

    Raises
    ------
    FolderError
        When it cannot be read, or copied.
    """
    lenses = folder / "lenses"
    try:
        if source.resolve().parent == lenses.resolve():
            return _named(source.name)
        content = source.read_bytes()
        lenses.mkdir(exist_ok=True)
        same = (path for path in sorted(lenses.glob("*.json")) if path.read_bytes() == content)
        found = next(same, None)
        if found is None:
            found = _free_name(lenses, source.stem)
            disk.replace_file(found, content)
    except OSError as error:
        raise disk.explain(error, "take in the lens file", source) from error
    return _named(found.name)


def _named(name: str) -> FileRef:
    return FileRef(path=f"lenses/{name}")


def _free_name(lenses: Path, stem: str) -> Path:
    """A name that the journal takes as an id, and that no file has yet."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", stem).strip("-.") or "lens"
    names = (f"{plain}{f'-{n}' if n > 1 else ''}.json" for n in itertools.count(1))
    return next(path for name in names if not (path := lenses / name).exists())
