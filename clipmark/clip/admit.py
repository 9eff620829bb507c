"""Which files are let in: the checks before anything is decoded.

A clip is only ever read. The file is opened through the plain file protocol, so that neither a
playlist nor a name that looks like an address can reach anything else.
"""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import av.container
import av.error
import av.video.stream

from clipmark.clip import native
from clipmark.clip.limits import (
    MOST_STREAMS,
    PICTURE_MPX,
    check_size,
    check_streams,
    most_pixels,
)
from clipmark.clip.native import native_call, sign_of_life
from clipmark.errors import DecoderError, FolderError, FootageError

MAX_PIXELS = int(PICTURE_MPX.usual * 1_000_000)
_HASH_BLOCK = 1 << 20
_PICTURE_FORMATS = {"image2", "ico", "apng", "gif", "webp_anim"}
# Formats that only point elsewhere, or that turn any text into "video".
_NOT_FOOTAGE = {"hls", "concat", "dash", "sdp", "rtsp", "tty", "txd", "ffmetadata", "lavfi"}


@dataclass(frozen=True)
class Source:
    """Where the pictures are: file, stream, and what the container says of them.

    Two that are equal stand for the same file, unchanged (bytes and time of last change, ns).
    """

    path: Path
    file_bytes: int
    changed_ns: int
    stream_index: int
    width: int
    height: int
    video_streams: int


def check_file(path: Path) -> None:
    """Refuse what cannot be a clip by the look of the file alone.

    Raises
    ------
    FolderError
        If the file is missing, a folder, not a plain file, or may not be read.
    FootageError
        If it is empty.
    """
    name = path.name
    try:
        mode = path.stat()
        if stat.S_ISDIR(mode.st_mode):
            raise FolderError(f"{name} is a folder, not a clip; name the video file inside it")
        if not stat.S_ISREG(mode.st_mode):
            raise FolderError(
                f"{name} is not a plain file; copy the clip to disk and name the copy"
            )
        with path.open("rb"):
            pass
    except (FileNotFoundError, NotADirectoryError):
        raise FolderError(f"{name} does not exist; check the name and the folder") from None
    except PermissionError:
        raise FolderError(f"{name} may not be read; give yourself the right to read it") from None
    if mode.st_size == 0:
        raise FootageError(f"{name} is empty (0 bytes); copy it from the camera again")
    check_size(name, mode.st_size)


def file_sha256(path: Path) -> str:
    """SHA-256 of the whole file, hex, read in blocks of 1 MiB."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_HASH_BLOCK):
            sign_of_life()
            digest.update(block)
    return digest.hexdigest()


def open_container(path: Path) -> av.container.InputContainer:
    """Open the container, with the limit on picture size set before anything is probed.

    Raises
    ------
    FootageError
        If FFmpeg does not know the file as video, or its index is missing.
    """
    native.file_at_work = path.name
    # given for each stream; FFmpeg ignores those too many
    limits: Any = [{"max_pixels": str(most_pixels())}] * MOST_STREAMS
    try:
        try:
            return _open(path, limits)
        except ValueError:  # formats that find their streams only by probing take no options
            return _open(path, None)
    except (av.error.FFmpegError, OSError, ValueError):
        raise FootageError(_unopened(path)) from None


def _open(path: Path, stream_options: Any) -> av.container.InputContainer:
    """FFmpeg's own opening: this file only, nothing it may point to."""
    with native_call:
        return av.open(
            f"file:{path}",
            mode="r",
            container_options={"protocol_whitelist": "file"},
            stream_options=stream_options,
            metadata_errors="replace",
        )


def lacks_memory(path: Path) -> DecoderError:
    """The refusal of a file for which memory was asked that is not to be had."""
    return DecoderError(
        f"{path.name} asks for more memory than there is, or than reading one clip may take: it is "
        "damaged, or its pictures are too large; copy it from the camera again, or export it at a "
        "smaller size"
    )


def _unopened(path: Path) -> str:
    """Why the file did not open, in a sentence."""
    with path.open("rb") as file:
        head = file.read(12)
    if head[4:8] in {b"ftyp", b"mdat", b"moov", b"wide", b"free", b"skip"}:
        return (
            f"{path.name} has no usable index: the camera did not finish this file, or the copy "
            "broke off; copy it again or have it repaired from the camera's card"
        )
    return _not_footage(path.name)


def _not_footage(name: str) -> str:
    return (
        f"{name} is not footage: no moving picture can be read in it; take the clip as the camera "
        "wrote it"
    )


def choose_stream(
    path: Path, container: av.container.InputContainer
) -> tuple[av.video.stream.VideoStream, Source]:
    """The largest moving picture in the file; cover pictures are left out.

    Raises
    ------
    FootageError
        If the file is a picture, a text, sound only, or its picture size is none or absurd.
    """
    name = path.name
    kind = set(container.format.name.split(","))
    if kind & _NOT_FOOTAGE:
        raise FootageError(_not_footage(name))
    if kind & _PICTURE_FORMATS or any(part.endswith("_pipe") for part in kind):
        raise FootageError(f"{name} is a single picture, not a clip; take a recorded video instead")
    check_streams(name, len(container.streams))
    moving = [s for s in container.streams.video if not _is_cover(s)]
    if not moving:
        what = "only sound" if container.streams.audio else "no moving picture"
        raise FootageError(f"{name} holds {what}; take a recorded video instead")
    readable = [s for s in moving if _decodable(s)]
    if not readable:
        raise FootageError(
            f"{name} is coded in a way this FFmpeg cannot decode; convert a copy to H.264 "
            "without changing its times"
        )
    stream = max(readable, key=lambda s: s.width * s.height)
    width, height = int(stream.width), int(stream.height)
    if width <= 0 or height <= 0:
        raise FootageError(
            f"{name} states no picture size that can be used (none at all, or above the limit of "
            f"{PICTURE_MPX.value:g} Mpx); copy it from the camera again, or export it at 8K or "
            "smaller"
        )
    if width * height > most_pixels():
        raise FootageError(
            f"{name} asks for pictures of {width} x {height} px, above the limit of "
            f"{PICTURE_MPX.value:g} Mpx; export it at 8K or smaller, or, {PICTURE_MPX.raised()}"
        )
    file = path.stat()
    place = (path, file.st_size, file.st_mtime_ns, int(stream.index))
    return stream, Source(*place, width, height, len(moving))


def _decodable(stream: Any) -> bool:
    """Whether FFmpeg has a decoder; decoding without one has killed processes."""
    return stream.codec_context is not None


def _is_cover(stream: Any) -> bool:
    """Whether a video stream is a still attached to the file, such as cover art."""
    kinds = av.stream.Disposition
    return bool(stream.disposition & (kinds.attached_pic | kinds.timed_thumbnails))
