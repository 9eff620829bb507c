"""Headers that no camera writes: sizes, rates, times and tables that cannot be meant."""

import copy
import random
import struct
from collections.abc import Callable

from tests.hostile.boxes import Box, parse, write

Change = Callable[[Box], None]


def _put(kind: bytes, offset: int, value: bytes) -> Change:
    """Overwrite some bytes in every box of a kind."""

    def change(file: Box) -> None:
        for box in file.find(kind):
            box.content = box.content[:offset] + value + box.content[offset + len(value) :]

    return change


def _be32(*values: int) -> bytes:
    return b"".join(struct.pack(">I", value & 0xFFFFFFFF) for value in values)


def _content(kind: bytes, content: bytes) -> Change:
    """Give every box of a kind another content."""

    def change(file: Box) -> None:
        for box in file.find(kind):
            box.content = content

    return change


def _wide_head(kind: bytes, timescale: int, duration: int) -> Change:
    """Version 1 of a movie or media header: 64-bit times."""

    def change(file: Box) -> None:
        for box in file.find(kind):
            tail = box.content[20:]
            box.content = b"\x01\0\0\0" + bytes(16) + struct.pack(">IQ", timescale, duration) + tail

    return change


def _tracks(count: int) -> Change:
    def change(file: Box) -> None:
        (movie,) = file.find(b"moov")
        (track, *_) = movie.find(b"trak")
        assert movie.children is not None
        movie.children += [copy.deepcopy(track) for _ in range(count)]

    return change


def _nested(kind: bytes, depth: int) -> Change:
    def change(file: Box) -> None:
        assert file.children is not None
        content = b""
        for _ in range(depth):
            content = Box(kind, content).data()
        file.children.insert(1, Box(kind, content))

    return change


def _stated(kind: bytes, size: int) -> Change:
    def change(file: Box) -> None:
        for box in file.find(kind):
            box.stated_size = size

    return change


def _edits(*entries: tuple[int, int, int]) -> Change:
    """An edit list in the first track: (duration, media time, rate 16.16), signed."""

    def change(file: Box) -> None:
        (track, *_) = file.find(b"trak")
        content = bytes(4) + _be32(len(entries)) + b"".join(_be32(*entry) for entry in entries)
        assert track.children is not None
        track.children = [c for c in track.children if c.kind != b"edts"]
        track.children.insert(1, Box(b"edts", b"", [Box(b"elst", content)]))

    return change


