"""Frames as PNG files that prove themselves: the luma as decoded, nothing more.

A frame's fingerprint (`clipmark.clip.picture.Picture.fingerprint`) can be computed anew from its
PNG file alone, by any program. Written is the plainest form of ISO/IEC 15948: one grey channel of 8
bits, or of 16 bits for deeper pictures with the value as decoded, rows not filtered, one block of
data. Only that form is read, and never more than its header promises.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from dataclasses import dataclass
from typing import cast

import numpy as np

from clipmark.clip.admit import MAX_PIXELS
from clipmark.clip.frame import Frame
from clipmark.clip.picture import Luma
from clipmark.clip.upright import UprightTransform
from clipmark.errors import AuditError

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_GREY = 0
_HEADER = struct.Struct(">2I5B")
MAX_PNG_BYTES = MAX_PIXELS * 2 + (1 << 20)


@dataclass(frozen=True)
class StoredFrame:
    """Luma as decoded and stored, before it was turned upright; shape (height, width)."""

    luma: Luma
    bit_depth: int

    @property
    def fingerprint(self) -> str:
        """SHA-256 over width, height, depth and rows, hex, as clips give it."""
        height, width = self.luma.shape
        digest = hashlib.sha256(struct.pack("<3I", width, height, self.bit_depth))
        digest.update(np.ascontiguousarray(self.luma, self.luma.dtype.newbyteorder("<")).data)
        return digest.hexdigest()


def stored_frame(frame: Frame, upright: UprightTransform) -> StoredFrame:
    """The stored luma of a frame, turned back from upright; raises `AuditError` if it is not.

    The frame's own fingerprint is the judge.
    """
    luma = frame.luma
    if upright.flip_y:
        luma = luma[::-1]
    if upright.flip_x:
        luma = luma[:, ::-1]
    if upright.transpose:
        luma = luma.swapaxes(0, 1)
    found = StoredFrame(cast(Luma, np.ascontiguousarray(luma)), frame.bit_depth)
    if found.fingerprint != frame.fingerprint:
        raise AuditError(
            f"frame {frame.ordinal} cannot be written so that it proves itself; this is a fault "
            "of clipmark, please report it"
        )
    return found


def to_png(frame: StoredFrame) -> bytes:
    """The PNG file of a stored frame."""
    height, width = frame.luma.shape
    bits = 8 if frame.bit_depth == 8 else 16
    values = np.ascontiguousarray(frame.luma, np.uint8 if bits == 8 else np.dtype(">u2"))
    rows = np.zeros((height, 1 + width * bits // 8), np.uint8)  # each row begins with filter 0
    rows[:, 1:] = values.view(np.uint8).reshape(height, -1)
    header = _HEADER.pack(width, height, bits, _GREY, 0, 0, 0)
    return b"".join(
        (
            _SIGNATURE,
            _chunk(b"IHDR", header),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), 6)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    crc = zlib.crc32(data, zlib.crc32(kind))
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", crc)


def from_png(data: bytes, bit_depth: int, name: str) -> StoredFrame:
    """Read a PNG file that `to_png` wrote.

    Parameters
    ----------
    data : bytes
    bit_depth : int
        Significant bits of a value.
    name : str
        Of the file, for refusals.

    Raises
    ------
    AuditError
        When it is of any other form, or broken.
    """
    try:
        header, packed = _parts(data)
        width, height, bits, *form = _HEADER.unpack(header)
        if form != [_GREY, 0, 0, 0] or bits != (8 if bit_depth == 8 else 16):
            raise ValueError("another kind of picture")
        if not 0 < width * height <= MAX_PIXELS:
            raise ValueError("too large")
        row_bytes = 1 + width * bits // 8
        unpacker = zlib.decompressobj()
        raw = unpacker.decompress(packed, row_bytes * height + 1)
        if len(raw) != row_bytes * height or not unpacker.eof or unpacker.unused_data:
            raise ValueError("not as many rows as promised")
        rows = np.frombuffer(raw, np.uint8).reshape(height, row_bytes)
        if rows[:, 0].any():
            raise ValueError("filtered rows")
    except (ValueError, zlib.error, struct.error) as error:
        raise AuditError(
            f"{name} is not a picture as clipmark writes it into a bundle ({error}); ask for the "
            "bundle anew"
        ) from None
    values = np.ascontiguousarray(rows[:, 1:]).view(np.uint8 if bits == 8 else np.dtype(">u2"))
    if bits == 16:
        return StoredFrame(values.astype(np.uint16), bit_depth)
    return StoredFrame(cast(Luma, values), bit_depth)


def _parts(data: bytes) -> tuple[bytes, bytes]:
    """Contents of the header and of the one block of data."""
    if data[: len(_SIGNATURE)] != _SIGNATURE:
        raise ValueError("no PNG file")
    found, place = [], len(_SIGNATURE)
    for kind in (b"IHDR", b"IDAT", b"IEND"):
        (size,) = struct.unpack_from(">I", data, place)
        content = data[place + 8 : place + 8 + size]
        if (
            data[place + 4 : place + 8] != kind
            or _chunk(kind, content) != data[place : place + 12 + size]
        ):
            raise ValueError("broken blocks")
        found.append(content)
        place += 12 + size
    if place != len(data):
        raise ValueError("more than one picture")
    return found[0], found[1]
