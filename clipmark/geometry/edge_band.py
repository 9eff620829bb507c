"""The pixels beside a line: a strip for searching, exact pixels for fitting.

"Straight space" is where straight things are straight: picture px after pixel aspect and lens.
A line there has a middle, a direction pointing right (or straight up) and a normal pointing
up (or, for an upright line, left), so that a line moved along its normal moves up and a
positive turn lifts its right end.

Pure maths: arrays in, arrays out.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Luma = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float64]
Mapping = Callable[[Floats], Floats]

_KNOTS = 33  # points at which the lens is asked; between them its curve is straight enough


def identity(points: Floats) -> Floats:
    """Picture px are straight already: square pixels and no lens."""
    return points


@dataclass(frozen=True)
class Frame:
    """A line in straight space: ``middle`` (2,), unit ``direction`` (2,), ``half`` length, px."""

    middle: Floats
    direction: Floats
    half: float

    @classmethod
    def through(cls, ends: Floats) -> "Frame":
        """Line through two ends, shape (2, 2), in either order."""
        (x0, y0), (x1, y1) = ends
        if x1 < x0 or (x1 == x0 and y1 > y0):
            x0, y0, x1, y1 = x1, y1, x0, y0
        length = float(np.hypot(x1 - x0, y1 - y0))
        return cls(
            np.array([(x0 + x1) / 2, (y0 + y1) / 2]),
            np.array([(x1 - x0) / length, (y1 - y0) / length]),
            length / 2,
        )

    @property
    def normal(self) -> Floats:
        """Unit normal, shape (2,): up for a level line, left for an upright one."""
        return np.array([self.direction[1], -self.direction[0]])

    def at(self, along: Floats, across: Floats | float = 0.0) -> Floats:
        """Straight px of places given along and across the line, shape (N, 2)."""
        aside = np.broadcast_to(across, along.shape)[:, None] * self.normal
        return np.asarray(self.middle + along[:, None] * self.direction + aside, dtype=np.float64)

    def place(self, points: Floats) -> tuple[Floats, Floats]:
        """Place along and across the line, each (N,), of straight px, shape (N, 2)."""
        away = points - self.middle
        return away @ self.direction, away @ self.normal

    def moved(self, offset: float, slope: float) -> "Frame":
        """Line shifted by `offset` px along the normal and turned by atan(slope)."""
        direction = self.direction + slope * self.normal
        direction = direction / np.hypot(*direction)
        return Frame(self.middle + offset * self.normal, direction, self.half)

    def turned_round(self) -> "Frame":
        """The same line run along the other way."""
        return Frame(self.middle, -self.direction, self.half)


@dataclass(frozen=True)
class Curve:
    """Where a line runs in the picture: `along` (M,), `points` and `normals` (M, 2) px."""

    along: Floats
    points: Floats
    normals: Floats

    @classmethod
    def of(cls, frame: Frame, from_straight: Mapping) -> "Curve":
        """Follow a straight line through the lens into the picture."""
        along = np.linspace(-frame.half, frame.half, _KNOTS)
        points = from_straight(frame.at(along))
        ahead = from_straight(frame.at(along, 1.0))
        return cls(along, points, ahead - points)


@dataclass(frozen=True)
class Pixels:
    """Pixels near a line: place `along` and `across` it (straight px) and `luma` (0..1), (N,)."""

    along: Floats
    across: Floats
    luma: Floats


def strip(
    luma: Luma, curve: Curve, along: Floats, across: Floats, black: float, white: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Picture resampled beside a line, for searching only.

    Returns
    -------
    values : ndarray, shape (len(along), len(across))
        Luma, 0 black to 1 white, bilinear; the border value is repeated outside the picture.
    inside : ndarray of bool, same shape
        Whether the place is in the picture.
    """
    x = np.interp(along, curve.along, curve.points[:, 0])[:, None]
    y = np.interp(along, curve.along, curve.points[:, 1])[:, None]
    x = x + np.interp(along, curve.along, curve.normals[:, 0])[:, None] * across
    y = y + np.interp(along, curve.along, curve.normals[:, 1])[:, None] * across
    height, width = luma.shape
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    # only the part of the picture that is needed is made floating
    x0, x1 = _range(x, width)
    y0, y1 = _range(y, height)
    part = luma[y0:y1, x0:x1].astype(np.float64)
    values = scipy.ndimage.map_coordinates(part, [y - y0, x - x0], order=1, mode="nearest")
    return (values - black) / (white - black), inside


def _range(values: Floats, size: int) -> tuple[int, int]:
    """First and one past the last pixel needed, inside the picture, at least 2 apart."""
    first = int(np.clip(np.floor(values.min()), 0, max(size - 2, 0)))
    return first, int(np.clip(np.ceil(values.max()) + 1, first + 2, size))


def gather(
    luma: Luma,
    frame: Frame,
    curve: Curve,
    reach: tuple[float, float],
    black: float,
    white: float,
    to_straight: Mapping,
) -> Pixels:
    """All pixels within `reach` of a line, not resampled.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Decoded luma codes.
    frame, curve : Frame, Curve
        The line in straight space, and the same line in the picture.
    reach : (float, float)
        How far to go on the negative and the positive side of the line, px, both positive.
    black, white : float
        Codes of black and white.
    to_straight : callable
        Maps picture px, shape (N, 2), to straight px.
    """
    chord = np.abs(curve.points[-1] - curve.points[0])
    major, minor = (0, 1) if chord[0] >= chord[1] else (1, 0)
    size = (luma.shape[1], luma.shape[0])
    far = max(reach) + 1.0
    order = np.argsort(curve.points[:, major])
    knots, offsets = curve.points[order, major], curve.points[order, minor]
    scale = np.hypot(curve.normals[:, 0], curve.normals[:, 1]).max()
    lean = chord[minor] / max(chord[major], 1e-9)
    margin = far * scale * lean + 1.0
    first = max(int(np.floor(knots[0] - margin)), 0)
    last = min(int(np.ceil(knots[-1] + margin)), size[major] - 1)
    if last < first:
        return Pixels(np.empty(0), np.empty(0), np.empty(0))
    columns = np.arange(first, last + 1)
    centres = _extend(columns.astype(np.float64), knots, offsets)
    width = int(np.ceil(far * scale * np.hypot(1.0, lean))) + 2
    rows = np.floor(centres).astype(np.int64)[:, None] + np.arange(-width, width + 2)
    grid = np.broadcast_to(columns[:, None], rows.shape)
    keep = (rows >= 0) & (rows < size[minor])
    places = np.empty((int(keep.sum()), 2), dtype=np.int64)
    places[:, major], places[:, minor] = grid[keep], rows[keep]
    along, across = frame.place(to_straight(places.astype(np.float64)))
    near = (np.abs(along) <= frame.half) & (across >= -reach[0]) & (across <= reach[1])
    codes = luma[places[near, 1], places[near, 0]].astype(np.float64)
    return Pixels(along[near], across[near], (codes - black) / (white - black))


def _extend(at: Floats, knots: Floats, values: Floats) -> Floats:
    """Linear interpolation that goes on straight beyond the first and last knot."""
    result = np.interp(at, knots, values)
    for low, inner, outer in ((True, 1, 0), (False, -2, -1)):
        slope = (values[outer] - values[inner]) / (knots[outer] - knots[inner])
        beyond = at < knots[0] if low else at > knots[-1]
        result[beyond] = values[outer] + slope * (at[beyond] - knots[outer])
    return result
