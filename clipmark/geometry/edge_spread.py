"""How far an edge is spread: s of a Gaussian blur, and what that is in the usual other words.

The spread itself comes from the edge fit (`clipmark.geometry.edge_fit`), which finds it through
the camera's tone curve along with the place of the edge; the pixel's own width is in it. The
slanted-edge way of ISO 12233 stands beside it as an outside opinion: pixels beside a leaning edge
are sorted by their distance from it into bins a quarter of a pixel wide, the sorted profile is
differentiated and transformed. Pure maths: arrays in, numbers out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.special import ndtri

from clipmark.geometry.tone import light_from_luma

Floats = NDArray[np.float64]

MTF50_TIMES_S = math.sqrt(math.log(2.0) / 2.0) / math.pi  # exp(-2 pi^2 s^2 f^2) = 1/2
RISE_OVER_S = 2.0 * float(ndtri(0.9))  # from 10 % to 90 % of a Gaussian step
PIXEL_VARIANCE = 1.0 / 12.0  # of a square pixel, px^2
BIN_PX = 0.25  # ISO 12233: four-fold oversampling
LEAST_PER_BIN = 4
NYQUIST = 0.5  # cycles per px


@dataclass(frozen=True, eq=False)
class Profile:
    """Luma across an edge: ``distance_px`` (B,) on the normal's side positive, ``luma`` (B,)."""

    distance_px: Floats
    luma: Floats


def mtf50_of_spread(spread_px: float) -> float:
    """Cycles per px at which a Gaussian blur of `spread_px` halves contrast."""
    return MTF50_TIMES_S / spread_px


def mtf50_with_pixel(optical_px: float) -> float:
    """The same for a blur of `optical_px` before square pixels that integrate, cycles per px.

    The root of ``exp(-2 pi^2 s^2 f^2) sinc(f) = 1/2``.
    """

    def above(f: float) -> float:
        return math.exp(-2.0 * (math.pi * optical_px * f) ** 2) * float(np.sinc(f)) - 0.5

    return float(scipy.optimize.brentq(above, 1e-6, 1.0 - 1e-9))


def rise_of_spread(spread_px: float) -> float:
    """Distance from 10 % to 90 % of an edge's step, px."""
    return RISE_OVER_S * spread_px


def optical_part(spread_px: float) -> float:
    """What of a spread is blur before the pixel, px: the pixel's own variance taken out."""
    return math.sqrt(max(spread_px**2 - PIXEL_VARIANCE, 0.0))


def scaled_u(u: float, length_px: float, to_length_px: float, power: float = 1.5) -> float:
    """Standard uncertainty of a longer or shorter edge of the same kind.

    Independent pieces along an edge give the angle as ``L^-3/2`` and the place as ``L^-1/2``
    (`power`), whatever goes together over lengths much shorter than the edge.
    """
    return float(u * (length_px / to_length_px) ** power)


def edge_profile(
    luma: NDArray[np.generic],
    ends_px: Floats,
    *,
    black: float,
    white: float,
    reach_px: float = 12.0,
) -> Profile | None:
    """Luma across a straight edge, sorted by distance into bins of a quarter of a pixel.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Luma codes.
    ends_px : ndarray, shape (2, 2)
        Both ends of the edge, x right, y down.
    black, white : float
        Codes that become 0 and 1.
    reach_px : float
        How far to go on either side.

    Returns
    -------
    Profile or None
        None where bins stay all but empty: the edge is too short, or lies along the pixels' rows.
        The positive side is up, or left of an upright edge (as the normal of an edge fit).
    """
    first, last = np.asarray(ends_px, dtype=np.float64)
    length = float(np.hypot(*(last - first)))
    along = (last - first) / length
    if along[0] < 0 or (along[0] == 0 and along[1] > 0):
        along = -along
    normal = np.array([along[1], -along[0]])
    middle = (first + last) / 2
    low = np.floor(np.minimum(first, last) - reach_px).astype(int)
    high = np.ceil(np.maximum(first, last) + reach_px).astype(int) + 1
    x0, y0 = np.maximum(low, 0)
    x1, y1 = np.minimum(high, [luma.shape[1], luma.shape[0]])
    y, x = np.mgrid[y0:y1, x0:x1]
    off = np.stack([x - middle[0], y - middle[1]], axis=-1)
    distance, place = off @ normal, off @ along
    near = (np.abs(distance) <= reach_px) & (np.abs(place) <= length / 2)
    bins = np.floor((distance[near] + reach_px) / BIN_PX).astype(int)
    count = round(2 * reach_px / BIN_PX)
    bins = np.clip(bins, 0, count - 1)
    filled = np.bincount(bins, minlength=count)
    if filled.min() < LEAST_PER_BIN:
        return None
    values = (np.asarray(luma[y0:y1, x0:x1], dtype=np.float64)[near] - black) / (white - black)
    means = np.bincount(bins, values, minlength=count) / filled
    where = np.bincount(bins, distance[near], minlength=count) / filled
    return Profile(where, means)


def mtf50_of_profile(profile: Profile, tone: float = 0.0) -> float | None:
    """Cycles per px at which the edge's own transfer falls to a half (ISO 12233).

    Parameters
    ----------
    profile : Profile
        Across the edge.
    tone : float
        Strength of the tone curve that is undone first.

    Returns
    -------
    float or None
        None where it stays above a half up to the end that the bins can show.
    """
    light = light_from_luma(profile.luma, tone)
    spread = np.gradient(light, profile.distance_px)
    window = scipy.signal.windows.tukey(
        len(spread), 0.5
    )  # flat where the edge is: a bell would narrow the spread
    grid = (np.arange(len(spread)) - (len(spread) - 1) / 2) * BIN_PX
    spread = np.interp(grid, profile.distance_px, spread) * window
    total = float(spread.sum())
    if total == 0:
        return None
    frequencies = np.linspace(0.0, 2 * NYQUIST, 400)
    waves = np.exp(-2j * np.pi * frequencies[:, None] * grid)
    transfer = np.abs(waves @ spread) / abs(total)
    # the bin's width, and the difference over two bins, dampen as a sinc each
    transfer /= np.sinc(frequencies * BIN_PX) * np.sinc(2 * frequencies * BIN_PX)
    below = np.flatnonzero(transfer < 0.5)
    if not len(below):
        return None
    k = int(below[0])
    high, low = float(transfer[k - 1]), float(transfer[k])
    share = (high - 0.5) / (high - low)
    return float(frequencies[k - 1] + share * (frequencies[k] - frequencies[k - 1]))
