"""Strips cut across a line at its stations, read between the pixels, and how their edge lies.

Pure numerics. A line in straight px (square pixels, lens taken out) is looked at in some tens of
stations along it; at each a strip of pixels across it is read from the decoded picture, averaged
over the station's stretch. The strip is compared with the profile ``S`` that the edge had in the
anchor frame: ``a + b S(v) - b d S'(v)`` by least squares, with brightness ``a`` and contrast ``b``
of its own at every station (what is behind the edge changes as it moves), gives the shift ``d``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

PointMap = Callable[[FloatArray], FloatArray]
REACH_PX = 7  # across, to either side
STATION_PX = 12.0  # least stretch of a station along the line
LEAST_STATIONS, MOST_STATIONS = 10, 44
GRAIN_PX = 2.5  # apart along the line, of strips that are averaged
MOST_STRIPS = 6  # of a station: what is beside the edge differs little within its stretch
BORDER_PX = 1.5  # of the picture that is not read
HALF_WIDTH = 1.177  # of a Gaussian at half its height, standard deviations
WINDOW_BLURS, WINDOW_PX = 1.6, (1.6, 4.5)  # weight across: texture further off only disturbs
FINE_PX = 0.25  # step of the profile where its slope is taken


@dataclass(frozen=True)
class Pose:
    """Where a line is: its middle, px of the straight picture, and its direction, rad (y down)."""

    x: float
    y: float
    angle: float

    @property
    def along(self) -> FloatArray:
        """Unit vector along the line, shape (2,)."""
        return np.array([math.cos(self.angle), math.sin(self.angle)])

    @property
    def across(self) -> FloatArray:
        """Unit vector across it, a quarter turn on from `along` (down, for one to the right)."""
        return np.array([-math.sin(self.angle), math.cos(self.angle)])

    def moved(self, offset: float, slope: float, slide: float = 0.0) -> Pose:
        """The line moved across by `offset` px, turned by atan(`slope`), moved along by `slide`."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        return Pose(
            self.x - offset * s + slide * c,
            self.y + offset * c + slide * s,
            self.angle + math.atan(slope),
        )

    def ends(self, half_px: float) -> FloatArray:
        """Both ends, shape (2, 2), straight px."""
        step = half_px * self.along
        return np.array(
            [[self.x - step[0], self.y - step[1]], [self.x + step[0], self.y + step[1]]]
        )


@dataclass(frozen=True, eq=False)
class Stations:
    """Where along a line it is looked at.

    Attributes
    ----------
    half_px : float
        Half the line's length, straight px.
    places : ndarray, shape (N,)
        Middles of the stations along the line from its middle, px.
    within : ndarray, shape (M,)
        Strips of one station, px from its middle.
    """

    half_px: float
    places: FloatArray
    within: FloatArray

    @classmethod
    def of_length(cls, length_px: float) -> Stations:
        """Stations for a line of that length."""
        count = int(np.clip(round(length_px / STATION_PX), LEAST_STATIONS, MOST_STATIONS))
        stretch = length_px / count
        strips = int(np.clip(round(stretch / GRAIN_PX), 1, MOST_STRIPS))
        places = (np.arange(count) - (count - 1) / 2) * stretch
        within = (np.arange(strips) - (strips - 1) / 2) * (stretch / strips)
        return cls(length_px / 2, np.asarray(places, float), np.asarray(within, float))

    @property
    def grain_px(self) -> float:
        """Distance of neighbouring strips, px."""
        return 2 * self.half_px / (len(self.places) * len(self.within))


@dataclass(frozen=True, eq=False)
class Strips:
    """Grey levels read across a line.

    Attributes
    ----------
    values : ndarray of float32, shape (N, M, K)
        At N stations, M strips each, K places across; zero where not `inside`.
    inside : ndarray of bool, shape (N,)
        Stations that lie in the picture.
    """

    values: NDArray[np.float32]
    inside: NDArray[np.bool_]

    @cached_property
    def profiles(self) -> FloatArray:
        """Mean strip of each station, shape (N, K)."""
        count = self.values.shape[1]
        return np.asarray(np.add.reduce(self.values, axis=1) / np.float32(count), dtype=np.float64)


def read_strips(
    luma: NDArray[np.generic],
    pose: Pose,
    stations: Stations,
    across_px: FloatArray,
    from_straight: PointMap,
) -> Strips:
    """Read the picture across a line, linearly between pixels.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
    pose : Pose
        The line.
    stations : Stations
    across_px : ndarray, shape (K,)
        Places across the line, px along `Pose.across`.
    from_straight : callable
        Upright-picture px, shape (n, 2), of straight ones. It is asked for two points of each
        station; between them the lens is taken as linear.
    """
    along, across = pose.along, pose.across
    middles = np.array([pose.x, pose.y]) + stations.places[:, None] * along
    mapped = from_straight(np.concatenate([middles, middles + across]))
    count = len(middles)
    at = mapped[:count]
    sideways = mapped[count:] - at
    step = stations.places[1] - stations.places[0]
    forward = np.empty_like(at)
    forward[1:-1] = (at[2:] - at[:-2]) / (2 * step)
    forward[0], forward[-1] = (at[1] - at[0]) / step, (at[-1] - at[-2]) / step
    reach = float(np.max(np.abs(across_px)))
    room = np.abs(sideways) * reach + np.abs(forward) * (step / 2) + BORDER_PX
    size = np.array([luma.shape[1] - 1, luma.shape[0] - 1])
    inside = np.isfinite(at).all(axis=1) & (at > room).all(axis=1) & (at < size - room).all(axis=1)
    if not inside.all():
        at = np.where(inside[:, None], at, 8.0)
        forward = np.where(inside[:, None], forward, 0.0)
        sideways = np.where(inside[:, None], sideways, 0.0)
    single = np.float32  # good to 1e-4 px
    strips = (at[:, None, :] + stations.within[:, None] * forward[:, None, :]).astype(single)
    spread, places = sideways.astype(single), across_px.astype(single)
    x = strips[:, :, 0, None] + (spread[:, :1] * places)[:, None, :]
    y = strips[:, :, 1, None] + (spread[:, 1:] * places)[:, None, :]
    return Strips(between_pixels(luma, x, y), inside)


