"""Pixels sorted by segment along a line or round a circle: what the edge fit works on.

A bed knows how far each pixel is from the edge for given place parameters:

- `LineBed`: place is (offset px, slope); distance ``across - offset - slope along``;
- `CircleBed`: place is (radius, centre x, centre y, a, b), px; distance
  ``|p - centre| - radius - a cos 2t - b sin 2t`` with t the direction from the centre: a and b
  let a slightly oval picture of a round thing be what it is.

Pure maths: arrays in, arrays out.
"""

from dataclasses import dataclass, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SEGMENT_PX = 16.0  # the block of common codecs; levels are free in each
ARC_PX = 7.0  # shorter on a rim: spokes and light change faster
MIN_ARCS = 24
_ODD_SHARE = 0.5  # of the contrast: a level outside the rim that differs so is not the tyre
_ODD_TRUST = 0.1
_ROUNDING = 0.29  # of one luma code, 1/sqrt(12)


class Bed(Protocol):
    """What the fit needs of a bed; all arrays (N,) over pixels or (S,) over segments."""

    @property
    def luma(self) -> Floats:
        """Luma, 0 black to 1 white."""

    @property
    def segment(self) -> Ints:
        """Segment of each pixel, not falling."""

    @property
    def starts(self) -> Ints:
        """First pixel of each segment."""

    @property
    def shift(self) -> Floats:
        """Place of each pixel within its segment, -0.5 to 0.5 along the edge."""

    @property
    def adjacent(self) -> Bools:
        """Whether the next segment (after the last the first) touches each one, (S,)."""

    @property
    def floor(self) -> float:
        """Least noise to be believed: that of rounding to whole codes."""

    @property
    def reach(self) -> Floats:
        """Most that a unit of each place parameter moves the edge, px, shape (G,)."""

    @property
    def place_spread(self) -> Floats:
        """Prior sd of each place parameter about 0, shape (G,); inf where free."""

    def distance(self, place: tuple[float, ...]) -> Floats:
        """Signed distance of each pixel, (N,)."""

    def by_place(self, place: tuple[float, ...]) -> Floats:
        """Derivatives of the distance by the place parameters, (G, N)."""

    def columns(self) -> Ints:
        """Number of the 1 px wide column along the edge in which each pixel lies, (N,)."""

    def trend(self) -> Floats:
        """How the segments move with the main place parameters, shape (S, 2 or 3)."""

    def trust(self, levels: Floats) -> Floats:
        """How far each segment is believed for its levels (S, K) alone, 0 to 1, (S,)."""

    def within(self, place: tuple[float, ...], reach: tuple[float, float]) -> Self:
        """The pixels within `reach` px of the edge on its negative and positive side."""


@dataclass(frozen=True)
class LineBed:
    """Pixels beside a line: place `along` and `across` the reference line, px, (N,)."""

    along: Floats
    across: Floats
    luma: Floats
    segment: Ints
    starts: Ints
    shift: Floats
    middles: Floats
    half: float
    floor: float

    @classmethod
    def of(cls, along: Floats, across: Floats, luma: Floats, half: float, code: float) -> Self:
        """Cut pixels into segments; `code` is one luma code as a share of black to white."""
        count = max(round(2.0 * half / SEGMENT_PX), 3)
        place = (along + half) / (2.0 * half) * count
        cell = np.clip(np.floor(place).astype(np.int64), 0, count - 1)
        order, segment, starts, present = _sorted(cell)
        middles = (present + 0.5) * 2.0 * half / count - half
        return cls(
            along[order],
            across[order],
            luma[order],
            segment,
            starts,
            (place - cell - 0.5)[order],
            middles,
            half,
            _ROUNDING * code,
        )

    @property
    def adjacent(self) -> Bools:
        """Neighbours along the line, none after the last."""
        return _touching(self.middles, 0.0)

    @property
    def reach(self) -> Floats:
        """Offset moves all by 1, slope the ends by the half length."""
        return np.array([1.0, self.half])

    @property
    def place_spread(self) -> Floats:
        """Both free."""
        return np.array([np.inf, np.inf])

    def distance(self, place: tuple[float, ...]) -> Floats:
        """Signed distance from the line."""
        offset, slope = place
        return self.across - offset - slope * self.along

    def by_place(self, place: tuple[float, ...]) -> Floats:
        """The same wherever the line lies."""
        return -np.stack([np.ones_like(self.along), self.along])

    def columns(self) -> Ints:
        """Columns of 1 px along the line."""
        return np.floor(self.along + self.half).astype(np.int64)

    def trend(self) -> Floats:
        """Constant and linear."""
        return np.stack([np.ones_like(self.middles), self.middles], axis=1)

    def trust(self, levels: Floats) -> Floats:
        """All alike: beside a line anything may stand."""
        return np.ones(len(levels))

    def within(self, place: tuple[float, ...], reach: tuple[float, float]) -> Self:
        """The pixels within `reach` of the line."""
        near, segment, starts, present = _near(self, place, reach)
        return replace(
            self,
            along=self.along[near],
            across=self.across[near],
            luma=self.luma[near],
            segment=segment,
            starts=starts,
            shift=self.shift[near],
            middles=self.middles[present],
        )