MATRIX = 40  # in a track header of version 0
_HUGE, _MOST = 0x7FFFFFFF, 0xFFFFFFFF
CHANGES: dict[str, Change] = {
    # the sample entry: 8 bytes of head, 8 of table head, then width and height at 32 and 34
    "width 65535": _put(b"stsd", 40, b"\xff\xff"),
    "height 65535": _put(b"stsd", 42, b"\xff\xff"),
    "size 65535 x 65535": _put(b"stsd", 40, b"\xff\xff\xff\xff"),
    "size 0 x 0": _put(b"stsd", 40, bytes(4)),
    "no entry of how it is coded": _put(b"stsd", 4, _be32(0)),
    "millions of entries of how it is coded": _put(b"stsd", 4, _be32(_MOST)),
    "unknown coding": _put(b"stsd", 12, b"qqqq"),
    "raw coding of compressed bytes": _put(b"stsd", 12, b"raw "),
    "another coding: png": _put(b"stsd", 12, b"png "),
    "another coding: mjpeg": _put(b"stsd", 12, b"jpeg"),
    "another coding: hevc": _put(b"stsd", 12, b"hvc1"),
    "another coding: prores": _put(b"stsd", 12, b"apch"),
    "another coding: vp9": _put(b"stsd", 12, b"vp09"),
    "another coding: av1": _put(b"stsd", 12, b"av01"),
    "track size 65535 x 65535": _put(b"tkhd", 76, _be32(_MOST, _MOST)),
    "timescale 0": _put(b"mdhd", 12, _be32(0)),
    "timescale 1": _put(b"mdhd", 12, _be32(1)),
    "timescale 2^32 - 1": _put(b"mdhd", 12, _be32(_MOST)),
    "movie timescale 0": _put(b"mvhd", 12, _be32(0)),
    "movie timescale 2^31": _put(b"mvhd", 12, _be32(1 << 31)),
    "duration 2^32 - 1": _put(b"mdhd", 16, _be32(_MOST)),
    "duration 2^63": _wide_head(b"mdhd", 90000, 1 << 63),
    "duration 2^63 - 1": _wide_head(b"mdhd", 90000, (1 << 63) - 1),
    "movie duration 2^63": _wide_head(b"mvhd", 1000, 1 << 63),
    "creation 2^64 - 1": _put(b"mvhd", 4, _be32(_MOST, _MOST)),
    "matrix of noughts": _put(b"tkhd", MATRIX, bytes(36)),
    "matrix of ones": _put(b"tkhd", MATRIX, b"\xff" * 36),
    "matrix of 10 degrees": _put(b"tkhd", MATRIX, _be32(64540, 11380, 0, -11380, 64540, 0)),
    "matrix of noise": _put(b"tkhd", MATRIX, random.Random(4).randbytes(36)),
    "matrix skewed": _put(b"tkhd", MATRIX, _be32(65536, 65536, 0, 0, 65536, 0)),
    "matrix overflowing": _put(b"tkhd", MATRIX, _be32(1 << 31, 1 << 31, 0, 1 << 31, 1 << 31, 0)),
    "steps of 0": _content(b"stts", bytes(4) + _be32(1, 24, 0)),
    "steps of 2^31 - 1": _content(b"stts", bytes(4) + _be32(1, 24, _HUGE)),
    "steps of 2^32 - 1": _content(b"stts", bytes(4) + _be32(1, 24, _MOST)),
    "2^32 - 1 steps": _content(b"stts", bytes(4) + _be32(1, _MOST, 512)),
    "2^31 - 1 steps of 2^31 - 1": _content(b"stts", bytes(4) + _be32(1, _HUGE, _HUGE)),
    "a table of 2^32 - 1 steps": _content(b"stts", bytes(4) + _be32(_MOST, 24, 512)),
    "no steps": _content(b"stts", bytes(4) + _be32(0)),
    "steps that alternate": _content(b"stts", bytes(4) + _be32(3, 8, 1, 8, _HUGE, 8, 1)),
    "offsets of 2^31 - 1": _content(b"ctts", bytes(4) + _be32(1, 24, _HUGE)),
    "offsets of -2^31": _content(b"ctts", b"\x01\0\0\0" + _be32(1, 24, 1 << 31)),
    "2^32 - 1 offsets": _content(b"ctts", bytes(4) + _be32(1, _MOST, 1024)),
    "a table of 2^32 - 1 offsets": _content(b"ctts", bytes(4) + _be32(_MOST, 1, 1024)),
    "samples of 2^31 - 1 bytes": _content(b"stsz", bytes(4) + _be32(_HUGE, 24)),
    "samples of 0 bytes": _content(b"stsz", bytes(4) + _be32(0, 24) + bytes(96)),
    "samples of 1 byte": _content(b"stsz", bytes(4) + _be32(1, 24)),
    "5 million samples": _content(b"stsz", bytes(4) + _be32(1, 5_000_000)),
    "50 million samples": _content(b"stsz", bytes(4) + _be32(1, 50_000_000)),
    "2^32 - 1 samples": _content(b"stsz", bytes(4) + _be32(1, _MOST)),
    "2^31 samples of nothing": _content(b"stsz", bytes(4) + _be32(0, 1 << 31)),
    "no samples": _content(b"stsz", bytes(4) + _be32(0, 0)),
    "chunks beyond the end": _content(b"stco", bytes(4) + _be32(1, _MOST)),
    "chunks in the header": _content(b"stco", bytes(4) + _be32(2, 0, 4)),
    "2^32 - 1 chunks": _content(b"stco", bytes(4) + _be32(_MOST, 48)),
    "chunks of 2^32 - 1": _content(b"stsc", bytes(4) + _be32(1, 1, _MOST, 1)),
    "chunks that run backwards": _content(b"stsc", bytes(4) + _be32(3, 9, 4, 1, 5, 1, 1, 1, 99, 7)),
    "chunks of no known coding": _content(b"stsc", bytes(4) + _be32(1, 1, 24, _MOST)),
    "key frames that are not there": _content(b"stss", bytes(4) + _be32(3, 0, _MOST, 77)),
    "2^32 - 1 key frames": _content(b"stss", bytes(4) + _be32(_MOST, 1)),
    "an edit from -2": _edits((1000, -2, 1 << 16)),
    "an edit from -2^31": _edits((1000, -(1 << 31), 1 << 16)),
    "an edit of length -1": _edits((-1, 0, 1 << 16)),
    "an edit beyond the end": _edits((1000, 1 << 30, 1 << 16)),
    "an edit of rate 0": _edits((1000, 0, 0)),
    "an edit of rate -1": _edits((1000, 0, -(1 << 16))),
    "an empty edit of 49 days": _edits((_MOST, -1, 1 << 16), (1000, 0, 1 << 16)),
    "500 edits": _edits(*[(10, 512 * (k % 20), 1 << 16) for k in range(500)]),
    "60,000 edits": _edits(*[(10, 512 * (k % 20), 1 << 16) for k in range(60_000)]),
    "edits that repeat everything": _edits(*[(900, 0, 1 << 16)] * 40),
    "3,000 tracks": _tracks(3000),
    "70 tracks": _tracks(70),
    "boxes 3,000 deep": _nested(b"moov", 3000),
    "free boxes 3,000 deep": _nested(b"udta", 3000),
    "movie of size 0": _stated(b"moov", 0),
    "movie of size 1": _stated(b"moov", 1),
    "movie of size 7": _stated(b"moov", 7),
    "movie of 2^32 - 1": _stated(b"moov", _MOST),
    "track of 2^31": _stated(b"trak", 1 << 31),
    "media of size 0": _stated(b"mdia", 0),
    "table of size 8": _stated(b"stbl", 8),
    "sample entry of size 2": _put(b"stsd", 8, _be32(2)),
    "sample entry of 2^31": _put(b"stsd", 8, _be32(1 << 31)),
    "handler of sound": _put(b"hdlr", 8, b"soun"),
    "handler of nothing": _put(b"hdlr", 8, bytes(4)),
    "data elsewhere": _put(b"dref", 8, _be32(200) + b"url \0\0\0\0/etc/passwd\0"),
    "no configuration of the decoder": _put(b"stsd", 94, random.Random(9).randbytes(60)),
    "configuration of ones": _put(b"stsd", 98, b"\xff" * 50),
    "configuration of noughts": _put(b"stsd", 98, bytes(50)),
}


def absurd(data: bytes, name: str) -> bytes:
    """An MP4 or MOV file with one absurd header."""
    file = parse(data)
    CHANGES[name](file)
    return write(file)
