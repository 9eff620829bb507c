"""The far side of a far decoder: takes orders from its line until it is told that it is done."""

from __future__ import annotations

from typing import Any

from clipmark.clip import far_pictures, guarded_child, guarded_wire
from clipmark.clip.clip import Clip
from clipmark.clip.decoder import Decoder
from clipmark.clip.guarded_wire import receive, send
from clipmark.clip.health import check
from clipmark.clip.picture import Picture

SLOTS_BYTES = 1 << 30  # address space, not memory: only what is written to is taken


def serve() -> None:
    """Take orders; the work of a guarded process."""
    line = guarded_wire.line_of_this_process
    assert line is not None
    service = _Service()
    while True:
        order, *details = receive(line)
        if order == "seen":  # of a check that has ended since
            continue
        if order == "done":
            service.close()
            send(line, ("gave", None))
            return
        try:
            answer: tuple[str, Any] = ("gave", getattr(service, f"do_{order}")(*details))
        except MemoryError:
            answer = ("memory", None)
        except Exception as error:
            answer = ("raised", guarded_child.portable(error))
        send(line, answer)


class _Service:
    def __init__(self) -> None:
        self._decoder: Decoder | None = None
        self._room, self._colours, self._number = 0, True, 0
        memory = guarded_child.shared_memory
        assert memory is not None, "this process was given no memory for pictures"
        self._memory = memory

    def do_open(self, how: tuple[Any, ...], room: int, colours: bool) -> None:
        """A decoder of a clip; nothing is opened before it is started."""
        self.close()
        self._decoder = Decoder(*how)
        self._room, self._colours, self._number = room, colours, 0

    def do_start(self, key_number: int | None) -> Any:
        """Stand somewhere; whether that was possible, and the marks."""
        decoder = self._the_decoder()
        return decoder.start(key_number), self._marks()

    def do_read(self, slots: int) -> Any:
        """The next picture, in the next place, and the marks."""
        shown = self._the_decoder().read()
        if shown is None:
            return None, self._marks()
        ordinal, picture = shown
        return (ordinal, self.put(picture, slots)), self._marks()

    def do_upright(self) -> Any:
        """Which way up."""
        return self._the_decoder().upright()

    def do_check(
        self, parts: tuple[Any, Any], room: int, slots: int, with_pictures: bool
    ) -> tuple[str, Any]:
        """The whole check of a clip; each picture is said as it comes, while places are free."""
        line = guarded_wire.line_of_this_process
        assert line is not None
        self._room, self._colours, self._number = room, True, 0
        carried: far_pictures.Carried | None = None
        unseen, last = 0, -1

        def keep(ordinal: int, picture: Picture) -> None:
            nonlocal carried, last
            carried, last = self.put(picture, slots), ordinal

        def say(done: int, count: int) -> None:
            nonlocal unseen, carried
            send(line, ("gave", ("picture", last, carried, done)))
            carried, unseen = None, unseen + 1
            while unseen >= slots:
                receive(line)
                unseen -= 1

        with Clip(*parts, 1) as clip:
            return "health", check(clip, say, keep if with_pictures else None)

    def put(self, picture: Picture, slots: int) -> far_pictures.Carried:
        """A picture into the next of so many places."""
        place = (self._number % slots) * self._room
        self._number += 1
        return far_pictures.put(self._memory, place, picture, self._colours)

    def close(self) -> None:
        """Let the decoder go."""
        decoder, self._decoder = self._decoder, None
        if decoder is not None:
            decoder.close()

    def _the_decoder(self) -> Decoder:
        assert self._decoder is not None, "the far decoder was not opened"
        return self._decoder

    def _marks(self) -> tuple[int, list[int], bool, tuple[int, int] | None]:
        decoder = self._the_decoder()
        broken = list(decoder.broken)
        decoder.broken.clear()
        return decoder.fed, broken, decoder.lost, decoder.foreign_size