@dataclass(frozen=True)
class CircleBed:
    """Pixels beside a circle: `x`, `y` (N,) px in a space where the circle is round.

    `angles` (S,) are the directions of the sectors' middles, rad; `oval_px` the prior sd of the
    oval terms.
    """

    x: Floats
    y: Floats
    luma: Floats
    segment: Ints
    starts: Ints
    shift: Floats
    angles: Floats
    radius: float
    oval_px: float
    floor: float

    @classmethod
    def of(
        cls, x: Floats, y: Floats, luma: Floats, radius: float, oval_px: float, code: float
    ) -> Self:
        """Cut pixels into sectors as seen from (0, 0), the expected centre."""
        count = max(round(2.0 * np.pi * radius / ARC_PX), MIN_ARCS)
        turn = np.arctan2(y, x) / (2.0 * np.pi) + 0.5
        cell = np.clip(np.floor(turn * count).astype(np.int64), 0, count - 1)
        order, segment, starts, present = _sorted(cell)
        angles = ((present + 0.5) / count - 0.5) * 2.0 * np.pi
        return cls(
            x[order],
            y[order],
            luma[order],
            segment,
            starts,
            (turn * count - cell - 0.5)[order],
            angles,
            radius,
            oval_px,
            _ROUNDING * code,
        )

    @property
    def adjacent(self) -> Bools:
        """Neighbours round the circle."""
        return _touching(self.angles, 2.0 * np.pi)

    @property
    def reach(self) -> Floats:
        """Every parameter moves some part of the rim by its own size."""
        return np.ones(5)

    @property
    def place_spread(self) -> Floats:
        """Only the oval terms are held to 0."""
        return np.array([np.inf, np.inf, np.inf, self.oval_px, self.oval_px])

    def distance(self, place: tuple[float, ...]) -> Floats:
        """Signed distance outward from the circle."""
        radius, _, _, a, b = place
        away, cosine, sine = self._from_centre(place)
        return away - radius - a * (cosine**2 - sine**2) - b * 2.0 * cosine * sine

    def by_place(self, place: tuple[float, ...]) -> Floats:
        """As if the oval were none: its terms are small."""
        away, cosine, sine = self._from_centre(place)
        oval = (cosine**2 - sine**2, 2.0 * cosine * sine)
        return -np.stack([np.ones_like(away), cosine, sine, *oval])

    def _from_centre(self, place: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
        """Distance from the centre, and cosine and sine of the direction, each (N,)."""
        dx, dy = self.x - place[1], self.y - place[2]
        away = np.maximum(np.hypot(dx, dy), 1e-6)
        return away, dx / away, dy / away

    def columns(self) -> Ints:
        """Columns of 1 px round the circle."""
        turn = np.arctan2(self.y, self.x) / (2.0 * np.pi) + 0.5
        return np.floor(turn * 2.0 * np.pi * self.radius).astype(np.int64)

    def trend(self) -> Floats:
        """Radius and centre by direction (the oval terms are small)."""
        t = self.angles
        return np.stack([np.ones_like(t), np.cos(t), np.sin(t)], axis=1)

    def trust(self, levels: Floats) -> Floats:
        """Little where something else than usual (a fender before the tyre) lies outside."""
        outer = levels[:, -1]
        usual = float(np.median(np.abs(levels[:, -2] - outer)))
        odd = np.abs(outer - np.median(outer)) > _ODD_SHARE * usual
        return np.where(odd, _ODD_TRUST, 1.0)

    def within(self, place: tuple[float, ...], reach: tuple[float, float]) -> Self:
        """The pixels within `reach` of the circle."""
        near, segment, starts, present = _near(self, place, reach)
        return replace(
            self,
            x=self.x[near],
            y=self.y[near],
            luma=self.luma[near],
            segment=segment,
            starts=starts,
            shift=self.shift[near],
            angles=self.angles[present],
        )


def products(bed: Bed, rows: Floats, weight: Floats) -> Floats:
    """Sum of ``weight row row'`` over the pixels of each segment: (Q, N) to (S, Q, Q)."""
    scaled = rows * np.sqrt(weight)
    ends = [*bed.starts[1:].tolist(), rows.shape[1]]
    found = np.empty((len(ends), len(rows), len(rows)))
    first = 0
    for index, end in enumerate(ends):
        block = scaled[:, first:end]
        np.matmul(block, block.T, out=found[index])
        first = end
    return found


def segment_sums(bed: Bed, values: Floats) -> Floats:
    """Sum over the pixels of each segment, (N,) to (S,)."""
    return np.asarray(np.add.reduceat(values, bed.starts), dtype=np.float64)


def _sorted(cell: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Order of pixels by segment, their segments, first pixels, and the cells present."""
    present, segment = np.unique(cell, return_inverse=True)
    order = np.argsort(segment, kind="stable")
    segment = segment[order].astype(np.int64)
    starts = np.searchsorted(segment, np.arange(len(present))).astype(np.int64)
    return order.astype(np.int64), segment, starts, present.astype(np.int64)


def _touching(middles: Floats, round_trip: float) -> Bools:
    """Whether the next segment follows without a gap; `round_trip` closes a circle, else 0."""
    steps = np.append(np.diff(middles), middles[0] + round_trip - middles[-1])
    positive = steps[steps > 0]
    shortest = float(positive.min()) if len(positive) else 0.0
    return (steps > 0) & (steps < 1.5 * shortest)


def _near(
    bed: Bed, place: tuple[float, ...], reach: tuple[float, float]
) -> tuple[Bools, Ints, Ints, Ints]:
    """Which pixels are within reach, their new segments, first pixels, segments left."""
    distance = bed.distance(place)
    near = (distance >= -reach[0]) & (distance <= reach[1])
    present, segment = np.unique(bed.segment[near], return_inverse=True)
    starts = np.searchsorted(segment, np.arange(len(present))).astype(np.int64)
    return near, segment.astype(np.int64), starts, present.astype(np.int64)
