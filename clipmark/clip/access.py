"""Any frame at any time: seek, check where the seek landed, decode forward, keep what passed by."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

from clipmark.clip.decoder import Decoding
from clipmark.clip.picture import Picture
from clipmark.errors import DecoderError, FrameError

RING_BYTES = 64 * 1920 * 1080  # 133 MB: 42 pictures of 1080p with their colours
_NEAR = 8  # decoding this many pictures on costs less than a seek
_EARLIER_KEYS = 3  # key frames tried after a good landing before a picture is called missing


class PictureRing:
    """The pictures last decoded, as many as fit into a number of bytes.

    The oldest leave first; one picture is always kept.
    """

    def __init__(self, limit_bytes: int = RING_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self.bytes_held = 0
        self._pictures: OrderedDict[int, Picture] = OrderedDict()

    def __len__(self) -> int:
        return len(self._pictures)

    def get(self, ordinal: int) -> Picture | None:
        """The picture, moved to the young end; None if not held."""
        picture = self._pictures.get(ordinal)
        if picture is not None:
            self._pictures.move_to_end(ordinal)
        return picture

    def put(self, ordinal: int, picture: Picture) -> None:
        """Hold a picture, letting the oldest go until the bytes fit."""
        held = self._pictures.pop(ordinal, None)
        self.bytes_held += picture.nbytes - (held.nbytes if held else 0)
        self._pictures[ordinal] = picture
        while self.bytes_held > self.limit_bytes and len(self._pictures) > 1:
            self.bytes_held -= self._pictures.popitem(last=False)[1].nbytes

    def clear(self) -> None:
        """Let everything go."""
        self._pictures.clear()
        self.bytes_held = 0


class RandomAccess:
    """Pictures by ordinal from one decoder that jumps.

    Attributes
    ----------
    missing : set of int
        Ordinals found to have no decodable picture.
    suspect : set of int
        Ordinals that may use a packet which the decoder refused.
    elsewhere : callable
        Asked for a picture that the ring does not hold, before anything is decoded; gives None
        where it has none either.
    """

    def __init__(self, decoder: Decoding, ring: PictureRing) -> None:
        self._decoder, self._ring = decoder, ring
        self._index = decoder.index
        self.missing: set[int] = set()
        self.suspect: set[int] = set()
        self.elsewhere: Callable[[int], Picture | None] = lambda ordinal: None

    @property
    def stands_at(self) -> int:
        """Ordinal of the picture last decoded; -1 before the first."""
        return self._decoder.shown

    def pictures_to(self, ordinal: int) -> int:
        """About how many pictures must be decoded to get frame `ordinal` that is not held."""
        first = 0
        if self._index.has_times:
            key = next(self._index.keys_before(ordinal), None)
            first = 0 if key is None else self._index.trusted_from(key)
        behind = ordinal - self.stands_at if -1 < self.stands_at < ordinal else ordinal + 1
        return min(behind, ordinal - first + 1)

    def picture(self, ordinal: int) -> Picture:
        """The picture of frame `ordinal`.

        Raises
        ------
        FrameError
            If its picture cannot be decoded.
        """
        if ordinal not in self.missing:
            held = self._ring.get(ordinal) or self.elsewhere(ordinal)
            if held is not None:
                return held
            try:
                found = self._continue_to(ordinal) or self._jump_to(ordinal)
            except DecoderError:  # not tried again: it would die of the same data
                self.missing.add(ordinal)
                raise
            if found is not None:
                return found
            self.missing.add(ordinal)
        raise FrameError(self._why_missing(ordinal))

    def _why_missing(self, ordinal: int) -> str:
        if self._decoder.foreign_size is not None:
            width, height = self._decoder.foreign_size
            return (
                f"frame {ordinal} cannot be used: the picture size changes to {width} x {height} "
                "px in the middle of the file; cut the clip there and use the parts"
            )
        return (
            f"frame {ordinal} cannot be decoded: its picture is missing or damaged in the file; "
            "use another frame, or copy the clip from the camera again"
        )

    def _continue_to(self, ordinal: int) -> Picture | None:
        """Let the running decoder go on, when no later key frame makes a jump cheaper."""
        decoder = self._decoder
        if not -1 < decoder.shown < ordinal:
            return None
        if self._index.has_times and ordinal - decoder.shown > _NEAR:
            nearest = next(self._index.keys_before(ordinal), None)
            if nearest is not None and nearest > decoder.fed:
                return None
        return self._run_to(ordinal)

    def _jump_to(self, ordinal: int) -> Picture | None:
        """Decode from the nearest key frame that works, at worst from the start of the file."""
        good_landings = 0
        if self._index.has_times:
            for key in self._index.keys_before(ordinal):
                if not self._decoder.start(key):
                    continue
                found = self._run_to(ordinal)
                if found is not None:
                    return found
                good_landings += not self._decoder.lost
                if good_landings >= _EARLIER_KEYS:
                    return None
        self._decoder.start(None)
        return self._run_to(ordinal)

    def _run_to(self, ordinal: int) -> Picture | None:
        """Read on up to `ordinal`, keeping what passes by; None if it does not come."""
        found = None
        try:
            while (shown := self._decoder.read()) is not None:
                self._ring.put(*shown)
                if shown[0] >= ordinal:
                    found = shown[1] if shown[0] == ordinal else None
                    break
        finally:
            for number in self._decoder.broken:
                self.suspect.update(self._index.reached_from(number, whole_group=False))
        return found

    def rest(self) -> None:
        """Let the decoder go until a picture is asked for that is not held."""
        self._decoder.close()

    def close(self) -> None:
        """Let the decoder and all pictures go."""
        self._decoder.close()
        self._ring.clear()
