"""Blocks of the picture that jump away and come back just where coding says damage would end.

A decoder that meets wrong bits may paint other content without a word. Such content lasts until
the next clean picture: in clips coded in groups up to the next key frame (or the leading
pictures shown before it), in pictures that no other is predicted from for those pictures alone,
in clips of key frames only for one frame. There many blocks at once jump back to what they had
been before they, at once as well, had jumped away. What moves before a camera does neither: it
covers and uncovers blocks a few at a time, on both of its sides, and at any frame.

So blocks that come back are counted at every frame by the same rule, and a count where
damage would end is a sign only where it stands out from the counts around it. It is a suspicion,
no proof; damage that is small, lies in what moves or differs too little in brightness, that of
every frame, of the first picture or after the last key frame is not seen.

Memory: the blocks of the last few pictures, and a few numbers a frame.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip.index import FrameIndex

# Sides of blocks by lines of the picture, px: on the grid of coding blocks, some 40 to 80 rows
SIDES = ((600, 8), (1600, 16), (3200, 32))
LARGEST_SIDE = 64
STEP = 0.04  # of black to white: above noise, popping and ghosts of low rates, in means of a block
SAME = STEP / 4  # two blocks that show the same
ALIKE = 0.25  # or that differ by no more than this part of the step between
LAG = 3  # frames at most over which a block jumps: pictures between may be halfway
FEWEST = 5  # blocks; a blinking lamp or a turning wheel touches fewer
FEWEST_IN_RUNS = 12  # where nothing says when they left but the pictures beside
TIMES = 3.0  # the ordinary count
HIGH, MIDDLE = 0.85, 0.5  # quantiles: a few of the neighbours may be damaged as well
NEAR = 16  # frames, or runs of pictures, to each side that say what is ordinary
NEAR_FRAMES = 32  # to each side: blocks that come back twice more are no damage
LEAST_KNOWN = 3  # of them
MORE_THAN_OTHERS = 0.5  # what comes back, against what jumps without coming back, usually and now
TOGETHER = 0.5  # of what came back had left together
LONGEST = 17  # frames from the last picture of a group to the next key frame, or of a run
ONE_WAY = 0.95  # light makes all blocks lighter, or all darker
LIGHT_SHARE = 1 / 8  # of the picture, from which all one way is taken for light

Blocks = NDArray[np.float32]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Structure:
    """Where damage ends, from the index.

    Attributes
    ----------
    keys : dict of int to int
        Ordinal of each key frame and the first ordinal that its group shows (itself, or the first
        of the leading pictures before it).
    anchors : tuple of bool
        Per ordinal: no picture shown later was decoded earlier. The pictures between two anchors
        may be used by each other, and are used by none outside.
    reach : int
        Most frames from the last picture of a group to the next key frame.
    """

    keys: dict[int, int]
    anchors: tuple[bool, ...]
    reach: int

    @classmethod
    def of(cls, index: FrameIndex) -> Structure:
        """What the index says; no key frames where each is one, or the order shown is not known."""
        place = index.ordinal_of_number
        earliest, anchors = len(index.pts), [False] * index.frame_count
        for ordinal in range(index.frame_count - 1, -1, -1):
            anchors[ordinal] = index.order[ordinal] < earliest
            earliest = min(earliest, index.order[ordinal])
        starts = [n for n, key in enumerate(index.key) if key and n in place]
        if len(starts) == index.frame_count or not index.has_times:
            return cls({}, tuple(anchors), 1)
        keys: dict[int, int] = {}
        for number, following in zip(starts, [*starts[1:], len(index.pts)], strict=True):
            key = place[number]
            first = min(place[n] for n in range(number, following) if n in place)
            if key - first < LONGEST:
                keys[key] = first
        reach = max((key - first + 1 for key, first in keys.items() if first), default=1)
        return cls(keys, tuple(anchors), reach)


@dataclass(slots=True)
class _Return:
    """Blocks that came back at a key frame, or in a run of pictures."""

    place: int  # of the key frame, or of the run among the runs
    first: int
    last: int
    blocks: int
    others: int = 0  # that jumped without coming back
    together: float = 1.0  # share that had left within one reach of frames
    light: bool = False  # whether it looks like a change of light


class Jumps:
    """Fed with every picture in turn; says at the end which frames are suspect.

    Parameters
    ----------
    structure : Structure
        Where damage would end.
    black, white : int
        Luma of black and white.
    """

    def __init__(self, structure: Structure, black: int, white: int) -> None:
        self._at = structure
        self._lag = min(LAG, structure.reach)
        self._in_runs = not all(structure.anchors)
        self._scale = np.float32(1 / (white - black))
        self._recent: deque[Blocks] = deque(maxlen=LONGEST + 2)
        count = len(structure.anchors)
        self._back = np.full(count, np.nan)  # blocks that came back at each frame
        self._other = np.full(count, np.nan)  # and those that jumped elsewhere
        self._zones = dict[int, int]()
        for key, first in structure.keys.items():
            self._zones.update(dict.fromkeys(range(first, key + 1), key))
        self._at_keys: list[_Return] = []
        self._runs: list[_Return] = []
        self._waiting = deque[tuple[_Return, NDArray[np.intp], NDArray[np.intp]]]()
        self._last, self._anchor = -2, -1

    def _start(self, ordinal: int, now: Blocks) -> None:
        """Nothing is known of what came before."""
        self._settle(math.inf)
        self._recent.clear()
        self._anchor = -1
        self._away = np.zeros(now.shape, np.bool_)
        self._held = now.copy()  # what a block that is away showed before it left
        self._left = np.full(now.shape, ordinal)  # and the frame in which it left
        self._largest = np.zeros_like(now)  # step of each block since the end of the group
        self._was_still = np.ones(now.shape, np.bool_)  # and whether nothing moved there before
        self._came: Flags = np.zeros(now.shape, np.bool_)
        # when it last came back, and the time before that
        self._came_back = np.full((2, *now.shape), -NEAR_FRAMES)
        self._group = ordinal
        self._reference: Blocks | None = None  # the last key frame

    def take(self, ordinal: int, luma: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Look at the luma of one picture, shape (H, W); nothing is compared over a gap."""
        if ordinal >= len(self._at.anchors):
            return
        now = block_means(luma, self._scale)
        if ordinal != self._last + 1 or self._recent[-1].shape != now.shape:
            self._start(ordinal, now)
        self._last = ordinal
        self._recent.append(now)
        self._settle(ordinal)
        if ordinal % NEAR == 0:
            self._away &= self._left > ordinal - NEAR_FRAMES * 2
        if len(self._recent) > self._lag:
            self._follow_group(ordinal, now)
        elif ordinal in self._at.keys:
            self._group, self._reference = ordinal, now
        self._follow_run(ordinal, now)

    def _follow_group(self, ordinal: int, now: Blocks) -> None:
        step = now - self._recent[-1 - self._lag]
        size = np.abs(step)
        jumped = size > STEP
        back = self._away & jumped
        back &= np.abs(now - self._held) < np.maximum(size * ALIKE, SAME)
        new = back & (self._came_back[1] < self._group)  # torn pictures come and go all the time
        self._came_back[1][back] = self._came_back[0][back]
        self._came_back[0][back] = ordinal
        self._back[ordinal] = np.count_nonzero(in_patches(new))
        if self._at.reach < len(self._recent):
            moved = np.abs(now - self._recent[-1 - self._at.reach]) > STEP
            self._other[ordinal] = np.count_nonzero(in_patches(moved & ~back))
        key = self._zones.get(ordinal)
        if key is not None:
            self._came |= new
            np.copyto(self._largest, step, where=size > np.abs(self._largest))
        self._away &= ~back
        leaves = jumped & ~self._away & ~back
        if 2 * self._lag < len(self._recent):
            before = np.abs(self._recent[-1 - self._lag] - self._recent[-1 - 2 * self._lag])
            np.copyto(self._was_still, before < STEP / 2, where=leaves)
        np.copyto(self._held, self._recent[-1 - self._lag], where=leaves)
        self._left[leaves] = ordinal
        self._away |= leaves
        if key == ordinal:
            self._pass_key(key)

    def _pass_key(self, key: int) -> None:
        """Damage ends here: what came back since the end of the group, and had left in it."""
        first = self._at.keys[key]
        came = self._came & self._was_still & (self._left >= self._group) & (self._left < first)
        came = in_patches(came)
        if (blocks := int(np.count_nonzero(came))) >= FEWEST:
            left = np.bincount(self._left[came] - self._group)
            within = np.convolve(left, np.ones(self._at.reach))[: left.size]
            onset = max(0, int(np.argmax(within)) - self._at.reach + 1)
            self._note(
                self._at_keys,
                _Return(
                    place=key,
                    first=self._group + onset,
                    last=key - 1,
                    blocks=blocks,
                    others=self._not_back(key - first + 1, came),
                    together=float(np.max(within) / blocks),
                    light=is_light(self._largest, came),
                ),
                came,
            )
        self._away &= self._left >= first
        self._came[:] = False
        self._largest[:] = 0
        self._group, self._reference = first, self._recent[-1]

    def _note(self, among: list[_Return], seen: _Return, blocks: Flags) -> None:
        """Keep it, and wait whether these blocks come back again and again, as lamps do."""
        among.append(seen)
        if seen.blocks >= FEWEST:
            where = np.flatnonzero(blocks)
            times = self._came_back.reshape(2, -1)[:, where]
            before = np.sum((times >= seen.first - NEAR_FRAMES) & (times < seen.first), axis=0)
            self._waiting.append((seen, where, before))

    def _settle(self, before: float) -> None:
        """Take restless blocks out of what was noted before a frame."""
        while self._waiting and self._waiting[0][0].last + NEAR_FRAMES < before:
            seen, where, times = self._waiting.popleft()
            after = self._came_back.reshape(2, -1)[:, where] > seen.last + self._at.reach
            seen.blocks -= int(np.count_nonzero(times + np.sum(after, axis=0) >= 2))

    def _not_back(self, span: int, came: Flags) -> int:
        """Blocks that have jumped over the end of a group, to what they were not at its start."""
        if span >= len(self._recent) or self._reference is None:
            return 0
        now = self._recent[-1]
        size = np.abs(now - self._recent[-1 - span])
        new = np.abs(now - self._reference) > np.maximum(size * ALIKE, SAME)
        return int(np.count_nonzero(in_patches((size > STEP) & new & ~came)))

    def _follow_run(self, ordinal: int, now: Blocks) -> None:
        if not self._in_runs:
            if len(self._recent) >= 3:
                self._note_run(ordinal - 2, ordinal)
        elif self._at.anchors[ordinal]:
            between = ordinal - self._anchor - 1
            if self._anchor >= 0 and 0 < between <= LONGEST:
                self._note_run(self._anchor, ordinal)
            self._anchor = ordinal

    def _note_run(self, first: int, last: int) -> None:
        """Count what differs between two pictures that agree."""
        ahead, behind = self._recent[-1 - (last - first)], self._recent[-1]
        same = np.abs(behind - ahead) < SAME
        if last - first + 1 < len(self._recent):  # nor did it move there already
            same &= np.abs(self._recent[-2 - (last - first)] - ahead) < SAME
        most, blocks, counts = _Return(len(self._runs), first + 1, last - 1, 0), same, list[int]()
        for ordinal in range(first + 1, last):
            step = self._recent[-1 - (last - ordinal)] - ahead
            differs = np.abs(step) > STEP
            off = in_patches(same & differs)
            counts.append(int(np.count_nonzero(off)))
            if counts[-1] > most.blocks:
                most.blocks, blocks = counts[-1], off
                most.light = most.blocks >= FEWEST and is_light(step, off)
            most.others = max(most.others, int(np.count_nonzero(in_patches(differs & ~off))))
        marked = [first + 1 + k for k, count in enumerate(counts) if 2 * count > most.blocks]
        if marked:
            most.first, most.last = marked[0], marked[-1]
        self._note(self._runs, most, blocks)

    def suspect(self) -> tuple[int, ...]:
        """Ordinals of the pictures that may show what was not recorded, after the last picture."""
        self._settle(math.inf)
        found: set[int] = set()
        for seen in self._at_keys:
            if self._stands_out(seen, self.usual_at_key(seen)):
                found.update(range(seen.first, seen.last + 1))
        for seen in self._runs:
            if self._stands_out(seen, self.usual_in_runs(seen)):
                found.update(range(seen.first, seen.last + 1))
        return tuple(sorted(found))

    def usual_at_key(self, seen: _Return) -> tuple[float, float] | None:
        """Ordinary counts around a key frame: what comes back and what does not."""
        key, first = seen.place, self._at.keys[seen.place]
        span = key - first + 1
        sides = [slice(max(0, first - NEAR), first), slice(key + 1, key + 1 + NEAR)]
        back = [_ordinary(self._outside(self._back, side), span, HIGH) for side in sides]
        other = [_ordinary(self._outside(self._other, side), 1, MIDDLE) for side in sides]
        known = [number for number in back if number is not None]
        if not known:
            return None
        return max(known), max((number for number in other if number is not None), default=0.0)

    def usual_in_runs(self, seen: _Return) -> tuple[float, float] | None:
        """Ordinary counts of the runs around one."""
        if seen.blocks < FEWEST_IN_RUNS:
            return None
        around = self._runs[max(0, seen.place - NEAR) : seen.place + NEAR + 1]
        near = [run for run in around if run is not seen]
        usual = _ordinary(np.array([float(run.blocks) for run in near]), 1, HIGH)
        others = _ordinary(np.array([float(run.others) for run in near]), 1, MIDDLE)
        return None if usual is None or others is None else (usual, others)

    def _outside(self, counts: NDArray[np.float64], side: slice) -> NDArray[np.float64]:
        where = range(*side.indices(counts.size))
        return counts[[ordinal for ordinal in where if ordinal not in self._zones]]

    def _stands_out(self, seen: _Return, usual: tuple[float, float] | None) -> bool:
        return (
            usual is not None
            and seen.blocks >= FEWEST
            and seen.blocks > TIMES * usual[0]
            and seen.blocks > MORE_THAN_OTHERS * max(seen.others - usual[1], usual[1])
            and seen.together >= TOGETHER
            and not seen.light
        )


