"""What is remembered of a wheel: the ring between hub and rim, as the reference picture shows it.

Two forms of the same ring. A cloud of pixels with their slopes, for placing it to a few hundredths
of a pixel (`clipmark.motion.wheel_fit`), and the ring unrolled over angle, for finding its turn
without a guess and for telling how many like parts it has.

Wheel coordinates: ``x = c + A q`` with the hub c (px), A the ellipse of the mark and q on the unit
disc. The wheel turns in q, so a wheel seen at an angle turns along its ellipse. Turns are rad,
clockwise as seen (x right, y down).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError, MarkError
from clipmark.marks import Wheel
from clipmark.motion.sampling import (
    CENTRAL_7,
    Float32Array,
    FloatArray,
    filtered_slopes,
    gaussian_kernels,
)
from clipmark.motion.templates import BLOCK_PX, STEER_SIGMA_PX

SMALLEST_PX = 12.0  # rim radius below which a ring holds too few pixels
INNER, OUTER = 0.10, 1.04  # of the marked rim: the very hub tells no turn, the rim's edge its place
RING_PIXELS = 1200
WORST_TURN_DEG = 0.35  # a ring whose turn is known no better in a single frame tells none
ALONG_SHARE = 0.5  # of the slope across the ring: less is an edge of the ring itself
CLEAR = 4.0  # times the noise of a slope
ARTEFACTS = 1.5  # grey levels of 8 bit: what compression leaves on a bare face, noise or not
LEAST_TELLING = 12  # pixels whose slopes run along the ring
ANGLES, RADII = 360, 8  # of the unrolled ring
LIKE_PARTS = 0.6  # correlation of a ring with itself turned, from which the parts count as alike
MOST_PARTS = 40


@dataclass(frozen=True, eq=False)
class Ring:
    """A wheel's ring in the reference picture.

    Attributes
    ----------
    centre : ndarray, shape (2,)
        Hub, px of the reference picture.
    shape : ndarray, shape (2, 2)
        A of the module's docstring, px.
    places : ndarray of float32, shape (2, N)
        Pixels kept, in q.
    values : ndarray of float32, shape (N,)
        Their grey levels.
    steer, slope : ndarray of float32, shape (2, N)
        Smoothed and unsmoothed slopes along x and y, grey levels per px.
    blocks : ndarray of int, shape (N,)
        Coding block of each, for residuals that go together.
    noise, slope_noise : float
        Pixel noise, and the expected product of the noise in `steer` and `slope`, in its variances.
    unrolled : ndarray of float32, shape (RADII, ANGLES)
        Grey levels over angle, each radius less its mean.
    parts : int
        How many like parts the ring has: 1 when only a whole turn brings it back.
    likeness : float
        Correlation of the ring with itself turned by one part (0 for one part).
    """

    centre: FloatArray
    shape: FloatArray
    places: Float32Array
    values: Float32Array
    steer: Float32Array
    slope: Float32Array
    blocks: NDArray[np.intp]
    noise: float
    slope_noise: float
    unrolled: Float32Array
    parts: int
    likeness: float

    @cached_property
    def radius_px(self) -> float:
        """Mean radius of the marked rim, px."""
        return float(math.sqrt(abs(np.linalg.det(self.shape))))

    @property
    def pitch_rad(self) -> float:
        """Turn from one like part to the next."""
        return 2 * math.pi / self.parts

    @cached_property
    def tangents(self) -> Float32Array:
        """How each pixel moves in the picture per rad of turn, px, shape (2, N)."""
        around = np.stack([-self.places[1], self.places[0]])
        return np.asarray(self.shape.astype(np.float32) @ around, dtype=np.float32)

    @cached_property
    def radials(self) -> Float32Array:
        """How each pixel moves per unit of growth, px, shape (2, N)."""
        return np.asarray(self.shape.astype(np.float32) @ self.places, dtype=np.float32)

    @cached_property
    def reaches(self) -> Float32Array:
        """Squares of `tangents` and of `radials`, px^2, shape (2, N)."""
        pair = [np.sum(moved * moved, axis=0) for moved in (self.tangents, self.radials)]
        return np.stack(pair)

    @cached_property
    def columns(self) -> tuple[Float32Array, Float32Array]:
        """`steer` and `slope` per px along x and y, per rad of turn, per unit of growth, (4, N)."""
        pair = []
        for slopes in (self.steer, self.slope):
            around = np.sum(slopes * self.tangents, axis=0)
            outward = np.sum(slopes * self.radials, axis=0)
            pair.append(np.stack([slopes[0], slopes[1], around, outward]))
        return pair[0], pair[1]

    @cached_property
    def unshape(self) -> FloatArray:
        """Inverse of `shape`: from px to q."""
        return np.asarray(np.linalg.inv(self.shape), dtype=np.float64)

    @cached_property
    def mean(self) -> float:
        """Mean grey level."""
        return float(self.values.mean())

    def without(self, dropped: NDArray[np.bool_]) -> Ring:
        """The same ring without some of its pixels, shape (N,)."""
        kept = ~dropped
        return replace(
            self,
            places=np.ascontiguousarray(self.places[:, kept]),
            values=self.values[kept],
            steer=np.ascontiguousarray(self.steer[:, kept]),
            slope=np.ascontiguousarray(self.slope[:, kept]),
            blocks=self.blocks[kept],
        )


def wheel_shape(wheel: Wheel) -> FloatArray:
    """A of a wheel mark, shape (2, 2): columns are the half axes, px."""
    turn = math.radians(wheel.turn_deg)
    first = np.array([math.cos(turn), -math.sin(turn)]) * wheel.rx
    second = np.array([math.sin(turn), math.cos(turn)]) * wheel.ry
    return np.stack([first, second], axis=1)


def take_ring(luma: NDArray[np.generic], wheel: Wheel, noise: float, level: float = 1.0) -> Ring:
    """Remember a marked wheel.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Reference picture.
    wheel : Wheel
        Hub and rim, px.
    noise : float
        Pixel noise, grey levels.
    level : float
        One 8-bit step in the picture's own grey levels (4 for 10 bit).

    Raises
    ------
    MarkError
        If the mark is too small, or its rim leaves the picture.
    FollowError
        If nothing in the ring shows a turn, as on a plain disc.
    """
    shape = wheel_shape(wheel)
    centre = np.array([wheel.cx, wheel.cy])
    _check(wheel, shape, luma.shape)
    reach = np.ceil(np.abs(shape).sum(axis=1) * OUTER).astype(int) + 1
    margin = 6
    low = np.maximum(np.floor(centre).astype(int) - reach, 0)
    high = np.minimum(np.ceil(centre).astype(int) + reach + 1, luma.shape[1::-1])
    wide_low = np.maximum(low - margin, 0)
    wide_high = np.minimum(high + margin, luma.shape[1::-1])
    region = np.ascontiguousarray(
        luma[wide_low[1] : wide_high[1], wide_low[0] : wide_high[0]], dtype=np.float32
    )
    smooth, slope_kernel = gaussian_kernels(STEER_SIGMA_PX)
    steer = filtered_slopes(region, slope_kernel, smooth)
    slope = filtered_slopes(region, CENTRAL_7, np.array([0.0, 1.0, 0.0]))
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    places = np.linalg.inv(shape) @ np.stack([x.ravel() - centre[0], y.ravel() - centre[1]])
    far = np.hypot(*places)
    chosen = np.flatnonzero((far >= INNER) & (far <= OUTER))
    rows, columns = y.ravel()[chosen] - wide_low[1], x.ravel()[chosen] - wide_low[0]
    middle = len(slope_kernel) // 2
    same = slope_kernel[middle - 3 : middle + 4]
    ring = Ring(
        centre=centre,
        shape=shape,
        places=places[:, chosen].astype(np.float32),
        values=region[rows, columns],
        steer=np.ascontiguousarray(steer[rows, columns].T),
        slope=np.ascontiguousarray(slope[rows, columns].T),
        blocks=_blocks(x.ravel()[chosen], y.ravel()[chosen]),
        noise=noise,
        slope_noise=float(np.sum(same * CENTRAL_7) * smooth.max()),
        unrolled=unroll(luma, centre, shape),
        parts=1,
        likeness=0.0,
    )
    _demand_texture(ring, wheel, max(noise, ARTEFACTS * level))
    parts, likeness = like_parts(ring.unrolled, noise)
    return replace(_strongest(ring), parts=parts, likeness=likeness)


def unroll(luma: NDArray[np.generic], centre: FloatArray, shape: FloatArray) -> Float32Array:
    """Grey levels of the ring over angle (columns) and radius (rows), each row less its mean."""
    angle = np.arange(ANGLES) * (2 * math.pi / ANGLES)
    radius = np.linspace(0.25, 0.95, RADII)
    q = np.stack([radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle)])
    x, y = np.tensordot(shape, q, axes=1) + centre[:, None, None]
    low = np.floor([x.min(), y.min()]).astype(int) - 1
    low = np.clip(low, 0, np.array(luma.shape[1::-1]) - 2)
    high = np.clip(np.ceil([x.max(), y.max()]).astype(int) + 2, low + 2, luma.shape[1::-1])
    part = np.ascontiguousarray(luma[low[1] : high[1], low[0] : high[0]], dtype=np.float32)
    # between pixels one apart along the ring nothing finer can be told: a light blur against alias
    step = float(np.abs(shape).max()) * 2 * math.pi / ANGLES
    if step > 1.2:
        part = np.asarray(cv2.GaussianBlur(part, (0, 0), 0.4 * step), dtype=np.float32)
    at = (x - low[0]).astype(np.float32), (y - low[1]).astype(np.float32)
    rows = cv2.remap(part, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(rows - rows.mean(axis=1, keepdims=True), dtype=np.float32)


def turned_likeness(now: Float32Array, then: Float32Array) -> FloatArray:
    """Correlation of two unrolled rings for every turn of whole steps, shape (ANGLES,).

    Entry k is the correlation when `then`, turned on by ``k / ANGLES`` of a turn, is laid on `now`.
    """
    product = np.fft.rfft(now, axis=1) * np.conj(np.fft.rfft(then, axis=1))
    curve = np.fft.irfft(product.sum(axis=0), ANGLES)
    power = math.sqrt(float(np.sum(now * now)) * float(np.sum(then * then)))
    return np.asarray(curve / max(power, 1e-12), dtype=np.float64)


def like_parts(unrolled: Float32Array, noise: float) -> tuple[int, float]:
    """How many like parts a ring has, and how alike they are once its noise is taken out.

    The smallest turn that brings the ring nearly back onto itself counts: a rim with five spokes
    and one valve has five like parts, told apart only by the valve.
    """
    curve = turned_likeness(unrolled, unrolled)
    power = float(np.mean(unrolled * unrolled))
    clean = max(1 - noise**2 / max(power, 1e-9), 0.05)
    for parts in range(MOST_PARTS, 1, -1):
        at = ANGLES / parts
        if at < 4:
            continue
        near = [curve[round(at) + k] for k in (-1, 0, 1)]
        beside = min(curve[round(at / 2)], curve[round(1.5 * at) % ANGLES])
        like = min(max(near) / clean, 1.0)
        if like > LIKE_PARTS and like - beside / clean > 0.2:
            every = [
                max(curve[(round(k * at) + j) % ANGLES] for j in (-1, 0, 1)) / clean
                for k in range(1, parts)
            ]
            if min(every) > LIKE_PARTS - 0.1:
                return parts, float(max(every))
    return 1, 0.0


def turn_bound_rad(ring: Ring) -> float:
    """Least standard uncertainty of a turn against this noisy reference, rad; inf without texture.

    From the slopes along the ring as the shift bound is from those along an axis (Robinson and
    Milanfar, IEEE Trans. Image Process. 13, 2004, 1185-1199), twice the variance for two noisy
    pictures, the noise's own share of the slopes taken out.
    """
    tangents = ring.tangents
    steer = np.sum(ring.steer * tangents, axis=0)
    slope = np.sum(ring.slope * tangents, axis=0)
    share = ring.slope_noise * ring.noise**2 * float(np.sum(tangents.astype(np.float64) ** 2))
    told = float(np.sum(steer * slope, dtype=np.float64)) - share
    return math.sqrt(2 * ring.noise**2 / told) if told > 0 else math.inf


def _check(wheel: Wheel, shape: FloatArray, size: tuple[int, ...]) -> None:
    if not (math.isfinite(wheel.cx + wheel.cy) and min(wheel.rx, wheel.ry) >= SMALLEST_PX):
        raise MarkError(
            f"the wheel mark at ({wheel.cx:.0f}, {wheel.cy:.0f}) has a rim radius of "
            f"{min(wheel.rx, wheel.ry):g} px, but at least {SMALLEST_PX:.0f} px is needed to see "
            "it turn; mark the rim, or film nearer"
        )
    reach = np.sqrt(np.sum(shape**2, axis=1))  # half width and half height of the ellipse
    height, width = size
    if (
        wheel.cx - reach[0] < 0
        or wheel.cy - reach[1] < 0
        or wheel.cx + reach[0] > width - 1
        or wheel.cy + reach[1] > height - 1
    ):
        raise MarkError(
            f"the wheel mark at ({wheel.cx:.0f}, {wheel.cy:.0f}) reaches out of the picture; mark "
            "a wheel that is whole in the reference frame, or another reference frame"
        )


def _demand_texture(ring: Ring, wheel: Wheel, noise: float) -> None:
    """Refuse a ring whose grey levels do not change along it.

    Only slopes that run along the ring rather than across it count: across a circle that is marked
    a little off its middle or its form, slopes seem to run along it too.
    """
    tangents, radials = ring.tangents, ring.radials
    along = np.sum(ring.steer * tangents, axis=0) / np.maximum(np.hypot(*tangents), 1e-6)
    across = np.sum(ring.steer * radials, axis=0) / np.maximum(np.hypot(*radials), 1e-6)
    smooth, slope = gaussian_kernels(STEER_SIGMA_PX)
    usual = noise * float(np.linalg.norm(smooth) * np.linalg.norm(slope))
    telling = (np.abs(along) > ALONG_SHARE * np.abs(across)) & (np.abs(along) > CLEAR * usual)
    bound = math.inf
    if telling.sum() >= LEAST_TELLING:
        bound = math.degrees(turn_bound_rad(replace(ring.without(~telling), noise=noise)))
    if bound > WORST_TURN_DEG:
        raise FollowError(
            f"the wheel marked at ({wheel.cx:.0f}, {wheel.cy:.0f}) looks the same all around, so "
            f"its turn cannot be seen (a single frame would tell it to {min(bound, 99.0):.2g} deg "
            "at best); mark a rim with spokes, bolts or lettering, or put a sticker on it"
        )


def _strongest(ring: Ring) -> Ring:
    """Only the pixels that tell most of turn and place."""
    energy = np.sum(ring.steer**2, axis=0)
    if energy.size <= RING_PIXELS:
        return ring
    dropped = np.ones(energy.size, dtype=bool)
    dropped[np.argpartition(energy, energy.size - RING_PIXELS)[energy.size - RING_PIXELS :]] = False
    return ring.without(dropped)


def _blocks(x: NDArray[np.generic], y: NDArray[np.generic]) -> NDArray[np.intp]:
    """Number of the coding block that each pixel lies in, from 0."""
    names = (np.asarray(y) // BLOCK_PX).astype(np.int64) * 100_000 + np.asarray(x) // BLOCK_PX
    return np.asarray(np.unique(names, return_inverse=True)[1].ravel(), dtype=np.intp)
