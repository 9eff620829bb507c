"""A decoder in a process of its own, behind the methods of `Decoder`.

What a broken file does to FFmpeg happens over there. A crash or a hang becomes a `DecoderError`;
the next `start` takes a fresh process. Pictures come through shared memory, some decoded ahead
while those before are worked on; they are the same pictures, value for value.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

from clipmark.clip import far_pictures
from clipmark.clip.admit import Source
from clipmark.clip.decoder import Threading
from clipmark.clip.far_service import SLOTS_BYTES, serve
from clipmark.clip.guarded import RemoteTracebackError, pickled_task
from clipmark.clip.guarded_process import GuardedProcess, Limits
from clipmark.clip.guarded_wire import GoneError, SharedMemory
from clipmark.clip.idle import IdlePool
from clipmark.clip.index import FrameIndex
from clipmark.clip.limits import MEMORY_GB, STALL_S, decoding_bytes
from clipmark.clip.picture import Picture, PixelFormat
from clipmark.clip.upright import UprightTransform
from clipmark.errors import DecoderError

MOST_SLOTS = 6
_MOST_SPARE = 3


def decoding_limits(width: int, height: int) -> Limits:
    """What decoding pictures of a size may use; `CLIPMARK_MEMORY_GB` and `..._STALL_S` count."""
    memory = decoding_bytes(width, height)
    if os.environ.get(MEMORY_GB.variable):
        memory = int(MEMORY_GB.value * 1e9)
    return Limits(memory_bytes=memory, stall_s=STALL_S.value)


class FarProcess:
    """A guarded process that decodes, with the memory for its pictures."""

    def __init__(self, limits: Limits) -> None:
        self.memory = SharedMemory(SLOTS_BYTES)
        self.process = GuardedProcess(limits, self.memory)

    @classmethod
    def taken(cls, limits: Limits) -> FarProcess:
        """One that stands idle, or a new one."""
        far = _spare.take()
        while far is not None and not far.process.alive:
            far.end()
            far = _spare.take()
        far = far or cls(limits)
        far.process.limits = limits
        try:
            far.process.post((pickled_task(serve), limits))
        except GoneError:
            far.end()
            far = cls(limits)
            far.process.post((pickled_task(serve), limits))
        return far

    def ask(self, about: str, *message: object) -> Any:
        """Send a message and wait for its answer; an error over there is raised here."""
        self.tell(about, *message)
        return self.answer(about)

    def tell(self, about: str, *message: object) -> None:
        """Send a message."""
        try:
            self.process.post(message)
        except GoneError:
            raise self.process.died(about) from None

    def answer(self, about: str, still: Callable[[], None] = lambda: None) -> Any:
        """The next answer."""
        kind, value = self.process.wait(about, still)
        if kind == "raised":
            error, told = value
            raise error from RemoteTracebackError(told)
        if kind == "memory":
            self.end()
            raise DecoderError(
                f"{about} needs more memory than reading one clip may take, and was given up; "
                "export it with smaller pictures, or set CLIPMARK_MEMORY_GB higher"
            )
        return value

    def give_back(self, about: str) -> None:
        """Let it stand idle for the next clip."""
        try:
            self.ask(about, "done")
            kind, _ = self.process.wait(about)  # the end of the service itself
            if kind == "gave":
                _spare.give_back(self)
                return
        except (DecoderError, GoneError):
            pass
        self.end()

    def end(self) -> None:
        """End it at once."""
        self.process.kill()
        self.memory.close()


_spare = IdlePool(_MOST_SPARE, FarProcess.end)


class FarDecoder:
    """The methods and marks of `Decoder`, for one thread at a time.

    Parameters
    ----------
    source, index, threading, threads
        As for `Decoder`.
    colours : bool
        Whether pictures carry their colours, or luma alone.
    ahead : int
        Pictures decoded ahead of those asked for.
    """

    def __init__(
        self,
        source: Source,
        index: FrameIndex,
        threading: Threading = "NONE",
        threads: int = 1,
        *,
        colours: bool = True,
        ahead: int = 0,
    ) -> None:
        self._source, self.index = source, index
        self._threading, self._threads = threading, max(1, threads)
        self._colours = colours
        room = far_pictures.room_for(source.width, source.height, colours)
        self._slots = max(1, min(1 + ahead, MOST_SLOTS, SLOTS_BYTES // room))
        self._room = room
        self._far: FarProcess | None = None
        self._asked = 0
        self._ended = False
        self.layout: PixelFormat | None = None
        self.fed, self.shown = -1, -1
        self.broken: list[int] = []
        self.lost = False
        self.foreign_size: tuple[int, int] | None = None

    def start(self, key_number: int | None) -> bool:
        """As `Decoder.start`; a process is taken if there is none."""
        self.broken, self.lost, self._ended = [], False, False
        self.fed, self.shown = -1, -1
        far = self._far
        if far is None:
            self._far = far = FarProcess.taken(
                decoding_limits(self._source.width, self._source.height)
            )
            how = (self._source, self.index, self._threading, self._threads)
            self._safely(lambda: far.ask(self._name, "open", how, self._room, self._colours))
        self._safely(self._drain)
        return bool(self._safely(lambda: self._marked(far.ask(self._name, "start", key_number))))

    def read(self) -> tuple[int, Picture] | None:
        """As `Decoder.read`."""
        far = self._far
        if far is None or self._ended:
            return None
        shown: tuple[int, Picture] | None = self._safely(lambda: self._read(far))
        return shown

    @property
    def in_threads(self) -> bool:
        """As `Decoder.in_threads`."""
        return self._threads > 1 and self._threading in {"FRAME", "AUTO"}

    def in_one_thread(self) -> FarDecoder:
        """As `Decoder.in_one_thread`."""
        ahead = self._slots - 1
        return FarDecoder(self._source, self.index, colours=self._colours, ahead=ahead)

    def upright(self) -> UprightTransform:
        """As `Decoder.upright`."""
        far = self._far
        if far is None:
            return UprightTransform()
        self._safely(self._drain)
        found: UprightTransform = self._safely(lambda: far.ask(self._name, "upright"))
        return found

    def close(self) -> None:
        """As `Decoder.close`; the process stands idle for the next clip."""
        far, self._far = self._far, None
        if far is None:
            return
        self.shown = -1
        asked, self._asked = self._asked, 0
        try:
            for _ in range(asked):
                far.answer(self._name)
        except Exception:  # whatever it is, nobody waits for these pictures any more
            far.end()
            return
        far.give_back(self._name)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def _name(self) -> str:
        return self._source.path.name

    def _read(self, far: FarProcess) -> tuple[int, Picture] | None:
        while self._asked < self._slots:
            far.tell(self._name, "read", self._slots)
            self._asked += 1
        given = self._marked(self._next_answer(far))
        if given is None:
            self._ended = True
            self._drain()
            return None
        ordinal, carried = given
        self.shown = ordinal
        self.layout = carried.layout
        return ordinal, far_pictures.take(far.memory.view, carried)

    def _next_answer(self, far: FarProcess) -> Any:
        self._asked -= 1
        return far.answer(self._name)

    def _drain(self) -> None:
        """Take what was decoded ahead and is not wanted any more."""
        far = self._far
        while far is not None and self._asked:
            self._next_answer(far)

    def _marked(self, answer: tuple[Any, tuple[int, list[int], bool, Any]]) -> Any:
        """What an answer gives, its marks taken over."""
        value, (self.fed, broken, self.lost, foreign) = answer
        self.broken += broken
        self.foreign_size = foreign or self.foreign_size
        return value

    def _safely(self, work: Callable[[], Any]) -> Any:
        """Do it; when the process is gone afterwards, remember that there is none."""
        try:
            return work()
        except BaseException as error:
            far, self._far = self._far, None
            self._asked, self.shown, self._ended = 0, -1, True
            if far is not None:
                with contextlib.suppress(Exception):
                    far.end()
            if isinstance(error, GoneError):
                raise DecoderError(f"{self._name} could not be read; try again") from error
            raise