def _ordinary(counts: NDArray[np.float64], span: int, part: float) -> float | None:
    """What most sums over `span` counts do not pass; None where too few are known."""
    known = counts[np.isfinite(counts)]
    sums = np.convolve(known, np.ones(span), "valid") if known.size >= span else known[:0]
    return float(np.quantile(sums, part)) if sums.size >= LEAST_KNOWN else None


def block_means(luma: NDArray[np.uint8] | NDArray[np.uint16], scale: np.float32) -> Blocks:
    """Means of square blocks over every other line, parts of black to white, (rows, columns)."""
    height, width = luma.shape
    side = next((side for lines, side in SIDES if height <= lines), LARGEST_SIDE)
    rows, columns = max(1, height // side), max(1, width // side)
    whole = luma[: rows * side : 2, : columns * side]
    small = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) * scale


def in_patches(blocks: Flags) -> Flags:
    """Those that lie in patches of two by two at least, as coding blocks do, and edges do not."""
    pairs = blocks[:, 1:] & blocks[:, :-1]
    fours = pairs[1:] & pairs[:-1]
    found = np.zeros_like(blocks)
    for part in (found[1:, 1:], found[1:, :-1], found[:-1, 1:], found[:-1, :-1]):
        part |= fours
    return found


def is_light(step: Blocks, blocks: Flags) -> bool:
    """Whether blocks changed as light changes them.

    All lighter or all darker, and much of the picture, or less and less towards the edge: of the
    blocks around, most changed a little. Other content has both signs, or ends where it ends.
    """
    lighter = step[blocks] > 0
    if not lighter.size or 1 - ONE_WAY < np.mean(lighter) < ONE_WAY:
        return False
    wide = cv2.dilate(blocks.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)
    around = np.abs(step[wide & ~blocks])
    little = (around > SAME / 2) & (around < 1.5 * STEP)
    return bool(lighter.size > LIGHT_SHARE * blocks.size or np.mean(little) > 0.5)
