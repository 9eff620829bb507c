"""Broken clips from good ones, by the thousand, always the same for the same seed.

``python -m tests.hostile.make_corpus FOLDER`` writes the files out, to look at; the study makes
each only when it is its turn, since sparse ones count a terabyte.
"""

import random
import struct
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.hostile.absurd import CHANGES, absurd
from tests.hostile.bases import RECIPES, SAMPLES, Bases
from tests.hostile.boxes import Box, parse, write
from tests.hostile.strangers import STRANGERS

SEED = 20261126
_BOXED = [name for name in RECIPES if name.endswith((".mp4", ".mov"))]
Data = Callable[[random.Random, bytes], bytes]


@dataclass(frozen=True)
class Case:
    """One broken file.

    Attributes
    ----------
    number : int
        Its place in the corpus.
    kind, name : str
        What was done, and the name it gets.
    base : str or None
        The good clip it came from; None for a file that never was a clip.
    """

    number: int
    kind: str
    name: str
    base: str | None
    _write: Callable[[Bases, Path], None]

    def make(self, bases: Bases, folder: Path) -> Path:
        """Write it into a folder of its own."""
        folder.mkdir(parents=True)
        path = folder / self.name
        self._write(bases, path)
        return path


def _head(data: bytes) -> tuple[int, int]:
    """Where the part that describes the rest lies: the movie box, or the first 2 KB."""
    place = data.find(b"moov")
    if place < 0:
        return 0, min(2048, len(data))
    size = struct.unpack_from(">I", data, max(0, place - 4))[0]
    return max(0, place - 4), min(len(data), max(place + 8, place - 4 + size))


def _flip(chance: random.Random, data: bytes, first: int, end: int, count: int) -> bytes:
    changed = bytearray(data)
    for _ in range(count):
        changed[chance.randrange(first, end)] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _flips_in_head(chance: random.Random, data: bytes) -> bytes:
    return _flip(chance, data, *_head(data), chance.choice((1, 1, 2, 4, 16)))


def _flips_in_pictures(chance: random.Random, data: bytes) -> bytes:
    first, end = _head(data)
    if first < len(data) - end:  # head first
        return _flip(chance, data, end - 1, len(data), chance.choice((1, 4, 16, 64)))
    return _flip(chance, data, 0, first, chance.choice((1, 4, 16, 64)))


def _flips_anywhere(chance: random.Random, data: bytes) -> bytes:
    return _flip(chance, data, 0, len(data), chance.choice((8, 64, 512)))


def _run(chance: random.Random, data: bytes) -> bytes:
    """A stretch of one value, or of noise, as a bad card leaves it."""
    length = chance.choice((4, 64, 512, 4096))
    start = chance.randrange(max(1, len(data) - length))
    fill = chance.choice((b"\0", b"\xff", None))
    patch = chance.randbytes(length) if fill is None else fill * length
    return data[:start] + patch + data[start + length :]


def _cut_end(chance: random.Random, data: bytes) -> bytes:
    return data[: chance.randrange(1, len(data))]


def _cut_start(chance: random.Random, data: bytes) -> bytes:
    return data[chance.randrange(1, len(data)) :]


def _cut_middle(chance: random.Random, data: bytes) -> bytes:
    start = chance.randrange(len(data))
    return data[:start] + data[start + chance.choice((1, 7, 188, 2048)) :]


def _repeat_middle(chance: random.Random, data: bytes) -> bytes:
    start = chance.randrange(len(data))
    end = start + chance.choice((1, 7, 188, 2048, 9000))
    return data[:end] + data[start:end] * chance.choice((1, 3)) + data[end:]


def _shuffle_blocks(chance: random.Random, data: bytes) -> bytes:
    """Blocks of 4 KB in another order, as from a broken file system."""
    size = 4096 if len(data) > 20_000 else 512
    blocks = [data[k : k + size] for k in range(0, len(data), size)]
    for _ in range(chance.choice((1, 3))):
        a, b = chance.randrange(len(blocks)), chance.randrange(len(blocks))
        blocks[a], blocks[b] = blocks[b], blocks[a]
    return b"".join(blocks)


