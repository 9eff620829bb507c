"""Pictures through shared memory: put into a place on one side, taken out on the other.

What is taken out is the picture value for value. A pass takes luma only; where colours are
wanted as well, every plane is carried over and the decoder's own kind of frame built again.
"""

from __future__ import annotations

from dataclasses import dataclass
from mmap import mmap
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from clipmark.clip.picture import Luma, Picture, PixelFormat

_ROUND = 64


@dataclass(frozen=True)
class Carried:
    """What is said of a picture beside its values.

    Attributes
    ----------
    place : int
        Where in the memory it begins, bytes.
    size : tuple of int
        Width and height, px.
    layout : PixelFormat
    interlaced : bool
    planes : tuple of tuple
        Rows and bytes in a row of each plane, one after the other; empty for luma alone.
    colour : tuple of int
        FFmpeg's numbers of the colour space and range.
    """

    place: int
    size: tuple[int, int]
    layout: PixelFormat
    interlaced: bool
    planes: tuple[tuple[int, int], ...]
    colour: tuple[int, int]


def room_for(width: int, height: int, colours: bool) -> int:
    """Bytes that a picture of this size may need, whatever its layout."""
    return (width + _ROUND) * (height + _ROUND) * (8 if colours else 2)


def put(memory: mmap, place: int, picture: Picture, colours: bool) -> Carried:
    """Write a picture into the memory from `place` on."""
    size, layout = (picture.width, picture.height), picture.layout
    frame = picture.frame if colours else None
    if frame is None:
        _window(memory, place, picture.luma.dtype, picture.luma.shape)[...] = picture.luma
        return Carried(place, size, layout, picture.interlaced, (), (2, 0))
    planes, at = [], place
    for plane in frame.planes:
        rows = _bytes_of(plane)
        count, width = _rows(plane, rows.size)
        _window(memory, at, np.dtype(np.uint8), (count * width,))[...] = rows[: count * width]
        planes.append((count, width))
        at += count * width
    colour = (int(frame.colorspace), int(frame.color_range))
    return Carried(place, size, layout, picture.interlaced, tuple(planes), colour)


def take(memory: mmap, carried: Carried) -> Picture:
    """The picture that was put there; the place is free afterwards."""
    width, height = carried.size
    if not carried.planes:
        kind = np.dtype(np.uint8 if carried.layout.bit_depth == 8 else np.uint16)
        luma: Luma = _window(memory, carried.place, kind, (height, width)).copy()
        return Picture.of_luma(luma, carried.layout, carried.interlaced)
    frame = av.VideoFrame(width, height, carried.layout.name)
    frame.colorspace, frame.color_range = carried.colour
    at = carried.place
    for plane, (count, row_bytes) in zip(frame.planes, carried.planes, strict=True):
        there = _window(memory, at, np.dtype(np.uint8), (count, row_bytes))
        here = _bytes_of(plane)
        rows, own_bytes = _rows(plane, here.size)
        common, both = min(rows, count), min(own_bytes, row_bytes)
        target = here[: rows * own_bytes].reshape(rows, own_bytes)
        target[:common, :both] = there[:common, :both]
        at += count * row_bytes
    return Picture(frame, carried.layout, interlaced=carried.interlaced)


def _bytes_of(plane: Any) -> NDArray[np.uint8]:
    """A plane's own buffer."""
    return np.frombuffer(plane, dtype=np.uint8)


def _rows(plane: Any, size: int) -> tuple[int, int]:
    """Rows of a plane and bytes in each, padding included; a palette is one row."""
    width = int(plane.line_size)
    if width <= 0 or width * int(plane.height) > size:
        return 1, size
    return int(plane.height), width


def _window(memory: mmap, place: int, kind: np.dtype[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """The memory from a place on as an array."""
    count = int(np.prod(shape))
    return np.frombuffer(memory, dtype=kind, count=count, offset=place).reshape(shape)