def between_pixels(
    luma: NDArray[np.generic], x: NDArray[np.float32], y: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Grey levels at positions well inside the picture, linear between pixels."""
    left, top = x.astype(np.intp), y.astype(np.intp)  # positions are positive
    u, v = x - left.astype(np.float32), y - top.astype(np.float32)
    if luma.flags.c_contiguous:
        flat, width = luma.reshape(-1), luma.shape[1]
        corner = top * width + left
        a, b = flat.take(corner), flat.take(corner + 1)
        c, d = flat.take(corner + width), flat.take(corner + (width + 1))
    else:
        a, b = luma[top, left], luma[top, left + 1]
        c, d = luma[top + 1, left], luma[top + 1, left + 1]
    upper = a + u * (b.astype(np.float32) - a)
    lower = c + u * (d.astype(np.float32) - c)
    return np.asarray(upper + v * (lower - upper), dtype=np.float32)


class Profile:
    """The edge's own profile across, and the least-squares comparison of strips with it.

    Parameters
    ----------
    fine_px, values : ndarray, shape (F,)
        Evenly spaced places across, beyond `REACH_PX` to both sides, and the profile there.
    """

    def __init__(self, fine_px: FloatArray, values: FloatArray) -> None:
        self.across_px = np.arange(-REACH_PX, REACH_PX + 1, dtype=np.float64)
        step = float(fine_px[1] - fine_px[0])
        slope = np.gradient(values, step)
        shape = np.interp(self.across_px, fine_px, values)
        spread = float(np.std(shape)) or 1.0
        self.shape = (shape - shape.mean()) / spread
        self.slope = np.interp(self.across_px, fine_px, slope) / spread
        columns = np.column_stack([np.ones_like(self.shape), self.shape, self.slope])
        window = np.clip(WINDOW_BLURS * _blur_px(fine_px, slope), *WINDOW_PX)
        weights = np.exp(-(self.across_px**2) / (2 * window**2))
        self._roots = np.sqrt(weights)
        self._power = float(weights.sum())
        self._count = float(weights.sum() ** 2 / (weights @ weights)) - 3
        self._columns = columns * self._roots[:, None]
        normal = np.linalg.inv(self._columns.T @ self._columns + 1e-9 * np.eye(3))
        self._solve = columns * weights[:, None] @ normal
        self.u_contrast, self.u_shift = math.sqrt(normal[1, 1]), math.sqrt(normal[2, 2])

    def compare(self, profiles: FloatArray) -> Compared:
        """How each of N strips, shape (N, K), lies against the profile."""
        found = profiles @ self._solve
        near = profiles * self._roots
        left = near - found @ self._columns.T
        rest = np.einsum("nk,nk->n", left, left)
        error = rest / max(self._count, 1.0)
        contrast = found[:, 1]
        firm = np.where(np.abs(contrast) < 1e-6, 1e-6, contrast)
        spread = near - (near @ self._roots / self._power)[:, None] * self._roots
        whole = np.einsum("nk,nk->n", spread, spread)
        return Compared(
            shift=-found[:, 2] / firm,
            u_shift=np.sqrt(error) * self.u_shift / np.abs(firm),
            contrast=contrast,
            sigmas=np.abs(contrast) / np.maximum(np.sqrt(error) * self.u_contrast, 1e-6),
            likeness=1 - rest / np.maximum(whole, 1e-6),
        )


@dataclass(frozen=True, eq=False)
class Compared:
    """N strips against the profile.

    Attributes
    ----------
    shift, u_shift : ndarray, shape (N,)
        Of the edge across the line, px, and its standard uncertainty from the strip's residuals.
    contrast : ndarray, shape (N,)
        Grey levels, standard deviation over the strip; negative where light and dark swapped.
    sigmas : ndarray, shape (N,)
        The same over its uncertainty.
    likeness : ndarray, shape (N,)
        Share of the strip's variance that the profile explains.
    """

    shift: FloatArray
    u_shift: FloatArray
    contrast: FloatArray
    sigmas: FloatArray
    likeness: FloatArray


def _blur_px(fine_px: FloatArray, slope: FloatArray) -> float:
    """Standard width of the steepest part of an edge, from where its slope is half the largest."""
    size = np.abs(slope)
    peak = int(np.argmax(np.where(np.abs(fine_px) < REACH_PX / 2, size, 0.0)))
    low = size < size[peak] / 2
    right = int(np.argmax(low[peak:])) if low[peak:].any() else len(size)
    left = int(np.argmax(low[peak::-1])) if low[peak::-1].any() else len(size)
    return float(right + left) / 2 * float(fine_px[1] - fine_px[0]) / HALF_WIDTH


def generic_profile(kind: str) -> Profile:
    """A blurred step or ridge, before the edge's own profile is known."""
    fine = np.arange(-REACH_PX - 2, REACH_PX + 2 + FINE_PX / 2, FINE_PX)
    if kind == "step":
        return Profile(fine, np.tanh(fine / 1.3))
    return Profile(fine, np.exp(-(fine**2) / (2 * 1.6**2)))
