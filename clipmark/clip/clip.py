"""A recorded clip: opened, indexed, its frames by ordinal, its times and its oddities."""

from __future__ import annotations

import threading
from collections.abc import Callable
from fractions import Fraction
from functools import cached_property
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from clipmark.clip.access import RING_BYTES, PictureRing, RandomAccess
from clipmark.clip.decoder import Decoder, Decoding, Threading
from clipmark.clip.facts import source_findings
from clipmark.clip.findings import Finding
from clipmark.clip.frame import Frame
from clipmark.clip.opening import Stated, guards_clips, state_of
from clipmark.clip.passes import ClipReport, FramePass, pass_threads
from clipmark.clip.picture import Picture
from clipmark.clip.timing import Timeline, exact_rate
from clipmark.errors import FootageError, FrameError

_AHEAD = 4  # pictures that a guarded pass decodes while those before are worked on


def open_clip(
    path: str | PathLike[str],
    *,
    true_fps: float | Fraction | None = None,
    ring_bytes: int = RING_BYTES,
    guarded: bool | None = None,
) -> Clip:
    """Open a recorded clip for reading; the file is never written to.

    Parameters
    ----------
    path : path-like
        The video file.
    true_fps : float or Fraction, optional
        The rate at which a slow-motion clip was recorded, frames per second: times are scaled
        by the stored rate over this.
    ring_bytes : int
        Memory for pictures kept for stepping back, bytes.
    guarded : bool, optional
        Whether the file is read and decoded in processes of its own, under limits, so that a
        crash or a hang of the decoder is a `DecoderError`. The pictures are the same. Default: as
        `clipmark.clip.opening.guard_clips` was told; at first not.

    Returns
    -------
    Clip
        A context manager; close it when done.

    Raises
    ------
    FolderError
        If the file is missing, a folder, or may not be read.
    FootageError
        If it is not footage that can be measured; the sentence names the file and the reason.
    """
    place = Path(path).absolute()
    rate = exact_rate(true_fps)
    guarded = guards_clips(guarded)
    stated = state_of(place, guarded=guarded)
    timeline = Timeline(stated.index, rate, stated.facts.rates)
    timeline.check(place.name)
    return Clip(stated, timeline, ring_bytes, guarded=guarded)


