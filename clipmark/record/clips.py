"""Finding clips by what is in them, and taking new ones into the event folder.

A clip is never written to. Hashes are kept in the user's cache folder by path, size and time of
change, so that a moved or renamed clip is found again without reading every file each time; the
cache may be deleted at any moment.
"""

import contextlib
import itertools
import json
import os
from pathlib import Path
from typing import Literal

import platformdirs

from clipmark.errors import FolderError
from clipmark.record import disk
from clipmark.record.models import ClipRef

LinkKind = Literal["hard", "soft"]
_CACHE_LIMIT = 20_000  # entries; the oldest are dropped
_Seen = dict[str, tuple[int, int, str]]


def cache_path() -> Path:
    """Where hashes of clips are remembered."""
    return Path(platformdirs.user_cache_dir("clipmark")) / "clip-hashes.json"


def _read_cache() -> _Seen:
    """What was remembered; nothing where the cache is missing or damaged."""
    try:
        stored = json.loads(cache_path().read_text(encoding="utf-8"))
        return {str(path): (int(s), int(m), str(h)) for path, (s, m, h) in stored.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def _write_cache(seen: _Seen) -> None:
    """Remember; a cache that cannot be written is done without."""
    kept = dict(list(seen.items())[-_CACHE_LIMIT:])
    with contextlib.suppress(OSError):
        cache_path().parent.mkdir(parents=True, exist_ok=True)
        disk.replace_file(cache_path(), json.dumps(kept).encode("utf-8"))


def clip_sha256(path: Path, *, fresh: bool = False) -> str:
    """Hash of a clip's bytes, from the cache when size and time of change are as they were.

    Parameters
    ----------
    path : Path
        The clip.
    fresh : bool
        Read the file again whatever the cache says, as an audit must.

    Raises
    ------
    FolderError
        When it cannot be read.
    """
    try:
        state = path.stat()
        key = str(path.resolve())
        seen = _read_cache()
        size, changed, known = seen.get(key, (-1, -1, ""))
        if not fresh and (size, changed) == (state.st_size, state.st_mtime_ns):
            return known
        found = disk.file_sha256(path)
    except OSError as error:
        raise disk.explain(error, "read the clip", path) from error
    seen.pop(key, None)
    seen[key] = (state.st_size, state.st_mtime_ns, found)
    _write_cache(seen)
    return found


def clip_files(folder: Path) -> list[Path]:
    """Every file under ``clips/``, in order of its path; unfinished copies left out."""
    root = folder / "clips"
    return sorted(
        path for path in root.rglob("*") if path.is_file() and not path.name.startswith(".")
    )


def find_clip(folder: Path, wanted: ClipRef, *, fresh: bool = False) -> Path:
    """The file that holds a clip, wherever under ``clips/`` it lies now.

    Raises
    ------
    FolderError
        When no file has that content.
    """
    recorded = folder / wanted.path
    others = [path for path in clip_files(folder) if path != recorded]
    for path in [recorded, *others]:
        if path.is_file() and clip_sha256(path, fresh=fresh) == wanted.sha256:
            return path
    changed = "is there but was changed" if recorded.is_file() else "is not there"
    raise FolderError(
        f"{recorded}: the clip {changed}, and no file under {folder / 'clips'} has its content "
        f"(SHA-256 {wanted.sha256}); put the original file back into clips/, under any name"
    )


def take_in(folder: Path, source: Path, link: LinkKind | None = None) -> ClipRef:
    """Put a clip into ``clips/``: a copy, or a hard or symbolic link to it.

    A clip with the same content that is already there is used as it is. Another clip of the same
    name gets a number added to its name.

    Raises
    ------
    FolderError
        When it cannot be read, or copied whole; nothing half-copied stays.
    """
    wanted = clip_sha256(source)
    there = _same_size_and_content(folder, source, wanted)
    if there is not None:
        return reference(folder, there, wanted)
    try:
        (folder / "clips").mkdir(exist_ok=True)
        target = _put(source, folder / "clips" / source.name, link, wanted)
    except OSError as error:
        if isinstance(error, FolderError):
            raise
        raise disk.explain(error, f"take in {source.name}", folder / "clips") from error
    return reference(folder, target, wanted)


def adopt(folder: Path, part: Path, name: str, sha256: str) -> ClipRef:
    """Give a finished, flushed file in ``clips/`` its name there.

    A clip with the same content that is already there is used as it is, and the file goes. Another
    clip of the same name gets a number added to the new one's name.

    Parameters
    ----------
    folder : Path
        The event folder.
    part : Path
        The file, in the folder ``clips/`` itself.
    name : str
        The name it is to have, without folders.
    sha256 : str
        Hash of its content.

    Raises
    ------
    FolderError
        When it cannot be renamed.
    """
    there = _same_size_and_content(folder, part, sha256)
    if there is not None:
        with contextlib.suppress(OSError):
            part.unlink()
        return reference(folder, there, sha256)
    wanted = folder / "clips" / name
    try:
        for number in itertools.count(1):
            suffix = f"-{number}" if number > 1 else ""
            target = wanted.with_name(f"{wanted.stem}{suffix}{wanted.suffix}")
            with contextlib.suppress(FileExistsError):
                disk.publish_new(part, target)
                return reference(folder, target, sha256)
    except OSError as error:
        raise disk.explain(error, f"take in {name}", folder / "clips") from error
    raise AssertionError("names do not end")


def _same_size_and_content(folder: Path, source: Path, sha256: str) -> Path | None:
    """The clip of the folder that holds the bytes of `source`; those not readable are left out."""
    for path in clip_files(folder):
        with contextlib.suppress(OSError):  # FolderError is one: gone meanwhile, or no rights
            if path.stat().st_size == source.stat().st_size and clip_sha256(path) == sha256:
                return path
    return None


def reference(folder: Path, path: Path, sha256: str) -> ClipRef:
    """How a record names a clip: relative to the event folder where it is in it."""
    with contextlib.suppress(ValueError):
        path = path.absolute().relative_to(folder.absolute())
    return ClipRef(path=path.as_posix(), sha256=sha256)


def _put(source: Path, wanted_name: Path, link: LinkKind | None, sha256: str) -> Path:
    """Copy or link under the first free name; nobody's save waits for it, so no lock is held."""
    part = disk.temporary_beside(wanted_name)
    try:
        if link is None:
            _copy(source, part, sha256)
        for number in itertools.count(1):
            suffix = f"-{number}" if number > 1 else ""
            target = wanted_name.with_name(f"{wanted_name.stem}{suffix}{wanted_name.suffix}")
            with contextlib.suppress(FileExistsError):
                if link == "soft":
                    target.symlink_to(source.resolve())
                elif link == "hard":
                    os.link(source, target)
                else:
                    disk.publish_new(part, target)
                return target
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    raise AssertionError("names do not end")


def _copy(source: Path, part: Path, sha256: str) -> None:
    with source.open("rb") as reader, part.open("wb") as writer:
        copied, _ = disk.copy_and_hash(reader, writer.write)
        writer.flush()
        os.fsync(writer.fileno())
    if copied != sha256:
        raise FolderError(
            f"{source}: the clip changed while it was copied; wait until it is complete and "
            "take it in again"
        )
