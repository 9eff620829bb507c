"""The folder that a report is put into: new files in one go, nobody else's files touched.

Everything is made in a folder of its own first. Then each file takes its place at once, the page
last, so that whoever reads meanwhile has the old page or the new one, whole. A list of what was
written (`LIST_NAME`) tells our files from others': a file that is not on it, or was changed since,
is never deleted and never overwritten.
"""

from __future__ import annotations

import contextlib
import errno
import json
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from clipmark.errors import FolderError
from clipmark.record import disk

LIST_NAME = "report-files.json"
PAGE_NAME = "report.html"


@contextlib.contextmanager
def made_aside(out: Path) -> Iterator[Path]:
    """A new folder beside `out` to make a report in; gone afterwards, whatever happened.

    Raises
    ------
    FolderError
        When it cannot be made.
    """
    try:
        if out.exists() and not out.is_dir():
            raise FolderError(
                f"{out} is a file, so no report can be put there; give another folder (--out)"
            )
        out.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{out.name}-", suffix=".part", dir=out.parent))
    except FolderError:
        raise
    except OSError as error:
        raise disk.explain(error, "make the report", out) from error
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def put(made: Path, out: Path) -> list[Path]:
    """Move every file of `made` into `out`, and take away what an older report left there.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    FolderError
        When somebody else's file has one of the names, or a file cannot be written.
    """
    names = sorted(
        (path.relative_to(made).as_posix() for path in made.rglob("*") if path.is_file()),
        key=lambda name: (name == PAGE_NAME, name),
    )
    before = _listed(out)
    try:
        _refuse_others(out, names, before)
        written = {name: disk.file_sha256(made / name) for name in names}
        out.mkdir(exist_ok=True)
        # Both lists' files are ours from here on, also should this stop halfway.
        _write_list(out, {**before, **{n: before.get(n, "") for n in names}}, written)
        for name in names:
            target = out / name
            target.parent.mkdir(parents=True, exist_ok=True)
            (made / name).replace(target)
        for name, proof in before.items():
            if name not in written and _is_ours(out / name, proof):
                (out / name).unlink()
                with contextlib.suppress(OSError):  # others' files are in it
                    (out / name).parent.rmdir()
        _write_list(out, written, {})
        disk.sync_folder(out)
    except FolderError:
        raise
    except OSError as error:
        raise disk.explain(error, "put the report", out) from error
    return [out / name for name in reversed(names)]


def _refuse_others(out: Path, names: list[str], before: dict[str, str]) -> None:
    for name in names:
        target = out / name
        if not target.exists() and not target.is_symlink():
            continue
        if target.is_dir():
            raise OSError(errno.EISDIR, "", str(target))
        if not _is_ours(target, before.get(name)):
            what = "was changed since" if name in before else "was not made by `clipmark report`"
            raise FolderError(
                f"{target} {what} and stays as it is; move or rename it, or give another folder "
                "(--out)"
            )


def _is_ours(path: Path, proof: str | None) -> bool:
    """Whether a file is as it was written; several hashes where the last report was cut off."""
    if not proof or path.is_symlink() or not path.is_file():
        return False
    return disk.file_sha256(path) in proof.split(" ")


def _listed(out: Path) -> dict[str, str]:
    """Names and hashes of what an older report wrote; nothing where there is no such list."""
    try:
        stored = json.loads((out / LIST_NAME).read_text(encoding="utf-8"))["files"]
        found = {str(name): str(proof) for name, proof in stored.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
    return {name: proof for name, proof in found.items() if _stays_inside(name)}


def _stays_inside(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(parts) and ".." not in parts and not name.startswith("/") and ":" not in name


def _write_list(out: Path, files: dict[str, str], more: dict[str, str]) -> None:
    both = {
        name: " ".join(dict.fromkeys(p for p in (files.get(name), more.get(name)) if p))
        for name in sorted({*files, *more})
    }
    body = {"written_by": "clipmark report", "files": both}
    disk.replace_file(out / LIST_NAME, (json.dumps(body, indent=1) + "\n").encode("utf-8"))
