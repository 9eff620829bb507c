"""The page cache on disk: small JPEGs of a clip in one packed file, made once, found again.

A pack is a head line, the pictures one after the other, a list of them with their checksums and
what the checking pass found (JSON), and a fixed tail that says where the list begins. It gets its
name only when whole. Every file here may be deleted, cut or altered at any moment: what does not
match its checksum is thrown away and made again, and nothing here is ever measured on.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import threading
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import av
import platformdirs

from clipmark.record import disk

TOTAL_BYTES = 4 << 30  # over all clips
CLIP_BYTES = 1 << 30
# px, of the 1280 allowed: a third less to encode and to keep, so that building stays within its
# bar even where the second core is busy, and two minutes of 1080p60 fit without thinning
LONG_SIDE = 960
_HEAD = b"clipmark pages 1\n"
_TAIL = struct.Struct("<QQI4x8s")  # where the list begins, its bytes, its CRC-32, the mark
_MARK = b"CMPAGES1"
_PACK, _PART = "frames.pack", ".part"
_STALE_S = 120.0  # a part that nobody has written to for so long was left by a killed process
_MOST_LIST_BYTES = 64 << 20


class PackError(Exception):
    """A pack cannot be read: gone, cut, altered, or of another clip or decoder."""


@dataclass(frozen=True)
class Entry:
    """Where one picture is in the pack, and its CRC-32."""

    offset: int
    size: int
    crc: int


def decoder_name() -> str:
    """Which decoder made the pictures: another one may find other damage."""
    return f"{av.__version__}/{'.'.join(map(str, av.library_versions['libavcodec']))}"


def pages_folder() -> Path:
    """Where all packs are kept, one folder per clip, named by its SHA-256."""
    return Path(platformdirs.user_cache_dir("clipmark")) / "pages"


class Pack:
    """Pictures of one clip in a file, by ordinal; for many threads, while it grows as well.

    Attributes
    ----------
    every : int
        It holds every so-many-th frame.
    facts : dict
        What was stored with it (`finish`); empty while it grows.
    """

    def __init__(self, file: BinaryIO, entries: dict[int, Entry], every: int) -> None:
        self._file, self._entries, self.every = file, entries, every
        self._lock = threading.Lock()
        self.facts: dict[str, Any] = {}

    def __len__(self) -> int:
        return len(self._entries)

    def __contains__(self, ordinal: int) -> bool:
        return ordinal in self._entries

    @classmethod
    def open(cls, path: Path, sha256: str) -> Pack:
        """Open a finished pack.

        Raises
        ------
        PackError
            If there is none, or it is not whole, or of another clip, decoder or form.
        """
        try:
            file = path.open("rb")
        except OSError as error:
            raise PackError(str(error)) from error
        try:
            listed = _read_list(file)
            if (listed["sha256"], listed["decoder"]) != (sha256, decoder_name()):
                raise PackError("of another clip or decoder")
            entries = {int(k): Entry(int(o), int(n), int(c)) for k, o, n, c in listed["entries"]}
            pack = cls(file, entries, max(1, int(listed["every"])))
            pack.facts = dict(listed["facts"])
        except (OSError, ValueError, TypeError, KeyError, struct.error) as error:
            file.close()
            raise PackError(str(error)) from error
        except PackError:
            file.close()
            raise
        with contextlib.suppress(OSError):
            os.utime(path)  # the least recently used pack leaves first
        return pack

    def get(self, ordinal: int) -> bytes | None:
        """The JPEG of a frame; None if not held.

        Raises
        ------
        PackError
            If what is in the file is not what was put there.
        """
        entry = self._entries.get(ordinal)
        if entry is None:
            return None
        try:
            with self._lock:
                self._file.seek(entry.offset)
                data = self._file.read(entry.size)
        except (OSError, ValueError) as error:
            raise PackError(str(error)) from error
        if len(data) != entry.size or zlib.crc32(data) != entry.crc:
            raise PackError(f"frame {ordinal} does not match its checksum")
        return data

    def nearest(self, ordinal: int, reach: int) -> int | None:
        """The held frame at or before `ordinal` within `reach`, else the nearest within it."""
        steps = [0, *(-s for s in range(1, reach + 1)), *range(1, reach + 1)]
        return next((ordinal + s for s in steps if ordinal + s in self._entries), None)

    def close(self) -> None:
        """Let the file go."""
        with self._lock:
            self._file.close()


class PackWriter:
    """A pack in the making; `pack` can be read meanwhile.

    Grown past its bound it is thinned: every second picture is dropped and the rest copied.

    Parameters
    ----------
    folder : Path
        The clip's own folder.
    sha256 : str
        The clip.
    limit_bytes : int
        Bound on its pictures.

    Raises
    ------
    OSError
        From any method, when the disk is full or the folder cannot be written.
    """

    def __init__(self, folder: Path, sha256: str, limit_bytes: int = CLIP_BYTES) -> None:
        self._folder, self._sha256, self._limit = folder, sha256, limit_bytes
        folder.mkdir(parents=True, exist_ok=True)
        self._part = folder / f"{os.getpid()}-{threading.get_ident()}-{time.time_ns()}{_PART}"
        self._entries: dict[int, Entry] = {}
        self._file = self._create(self._part)
        self._size = len(_HEAD)
        self.pack = Pack(self._part.open("rb"), self._entries, 1)

    def wants(self, ordinal: int) -> bool:
        """Whether this frame is one of those kept."""
        return ordinal % self.pack.every == 0

    def add(self, ordinal: int, data: bytes) -> None:
        """Put one picture in."""
        if not self.wants(ordinal):
            return
        self._append(ordinal, data)
        while self._size > self._limit and len(self._entries) > 1:
            self._thin()

    def finish(self, facts: dict[str, Any]) -> Pack:
        """Write the list and give the file its name; the pack is then whole on disk."""
        entries = [[k, e.offset, e.size, e.crc] for k, e in sorted(self._entries.items())]
        listed = {
            "sha256": self._sha256,
            "decoder": decoder_name(),
            "every": self.pack.every,
            "facts": facts,
            "entries": entries,
        }
        data = json.dumps(listed).encode("utf-8")
        tail = _TAIL.pack(self._size, len(data), zlib.crc32(data), _MARK)
        disk.write_all(self._file.fileno(), data + tail)
        os.fsync(self._file.fileno())
        self._file.close()
        self.pack.facts = facts
        with contextlib.suppress(FileNotFoundError):  # deleted meanwhile: good until closed
            self._part.replace(self._folder / _PACK)
        return self.pack

    def abandon(self) -> None:
        """Stop and leave nothing behind."""
        with contextlib.suppress(OSError):
            self._file.close()
        self.pack.close()
        with contextlib.suppress(OSError):
            self._part.unlink()

    def _create(self, path: Path) -> BinaryIO:
        file = path.open("xb", buffering=0)
        disk.write_all(file.fileno(), _HEAD)
        return file

    def _append(self, ordinal: int, data: bytes) -> None:
        disk.write_all(self._file.fileno(), data)
        self._entries[ordinal] = Entry(self._size, len(data), zlib.crc32(data))
        self._size += len(data)

    def _thin(self) -> None:
        """Keep every second of the pictures so far, in a new file."""
        every = self.pack.every * 2
        kept = [k for k in sorted(self._entries) if k % every == 0]
        old_pack, old_file, old_part = self.pack, self._file, self._part
        self._part = old_part.with_name(f"{every}-{old_part.name}")
        self._entries = {}
        self._file, self._size = self._create(self._part), len(_HEAD)
        for ordinal in kept:
            data = old_pack.get(ordinal)
            if data is not None:
                self._append(ordinal, data)
        self.pack = Pack(self._part.open("rb"), self._entries, every)
        old_file.close()
        with contextlib.suppress(OSError):
            old_part.unlink()


def open_pack(sha256: str) -> Pack | None:
    """The finished pack of a clip, if there is a good one; a bad one is deleted."""
    path = pages_folder() / sha256 / _PACK
    try:
        return Pack.open(path, sha256)
    except PackError:
        with contextlib.suppress(OSError):
            path.unlink()
        return None


def delete_pack(sha256: str) -> None:
    """Throw the pack of a clip away."""
    with contextlib.suppress(OSError):
        (pages_folder() / sha256 / _PACK).unlink()


def make_room(needed: frozenset[str], limit_bytes: int = TOTAL_BYTES) -> None:
    """Delete parts left by killed processes, then packs, least recently used first.

    Parameters
    ----------
    needed : frozenset of str
        Clips (SHA-256) whose packs stay.
    limit_bytes : int
        Bound on all packs together; parts in the making count as well.
    """
    packs: list[tuple[float, int, Path]] = []
    total = 0
    for path in _files(pages_folder()):
        with contextlib.suppress(OSError):
            state = path.stat()
            if path.name.endswith(_PART) and time.time() - state.st_mtime > _STALE_S:
                path.unlink()
                continue
            total += state.st_size
            if path.name == _PACK and path.parent.name not in needed:
                packs.append((state.st_mtime, state.st_size, path))
    for _, size, path in sorted(packs):
        if total <= limit_bytes:
            break
        with contextlib.suppress(OSError):
            path.unlink()
            total -= size
            path.parent.rmdir()


def _files(root: Path) -> Iterator[Path]:
    try:
        folders = [folder for folder in root.iterdir() if folder.is_dir()]
    except OSError:
        return
    for folder in folders:
        with contextlib.suppress(OSError):
            yield from [path for path in folder.iterdir() if path.is_file()]


def _read_list(file: BinaryIO) -> dict[str, Any]:
    """The list at the end of a pack, its checksum proven."""
    if file.read(len(_HEAD)) != _HEAD:
        raise PackError("not a pack")
    size = file.seek(0, os.SEEK_END)
    if size < len(_HEAD) + _TAIL.size:
        raise PackError("cut")
    file.seek(size - _TAIL.size)
    start, length, crc, mark = _TAIL.unpack(file.read(_TAIL.size))
    if mark != _MARK or start + length + _TAIL.size != size or length > _MOST_LIST_BYTES:
        raise PackError("cut")
    file.seek(start)
    data = file.read(length)
    if zlib.crc32(data) != crc:
        raise PackError("altered")
    listed: dict[str, Any] = json.loads(data)
    return listed
