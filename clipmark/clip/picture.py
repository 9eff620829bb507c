"""One decoded picture as stored: its luma plane, its proof, and its colours for show.

Measuring uses the luma plane exactly as decoded (full bit depth, black and white where the
encoder put them). Colours are approximate and for the eye only.
"""

from __future__ import annotations

import hashlib
import re
import struct
from dataclasses import dataclass
from typing import Any, Self

import av
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FootageError

Luma = NDArray[np.uint8] | NDArray[np.uint16]
_FULL_RANGE = 2  # AVCOL_RANGE_JPEG
_BT709 = 1  # AVCOL_SPC_BT709
_UNSPECIFIED = 2
_PACKED_LUMA = {"yuyv422": 0, "yvyu422": 0, "uyvy422": 1}  # byte where luma starts, every second
# Luma of an RGB picture: ITU-R BT.601, 2.5.1, in 1/65536
_RGB_WEIGHTS = np.array([19595, 38470, 7471], dtype=np.uint32)


@dataclass(frozen=True)
class PixelFormat:
    """How the pictures of a clip are laid out.

    Attributes
    ----------
    name : str
        FFmpeg's name, such as ``yuv420p10le``.
    kind : {"planar", "packed", "rgb"}
        Where luma is: the first plane, every second byte, or computed from red, green, blue.
    bit_depth : int
        Significant bits of one luma value.
    black, white : int
        Luma code values of black and white at that depth.
    """

    name: str
    kind: str
    bit_depth: int
    black: int
    white: int

    @classmethod
    def of(cls, frame: av.VideoFrame, file_name: str) -> Self:
        """Read the layout from a decoded frame.

        Black and white are 16 and 235 in 8 bits (ITU-R BT.709, 5.6; shifted up for more bits),
        or the ends of the range where the file says full range, is grey or is RGB.

        Raises
        ------
        FootageError
            If luma cannot be had exactly from this layout.
        """
        layout = frame.format
        first = layout.components[0]
        depth, name = int(first.bits), str(layout.name)
        if layout.is_rgb or layout.has_palette:
            kind = "rgb" if depth == 8 or layout.has_palette else ""
            depth = 8
        elif name in _PACKED_LUMA:
            kind = "packed"
        elif first.plane == 0 and sum(c.plane == 0 for c in layout.components) == 1:
            kind = "planar" if 8 <= depth <= 16 and "f" not in name[:5] else ""
        else:
            kind = ""
        if not kind:
            raise FootageError(
                f"{file_name} stores its pictures as {name}, from which brightness cannot be read "
                "exactly; convert a copy to H.264 without changing its times"
            )
        full = (
            kind == "rgb" or name.startswith(("gray", "yuvj")) or frame.color_range == _FULL_RANGE
        )
        black, white = (0, 2**depth - 1) if full else (16 << depth - 8, 235 << depth - 8)
        return cls(name, kind, depth, black, white)