def _big_number(chance: random.Random, data: bytes) -> bytes:
    """Four or eight bytes of the head become a number at an end of its range."""
    first, end = _head(data)
    value = chance.choice(
        (b"\xff" * 4, b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\0" * 4, b"\0\0\0\1", b"\xff" * 8)
    )
    place = chance.randrange(first, max(first + 1, end - 8))
    return data[:place] + value + data[place + len(value) :]


def _boxes(chance: random.Random, data: bytes) -> bytes:
    """Boxes swapped, doubled, taken out, moved, renamed, or of another size."""
    file = parse(data)
    for _ in range(chance.choice((1, 1, 2))):
        pairs = list(file.walk())
        parent, box = pairs[chance.randrange(len(pairs))]
        chance.choice(_BOX_CHANGES)(chance, parent, box, pairs)
    return write(file)


def _box_swapped(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    _, other = pairs[chance.randrange(len(pairs))]
    box.kind, other.kind = other.kind, box.kind


def _box_doubled(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    assert parent.children is not None
    parent.children += [Box(box.kind, box.data()[8:])] * chance.choice((1, 2, 30))


def _box_removed(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    assert parent.children is not None
    parent.children = [child for child in parent.children if child is not box]


def _box_moved(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    _box_removed(chance, parent, box, pairs)
    places = [b for _, b in pairs if b.children is not None and b is not box]
    if places:
        target = chance.choice(places)
        assert target.children is not None
        target.children.append(Box(box.kind, box.data()[8:]))


def _box_renamed(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    box.kind = chance.choice((b"free", b"mdat", b"moov", b"trak", b"uuid", b"cmov", b"\0\0\0\0"))


def _box_resized(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    true = len(box.data())
    box.stated_size = chance.choice(
        (0, 1, 7, 8, true - 1, true + 1, true * 2, 1 << 20, (1 << 31) - 1, 1 << 31, (1 << 32) - 1)
    )


def _box_emptied(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    box.content, box.children = b"", None if box.children is None else []


def _box_filled(chance: random.Random, parent: Box, box: Box, pairs: list) -> None:
    size = len(box.data()) - 8
    box.content, box.children = box.content[:8] + chance.randbytes(max(0, size - 8)), None


_BOX_CHANGES = (
    _box_swapped, _box_doubled, _box_removed, _box_moved, _box_renamed, _box_resized,
    _box_emptied, _box_filled,
)  # fmt: skip

# How many of each kind from every small base, and from every sample clip (1080p).
DAMAGE: dict[str, tuple[Data, int, int]] = {
    "bits flipped in the head": (_flips_in_head, 20, 5),
    "bits flipped in the pictures": (_flips_in_pictures, 16, 4),
    "bits flipped anywhere": (_flips_anywhere, 8, 3),
    "a number at its end": (_big_number, 16, 4),
    "a run overwritten": (_run, 10, 4),
    "end cut off": (_cut_end, 10, 4),
    "start cut off": (_cut_start, 4, 1),
    "bytes missing": (_cut_middle, 6, 2),
    "bytes repeated": (_repeat_middle, 4, 2),
    "blocks in another order": (_shuffle_blocks, 4, 2),
}
BOXES_EACH = 24


def _of_data(kind: str, base: str, seed: str, change: Data) -> Callable[[Bases, Path], None]:
    def make(bases: Bases, path: Path) -> None:
        path.write_bytes(change(random.Random(seed), bases.data(base)))

    return make


def _absurd(name: str) -> Data:
    return lambda chance, data: absurd(data, name)


def corpus(seed: int = SEED) -> Iterator[Case]:
    """Every case of the corpus in its order."""
    number = 0
    plan: list[tuple[str, str, int, Data]] = []
    for base in (*RECIPES, *SAMPLES):
        large = base in SAMPLES
        plan += [(kind, base, n[large], how) for kind, (how, *n) in DAMAGE.items()]
        if base.endswith((".mp4", ".mov")):
            plan.append(("boxes broken", base, 6 if large else BOXES_EACH, _boxes))
    for base in ("h264.mp4", "mjpeg.mov"):
        plan += [(f"absurd: {name}", base, 1, _absurd(name)) for name in CHANGES]
    for kind, base, count, change in plan:
        suffix = Path(base).suffix
        for n in range(count):
            write_ = _of_data(kind, base, f"{seed} {kind} {base} {n}", change)
            yield Case(number, kind, f"run-{number:04d}{suffix}", base, write_)
            number += 1
    for kind, (name, make) in STRANGERS.items():
        yield Case(number, f"stranger: {kind}", name, None, make)
        number += 1


if __name__ == "__main__":
    target = Path(sys.argv[1])
    good = Bases(target / "good")
    for one in corpus():
        print(one.number, one.kind, one.make(good, target / f"{one.number:04d}"))
