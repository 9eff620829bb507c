"""What is remembered of a piece of the reference picture, so that it can be found again.

A template is a cloud of pixels, not a rectangle of them: the pixels with the strongest slopes
carry almost all that can be known about a shift, so a large patch costs no more than a small one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import (
    CENTRAL_7,
    Float32Array,
    FloatArray,
    filtered_slopes,
    gaussian_kernels,
    noise_sigma,
)

STEER_SIGMA_PX = 0.9  # smoothing of the slopes that steer: cuts what interpolation gets wrong
BLOCK_PX = 16  # side of a coding block (H.264 macroblock): errors inside one go together
NOISE_FLOOR = 0.3  # grey levels of 8 bit; rounding to whole levels alone is 0.29


@dataclass(frozen=True)
class Templates:
    """P pieces of one reference picture, each of N pixels.

    Attributes
    ----------
    centres : ndarray, shape (P, 2)
        Middle of each piece in the reference picture, px.
    offsets : ndarray of float32, shape (2, P, N)
        Pixel positions less the centre, x then y, px.
    values : ndarray of float32, shape (P, N)
        Grey levels.
    steer, slope : ndarray of float32, shape (2, P, N)
        Smoothed slopes, which weigh the residuals, and unsmoothed ones, which model them,
        grey levels per px along x and y.
    blocks : ndarray of int, shape (N,) or (P, N)
        Coding-block number of each pixel, for the correlation of residuals.
    block_count : int
        Blocks per piece.
    half : tuple of float
        Half width and half height, px.
    radius : float
        Length that makes turn and scale comparable with shifts, px.
    noise : float
        Pixel noise of the reference picture, grey levels (white part).
    slope_noise : float
        Expected product of the noise in `steer` and in `slope` per pixel, in noise variances.
    products : ndarray, shape (P, 2, 2)
        Sums of slope products over all pixels of each piece, also those not kept: choosing the
        strongest slopes chooses noise as well, and would show texture where there is none.
    """

    centres: FloatArray
    offsets: Float32Array
    values: Float32Array
    steer: Float32Array
    slope: Float32Array
    blocks: NDArray[np.intp]
    block_count: int
    half: tuple[float, float]
    radius: float
    noise: float
    slope_noise: float
    products: FloatArray

    @property
    def count(self) -> int:
        """P, the number of pieces."""
        return int(self.values.shape[0])

    def contrast(self) -> FloatArray:
        """Standard deviation of the grey levels of each piece with the noise taken out, (P,)."""
        spread = np.var(self.values, axis=1, dtype=np.float64) - self.noise**2
        return np.asarray(np.sqrt(np.maximum(spread, 0.0)), dtype=np.float64)

    def gradient_matrices(self) -> FloatArray:
        """Sum of slope products of each piece with the noise's own share taken out, (P, 2, 2)."""
        products = 0.5 * (self.products + self.products.transpose(0, 2, 1))
        pixels = 4 * self.half[0] * self.half[1]
        share = self.slope_noise * self.noise**2 * pixels
        return np.asarray(products - share * np.eye(2), dtype=np.float64)

    def shift_bound_px(self) -> FloatArray:
        """Least standard uncertainty of a shift against this noisy reference, px, (P, 2).

        Twice the inverse of the gradient matrix over the noise variance (Robinson and Milanfar,
        IEEE Trans. Image Process. 13, 2004, 1185-1199); inf where there is no texture.
        """
        bound = np.full((self.count, 2), math.inf)
        for p, matrix in enumerate(self.gradient_matrices()):
            values, vectors = np.linalg.eigh(matrix)
            if values[0] > 0:
                covariance = (vectors / values) @ vectors.T * 2 * self.noise**2
                bound[p] = np.sqrt(np.diag(covariance))
        return bound

    @cached_property
    def _bound(self) -> FloatArray:
        return np.asarray(self.shift_bound_px().max(axis=1), dtype=np.float64)

    def bound_px(self) -> FloatArray:
        """The larger of the two values of `shift_bound_px`, (P,)."""
        return self._bound

    @cached_property
    def _form_columns(self) -> tuple[Float32Array, Float32Array]:
        return self._columns(True)

    @cached_property
    def _shift_columns(self) -> tuple[Float32Array, Float32Array]:
        return self._columns(False)

    def columns(self, form: bool) -> tuple[Float32Array, Float32Array]:
        """Steering and modelling columns (P, K, N): shift x, y[, growth, turn], contrast, level."""
        return self._form_columns if form else self._shift_columns

    def _columns(self, form: bool) -> tuple[Float32Array, Float32Array]:
        x, y = self.offsets / np.float32(self.radius)
        contrast = self.values - self.values.mean(axis=1, keepdims=True)
        pair = []
        for gx, gy in (self.steer, self.slope):
            columns = [gx, gy]
            if form:
                columns += [gx * x + gy * y, gy * x - gx * y]
            pair.append(np.stack([*columns, contrast, np.ones_like(gx)], axis=1))
        return pair[0], pair[1]

    def take(self, which: NDArray[np.intp]) -> Templates:
        """Only the pieces of the given numbers."""
        return Templates(
            centres=self.centres[which],
            offsets=np.ascontiguousarray(self.offsets[:, which]),
            values=np.ascontiguousarray(self.values[which]),
            steer=np.ascontiguousarray(self.steer[:, which]),
            slope=np.ascontiguousarray(self.slope[:, which]),
            blocks=self.blocks[which],
            block_count=self.block_count,
            half=self.half,
            radius=self.radius,
            noise=self.noise,
            slope_noise=self.slope_noise,
            products=self.products[which],
        )