class Picture:
    """A decoded picture, stored side up.

    Wraps the decoder's own buffer: nothing is copied until `keep_luma_only`.

    Parameters
    ----------
    frame : av.VideoFrame
        As decoded.
    layout : PixelFormat
        Layout of the clip's pictures.
    interlaced : bool, optional
        Whether it holds two moments; by default what the frame says.

    Attributes
    ----------
    frame : av.VideoFrame or None
        The decoder's own frame, for its colours; None once it was let go.
    """

    def __init__(
        self, frame: av.VideoFrame, layout: PixelFormat, *, interlaced: bool | None = None
    ) -> None:
        self.frame: av.VideoFrame | None = frame
        self.layout = layout
        self.width, self.height = int(frame.width), int(frame.height)
        self.interlaced = bool(frame.interlaced_frame) if interlaced is None else interlaced
        self.nbytes = sum(int(plane.buffer_size) for plane in frame.planes)
        self.luma: Luma = _luma(frame, layout)
        self.luma.flags.writeable = False

    @classmethod
    def of_luma(cls, luma: Luma, layout: PixelFormat, interlaced: bool) -> Self:
        """A picture of which luma alone is there, as after `keep_luma_only`."""
        picture = cls.__new__(cls)
        picture.frame, picture.layout, picture.interlaced = None, layout, interlaced
        picture.height, picture.width = luma.shape
        picture.luma, picture.nbytes = luma, luma.nbytes
        picture.luma.flags.writeable = False
        return picture

    def keep_luma_only(self) -> Self:
        """Copy luma out of the decoder's buffer and let the buffer go."""
        if self.frame is None:
            return self
        self.luma = self.luma.copy(order="C")
        self.luma.flags.writeable = False
        self.nbytes = self.luma.nbytes
        self.frame = None
        return self

    def fingerprint(self) -> str:
        """SHA-256 over width, height, bit depth and luma, hex.

        Three little-endian 32-bit integers, then the stored luma rows from the top without
        padding, one byte per value for 8 bits, two (little-endian) for more.
        """
        digest = hashlib.sha256(struct.pack("<3I", self.width, self.height, self.layout.bit_depth))
        rows = np.ascontiguousarray(self.luma, dtype=self.luma.dtype.newbyteorder("<"))
        digest.update(rows.data)
        return digest.hexdigest()

    def stored_bgr(
        self, size: tuple[int, int] | None = None, scaler: Any = None
    ) -> NDArray[np.uint8] | None:
        """Colours for show, shape (height, width, 3), stored side up; None if let go.

        Parameters
        ----------
        size : tuple of int, optional
            Width and height to bring the picture to in the same step, px, averaging over the
            area of each new pixel. Default: as stored.
        scaler : av.video.reformatter.VideoReformatter, optional
            One of the calling thread's own, kept from picture to picture: it saves the setting
            up, half of the time of a small picture.
        """
        if self.frame is None:
            return None
        frame = _eight_bit(self.frame, self.layout)
        space = int(self.frame.colorspace)
        if space == _UNSPECIFIED:
            space = _BT709 if self.height >= 720 else 5
        full = self.layout.white == 2**self.layout.bit_depth - 1
        how: dict[str, Any] = {
            "format": "bgr24",
            "src_colorspace": 1 if space == _BT709 else 5,
            "src_color_range": _FULL_RANGE if full else 1,
            "dst_color_range": _FULL_RANGE,
        }
        if size is not None and size != (self.width, self.height):
            how |= {"width": size[0], "height": size[1], "interpolation": "AREA"}
        if scaler is not None:
            pixels = scaler.reformat(frame, **how).to_ndarray()
        else:
            pixels = frame.to_ndarray(**how)
        return np.ascontiguousarray(pixels, dtype=np.uint8)


def _plane(frame: av.VideoFrame, index: int) -> NDArray[np.uint8]:
    """One plane's bytes, shape (rows, bytes in a row, padding included); a view."""
    plane: Any = frame.planes[index]
    rows = np.frombuffer(plane, dtype=np.uint8)[: plane.line_size * plane.height]
    return rows.reshape(plane.height, plane.line_size)


def _luma(frame: av.VideoFrame, layout: PixelFormat) -> Luma:
    """The luma plane at full depth, shape (height, width)."""
    width = int(frame.width)
    if layout.kind == "rgb":
        rgb = frame.to_ndarray(format="rgb24").astype(np.uint32)
        return ((rgb @ _RGB_WEIGHTS + 32768) >> 16).astype(np.uint8)
    if layout.kind == "packed":
        return _plane(frame, 0)[:, _PACKED_LUMA[layout.name] :: 2][:, :width]
    if layout.bit_depth == 8:
        return _plane(frame, 0)[:, :width]
    order = ">u2" if layout.name.endswith("be") else "<u2"
    values = _plane(frame, 0).view(order)[:, :width]
    if re.match(r"p[024]1\d", layout.name):  # value kept in the high bits
        values = values >> (16 - layout.bit_depth)
    return values if values.dtype == np.uint16 else values.astype(np.uint16)


def _eight_bit(frame: av.VideoFrame, layout: PixelFormat) -> av.VideoFrame:
    """A planar frame of more than 8 bits, cut to its upper 8 bits plane by plane."""
    match = re.fullmatch(r"(yuva?4\d\dp|gray|nv12|p[024]1\d)(?:\d+)?(?:le|be)?", layout.name)
    if layout.bit_depth == 8 or match is None:
        return frame
    high_bits = match[1].startswith("p")
    name = {"p0": "nv12", "p2": "nv16", "p4": "nv24"}[match[1][:2]] if high_bits else match[1]
    shift = 8 if high_bits else layout.bit_depth - 8
    order = ">u2" if layout.name.endswith("be") else "<u2"
    small = av.VideoFrame(frame.width, frame.height, name)
    for index, target in enumerate(small.planes):
        values = (_plane(frame, index).view(order) >> shift).astype(np.uint8)
        rows = np.zeros((target.height, target.line_size), np.uint8)
        columns = min(rows.shape[1], values.shape[1])
        rows[:, :columns] = values[:, :columns]
        target.update(rows.tobytes())
    return small
