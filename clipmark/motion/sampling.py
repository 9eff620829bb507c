"""Reading a picture between its pixels, at exactly the positions asked for.

Cubic B-spline interpolation. OpenCV's `remap` would be the obvious tool, but it rounds positions
to 1/32 px, and its 8-tap Lanczos kernel reads smooth pictures 0.014 px beside the position asked
for (its cubic one 0.047 px), which is ten times what a good patch can tell. The spline is right to
0.0002 px for everything coarser than 10 px a cycle.

Positions are (x, y) px, centre of the top-left pixel at (0, 0), x right, y down.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

cv2.setNumThreads(1)  # patches are too small to gain from more, and a second core decodes

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
REACH_PX = 4  # a position needs this much picture around it, prefilter included


def _inverse_spline(reach: int = 7) -> FloatArray:
    """Filter that turns samples into cubic B-spline coefficients.

    ``sqrt(3) z**|k|`` with z = sqrt(3) - 2 (Unser, IEEE Signal Process. Mag. 16 (6), 1999,
    22-38), cut where it has fallen to 1e-4.
    """
    k = np.arange(-reach, reach + 1)
    taps = math.sqrt(3) * (math.sqrt(3) - 2) ** np.abs(k).astype(np.float64)
    return np.asarray(taps / taps.sum(), dtype=np.float64)


_PREFILTER = _inverse_spline()


def spline_coefficients(image: Float32Array) -> Float32Array:
    """Cubic B-spline coefficients of `image`, same shape, for `sample`."""
    border = cv2.BORDER_REFLECT_101
    out = cv2.sepFilter2D(image, cv2.CV_32F, _PREFILTER, _PREFILTER, borderType=border)
    return np.asarray(out, dtype=np.float32)


def _spline_weights(t: Float32Array) -> tuple[Float32Array, ...]:
    """Weights of the four coefficients around a position `t` px past the second of them."""
    rest = 1 - t
    sixth = np.float32(1 / 6)
    first = rest * rest * rest * sixth
    square = t * t
    cube = square * t
    second = np.float32(2 / 3) - square + cube * np.float32(0.5)
    last = cube * sixth
    return first, second, 1 - first - second - last, last


def sample(coefficients: Float32Array, x: Float32Array, y: Float32Array) -> Float32Array:
    """Values of the picture behind `coefficients` at the positions.

    Parameters
    ----------
    coefficients : ndarray of float32, shape (H, W)
        From `spline_coefficients`.
    x, y : ndarray of float32, any one shape
        Positions, px, within [1, W - 3] and [1, H - 3].

    Returns
    -------
    ndarray of float32, shape of `x`
    """
    left, top = np.floor(x), np.floor(y)
    across, down = _spline_weights(x - left), _spline_weights(y - top)
    width = coefficients.shape[1]
    at = ((top.astype(np.int32) - 1) * width + left.astype(np.int32) - 1).astype(np.intp)
    flat = coefficients.ravel()
    values = np.zeros_like(x)
    for row in range(4):
        line = across[0] * flat.take(at)
        for column in range(1, 4):
            line += across[column] * flat.take(at + column)
        line *= down[row]
        values += line
        at += width
    return values


def gaussian_kernels(sigma_px: float) -> tuple[FloatArray, FloatArray]:
    """A sampled Gaussian and its derivative kernel, both 1-D of odd length.

    The derivative is scaled so that a ramp of slope 1 gives exactly 1. Written for correlation
    (the way `sepFilter2D` applies kernels), so a rising ramp gives a positive slope.
    """
    reach = max(1, int(np.ceil(3.5 * sigma_px)))
    k = np.arange(-reach, reach + 1, dtype=np.float64)
    smooth = np.exp(-0.5 * (k / sigma_px) ** 2)
    smooth /= smooth.sum()
    slope = k * smooth
    slope /= np.sum(slope * k)
    return smooth, slope


# Central difference of 7 points, exact for polynomials to degree 6 (Fornberg 1988, table 1).
CENTRAL_7 = np.array([-1 / 60, 3 / 20, -3 / 4, 0.0, 3 / 4, -3 / 20, 1 / 60])


def filtered_slopes(image: Float32Array, slope: FloatArray, smooth: FloatArray) -> Float32Array:
    """Slopes along x and y of `image` by a separable kernel pair, shape (H, W, 2)."""
    gx = cv2.sepFilter2D(image, cv2.CV_32F, slope, smooth, borderType=cv2.BORDER_REFLECT_101)
    gy = cv2.sepFilter2D(image, cv2.CV_32F, smooth, slope, borderType=cv2.BORDER_REFLECT_101)
    return np.stack([gx, gy], axis=-1).astype(np.float32)


def noise_sigma(image: NDArray[np.generic]) -> float:
    """Standard deviation of pixel noise in one picture, grey levels.

    Median absolute response to the 3 x 3 difference-of-Laplacians mask, which is blind to planes
    and straight edges along the axes (Immerkaer, Computer Vision and Image Understanding 64,
    1996, 300-302); the median, not the mean, keeps texture from counting as noise. The mask gains
    6 for white noise. Compression hides noise from it, so it is a lower estimate there.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float64)
    response = cv2.filter2D(np.asarray(image, dtype=np.float32), cv2.CV_32F, mask)[1:-1, 1:-1]
    return float(np.median(np.abs(response)) / 0.6745 / 6.0)
