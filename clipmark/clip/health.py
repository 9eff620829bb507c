"""The health of a clip: one careful pass over all its pictures.

A decoder does not say which pictures it had to patch up; only its log lines betray it, and not
always at the first bad picture. So where it logs a warning or an error at a packet, the whole
group of pictures from the key frame before it to the next is called damaged and not for
measuring. The pass decodes in one thread, so that a line belongs to the packet just given.

It can prove damage, not soundness. With 8 bytes overwritten inside one packet, every picture of
the group wrong, the decoder logged something in 15 to 24 of 25 H.264 files and in none of 25
HEVC files (FFmpeg 8.1): most damage inside a picture is silent. A file that ends early, or
misses whole pictures, is always found. Of silent damage the pictures themselves may give a
suspicion (`clipmark.clip.jumps`): a warning, and the frames stay usable.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import av.logging
import numpy as np
from numpy.typing import NDArray

from clipmark.clip.clip import Clip
from clipmark.clip.decoder import Decoder
from clipmark.clip.findings import Finding, spans_text
from clipmark.clip.jumps import Jumps, Structure
from clipmark.clip.picture import Picture

_ROW_STEP = 8  # every 8th row is enough for brightness and sharpness
_ONE_AT_A_TIME = threading.Lock()  # the log of FFmpeg is one for the whole process
LogLine = tuple[int, str, str]


@dataclass(frozen=True)
class Health:
    """What a check pass found.

    Attributes
    ----------
    frame_count : int
        Frames by the index.
    missing : tuple of int
        Ordinals without a picture.
    damaged : tuple of int
        Ordinals with a picture that may be wrong.
    duplicated : tuple of int
        Ordinals whose luma is, value for value, that of the frame before.
    brightness : ndarray, shape (n,)
        Mean luma of each frame, 0 black to 1 white; NaN without a picture.
    sharpness : ndarray, shape (n,)
        Root mean square step from each pixel to its right-hand neighbour (as stored), in parts
        of black to white; NaN without a picture. It compares frames of one clip; it is no
        property of the lens.
    findings : tuple of Finding
        The same in sentences.
    """

    frame_count: int
    missing: tuple[int, ...]
    damaged: tuple[int, ...]
    duplicated: tuple[int, ...]
    brightness: NDArray[np.float64]
    sharpness: NDArray[np.float64]
    findings: tuple[Finding, ...]


def check(
    clip: Clip,
    progress: Callable[[int, int], None] | None = None,
    observe: Callable[[int, Picture], None] | None = None,
) -> Health:
    """Decode every picture once, in one thread, and say what is wrong with which.

    Afterwards `Clip.damaged`, `Clip.missing` and `Clip.findings` know the result, and
    `Clip.frame` refuses these frames.

    Parameters
    ----------
    clip : Clip
        Open clip.
    progress : callable, optional
        Called as ``progress(pictures_done, frame_count)`` after each packet that gave one.
    observe : callable, optional
        Called as ``observe(ordinal, picture)`` with each picture in turn, so that one pass
        serves two ends. What it raises ends the pass and reaches the caller; the clip then knows
        nothing new.

    Raises
    ------
    FrameError
        If the clip has been closed.
    """
    if clip.guarded:
        from clipmark.clip.far_check import check_far

        clip.check_open()
        health = check_far(clip, progress, observe)
        clip.note_check(health.missing, health.damaged, health.findings)
        return health
    pass_ = _CheckPass(clip)
    with clip.sequential_decoder() as decoder, _decoder_log() as log:
        decoder.start(None)
        while True:
            before = decoder.fed
            log.clear()  # what was said while a picture was looked at is not about the next packet
            more = decoder.feed()
            log[:] = [line for line in log if _betrays_damage(line)]
            if decoder.fed == before:
                pass_.end(decoder, log)
            if log or decoder.broken:
                pass_.fault(decoder)
                decoder.broken.clear()
            if not more:
                break
            while decoder.waiting and (shown := decoder.read()) is not None:
                pass_.take(*shown)
                if observe is not None:
                    observe(*shown)
                if progress is not None:
                    progress(pass_.done, clip.frame_count)
        foreign = decoder.foreign_size
    health = pass_.result(foreign)
    clip.note_check(health.missing, health.damaged, health.findings)
    return health


@contextmanager
def _decoder_log() -> Iterator[list[LogLine]]:
    """FFmpeg's log of this thread, down to what it calls information; none of it is printed.

    Lines of other threads are swallowed meanwhile. Afterwards the log is as it was.
    """
    log = av.logging
    with _ONE_AT_A_TIME:
        level, repeats = log.get_level(), log.get_skip_repeated()
        log.set_skip_repeated(False)
        try:
            with log.Capture(local=False), log.Capture(local=True) as lines:
                log.set_level(log.INFO)
                try:
                    yield lines
                finally:
                    log.set_level(level)
        finally:
            log.set_skip_repeated(repeats)


def _betrays_damage(line: LogLine) -> bool:
    """Whether a line speaks of damage: a warning or worse, or that blocks had to be made up.

    The last is all that FFmpeg says of an H.264, MPEG-4 or MPEG-2 picture whose data ended
    early without a fault in what there was.
    """
    level, _, text = line
    return level <= int(av.logging.WARNING) or text.startswith("concealing")


class _CheckPass:
    """What is gathered on the way."""

    def __init__(self, clip: Clip) -> None:
        self._clip = clip
        self._span = clip.white_level - clip.black_level
        self._damaged: set[int] = set()
        self._decoded: set[int] = set()
        self._duplicated: list[int] = []
        self._interlaced = self._ends_early = False
        self._before: tuple[int, Picture] | None = None
        self._jumps = Jumps(Structure.of(clip.index), clip.black_level, clip.white_level)
        self._brightness = np.full(clip.frame_count, np.nan)
        self._sharpness = np.full(clip.frame_count, np.nan)

    @property
    def done(self) -> int:
        """Pictures decoded so far."""
        return len(self._decoded)

    def fault(self, decoder: Decoder) -> None:
        """Mark what a fault at the packet just fed may reach."""
        index = self._clip.index
        number = decoder.fed
        if not 0 <= number < len(index.pts):
            return
        cut_off = index.broken_off and number == len(index.pts) - 1
        self._damaged.update(index.reached_from(number, whole_group=not cut_off))

    def end(self, decoder: Decoder, log: list[LogLine]) -> None:
        """Take out what the container's reader said when it gave no packet any more.

        It speaks of the file ("ended prematurely"), not of a picture: all packets that it gave
        before were whole.
        """
        said = [line for line in log if line[1] == decoder.reader_name]
        self._ends_early = self._ends_early or bool(said)
        log[:] = [line for line in log if line not in said]

    def take(self, ordinal: int, picture: Picture) -> None:
        """Look at one picture."""
        self._decoded.add(ordinal)
        self._interlaced = self._interlaced or picture.interlaced
        rows = picture.luma[::_ROW_STEP]
        self._brightness[ordinal] = (float(rows.mean()) - self._clip.black_level) / self._span
        steps = np.diff(rows.astype(np.float32), axis=1)
        self._sharpness[ordinal] = float(np.sqrt(np.mean(steps**2))) / self._span
        if self._before is not None and self._before[0] == ordinal - 1:
            same = self._brightness[ordinal] == self._brightness[ordinal - 1]
            if same and np.array_equal(self._before[1].luma, picture.luma):
                self._duplicated.append(ordinal)
        self._before = (ordinal, picture)
        self._jumps.take(ordinal, picture.luma)

    def result(self, foreign_size: tuple[int, int] | None) -> Health:
        """The finished health."""
        count = self._clip.frame_count
        missing = tuple(k for k in range(count) if k not in self._decoded)
        damaged = tuple(sorted(self._damaged - set(missing)))
        found = [
            _unusable(tuple(sorted({*missing, *damaged}))),
            _ends_early(self._ends_early and not self._clip.index.broken_off, count),
            _size_change(foreign_size),
            _suspected(self._jumps.suspect(), {*missing, *damaged}),
            _repeated(tuple(self._duplicated), count),
            _interlaced(self._interlaced and not self._clip.interlaced),
        ]
        return Health(
            frame_count=count,
            missing=missing,
            damaged=damaged,
            duplicated=tuple(self._duplicated),
            brightness=self._brightness,
            sharpness=self._sharpness,
            findings=tuple(finding for finding in found if finding is not None),
        )


def _unusable(ordinals: tuple[int, ...]) -> Finding | None:
    if not ordinals:
        return None
    which = spans_text(ordinals)
    are = "is" if len(ordinals) == 1 else "are"
    return Finding(
        "damaged",
        "warning",
        f"{which[0].upper()}{which[1:]} {are} missing or damaged in the file and {are} not used.",
        ordinals,
    )


def _ends_early(found: bool, frame_count: int) -> Finding | None:
    if not found:
        return None
    return Finding(
        "truncated",
        "warning",
        f"The file breaks off after frame {frame_count - 1}: its last part was never written or "
        "not copied; what came after is lost.",
    )


def _size_change(size: tuple[int, int] | None) -> Finding | None:
    if size is None:
        return None
    return Finding(
        "size-change",
        "warning",
        f"The picture size changes to {size[0]} x {size[1]} px in the middle of the file; those "
        "pictures are not used.",
    )


def _suspected(jumping: tuple[int, ...], known: set[int]) -> Finding | None:
    ordinals = tuple(ordinal for ordinal in jumping if ordinal not in known)
    if not ordinals:
        return None
    return Finding(
        "suspected-damage",
        "warning",
        f"In {spans_text(ordinals)} parts of the picture jump away and come back all at once, as "
        "where a file is damaged, though the decoder reported no fault; look at these frames, and "
        "compare the file with the camera's copy before measuring on them.",
        ordinals,
    )


def _repeated(ordinals: tuple[int, ...], count: int) -> Finding | None:
    if not ordinals:
        return None
    which = (
        f"Frame {ordinals[0]} shows"
        if len(ordinals) == 1
        else f"{len(ordinals)} frames, first frame {ordinals[0]}, show"
    )
    return Finding(
        "duplicated-pictures",
        "warning" if len(ordinals) < count / 2 else "note",
        f"{which} exactly the picture of the frame before; if anything moved there, the recording "
        "repeated pictures and the speed shown is not real.",
        ordinals,
    )


def _interlaced(found: bool) -> Finding | None:
    if not found:
        return None
    return Finding(
        "interlaced",
        "refuse-motion",
        "Some pictures are interlaced: each holds two moments; angles of what stands still can be "
        "read, but motion needs progressive video.",
    )
