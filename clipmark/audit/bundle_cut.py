"""The span of a clip as a file of its own, cut between packets without coding anything anew.

Packets are copied as they are, from a key frame at or before the first picture needed to the last
one needed, so that every picture decodes to the same values; that is checked afterwards frame by
frame, and where it does not hold, or cannot hold, the clip is not cut. Sound, other streams and
whatever the file says of place and device stay behind.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import av.error
import numpy as np

from clipmark.audit.repeat import true_fps_of
from clipmark.clip import Clip, open_clip
from clipmark.clip.admit import choose_stream, open_container
from clipmark.clip.index import demux_packets
from clipmark.errors import ClipmarkError
from clipmark.record.models import Attempt

AROUND_S = 0.5  # beside the frame of an angle: a swinging plumb line is looked at 0.36 s off
_WRITERS = {"mp4": ("mp4", ".mp4"), "matroska": ("matroska", ".mkv")}
_PLACE_WORDS = ("location", "gps", "xyz", "geo")
_OF_THE_FORM = {
    "major_brand", "minor_version", "compatible_brands", "encoder", "handler_name", "language",
    "vendor_id",
}  # fmt: skip


@dataclass(frozen=True)
class FileFacts:
    """What a clip's file holds beside its pictures.

    Attributes
    ----------
    sound : bool
    location : bool
        Whether a place of recording is written in it.
    others : tuple of str
        Kinds of further streams, such as data of a position recorder.
    noted : tuple of str
        Names of what else is written in it: date, maker, model.
    """

    sound: bool
    location: bool
    others: tuple[str, ...]
    noted: tuple[str, ...]

    @property
    def words(self) -> list[str]:
        """What a person may not want to hand on, as words for a list."""
        found = ["sound"] if self.sound else []
        found += ["the place of recording"] if self.location else []
        found += [f"a {kind} stream" for kind in self.others]
        return found + ([f"notes of the camera ({', '.join(self.noted)})"] if self.noted else [])


@dataclass(frozen=True)
class Cut:
    """A clip that was cut.

    Attributes
    ----------
    path : Path
        The new file.
    shift : int
        Frames cut off before its first.
    frames : int
        Frames it holds.
    begins : Fraction
        Time of its first frame in the whole clip, s from the first shown frame, as stored
        (before a declared true rate).
    first, last : int
        Frames of the whole clip that the readings need; all were compared.
    """

    path: Path
    shift: int
    frames: int
    begins: Fraction
    first: int
    last: int


class NotCutError(Exception):
    """Why a clip cannot be cut without losing something; the sentence ends an enumeration."""


def file_facts(path: Path) -> FileFacts:
    """Read what a clip holds beside its pictures; raises `FootageError` when it is no clip."""
    container = open_container(path)
    try:
        stream, _ = choose_stream(path, container)
        kinds = [s.type for s in container.streams if s.index != stream.index]
        names = set(container.metadata)
        for each in container.streams:
            names |= set(each.metadata)
        place = any(word in name.lower() for name in names for word in _PLACE_WORDS)
        noted = sorted(
            name
            for name in names
            if name.lower() not in _OF_THE_FORM
            and not any(word in name.lower() for word in _PLACE_WORDS)
        )
    finally:
        container.close()
    others = tuple(sorted({kind for kind in kinds if kind not in ("audio",)}))
    return FileFacts("audio" in kinds, place, others, tuple(noted))


def frames_needed(clip: Clip, attempt: Attempt) -> tuple[int, int]:
    """First and last frame that the readings of an attempt look at.

    Raises
    ------
    NotCutError
        When there is no reading, or none that says so.
    """
    wanted: list[int] = []
    for reading in attempt.readings:
        settings = reading.result.get("settings")
        span = settings.get("span") if isinstance(settings, dict) else None
        places: list[object] = [reading.frame, *(span if isinstance(span, list) else [])]
        ordinals = [n for n in places if isinstance(n, int) and 0 <= n < clip.frame_count]
        if len(ordinals) < len(places) or not ordinals:
            raise NotCutError("a reading does not say which frames it was measured on")
        wanted += [*ordinals, *_around(clip, ordinals)]
    if not wanted:
        raise NotCutError("the attempt has no reading that says which frames matter")
    return min(wanted), max(wanted)


def _around(clip: Clip, ordinals: list[int]) -> tuple[int, int]:
    """Half a second and one frame more on both sides."""
    first, last = min(ordinals), max(ordinals)
    if clip.has_times:
        times = clip.times_s
        first = int(np.searchsorted(times, times[first] - AROUND_S)) - 1
        last = int(np.searchsorted(times, times[last] + AROUND_S)) + 1
    return max(0, first), min(clip.frame_count - 1, last)


def cut_clip(path: Path, attempt: Attempt, folder: Path) -> Cut:
    """Cut the span that an attempt's readings need out of its clip, and compare every frame.

    Parameters
    ----------
    path : Path
        The whole clip; only read.
    attempt : Attempt
    folder : Path
        Where the new file is made.

    Raises
    ------
    NotCutError
        With the reason, when it cannot be cut without coding it anew.
    """
    rate = true_fps_of(attempt, attempt.readings[0]) if attempt.readings else None
    try:
        with open_clip(path, true_fps=rate) as clip:
            first, last = frames_needed(clip, attempt)
            start, stop = _packets(clip, first, last)
            target = _copy_packets(clip, path, folder, start, stop)
            with open_clip(target, true_fps=rate) as short:
                return _checked(clip, short, Cut(
                    target,
                    shift=clip.index.ordinal_of_number[start],
                    frames=stop - start + 1,
                    begins=_stored_time(clip, clip.index.ordinal_of_number[start]),
                    first=first,
                    last=last,
                ))  # fmt: skip
    except (ClipmarkError, av.error.FFmpegError, OSError, ValueError) as error:
        raise NotCutError(f"cutting failed ({str(error).rstrip('.')})") from None


def _stored_time(clip: Clip, ordinal: int) -> Fraction:
    stamps = clip.index.frame_pts
    return (stamps[ordinal] - stamps[0]) * clip.index.time_base


def _packets(clip: Clip, first: int, last: int) -> tuple[int, int]:
    """Decode numbers of the first and last packet to copy."""
    index = clip.index
    if not index.has_times:
        raise NotCutError("the file carries no frame times that could be kept")
    if any(index.discard):
        raise NotCutError("the file hides pictures by an edit list")
    ordinals = index.ordinal_of_number
    closed = (
        key
        for key in index.keys_before(first)
        if all(ordinals[n] > ordinals[key] for n in range(key + 1, len(index.pts)))
    )
    start = next(closed, None)
    if start is None:
        raise NotCutError(
            "no key frame before the span stands for itself (the pictures are coded in open groups)"
        )
    highest, count, stop = ordinals[start], 0, start
    for number in range(start, len(index.pts)):
        highest, count, stop = max(highest, ordinals[number]), count + 1, number
        # Pictures in the order they are decoded: on until none before the last shown one is out.
        if highest >= last and highest - ordinals[start] + 1 == count:
            break
    return start, stop


def _copy_packets(clip: Clip, path: Path, folder: Path, start: int, stop: int) -> Path:
    """Write the packets into a file of the same kind, and nothing else."""
    kinds = clip.container.split(",")
    writer = next((_WRITERS[kind] for kind in kinds if kind in _WRITERS), None)
    if writer is None:
        raise NotCutError(f"files of the kind {kinds[0]} cannot be cut without coding them anew")
    target = folder / f"cut{writer[1]}"
    source = open_container(path)
    try:
        stream, _ = choose_stream(path, source)
        options = {"fflags": "+bitexact", "avoid_negative_ts": "disabled"}
        if writer[0] == "mp4":
            options["video_track_timescale"] = str(clip.index.time_base.denominator)
        with av.open(str(target), "w", format=writer[0], options=options) as out:
            copied = out.add_stream_from_template(stream)
            copied.time_base = stream.time_base
            copied.metadata.clear()
            number = -1
            for packet in demux_packets(source, stream):
                if packet.size == 0:
                    continue
                number += 1
                if number > stop:
                    break
                if not clip.index.is_packet(number, packet.pts, packet.size):
                    raise NotCutError("the file reads otherwise a second time")
                if number >= start:
                    packet.stream = copied
                    out.mux(packet)
    finally:
        source.close()
    return target


def _checked(clip: Clip, short: Clip, cut: Cut) -> Cut:
    """Refuse a cut that is not, frame by frame, what was cut out."""
    if (short.frame_count, short.index.has_times) != (cut.frames, True):
        raise NotCutError("the cut file does not hold the frames that were copied")
    facts = ("width", "height", "pixel_aspect", "upright_transform", "bit_depth", "interlaced",
             "black_level", "white_level")  # fmt: skip
    for name in facts:
        if getattr(clip, name) != getattr(short, name):
            raise NotCutError(f"the cut file is read with another {name.replace('_', ' ')}")
    if clip.time_scale != short.time_scale:
        raise NotCutError("the cut file is read with another rate")
    begins = clip.times[cut.shift]
    times = clip.times[cut.shift : cut.shift + cut.frames]
    if [time + begins for time in short.times] != times:
        raise NotCutError("the times of the frames could not be kept")
    with contextlib.ExitStack() as stack:
        whole = stack.enter_context(clip.frames(cut.first, cut.last, allow_damaged=True))
        part = stack.enter_context(
            short.frames(cut.first - cut.shift, cut.last - cut.shift, allow_damaged=True)
        )
        same = [
            (a.ordinal, a.fingerprint) == (b.ordinal + cut.shift, b.fingerprint)
            for a, b in zip(whole, part, strict=True)
        ]
        if not all(same) or whole.missing or part.missing:
            raise NotCutError("not every frame decodes to the same picture after cutting")
    return cut