def picture_noise(luma: NDArray[np.generic], level: float = 1.0) -> float:
    """Pixel noise for weighing, grey levels, not below the rounding of the recording.

    `level` is one 8-bit step in the picture's own grey levels (4 for 10 bit).
    """
    return max(noise_sigma(luma), NOISE_FLOOR * level)


def build_templates(
    luma: NDArray[np.generic],
    centres: FloatArray,
    size: tuple[int, int],
    *,
    noise: float,
    most_pixels: int,
) -> Templates:
    """Take pieces of `size` (width, height) px around `centres` out of the reference picture.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Reference picture.
    centres : ndarray, shape (P, 2)
        Middles, px, rounded so that every piece lies on whole pixels.
    size : tuple of int
        Width and height of each piece, px.
    noise : float
        Pixel noise, grey levels.
    most_pixels : int
        Pixels kept of each piece: those with the strongest slopes.
    """
    width, height = size
    corners = np.rint(np.asarray(centres) - (np.array(size) - 1) / 2).astype(int)
    corners[:, 0] = np.clip(corners[:, 0], 0, max(luma.shape[1] - width, 0))
    corners[:, 1] = np.clip(corners[:, 1], 0, max(luma.shape[0] - height, 0))
    smooth, slope_kernel = gaussian_kernels(STEER_SIGMA_PX)
    kept = min(most_pixels, width * height)
    rows, columns = np.divmod(np.arange(width * height), width)
    fields: list[tuple[Float32Array, ...]] = []
    products: list[FloatArray] = []
    for left, top in corners:
        values, steer, slope = _slopes(luma, int(left), int(top), size, (smooth, slope_kernel))
        chosen = _strongest(steer, kept)
        products.append(np.einsum("in,jn->ij", steer, slope, dtype=np.float64))
        fields.append(
            (
                np.stack([columns[chosen], rows[chosen]]).astype(np.float32),
                values[chosen],
                steer[:, chosen],
                slope[:, chosen],
            )
        )
    offsets = np.stack([item[0] for item in fields], axis=1)
    across = (width + BLOCK_PX - 1) // BLOCK_PX
    blocks = (offsets[1] // BLOCK_PX * across + offsets[0] // BLOCK_PX).astype(np.intp)
    middle = np.array([(width - 1) / 2, (height - 1) / 2], dtype=np.float32)
    return Templates(
        centres=corners + middle.astype(np.float64),
        offsets=np.ascontiguousarray(offsets - middle[:, None, None]),
        values=np.stack([item[1] for item in fields]),
        steer=np.stack([item[2] for item in fields], axis=1),
        slope=np.stack([item[3] for item in fields], axis=1),
        blocks=blocks,
        block_count=int(across * ((height + BLOCK_PX - 1) // BLOCK_PX)),
        half=(width / 2, height / 2),
        radius=math.hypot(width, height) / math.sqrt(12),
        noise=noise,
        slope_noise=float(np.sum(slope_kernel[_same(slope_kernel)] * CENTRAL_7) * smooth.max()),
        products=np.stack(products),
    )


def _same(kernel: FloatArray) -> slice:
    """The middle seven entries of a longer odd kernel."""
    start = len(kernel) // 2 - 3
    return slice(start, start + 7)


def _slopes(
    luma: NDArray[np.generic],
    left: int,
    top: int,
    size: tuple[int, int],
    kernels: tuple[FloatArray, FloatArray],
) -> tuple[Float32Array, Float32Array, Float32Array]:
    """Values and slopes of one piece, flattened row by row: (n,), (2, n), (2, n)."""
    margin = 6
    y0, x0 = max(top - margin, 0), max(left - margin, 0)
    region = np.ascontiguousarray(
        luma[y0 : top + size[1] + margin, x0 : left + size[0] + margin], dtype=np.float32
    )
    inner = np.s_[top - y0 : top - y0 + size[1], left - x0 : left - x0 + size[0]]
    steer = filtered_slopes(region, kernels[1], kernels[0])[inner]
    slope = filtered_slopes(region, CENTRAL_7, np.array([0.0, 1.0, 0.0]))[inner]
    return (
        region[inner].ravel(),
        np.ascontiguousarray(steer.reshape(-1, 2).T),
        np.ascontiguousarray(slope.reshape(-1, 2).T),
    )


def _strongest(steer: Float32Array, kept: int) -> NDArray[np.intp]:
    """Numbers of the `kept` pixels with the strongest slopes, in reading order."""
    energy = steer[0] ** 2 + steer[1] ** 2
    if kept >= energy.size:
        return np.arange(energy.size)
    return np.sort(np.argpartition(energy, energy.size - kept)[energy.size - kept :])
