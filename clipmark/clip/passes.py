"""One sequential pass over a span of frames: the cheap way to read many of them in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from clipmark.clip.decoder import Decoding
from clipmark.clip.frame import Frame
from clipmark.clip.picture import Picture
from clipmark.clip.threads import cores_to_use

if TYPE_CHECKING:
    from clipmark.clip.clip import Clip


class PassReport(Protocol):
    """What a pass asks of its clip, and tells it."""

    def absent(self, ordinal: int) -> None:
        """A frame has no decodable picture."""

    def broken(self, numbers: list[int]) -> None:
        """The decoder refused these packets (decode numbers)."""

    def is_damaged(self, ordinal: int) -> bool:
        """Whether a frame must be withheld as damaged."""


class ClipReport:
    """Carries what a pass finds to its clip."""

    def __init__(self, clip: Clip, allow_damaged: bool) -> None:
        self._clip, self._allow_damaged = clip, allow_damaged

    def absent(self, ordinal: int) -> None:
        """A frame has no decodable picture."""
        self._clip.note_faults(ordinal, [])

    def broken(self, numbers: list[int]) -> None:
        """The decoder refused these packets."""
        self._clip.note_faults(None, numbers)

    def is_damaged(self, ordinal: int) -> bool:
        """Whether a frame must be withheld as damaged."""
        return not self._allow_damaged and self._clip.is_damaged(ordinal)


class FramePass(Iterator[Frame]):
    """Frames ``first`` to ``last``, both included, every ``step``-th, each decoded once.

    An iterator and a context manager. Each decoded time stamp is looked up in the index. A frame
    whose picture does not come, or is known to be damaged, is left out, never closed up: the next
    frame keeps its own ordinal and time, and the absent ordinals are in `missing`. A frame holds
    luma only; its `bgr()` decodes again. The decoder is let go at the end, on `close`, and when
    an unfinished pass is dropped.

    Attributes
    ----------
    missing : list of int
        Ordinals asked for that did not come, up to where the pass stands.
    """

    def __init__(
        self,
        decoder: Decoding,
        first: int,
        last: int,
        step: int,
        make: Callable[[int, Picture], Frame],
        report: PassReport,
    ) -> None:
        self._decoder: Decoding | None = decoder
        self._first, self._last, self._step = first, last, step
        self._make, self._report = make, report
        self._due = first
        self._started = False
        self.missing: list[int] = []

    def __iter__(self) -> Self:
        return self

    def __next__(self) -> Frame:
        decoder = self._decoder
        if decoder is None or self._due > self._last:
            self.close()
            raise StopIteration
        if not self._started:
            self._started = True
            self._stand_before_due(decoder)
        while self._due <= self._last:
            shown = decoder.read()
            if decoder.lost:
                decoder = self._slow_down(decoder, from_start=True)
                continue
            gap = shown is None or shown[0] > self._due
            if decoder.in_threads and (gap or decoder.broken):
                decoder = self._slow_down(decoder)
                continue
            if decoder.broken:
                self._report.broken(decoder.broken)
                decoder.broken.clear()
            if shown is None or shown[0] > self._last:
                self._miss_up_to(self._last + 1)
                break
            ordinal, picture = shown
            if ordinal < self._due or (ordinal - self._first) % self._step:
                continue
            self._miss_up_to(ordinal)
            self._due = ordinal + self._step
            if self._report.is_damaged(ordinal):
                self.missing.append(ordinal)
                continue
            return self._make(ordinal, picture.keep_luma_only())
        self.close()
        raise StopIteration

    def _slow_down(self, decoder: Decoding, from_start: bool = False) -> Decoding:
        """Go on in one thread: with several, pictures are lost around a refused packet."""
        decoder.close()
        self._decoder = decoder.in_one_thread()
        if from_start:
            self._decoder.start(None)
        else:
            self._stand_before_due(self._decoder)
        return self._decoder

    def _stand_before_due(self, decoder: Decoding) -> None:
        """From the nearest key frame that can be reached, at worst from the start."""
        if decoder.index.has_times:
            for key in decoder.index.keys_before(self._due):
                if decoder.start(key):
                    return
        decoder.start(None)

    def _miss_up_to(self, ordinal: int) -> None:
        """Note every ordinal due before `ordinal` as missing."""
        for absent in range(self._due, ordinal, self._step):
            self.missing.append(absent)
            self._report.absent(absent)
        self._due = max(self._due, ordinal)

    def close(self) -> None:
        """Let the decoder go; may be called twice."""
        decoder, self._decoder = self._decoder, None
        if decoder is not None:
            decoder.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __del__(self) -> None:
        self.close()


def pass_threads(threads: int | None) -> int:
    """Decoding threads for a pass: as asked, or one per core up to four."""
    return max(1, threads) if threads is not None else min(4, cores_to_use())
