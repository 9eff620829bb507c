"""The running decoder: pictures with their ordinals, from a key frame onwards.

Everything that touches FFmpeg while decoding is in `Decoder`, and what leaves it are plain
`Picture` objects with an ordinal. A decoder can hang or die on a broken file: `far_decoder` puts a
process with limits behind the same methods and marks (`Decoding`).

Threads: frame threads only for an uninterrupted pass; one thread or slice threads where the
decoder is made to jump. Closing first empties the decoder, which parks its threads while
Python's own lock is free: freed while busy, a thread that wants to log could wait for ever.
Nothing of FFmpeg's log is printed: PyAV drops it unless somebody asks for it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Literal, Protocol, Self

import av.container
import av.error
import av.packet
import av.video.stream
import numpy as np

from clipmark.clip.admit import (
    Source,
    check_file,
    choose_stream,
    lacks_memory,
    open_container,
)
from clipmark.clip.index import FrameIndex, demux_packets
from clipmark.clip.limits import most_pixels
from clipmark.clip.native import native_call
from clipmark.clip.picture import Picture, PixelFormat
from clipmark.clip.upright import UprightTransform
from clipmark.errors import FootageError

Threading = Literal["NONE", "SLICE", "FRAME", "AUTO"]


class Decoding(Protocol):
    """What stands behind a clip: `Decoder` here, or a far one with the same methods and marks."""

    index: FrameIndex
    layout: PixelFormat | None
    fed: int
    shown: int
    broken: list[int]
    lost: bool
    foreign_size: tuple[int, int] | None

    def start(self, key_number: int | None) -> bool:
        """Stand at a key packet, or at the start of the file."""

    def read(self) -> tuple[int, Picture] | None:
        """The next picture with its ordinal; None at the end."""

    def upright(self) -> UprightTransform:
        """Which way up the first decoded picture is to be shown."""

    def in_one_thread(self) -> Decoding:
        """A decoder for the same clip that decodes in one thread, not yet started."""

    @property
    def in_threads(self) -> bool:
        """Whether several frames are decoded at once."""

    def close(self) -> None:
        """Let the file go; may be called twice."""


class Decoder:
    """A container opened for decoding, standing somewhere in the clip.

    Parameters
    ----------
    source : Source
        File and stream.
    index : FrameIndex
        The clip's index.
    threading : {"NONE", "SLICE", "FRAME", "AUTO"}
        How the decoder may use threads.
    threads : int
        How many; 1 decodes in the calling thread.

    Attributes
    ----------
    index : FrameIndex
        As given.
    fed : int
        Decode number of the last packet given to the decoder; -1 before the first.
    shown : int
        Ordinal of the last picture given out; -1 before the first.
    broken : list of int
        Decode numbers of packets that the decoder refused since `start`, or after which
        pictures came in the wrong order. With frame threads the
        refusal comes late and pictures may be lost with it: read on with `in_one_thread`.
    lost : bool
        Whether the packets after a seek stopped being those of the index (some containers
        mix up their stamps after a seek); the run has ended and proves nothing missing.
    foreign_size : tuple of int or None
        Width and height of a picture of another size than the clip's, where one was met.
    """

    def __init__(
        self, source: Source, index: FrameIndex, threading: Threading = "NONE", threads: int = 1
    ) -> None:
        self._source, self.index = source, index
        self._threading, self._threads = threading, max(1, threads)
        self._container: av.container.InputContainer | None = None
        self._stream: av.video.stream.VideoStream | None = None
        self._packets: Iterator[Any] | None = None
        self._ready: deque[tuple[int, Picture]] = deque()
        self._seen: dict[int, int] = {}
        self._trusted = 0
        self._counted, self._taken = 0, -1
        self.layout: PixelFormat | None = None
        self.first_frame: av.VideoFrame | None = None
        self.fed = -1
        self.shown = -1
        self.broken: list[int] = []
        self.lost = False
        self.foreign_size: tuple[int, int] | None = None

    def start(self, key_number: int | None) -> bool:
        """Stand at a key packet (decode number), or at the start of the file (None).

        Tries the key's presentation stamp, then its decoding stamp, and reads on from where the
        seek landed to the key packet itself, known by stamp and size; containers differ in which
        of the two stamps they go by.

        Returns
        -------
        bool
            False if neither seek landed at or before the key packet; the decoder then stands
            nowhere and must be started again.
        """
        if key_number is None:
            self._reopen()
            self._begin(self._demux(), -1, 0)
            return True
        if self._container is None:
            self._reopen()
        for stamp in dict.fromkeys((self.index.pts[key_number], self.index.dts[key_number])):
            packets = None if stamp is None else self._seek(stamp, key_number)
            if packets is not None:
                self._begin(packets, key_number - 1, self.index.trusted_from(key_number))
                return True
        self._packets = None
        return False

    def read(self) -> tuple[int, Picture] | None:
        """The next picture with its ordinal, in presentation order; None at the end."""
        while not self._ready:
            if not self.feed():
                return None
        ordinal, picture = self._ready.popleft()
        self.shown = ordinal
        return ordinal, picture

    @property
    def waiting(self) -> bool:
        """Whether a decoded picture can be read without feeding the decoder."""
        return bool(self._ready)

    def feed(self) -> bool:
        """Give the decoder one packet; False when there are no more."""
        if self._packets is None:
            return False
        try:
            packet = next(self._packets)
        except MemoryError as error:
            raise lacks_memory(self._source.path) from error
        except (StopIteration, av.error.FFmpegError, OSError):
            self._packets = None
            return False
        if packet.size:
            self.fed += 1
            if not self.index.is_packet(self.fed, packet.pts, packet.size):
                self.lost, self._packets = True, None
                return False
        try:
            with native_call:
                frames = packet.decode()
        except MemoryError as error:  # says nothing about the packet: it may be a good one
            raise lacks_memory(self._source.path) from error
        except av.error.FFmpegError:
            self.broken.append(self.fed)
            return True
        for frame in frames:
            self._take(frame)
        return True

    @property
    def reader_name(self) -> str:
        """The name under which the container's reader writes into FFmpeg's log; empty if closed."""
        return "" if self._container is None else str(self._container.format.name)

    @property
    def in_threads(self) -> bool:
        """Whether several frames are decoded at once."""
        return self._threads > 1 and self._threading in {"FRAME", "AUTO"}

    def in_one_thread(self) -> Decoder:
        """A decoder for the same clip that decodes in the calling thread, not yet started."""
        return Decoder(self._source, self.index)

    def upright(self) -> UprightTransform:
        """Which way up the first decoded picture is to be shown, by its display matrix.

        Raises
        ------
        FootageError
            If the file asks for a turn other than a quarter turn.
        """
        frame = self.first_frame
        side_data: Any = None if frame is None else frame.side_data.get("DISPLAYMATRIX")
        if side_data is None:
            return UprightTransform()
        matrix = np.frombuffer(bytes(side_data), dtype=np.int32)
        return UprightTransform.from_matrix(matrix, self._source.path.name)

    def close(self) -> None:
        """Park the decoder's threads and close the file; may be called twice."""
        self._ready.clear()
        self._packets = None
        with native_call:
            if self._stream is not None:
                self._stream.codec_context.flush_buffers()
            if self._container is not None:
                self._container.close()
        self._container = self._stream = self.first_frame = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _reopen(self) -> None:
        """Open the file afresh; the decoder stands before the first packet."""
        layout = self.layout
        self.close()
        self.layout = layout
        check_file(self._source.path)
        container = open_container(self._source.path)
        stream, found = choose_stream(self._source.path, container)
        if found != self._source:
            container.close()
            raise FootageError(
                f"{self._source.path.name} has changed since it was opened; open it again"
            )
        context = stream.codec_context
        context.options = {"max_pixels": str(most_pixels())}
        context.thread_type = self._threading
        context.thread_count = self._threads
        self._container, self._stream = container, stream

    def _demux(self) -> Iterator[Any]:
        assert self._container is not None
        assert self._stream is not None
        return demux_packets(self._container, self._stream)

    def _begin(self, packets: Iterator[Any], fed: int, trusted: int) -> None:
        """Forget the last run and begin a new one at these packets."""
        self._packets = packets
        self._ready.clear()
        self._seen.clear()
        self._counted, self._taken = 0, -1
        self.broken, self.lost = [], False
        self.fed, self.shown, self._trusted = fed, -1, trusted

    def _seek(self, stamp: int, key_number: int) -> Iterator[Any] | None:
        """All packets from the key packet on, after a seek; None if it landed behind it."""
        assert self._container is not None
        stop = self.index.pts[key_number]
        try:
            with native_call:
                self._container.seek(stamp, stream=self._stream, backward=True)
            packets = self._demux()
            for _ in range(key_number + 1):
                packet = next(packets)
                if self.index.is_packet(key_number, packet.pts, packet.size):
                    return _chain(packet, packets)
                if packet.pts is None or (packet.is_keyframe and stop and packet.pts > stop):
                    return None
        except (StopIteration, av.error.FFmpegError, OSError):
            pass
        return None

    def _take(self, frame: av.VideoFrame) -> None:
        """Find a decoded frame's ordinal and keep it if it can be trusted."""
        ordinal = self._ordinal(frame)
        if ordinal is None or ordinal < self._trusted:
            return
        if ordinal <= self._taken:  # pictures in the wrong order: the stream is broken here
            self.broken.append(self.fed)
            return
        self._taken = ordinal
        if (frame.width, frame.height) != (self._source.width, self._source.height):
            self.foreign_size = (int(frame.width), int(frame.height))
            return
        if self.layout is None:
            self.layout = PixelFormat.of(frame, self._source.path.name)
            self.first_frame = frame
        if frame.format.name != self.layout.name:
            return
        self._ready.append((ordinal, Picture(frame, self.layout)))

    def _ordinal(self, frame: av.VideoFrame) -> int | None:
        """Ordinal by time stamp; among equal stamps, and without stamps, by counting."""
        if not self.index.has_times:
            self._counted += 1
            counted = self._counted - 1
            return counted if counted < self.index.frame_count else None
        if frame.pts is None:
            return None
        seen = self._seen.get(frame.pts, 0)
        self._seen[frame.pts] = seen + 1
        return self.index.ordinal_of_pts(int(frame.pts), seen)


def _chain(first: Any, rest: Iterator[Any]) -> Iterator[Any]:
    """A packet and those after it."""
    yield first
    yield from rest
