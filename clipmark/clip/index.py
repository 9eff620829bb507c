"""The index: every picture of a clip in the order it is shown, found without decoding.

One demux pass lists the packets; those the container does not discard, sorted by time stamp,
are the frames. Where a file carries no usable time stamps (bare streams; AVI with reordered
pictures, whose stamps count packets, not pictures) there is no such order to be had from the
packets, and ordinals are counted off the decoder from the start of the file.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import av.container
import av.error
import av.packet
import av.video.stream

from clipmark.clip.admit import lacks_memory
from clipmark.clip.limits import check_bytes, check_filled, check_frames
from clipmark.clip.native import native_call


@dataclass(frozen=True)
class FrameIndex:
    """Packets in decoding order and frames in presentation order.

    Attributes
    ----------
    time_base : Fraction
        Seconds per tick of every time stamp.
    pts, dts : tuple of (int or None)
        Per packet, by decode number: presentation and decoding time stamps, ticks.
    size : tuple of int
        Per packet: bytes; with the time stamp it tells packets apart after a seek.
    key, discard : tuple of bool
        Per packet: decoding can start here; hidden by the container (edit list).
    order : tuple of int
        Decode number of each frame, by ordinal. Without times, merely ``0, 1, 2, ...``.
    has_times : bool
        Whether presentation time stamps are known.
    promised : int
        Pictures the container's own table promises; 0 where it has none.
    """

    time_base: Fraction
    pts: tuple[int | None, ...]
    dts: tuple[int | None, ...]
    size: tuple[int, ...]
    key: tuple[bool, ...]
    discard: tuple[bool, ...]
    order: tuple[int, ...]
    has_times: bool
    promised: int

    @cached_property
    def frame_pts(self) -> list[int]:
        """Presentation time stamp of each frame, ticks, ascending; empty without times."""
        if not self.has_times:
            return []
        return [stamp for number in self.order if (stamp := self.pts[number]) is not None]

    @cached_property
    def _keys(self) -> list[int]:
        """Decode numbers of the key packets that carry a time stamp."""
        return [n for n, key in enumerate(self.key) if key and self.pts[n] is not None]

    @cached_property
    def _numbers_of_pts(self) -> dict[int, list[int]]:
        """Decode numbers by presentation time stamp."""
        numbers: dict[int, list[int]] = {}
        for number, stamp in enumerate(self.pts):
            if stamp is not None:
                numbers.setdefault(stamp, []).append(number)
        return numbers

    @cached_property
    def ordinal_of_number(self) -> dict[int, int]:
        """Ordinal by decode number, for the packets that are shown."""
        return {number: ordinal for ordinal, number in enumerate(self.order)}

    def keys_before(self, ordinal: int) -> Iterator[int]:
        """Key packets from which frame `ordinal` can be decoded, nearest first (decode numbers).

        A key packet serves when it comes before the frame both in decoding and in presentation
        order: the second condition leaves out the key frame of an open group whose leading
        pictures need the group before it.
        """
        stamp = self.frame_pts[ordinal]
        first_needed = min(self._numbers_of_pts[stamp])  # frames of one time are counted off
        for place in range(bisect_right(self._keys, first_needed) - 1, -1, -1):
            number = self._keys[place]
            key_stamp = self.pts[number]
            if key_stamp is not None and key_stamp <= stamp:
                yield number

    def trusted_from(self, key_number: int) -> int:
        """First ordinal that is right when decoding starts at the key packet `key_number`.

        Pictures shown before the key frame need what came before it.
        """
        stamp = self.pts[key_number]
        if stamp is None:
            return self.frame_count
        if min(self._numbers_of_pts[stamp]) == key_number:
            return bisect_left(self.frame_pts, stamp)
        return bisect_right(self.frame_pts, stamp)

    @property
    def broken_off(self) -> bool:
        """Whether the container promises more pictures than the file holds."""
        return self.promised > len(self.pts)

    @property
    def frame_count(self) -> int:
        """Number of frames."""
        return len(self.order)

    def ordinal_of_pts(self, stamp: int, seen: int) -> int | None:
        """Ordinal of the ``seen``-th picture (from 0) with this time stamp; None if not listed."""
        first = bisect_left(self.frame_pts, stamp)
        ordinal = first + seen
        if ordinal >= self.frame_count or self.frame_pts[ordinal] != stamp:
            return None
        return ordinal

    def is_packet(self, number: int, stamp: int | None, size: int) -> bool:
        """Whether packet `number` of the index has this time stamp (ticks) and size (bytes)."""
        return number < len(self.pts) and (self.pts[number], self.size[number]) == (stamp, size)

    def reached_from(self, number: int, *, whole_group: bool = True) -> tuple[int, ...]:
        """Ordinals that a fault in packet `number` may reach.

        The group from the last key packet up to the next, and the pictures that the next group
        shows before its own key frame (they may use this group). Without `whole_group` only
        what is decoded from the packet on.
        """
        start = number
        while whole_group and start > 0 and not self.key[start]:
            start -= 1
        stop = number + 1
        while stop < len(self.key) and not self.key[stop]:
            stop += 1
        reached = list(range(start, stop))
        if stop < len(self.key) and (limit := self.pts[stop]) is not None:
            follow = stop + 1
            while follow < len(self.key) and not self.key[follow]:
                stamp = self.pts[follow]
                if stamp is not None and stamp < limit:
                    reached.append(follow)
                follow += 1
        ordinals = self.ordinal_of_number
        return tuple(sorted(ordinals[n] for n in reached if n in ordinals))


def demux_packets(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> Iterator[av.packet.Packet[av.video.stream.VideoStream]]:
    """The stream's packets from where the container stands; an empty one ends them.

    PyAV raises IndexError at a packet of a stream that only appears midway (transport streams);
    that packet is none of ours, and reading goes on behind it.
    """
    while True:
        packets = container.demux(stream)
        try:
            while True:
                with native_call:
                    packet = next(packets)
                yield packet
        except IndexError:
            continue
        except StopIteration:
            return


def build_index(
    path: Path, container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> FrameIndex:
    """List every packet of the stream by one demux pass; nothing is decoded.

    A read error ends the list where it happens: what came before it stays usable.
    """
    pts: list[int | None] = []
    dts: list[int | None] = []
    size: list[int] = []
    key: list[bool] = []
    discard: list[bool] = []
    stated_bytes, file_bytes = 0, path.stat().st_size
    try:
        for packet in demux_packets(container, stream):
            if packet.size == 0:  # the flush packet that ends every demux pass
                continue
            check_frames(path.name, len(pts) + 1)
            stated_bytes += int(packet.size)
            check_bytes(path.name, stated_bytes, file_bytes)
            pts.append(packet.pts)
            dts.append(packet.dts)
            size.append(int(packet.size))
            key.append(bool(packet.is_keyframe))
            discard.append(bool(packet.is_discard))
    except MemoryError as error:
        raise lacks_memory(path) from error
    except (av.error.FFmpegError, OSError):
        pass
    check_filled(path.name, stated_bytes, file_bytes)
    shown = [number for number in range(len(pts)) if not discard[number]]
    has_times = not _stamps_are_guesses(container, stream) and all(
        pts[number] is not None for number in shown
    )
    order = sorted(shown, key=lambda n: (pts[n] or 0, n)) if has_times else shown
    return FrameIndex(
        time_base=Fraction(stream.time_base or 1),
        pts=tuple(pts),
        dts=tuple(dts),
        size=tuple(size),
        key=tuple(key),
        discard=tuple(discard),
        order=tuple(order),
        has_times=has_times and bool(shown),
        promised=_promised(container, stream),
    )


def _stamps_are_guesses(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> bool:
    """AVI stores no presentation times: with reordered pictures its stamps are wrong."""
    return container.format.name == "avi" and bool(stream.codec_context.has_b_frames)


def _promised(container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> int:
    """Pictures in the sample table of an MP4 or MOV file; 0 for other containers."""
    if "mp4" not in container.format.name.split(","):
        return 0
    return len(stream.index_entries)
