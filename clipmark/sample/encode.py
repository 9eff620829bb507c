"""Writing a rendered clip with PyAV, and the display matrix that a turned clip needs."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import av
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FolderError, FootageError
from clipmark.sample.camera import Camera
from clipmark.sample.scene import Encoding, Look, Timing

Planes = tuple[NDArray[np.uint16], NDArray[np.uint16]]
# Stored (x, y) to shown, 16.16 fixed point rows of ISO/IEC 14496-12, 8.3.2, without translation.
TURNS = {0: (1, 0, 0, 1), 1: (0, 1, -1, 0), 2: (-1, 0, 0, -1), 3: (0, -1, 1, 0)}


class Filmed(Protocol):
    """What a scene says of its clip."""

    @property
    def camera(self) -> Camera:
        """Size and pixel aspect of the picture."""

    @property
    def timing(self) -> Timing:
        """When frames are taken."""

    @property
    def look(self) -> Look:
        """Full or limited range."""

    @property
    def encoding(self) -> Encoding:
        """How it is written."""


def write_clip(scene: Filmed, frames: Iterable[Planes], path: Path) -> None:
    """Encode upright luma and chroma into an MP4 file at `path`.

    Raises
    ------
    FootageError
        If the encoder asked for is not there.
    FolderError
        If the file cannot be written.
    """
    encoding, timing = scene.encoding, scene.timing
    time_base, pts = timing.time_base, timing.all_pts()
    try:
        with av.open(str(path), "w", format="mp4") as container:
            stream = _add_stream(container, scene)
            for planes, stamp in zip(frames, pts, strict=True):
                frame = _frame(_stored(planes, encoding.stored_turn), encoding.ten_bit)
                frame.pts = stamp
                frame.time_base = time_base
                frame.color_range = 2 if scene.look.full_range else 1
                frame.colorspace = 1
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
    except OSError as problem:
        raise FolderError(
            f"the clip {path} cannot be written ({problem}); choose a folder that can be written to"
        ) from problem
    if encoding.stored_turn % 4:
        _set_turn(path, encoding.stored_turn % 4)


def _add_stream(container: av.container.OutputContainer, scene: Filmed) -> av.VideoStream:
    encoding, camera = scene.encoding, scene.camera
    options = {"preset": encoding.preset, "g": str(encoding.gop), "bf": str(encoding.bframes)}
    if encoding.crf is not None:
        options["crf"] = f"{encoding.crf:g}"
    if encoding.codec == "libx265":
        params = f"log-level=none:pools=1:frame-threads=1:bframes={encoding.bframes}"
        options["x265-params"] = f"{params}:keyint={encoding.gop}"
    options.update(dict(encoding.extra))
    times = scene.timing.times_s()
    rate = scene.timing.fps
    if scene.timing.pts is not None and len(times) > 1:
        rate = Fraction((len(times) - 1) / float(times[-1])).limit_denominator(1001)
    try:
        stream = container.add_stream(encoding.codec, rate=rate, options=options)
    except (ValueError, av.FFmpegError) as problem:
        raise FootageError(
            f"this installation has no encoder named '{encoding.codec}'; use libx264"
        ) from problem
    if not isinstance(stream, av.VideoStream):
        raise FootageError(f"'{encoding.codec}' encodes no pictures; use libx264")
    turned = encoding.stored_turn % 2 == 1
    width, height = camera.width, camera.height
    context = stream.codec_context
    context.width, context.height = (height, width) if turned else (width, height)
    context.pix_fmt = "yuv420p10le" if encoding.ten_bit else "yuv420p"
    context.time_base = scene.timing.time_base
    stream.time_base = scene.timing.time_base
    if encoding.crf is None:
        context.bit_rate = encoding.bit_rate
    aspect = Fraction(*camera.pixel_aspect)
    context.sample_aspect_ratio = 1 / aspect if turned else aspect
    context.color_range = 2 if scene.look.full_range else 1
    context.colorspace = 1
    context.color_primaries = 1
    context.color_trc = 1
    context.thread_count = 1
    return stream


def _stored(planes: Planes, turn: int) -> Planes:
    """Turn upright planes counter-clockwise, so that the player's clockwise turn rights them."""
    luma, chroma = planes
    return np.rot90(luma, turn), np.rot90(chroma, turn)


def _frame(planes: Planes, ten_bit: bool) -> av.VideoFrame:
    luma, chroma = planes
    height, width = luma.shape
    frame = av.VideoFrame(width, height, "yuv420p10le" if ten_bit else "yuv420p")
    kind = np.dtype("<u2") if ten_bit else np.dtype("u1")
    for plane, values in zip(frame.planes, (luma, chroma[..., 0], chroma[..., 1]), strict=True):
        rows = np.zeros((values.shape[0], plane.line_size), np.uint8)
        raw = np.ascontiguousarray(values.astype(kind)).view(np.uint8)
        rows[:, : raw.shape[1]] = raw
        plane.update(rows.tobytes()[: plane.buffer_size])
    return frame


def _set_turn(path: Path, turn: int) -> None:
    """Write a quarter turn into the track header's matrix (ISO/IEC 14496-12, 8.3.2)."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4  # version and flags follow the name
    matrix = at + (52 if data[at] == 1 else 40)
    size = matrix + 36
    width = int.from_bytes(data[size : size + 4], "big")
    height = int.from_bytes(data[size + 4 : size + 8], "big")
    a, b, c, d = TURNS[turn]
    x = {1: height, 2: width, 3: 0}[turn]
    y = {1: 0, 2: height, 3: width}[turn]
    cells = [a << 16, b << 16, 0, c << 16, d << 16, 0, x, y, 1 << 30]
    data[matrix : matrix + 36] = b"".join(cell.to_bytes(4, "big", signed=True) for cell in cells)
    path.write_bytes(data)