class Clip:
    """A clip that stands open; made by `open_clip`.

    Attributes
    ----------
    path : Path
        The file.
    guarded : bool
        Whether it is decoded in processes of its own.
    sha256 : str
        SHA-256 of the whole file as it was opened, hex.
    index : FrameIndex
        Packets and frames.
    upright_transform : UprightTransform
        How the stored picture is turned and mirrored.
    width, height : int
        Size of the upright picture, px; pixel aspect not applied.
    pixel_aspect : Fraction
        Width over height of one upright pixel.
    interlaced : bool
        Whether a picture holds two moments.
    bit_depth, black_level, white_level : int
        Significant bits of luma, and its code values for black and white.
    codec, container : str
        FFmpeg's names of how the pictures are coded and of the file's format.
    nominal_fps : Fraction or None
        Stored frames per second, after leaving out gaps; None if unknown.
    """

    def __init__(
        self,
        stated: Stated,
        timeline: Timeline,
        ring_bytes: int,
        *,
        guarded: bool = False,
    ) -> None:
        self._source, self._timeline = source, timeline = stated.source, timeline
        self._stated = stated
        self.path, self.sha256, self.index = source.path, stated.sha256, stated.index
        self.guarded = guarded
        facts = stated.facts
        self._lock = threading.RLock()
        self._decoder = self._make_decoder("SLICE", 2)
        ring = PictureRing(ring_bytes)
        self._access = RandomAccess(self._decoder, ring)
        self._open = True
        try:
            self._decoder.start(None)
            shown = self._decoder.read()
            if shown is None or self._decoder.layout is None:
                raise FootageError(
                    f"{self.path.name} holds no picture that can be decoded; copy it from the "
                    "camera again"
                )
            ring.put(*shown)
            first, layout = shown[1], self._decoder.layout
            self.upright_transform = self._decoder.upright()
            if guarded:  # its process serves others until a frame is asked for
                self._decoder.close()
        except BaseException:
            self.close()
            raise
        self.width, self.height = self.upright_transform.size(source.width, source.height)
        self.pixel_aspect = self.upright_transform.pixel_aspect(facts.pixel_aspect)
        self.interlaced = first.interlaced or facts.interlaced
        self.bit_depth = layout.bit_depth
        self.black_level, self.white_level = layout.black, layout.white
        self.codec, self.container = facts.codec, facts.format
        self.nominal_fps = timeline.nominal_rate
        self._damaged: frozenset[int] = frozenset()
        self._checked: tuple[Finding, ...] = ()
        self._access.missing.update(range(shown[0]))
        self._opened: tuple[Finding, ...] = (
            *source_findings(self, facts, source, shown[0]),
            *timeline.findings(shown[0]),
        )

    @property
    def frame_count(self) -> int:
        """Number of frames, by the index."""
        return self.index.frame_count

    @property
    def has_times(self) -> bool:
        """Whether the file carries frame times."""
        return self.index.has_times

    @property
    def time_scale(self) -> Fraction:
        """True seconds per stored second; 1 unless a true rate was declared."""
        return self._timeline.scale

    @property
    def true_fps(self) -> float | None:
        """The true rate that was declared on opening, frames per second; None without one."""
        if self.nominal_fps is None or self.time_scale == 1:
            return None
        return float(self.nominal_fps / self.time_scale)

    @cached_property
    def times_s(self) -> NDArray[np.float64]:
        """Time of each frame, s from the first shown frame, shape (n,); NaN without times."""
        times = self._timeline.times_s()
        times.flags.writeable = False
        return times

    @property
    def times(self) -> list[Fraction]:
        """Exact time of each frame, s from the first shown frame; empty without times."""
        return self._timeline.times()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is odd about the file, as far as known; a check pass adds to it."""
        return self._opened + self._checked

    @property
    def warnings(self) -> list[str]:
        """The sentences an operator must see."""
        return [str(finding) for finding in self.findings if finding.severity != "note"]

    @property
    def damaged(self) -> frozenset[int]:
        """Frames known to be damaged: from a check pass, and where the decoder refused data."""
        return self._damaged | self._access.suspect

    def is_damaged(self, ordinal: int) -> bool:
        """Whether one frame is known to be damaged."""
        return ordinal in self._damaged or ordinal in self._access.suspect

    @property
    def missing(self) -> frozenset[int]:
        """Frames known to have no decodable picture."""
        return frozenset(self._access.missing)

    def frame(self, ordinal: int, *, allow_damaged: bool = False) -> Frame:
        """Frame by ordinal, exact.

        Parameters
        ----------
        ordinal : int
            From 0 to ``frame_count - 1``.
        allow_damaged : bool
            Give a picture known to be damaged too: to look at, not to measure on.

        Raises
        ------
        FrameError
            If there is no such frame, or its picture is missing, or known to be damaged.
        """
        self._check_ordinal(ordinal)
        with self._lock:
            self.check_open()
            picture = self._access.picture(ordinal)
        if self.is_damaged(ordinal) and not allow_damaged:
            raise FrameError(
                f"frame {ordinal} lies in a damaged part of the file and cannot be measured on; "
                "use another frame, or copy the clip from the camera again"
            )
        return self._frame(ordinal, picture)

    def frames(
        self,
        first: int = 0,
        last: int | None = None,
        step: int = 1,
        *,
        threads: int | None = None,
        allow_damaged: bool = False,
    ) -> FramePass:
        """Frames `first` to `last` (both included) in one sequential pass, luma only.

        Parameters
        ----------
        first, last : int
            Ordinals; `last` defaults to the last frame.
        step : int
            Give every `step`-th frame only.
        threads : int, optional
            Decoding threads; 1 decodes in this thread. Default: one per core, at most four.
        allow_damaged : bool
            Give pictures known to be damaged too.

        Returns
        -------
        FramePass
            Iterator of frames. Missing and damaged frames are left out and listed in its
            ``missing``.

        Raises
        ------
        FrameError
            If the span leaves the clip or runs backwards, or the step is below 1.
        """
        self.check_open()
        last = self.frame_count - 1 if last is None else last
        self._check_ordinal(first)
        self._check_ordinal(last)
        if last < first or step < 1:
            raise FrameError(
                f"the span {first}:{last} with step {step} cannot be read; give the earlier frame "
                "first and a step of 1 or more"
            )
        count = pass_threads(threads)
        kind: Threading = "FRAME" if count > 1 else "NONE"
        decoder = self._make_decoder(kind, count, in_one_go=True)
        report = ClipReport(self, allow_damaged)
        return FramePass(decoder, first, last, step, self._frame, report)

    def ordinal_at(self, time_s: float) -> int:
        """Ordinal of the frame on screen at `time_s` (s from the first shown frame).

        The last frame shown at or before that time; of frames with one time, the first.

        Raises
        ------
        FrameError
            If the file has no times, or the time lies outside the clip.
        """
        if not self.has_times:
            raise FrameError(
                "this file carries no frame times, so no frame belongs to a time; name frames by "
                "ordinal"
            )
        times = self.times_s
        held = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
        if not 0 <= time_s <= times[-1] + held:
            raise FrameError(
                f"the time {time_s:g} s lies outside the clip, which runs from 0 to "
                f"{times[-1]:.3f} s; give a time inside"
            )
        place = int(np.searchsorted(times, time_s, side="right")) - 1
        return int(np.searchsorted(times, times[place], side="left"))

    def note_faults(self, missing: int | None, broken: list[int]) -> None:
        """Take over what a pass found: a frame without picture, packets the decoder refused."""
        if missing is not None:
            self._access.missing.add(missing)
        for number in broken:
            self._access.suspect.update(self.index.reached_from(number, whole_group=False))

    def note_check(
        self, missing: tuple[int, ...], damaged: tuple[int, ...], findings: tuple[Finding, ...]
    ) -> None:
        """Take over what a check pass found (`clipmark.clip.health.check`)."""
        self._access.missing.update(missing)
        self._damaged, self._checked = frozenset(damaged), findings

    def sequential_decoder(self) -> Decoder:
        """A decoder of its own, one thread, for a pass that watches the decoder closely."""
        self.check_open()
        return Decoder(self._source, self.index)

    def random_access(self, ring: PictureRing) -> RandomAccess:
        """Another way to any picture, with one decoding thread and a ring of its own.

        What it finds missing or suspect, the clip knows as well. For one thread at a time; the
        caller closes it.
        """
        self.check_open()
        access = RandomAccess(self._make_decoder(), ring)
        access.missing, access.suspect = self._access.missing, self._access.suspect
        return access

    def parts(self) -> tuple[Stated, Timeline]:
        """What another process makes the same clip from."""
        return self._stated, self._timeline

    def _make_decoder(
        self, kind: Threading = "NONE", threads: int = 1, *, in_one_go: bool = False
    ) -> Decoding:
        """A decoder here, or in a process of its own; luma alone for a pass in one go."""
        if not self.guarded:
            return Decoder(self._source, self.index, kind, threads)
        from clipmark.clip.far_decoder import FarDecoder

        ahead = _AHEAD if in_one_go else 0
        how = (self._source, self.index, kind, threads)
        return FarDecoder(*how, colours=not in_one_go, ahead=ahead)

    def look_also(self, elsewhere: Callable[[int], Picture | None]) -> None:
        """Let `frame` take pictures of this clip decoded by another `random_access`."""
        self._access.elsewhere = elsewhere

    def close(self) -> None:
        """Close the file and let all pictures go; may be called twice."""
        with self._lock:
            self._open = False
            self._access.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Clip {self.path.name}: {self.frame_count} frames, {self.width} x {self.height}>"

    def _frame(self, ordinal: int, picture: Picture) -> Frame:
        return Frame(
            ordinal=ordinal,
            pts=self.index.frame_pts[ordinal] if self.has_times else None,
            time_base=self.index.time_base,
            time=self._timeline.time(ordinal),
            picture=picture,
            upright=self.upright_transform,
            colours_again=lambda again: self.frame(again, allow_damaged=True).bgr(),
        )

    def check_open(self) -> None:
        """Refuse the use of a clip that was closed (FrameError)."""
        if not self._open:
            raise FrameError("the clip has been closed; open it again")

    def _check_ordinal(self, ordinal: int) -> None:
        if not 0 <= ordinal < self.frame_count:
            raise FrameError(
                f"frame {ordinal} is not in the clip, which has frames 0 to "
                f"{self.frame_count - 1}; name one of these"
            )
