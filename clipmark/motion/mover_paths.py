"""Movers joined over time into paths, and which of them are like a truck on its own.

Pure. A truck is told from hands and people by how it lies and goes: it stands free of the picture's
edge but while it enters or leaves, keeps its size, has the size of the others that do, and is slow
for its length. An arm runs out of the picture as long as it is seen; a hand that takes hold of a
truck makes one large region of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.movers import CELL_PX, Moment, Mover
from clipmark.motion.sampling import FloatArray

KEPT_S = 0.6  # a path goes on over so long a gap
STEP_LENGTHS, STEP_PX = 0.5, 4.0  # from one sample to the next; an arm that takes its place is off
SIZE_JUMP = 1.8  # of the length from sample to sample: something was joined, or let go
LATELY = 5  # samples over which the length is known
FREE_SHARE = 0.5  # of a path, away from the picture's edge
LONG_ENOUGH_S = 1.0  # for a path to say what the usual size is
LEAST_S = 0.35
PASSES_S = 0.5  # free for so long, of what comes in or goes out
SMALLER, LARGER = 0.4, 2.2  # of the usual length
LENGTHS_A_S = 2.5  # a truck is slower than this; a hand that comes or goes is not
FALL_S, FALL_LENGTHS = 0.5, 3.0  # what begins so soon and so near after a truck is the truck still
LEAST_BESIDE = 0.3  # of the usual length: what is smaller is noise, or a flake of a shadow
AT_LENGTHS = 0.55  # about the truck's middle: what lies there is at the truck


@dataclass(eq=False)
class _Path:
    """Movers that follow one another: places in the list of moments, and the movers."""

    at: list[int] = field(default_factory=list)
    movers: list[Mover] = field(default_factory=list)

    def add(self, place: int, mover: Mover) -> None:
        self.at.append(place)
        self.movers.append(mover)

    def long_px(self) -> float:
        """Length lately."""
        return float(np.median([each.long_px for each in self.movers[-LATELY:]]))


@dataclass(frozen=True, eq=False)
class TruckSeries:
    """What a truck on its own, and everything else, did in K samples of a clip.

    Attributes
    ----------
    ordinals : ndarray of int, shape (K,)
    t_s : ndarray, shape (K,)
        Rising.
    moving : ndarray of bool, shape (K,)
        Whether something like a truck on its own moved.
    place : ndarray, shape (K, 2)
        Its middle, NaN where it did not move.
    length : float
        Its usual length, in the unit of the places; NaN where nothing like a truck moved.
    at_edge : ndarray of bool, shape (K,)
        Whether it was at the edge of what is looked at.
    lowest : ndarray, shape (K,)
        How far down any of its regions was; NaN where it did not move.
    beside : ndarray of bool, shape (K,)
        Whether something else moved.
    at_truck : ndarray of bool, shape (K,)
        Whether that lay where the truck last was.
    told : ndarray of bool, shape (K,)
        Whether it can be told at all.
    """

    ordinals: NDArray[np.int64]
    t_s: FloatArray
    moving: NDArray[np.bool_]
    place: FloatArray
    length: float
    at_edge: NDArray[np.bool_]
    lowest: FloatArray
    beside: NDArray[np.bool_]
    at_truck: NDArray[np.bool_]
    told: NDArray[np.bool_]


def truck_series(
    moments: Sequence[Moment], within: tuple[float, float, float, float] | None = None
) -> TruckSeries:
    """Sort what moved into one truck on its own and everything else.

    Parameters
    ----------
    moments : sequence of Moment
        In order of time.
    within : (left, top, right, bottom), optional
        Where the truck is looked for, in the unit of the movers' places.
    """
    inside = [
        tuple(mover for mover in moment.movers if within is None or _overlaps(mover, within))
        for moment in moments
    ]
    times = np.array([moment.t_s for moment in moments], dtype=np.float64)
    paths = _paths(inside, times)
    usual = _usual_length(paths, times)
    trucks = _trucks(paths, times, usual, inside)
    count = len(moments)
    place, lowest = np.full((count, 2), np.nan), np.full(count, np.nan)
    at_edge, moving = np.zeros(count, bool), np.zeros(count, bool)
    hers: dict[int, set[int]] = {}
    for path in trucks:  # in the order in which they begin: what came last is where it is now
        for at, mover in zip(path.at, path.movers, strict=True):
            if within is not None and not _holds(within, mover.x, mover.y):
                continue
            moving[at] = True
            place[at] = (mover.x, mover.y)
            lowest[at] = np.fmax(lowest[at], mover.y)
            at_edge[at] = mover.edge_px > 0 or (within is not None and _crosses(mover, within))
            hers.setdefault(at, set()).add(id(mover))
    beside, at_truck = np.zeros(count, bool), np.zeros(count, bool)
    here: set[tuple[int, int]] = set()
    for at, movers in enumerate(inside):
        if moving[at]:
            here = _cells_about(place[at], AT_LENGTHS * usual)
        others = [
            mover
            for mover in movers
            if id(mover) not in hers.get(at, ())
            and not mover.long_px < LEAST_BESIDE * usual  # also where no length is known
        ]
        beside[at] = bool(others)
        at_truck[at] = any(not here.isdisjoint(mover.cells) for mover in others)
    ordinals = np.array([moment.ordinal for moment in moments], dtype=np.int64)
    told = np.array([moment.told for moment in moments], dtype=bool)
    return TruckSeries(
        ordinals, times, moving, place, usual, at_edge, lowest, beside, at_truck, told
    )


def _paths(inside: Sequence[tuple[Mover, ...]], times: FloatArray) -> list[_Path]:
    """Movers of the same size that follow one another closely."""
    done: list[_Path] = []
    open_: list[_Path] = []
    for at, movers in enumerate(inside):
        still: list[_Path] = []
        for path in open_:
            (still if times[at] - times[path.at[-1]] <= KEPT_S else done).append(path)
        open_ = still
        pairs = []
        for number, path in enumerate(open_):
            long = path.long_px()
            for which, mover in enumerate(movers):
                last = path.movers[-1]
                away = float(np.hypot(mover.x - last.x, mover.y - last.y))
                ratio = mover.long_px / long
                if away <= STEP_LENGTHS * long + STEP_PX and 1 / SIZE_JUMP < ratio < SIZE_JUMP:
                    pairs.append((away + abs(float(np.log(ratio))) * long, number, which))
        taken_paths, taken = set(), set()
        for _, number, which in sorted(pairs):
            if number in taken_paths or which in taken:
                continue
            taken_paths.add(number)
            taken.add(which)
            open_[number].add(at, movers[which])
        for which, mover in enumerate(movers):
            if which not in taken:
                fresh = _Path()
                fresh.add(at, mover)
                open_.append(fresh)
    return sorted(done + open_, key=lambda path: path.at[0])


def _usual_length(paths: Sequence[_Path], times: FloatArray) -> float:
    """Length of what moved free of the edge, over all the time that it did."""
    lengths: list[float] = []
    for path in paths:
        lasted = times[path.at[-1]] - times[path.at[0]]
        if lasted >= LONG_ENOUGH_S and _free(path).mean() > FREE_SHARE and not _fast(path, times):
            lengths += [
                mover.long_px for mover, free in zip(path.movers, _free(path), strict=True) if free
            ]
    return float(np.median(lengths)) if lengths else float("nan")


def _trucks(
    paths: Sequence[_Path],
    times: FloatArray,
    usual: float,
    inside: Sequence[tuple[Mover, ...]],
) -> list[_Path]:
    """The paths that are like a truck on its own."""
    if not np.isfinite(usual):
        return []
    found: list[_Path] = []
    reached = np.array([any(mover.edge_px > 0 for mover in movers) for movers in inside], bool)
    for path in paths:
        free = _free(path)
        sized = [
            SMALLER < mover.long_px / usual < LARGER
            for mover, alone in zip(path.movers, free, strict=True)
            if alone
        ]
        if not sized or np.mean(sized) < 0.5:
            continue
        lasted = times[path.at[-1]] - times[path.at[0]]
        alone = free.mean() > FREE_SHARE and lasted >= LEAST_S
        if (alone or _came_or_went(path, free, times)) and not _fast(path, times):
            found.append(path)
        elif not reached[path.at[0] : path.at[-1] + 1].any() and any(
            _goes_on(before, path, times, usual) for before in found[-4:]
        ):
            found.append(path)  # it fell: fast, but nothing took it
    return found


def _goes_on(before: _Path, path: _Path, times: FloatArray, usual: float) -> bool:
    """Whether a path begins where and when another one went on or ended."""
    begins = times[path.at[0]]
    if not times[before.at[0]] < begins <= times[before.at[-1]] + FALL_S:
        return False
    number = int(np.searchsorted(before.at, path.at[0], side="right")) - 1
    last, first = before.movers[max(number, 0)], path.movers[0]
    return bool(np.hypot(first.x - last.x, first.y - last.y) < FALL_LENGTHS * usual)


def _free(path: _Path) -> NDArray[np.bool_]:
    return np.array([mover.edge_px == 0 for mover in path.movers], dtype=bool)


def _came_or_went(path: _Path, free: NDArray[np.bool_], times: FloatArray) -> bool:
    """Whether it stood free for a while, and was at the edge only before or only after that."""
    at = np.array(path.at)
    alone = np.flatnonzero(free)
    if not len(alone) or times[at[alone[-1]]] - times[at[alone[0]]] < PASSES_S:
        return False
    return bool((np.diff(free.astype(int)) != 0).sum() == 1)


def _fast(path: _Path, times: FloatArray) -> bool:
    """Whether it goes faster for its length than a truck, most of the time."""
    if len(path.at) < 3:
        return False
    x = np.array([mover.x for mover in path.movers])
    y = np.array([mover.y for mover in path.movers])
    steps = np.hypot(np.diff(x), np.diff(y)) / np.diff(times[path.at])
    long = np.median([mover.long_px for mover in path.movers])
    return bool(np.median(steps) > LENGTHS_A_S * long)


def _cells_about(place: FloatArray, reach: float) -> set[tuple[int, int]]:
    low = np.floor((place - reach) / CELL_PX).astype(int)
    high = np.floor((place + reach) / CELL_PX).astype(int)
    return {
        (column, row) for column in range(low[0], high[0] + 1) for row in range(low[1], high[1] + 1)
    }


def _overlaps(mover: Mover, area: tuple[float, float, float, float]) -> bool:
    left, top, right, bottom = area
    return (
        mover.right >= left and mover.left <= right and mover.bottom >= top and mover.top <= bottom
    )


def _holds(area: tuple[float, float, float, float], x: float, y: float) -> bool:
    return area[0] <= x <= area[2] and area[1] <= y <= area[3]


def _crosses(mover: Mover, area: tuple[float, float, float, float]) -> bool:
    return (
        mover.left < area[0] or mover.top < area[1] or mover.right > area[2]
        or mover.bottom > area[3]
    )  # fmt: skip
