"""The boxes of an MP4 or MOV file (ISO/IEC 14496-12): found, changed, put together again."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

_CONTAINERS = {
    b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"dinf", b"udta", b"mvex", b"moof",
    b"traf",
}  # fmt: skip


@dataclass
class Box:
    """One box: its kind, and its children or its content."""

    kind: bytes
    content: bytes
    children: list[Box] | None = None
    stated_size: int | None = None  # written instead of the true size

    def data(self) -> bytes:
        """The box as bytes, sizes made to fit unless another was stated."""
        inner = self.content
        if self.children is not None:
            inner += b"".join(child.data() for child in self.children)
        size = 8 + len(inner) if self.stated_size is None else self.stated_size
        return struct.pack(">I", size & 0xFFFFFFFF) + self.kind + inner

    def walk(self) -> Iterator[tuple[Box, Box]]:
        """Every box below, each with its parent."""
        for child in list(self.children or ()):
            yield self, child
            yield from child.walk()

    def find(self, kind: bytes) -> list[Box]:
        """Every box of one kind below."""
        return [box for _, box in self.walk() if box.kind == kind]


def parse(data: bytes) -> Box:
    """The whole file as one box without a head."""
    return Box(b"", b"", _children(data))


def write(file: Box) -> bytes:
    """The file again."""
    return b"".join(child.data() for child in file.children or ())


def _children(data: bytes) -> list[Box]:
    found, place = [], 0
    while place + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, place)
        if size < 8 or place + size > len(data):
            size = len(data) - place
        inner = data[place + 8 : place + size]
        if kind in _CONTAINERS:
            found.append(Box(kind, b"", _children(inner)))
        else:
            found.append(Box(kind, inner))
        place += size
    return found
