# ruff: noqa: E501 - one line for each stranger
"""Files that are no clips, or not what their name says, or not there when they are read."""

import gzip
import io
import os
import random
import sqlite3
import struct
import wave
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tests.hostile.bases import Bases

Make = Callable[[Bases, Path], None]


def _bytes(data: bytes) -> Make:
    return lambda bases, path: path.write_bytes(data) and None  # type: ignore[func-returns-value]


def _text(text: str) -> Make:
    return _bytes(text.encode())


def _picture(suffix: str) -> Make:
    picture = np.random.default_rng(3).integers(0, 255, (90, 160, 3)).astype(np.uint8)
    return _bytes(cv2.imencode(suffix, picture)[1].tobytes())


def _png_of(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(min(width * height, 50_000_000)), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def _sound() -> bytes:
    held = io.BytesIO()
    with wave.open(held, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(16000))
    return held.getvalue()


def _archive() -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("run.mp4", bytes(10_000_000))
    return held.getvalue()


def _database(bases: Bases, path: Path) -> None:
    with sqlite3.connect(path) as base:
        base.execute("create table attempts (n)")


def _sparse(size: int, head: Callable[[Bases], bytes] = lambda bases: b"") -> Make:
    """A file of any size that takes no room on the disk."""

    def make(bases: Bases, path: Path) -> None:
        path.write_bytes(head(bases))
        os.truncate(path, size)

    return make


def _box(kind: bytes, size: int) -> bytes:
    return struct.pack(">I4sQ", 1, kind, size)


def _link(target: str) -> Make:
    return lambda bases, path: path.symlink_to(target)


def _link_circle(bases: Bases, path: Path) -> None:
    other = path.with_name("other-" + path.name)
    if not other.is_symlink():
        other.symlink_to(path.name)
    path.symlink_to(other.name)


def _playlist(pattern: str) -> Make:
    def make(bases: Bases, path: Path) -> None:
        path.write_text(pattern.format(clip=bases.path("h264.mp4"), me=path), encoding="utf-8")

    return make


STRANGERS: dict[str, tuple[str, Make]] = {
    "empty": ("run.mp4", _bytes(b"")),
    "one byte": ("run.mp4", _bytes(b"\0")),
    "eight noughts": ("run.mp4", _bytes(bytes(8))),
    "a megabyte of noughts": ("run.mp4", _bytes(bytes(1 << 20))),
    "a megabyte of ones": ("run.mov", _bytes(b"\xff" * (1 << 20))),
    "noise": ("run.mp4", _bytes(random.Random(1).randbytes(1 << 18))),
    "noise behind a head": ("run.mp4", _bytes(b"\0\0\0\x18ftypisom" + random.Random(2).randbytes(1 << 18))),
    "noise as a transport stream": ("run.ts", _bytes(b"".join(b"\x47" + random.Random(k).randbytes(187) for k in range(900)))),
    "noise behind EBML": ("run.mkv", _bytes(b"\x1a\x45\xdf\xa3" + random.Random(3).randbytes(1 << 16))),
    "noise behind RIFF": ("run.avi", _bytes(b"RIFF\xff\xff\xff\xffAVI LIST" + random.Random(5).randbytes(1 << 16))),
    "text": ("run.mp4", _text("step 12 cleared, step 13 not\n" * 60)),
    "text of one line": ("run.mov", _text("x" * 3_000_000)),
    "HTML": ("run.mp4", _text("<!doctype html><title>Sign in</title>" * 40)),
    "JSON": ("run.mp4", _text('{"clip": "run.mp4"}')),
    "subtitles": ("run.mp4", _text("1\n00:00:01,000 --> 00:00:02,000\nclimb\n\n" * 50)),
    "styled subtitles": ("run.mp4", _text("[Script Info]\nScriptType: v4.00+\n[Events]\n" * 9)),
    "a playlist": ("run.m3u8", _playlist("#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\n{clip}\n#EXT-X-ENDLIST\n")),
    "a playlist of itself": ("run.m3u8", _playlist("#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\n{me}\n#EXT-X-ENDLIST\n")),
    "a list to be joined": ("run.mp4", _playlist("ffconcat version 1.0\nfile '{clip}'\n")),
    "a list of itself": ("run.ffconcat", _playlist("ffconcat version 1.0\nfile '{me}'\n")),
    "a session description": ("run.mp4", _text("v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n")),
    "a manifest": ("run.mp4", _text('<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static"></MPD>')),
    "FFmpeg metadata": ("run.mp4", _text(";FFMETADATA1\ntitle=run\n[CHAPTER]\nTIMEBASE=1/0\nSTART=0\nEND=9\n")),
    "PNG": ("run.mp4", _picture(".png")),
    "JPEG": ("run.mp4", _picture(".jpg")),
    "TIFF": ("run.mov", _picture(".tif")),
    "BMP": ("run.avi", _picture(".bmp")),
    "WebP": ("run.webm", _picture(".webp")),
    "GIF": ("run.mp4", _bytes(b"GIF89a\x10\0\x10\0\x80\0\0\xff\xff\xff\0\0\0!\xf9\4\0\0\0\0\0,\0\0\0\0\x10\0\x10\0\0\2\x0e\x84\x8f\xa9\xcb\xed\x0f\xa3\x9c\xb4\xda\x8b\xb3>\x05\0;")),
    "PNG of 65,535 px": ("run.png", _bytes(_png_of(65_535, 65_535))),
    "PNG of 30,000 px as mp4": ("run.mp4", _bytes(_png_of(30_000, 30_000))),
    "sound": ("run.wav", _bytes(_sound())),
    "sound as mp4": ("run.mp4", _bytes(_sound())),
    "an archive": ("run.mp4", _bytes(_archive())),
    "compressed text": ("run.mp4", _bytes(gzip.compress(bytes(10_000_000)))),
    "a database": ("run.mp4", _database),
    "a program": ("run.mp4", _bytes(b"\x7fELF\2\1\1" + random.Random(8).randbytes(4000))),
    "PDF": ("run.mp4", _bytes(b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\n" * 20)),
    "a folder": ("run.mp4", lambda bases, path: path.mkdir()),
    "a named pipe": ("run.mp4", lambda bases, path: os.mkfifo(path)),
    "links in a circle": ("run.mp4", _link_circle),
    "a link to itself": ("run.mp4", _link("run.mp4")),
    "a link to nothing": ("run.mp4", _link("nowhere.mp4")),
    "a link to noughts without end": ("run.mp4", _link("/dev/zero")),
    "a link to chance": ("run.mp4", _link("/dev/urandom")),
    "a link to the terminal": ("run.mp4", _link("/dev/tty")),
    "a link to nowhere": ("run.mp4", _link("/dev/null")),
    "a link to a running system": ("run.mp4", _link("/proc/self/mem")),
    "a link to a file without size": ("run.mp4", _link("/proc/cpuinfo")),
    "a terabyte of nothing": ("run.mp4", _sparse(1 << 40)),
    "a terabyte behind a head": ("run.mp4", _sparse(1 << 40, lambda bases: bases.data("h264.mp4")[:64])),
    "a terabyte of data": ("run.mp4", _sparse(1 << 40, lambda bases: b"\0\0\0\x10ftypisom\0\0\0\0" + _box(b"mdat", (1 << 40) - 16))),
    "a terabyte of free room": ("run.mp4", _sparse(1 << 40, lambda bases: b"\0\0\0\x10ftypisom\0\0\0\0" + _box(b"free", (1 << 40) - 16))),
    "a good clip and a terabyte": ("run.mp4", _sparse(1 << 40, lambda bases: bases.data("h264.mp4"))),
    "a good stream and 60 GB": ("run.ts", _sparse(60 << 30, lambda bases: bases.data("h264.ts"))),
    "a good stream and 3 GB": ("run.ts", _sparse(3 << 30, lambda bases: bases.data("h264.ts"))),
    "a good film and 3 GB": ("run.mkv", _sparse(3 << 30, lambda bases: bases.data("h264.mkv"))),
    "a good AVI and 3 GB": ("run.avi", _sparse(3 << 30, lambda bases: bases.data("mjpeg.avi"))),
    "3 GB of nothing": ("run.mpg", _sparse(3 << 30)),
    "name that looks like an address": ("http:run.mp4", _bytes(b"x" * 99)),
    "name with a line break": ("run\n2.mp4", _bytes(b"x" * 99)),
    "name of 250 letters": ("r" * 246 + ".mp4", _bytes(b"x" * 99)),
    "name that is not UTF-8": ("run-\udcff.mp4", _bytes(b"x" * 99)),
}  # fmt: skip
