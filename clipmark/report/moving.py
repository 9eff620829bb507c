"""Writing an MP4 file (H.264) whose frames keep their own times, and nothing else of the source.

Frame times are exact: the file's time base is one in which every time is a whole number, or a
millionth of a second where no such base is usual. Sound and the place of filming are carried only
when they are asked for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FolderError, FootageError
from clipmark.record import disk

Picture = NDArray[np.uint8]
FINEST = 10_000_000  # ticks a second that players still take
COARSE = 1_000_000
QUALITY = {"preset": "veryfast", "crf": "20", "bf": "0", "g": "60"}


def ticks_for(times: Sequence[Fraction]) -> int:
    """Ticks a second of a time base that holds every time exactly, or else a millionth."""
    ticks = math.lcm(1, *(time.denominator for time in times))
    return ticks if ticks <= FINEST else COARSE


class ClipWriter:
    """One MP4 file being written; use it in ``with``. What is not finished is taken away.

    Parameters
    ----------
    path : Path
        Where to.
    size : (int, int)
        Width and height of its pictures, both even, px.
    times : sequence of Fraction
        Time of every frame to come, s, rising; the first becomes zero.
    held_s : Fraction
        How long the last frame is shown.
    sound : Clip, optional
        Whose sound is carried, from the first time on; without one there is none.
    location : str
        Where the clip was filmed, as its file says it (ISO 6709), to be carried; or empty.

    Raises
    ------
    FolderError
        When the file cannot be written.
    FootageError
        When the sound cannot be carried.
    """

    def __init__(
        self,
        path: Path,
        size: tuple[int, int],
        times: Sequence[Fraction],
        held_s: Fraction,
        *,
        sound: Clip | None = None,
        location: str = "",
    ) -> None:
        self.path, self.size, self.times = path, size, list(times)
        self.ticks = ticks_for([time - self.times[0] for time in self.times])
        ends = [*self.times[1:], self.times[-1] + held_s]
        self._pts = [round((time - self.times[0]) * self.ticks) for time in self.times]
        until = [round((time - self.times[0]) * self.ticks) for time in ends]
        self._held = {a: max(1, b - a) for a, b in zip(self._pts, until, strict=True)}
        self._written = 0
        self._sound: list[tuple[Fraction, Any]] = []
        self._source: Any = None
        try:
            self._open(sound, location)
        except OSError as error:
            raise disk.explain(error, "write the clip", path) from error

    def _open(self, sound: Clip | None, location: str) -> None:
        self._container = av.open(
            str(self.path), "w", format="mp4", options={"fflags": "+bitexact"}
        )
        rate = Fraction(len(self.times), 1) / max(
            Fraction(1, 1000), self.times[-1] - self.times[0] or Fraction(1, 30)
        )
        stream = self._container.add_stream(
            "libx264", rate=rate.limit_denominator(1001), options=dict(QUALITY)
        )
        context = stream.codec_context
        context.width, context.height = self.size
        context.pix_fmt = "yuv420p"
        context.time_base = stream.time_base = Fraction(1, self.ticks)
        context.color_range, context.colorspace = 1, 1
        context.color_primaries, context.color_trc = 1, 1
        context.thread_count = 2
        self._stream = stream
        if location:
            self._container.metadata["location"] = location
        if sound is not None:
            self._take_sound(sound)
        self._container.start_encoding()  # the file is made here, and not before

    def _take_sound(self, clip: Clip) -> None:
        self._source = av.open(str(clip.path))
        if not self._source.streams.audio:
            return
        audio = self._source.streams.audio[0]
        pts = clip.index.frame_pts
        zero = Fraction(pts[0] or 0) * clip.index.time_base
        begin = self.times[0] + zero
        end = begin + Fraction(self._pts[-1] + self._held[self._pts[-1]], self.ticks)
        try:
            out = self._container.add_stream_from_template(audio)
        except (ValueError, av.FFmpegError) as error:
            raise FootageError(
                f"the sound of {clip.path.name} cannot be carried in an MP4 file "
                f"({audio.codec_context.name}); leave the sound out (--with-sound)"
            ) from error
        for packet in self._source.demux(audio):
            if packet.pts is None or not begin <= packet.pts * packet.time_base < end:
                continue
            at = packet.pts * packet.time_base - begin
            packet.pts = round(at / packet.time_base)
            packet.dts = packet.pts
            packet.stream = out
            self._sound.append((at, packet))

    def write(self, picture: Picture) -> None:
        """Add the next frame; blue first, of the size that was given."""
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="bgr24")
        frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
        frame.color_range, frame.colorspace = 1, 1
        frame.pts, frame.time_base = self._pts[self._written], Fraction(1, self.ticks)
        self._written += 1
        self._put(self._stream.encode(frame))

    def _put(self, packets: Sequence[Any]) -> None:
        try:
            for packet in packets:
                packet.duration = self._held.get(packet.pts, 1)
                now = Fraction(packet.pts, self.ticks)
                while self._sound and self._sound[0][0] <= now:
                    self._container.mux(self._sound.pop(0)[1])
                self._container.mux(packet)
        except OSError as error:
            raise disk.explain(error, "write the clip", self.path) from error

    def _finish(self) -> None:
        self._put(self._stream.encode(None))
        for _, packet in self._sound:
            self._container.mux(packet)
        try:
            self._container.close()
        except OSError as error:
            raise disk.explain(error, "write the clip", self.path) from error
        if self._written != len(self._pts):
            raise FolderError(
                f"{self.path.name}: {self._written} of {len(self._pts)} frames were written; "
                "repeat it"
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if error is None:
                self._finish()
            else:
                self._container.close()
        except BaseException:
            self.path.unlink(missing_ok=True)
            raise
        finally:
            if self._source is not None:
                self._source.close()
        if error is not None:
            self.path.unlink(missing_ok=True)


def location_of(path: Path) -> str:
    """Where a clip says it was filmed, in its own form (ISO 6709); empty where it does not.

    Raises
    ------
    FootageError
        When the file cannot be opened as footage.
    """
    try:
        with av.open(str(path)) as container:
            told = {**dict(container.metadata)}
            for stream in container.streams:
                told |= dict(stream.metadata)
    except (OSError, ValueError) as error:
        raise FootageError(f"{path.name} cannot be opened as footage; copy it again") from error
    found = [value for key, value in sorted(told.items()) if "location" in key.lower()]
    return " ".join(str(found[0]).split())[:60] if found else ""
