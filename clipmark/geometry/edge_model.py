"""What a blurred edge or string looks like in encoded luma, and how that changes.

A picture of a step in linear light is ``dark (1 - Phi(d/s)) + bright Phi(d/s)``, with d the
distance from the edge in px and s the Gaussian blur (pixel integration adds 1/12 px^2 to
s^2). A string is two such steps a width apart. The camera writes it through a tone curve
(`clipmark.geometry.tone`). Levels are free in every segment along the line and are kept as
encoded luma, so that a change of tone curve leaves the plateaus where they are.

Pure maths: arrays in, arrays out.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from clipmark.geometry.tone import STRENGTH_LIMITS, light_from_luma, luma_from_light, luma_slope

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BLUR_LIMITS_PX = (0.2, 8.0)
WIDTH_LIMITS_PX = (0.3, 14.0)
_INV_SQRT_2PI = 1.0 / np.sqrt(2.0 * np.pi)

# Shared parameters after those of the place: columns counted from the end of the place.
LOG_BLUR, TONE, RAMP_LEFT, RAMP_RIGHT, LOG_WIDTH = range(5)
_STEP_LIMITS = (0.5, 0.4, 1.0, 1.0, 0.5)
_PLACE_STEP_PX = 1.0


@dataclass(frozen=True)
class Shape:
    """The parameters shared by the whole line or circle.

    `place` says where it lies (see the beds in `clipmark.geometry.edge_bed`); `blur` and
    `width` (strings only, else None) px; `tone` strength; `ramps` are the changes of luma per
    px away from it on its negative and positive side.
    """

    place: tuple[float, ...]
    blur: float
    tone: float
    ramps: tuple[float, float] = (0.0, 0.0)
    width: float | None = None

    @property
    def count(self) -> int:
        """Number of shared parameters: place, and 4 for a step or 5 for a string."""
        return len(self.place) + (4 if self.width is None else 5)

    def moved(self, step: Floats, reach: Floats) -> "Shape":
        """Shape after a step of the shared parameters, kept inside its limits.

        `reach` (G,) is the most that each place parameter moves a pixel, px per unit: no step
        may move the line by more than 1 px.
        """
        first = len(self.place)
        limit = np.array((0.0,) * first + _STEP_LIMITS)[: len(step)]
        limit[:first] = _PLACE_STEP_PX / reach
        step = np.clip(step, -limit, limit)
        rest = step[first:]
        blur = float(np.clip(self.blur * np.exp(rest[LOG_BLUR]), *BLUR_LIMITS_PX))
        width = self.width
        if width is not None:
            width = float(np.clip(width * np.exp(rest[LOG_WIDTH]), *WIDTH_LIMITS_PX))
        return replace(
            self,
            place=tuple(float(a + b) for a, b in zip(self.place, step[:first], strict=True)),
            blur=blur,
            tone=float(np.clip(self.tone + rest[TONE], *STRENGTH_LIMITS)),
            ramps=(self.ramps[0] + float(rest[RAMP_LEFT]), self.ramps[1] + float(rest[RAMP_RIGHT])),
            width=width,
        )


@dataclass(frozen=True)
class Picture:
    """Model luma at every pixel and its derivatives.

    ``luma`` (N,), ``shared`` (N, P) by the shared parameters, ``levels`` (N, 2 or 3) by the
    levels of the pixel's own segment.
    """

    luma: Floats
    shared: Floats
    levels: Floats


def coverage(distance: Floats, blur: float, width: float | None) -> tuple[Floats, Floats, Floats]:
    """Share of each level in a pixel, and its derivatives by distance and log blur.

    Parameters
    ----------
    distance : ndarray, shape (N,)
        Signed distance from the line, px.
    blur : float
        Gaussian standard deviation, px.
    width : float or None
        Width of a string, px; None for a step.

    Returns
    -------
    shares, by_distance, by_log_blur : ndarray, shape (N, 2) or (N, 3)
        Columns: negative side, (string,) positive side. Rows of `shares` sum to 1.
    """
    if width is None:
        z = distance / blur
        upper = ndtr(z)
        density = _INV_SQRT_2PI * np.exp(-0.5 * z * z)
        by_distance = density / blur
        by_blur = -density * z
        return (
            np.stack([1.0 - upper, upper], axis=1),
            np.stack([-by_distance, by_distance], axis=1),
            np.stack([-by_blur, by_blur], axis=1),
        )
    near, near_d, near_b = coverage(distance + 0.5 * width, blur, None)
    far, far_d, far_b = coverage(distance - 0.5 * width, blur, None)
    return tuple(  # type: ignore[return-value]
        np.stack([a[:, 0], a[:, 1] - b[:, 1], b[:, 1]], axis=1)
        for a, b in ((near, far), (near_d, far_d), (near_b, far_b))
    )


def gradual(light: Floats, adjacent: Bools) -> Floats:
    """Change of each level over its own segment, (S, K), from those of its neighbours.

    Of the changes to the segments before and after the smaller, 0 where they disagree in sign, so
    that a step between segments (a wheel before the board) stays a step. At an open end the one
    change there is counts.
    """
    after = np.roll(light, -1, axis=0) - light
    before = np.roll(after, 1, axis=0)
    has_after = adjacent[:, None]
    has_before = np.roll(adjacent, 1)[:, None]
    smaller = np.sign(after) * np.minimum(np.abs(after), np.abs(before))
    both = np.where(after * before > 0, smaller, 0.0)
    one = np.where(has_after, after, np.where(has_before, before, 0.0))
    return np.where(has_after & has_before, both, one)


def draw(
    shape: Shape,
    levels: Floats,
    distance: Floats,
    by_place: Floats,
    segment: Ints,
    shift: Floats,
    adjacent: Bools,
) -> Picture:
    """Model luma and derivatives at pixels given by their distance from the line.

    Parameters
    ----------
    shape : Shape
        Shared parameters.
    levels : ndarray, shape (S, 2) or (S, 3)
        Encoded luma of negative side, (string,) positive side, per segment.
    distance : ndarray, shape (N,)
        Signed distance of each pixel from the line or circle, px.
    by_place : ndarray, shape (N, G)
        Derivatives of the distance by the place parameters.
    segment : ndarray of int, shape (N,)
        Which row of `levels` belongs to the pixel.
    shift : ndarray, shape (N,)
        Place of the pixel within its segment, -0.5 to 0.5.
    adjacent : ndarray of bool, shape (S,)
        Whether the next segment (after the last the first) touches this one.
    """
    shares, by_distance, by_blur = coverage(distance, shape.blur, shape.width)
    light = light_from_luma(levels, shape.tone)
    own_light = light[segment] + shift[:, None] * gradual(light, adjacent)[segment]
    mixed = np.einsum("nk,nk->n", shares, own_light)
    gain = luma_slope(mixed, shape.tone)
    left, right = shares[:, 0] * distance, shares[:, -1] * distance
    luma = luma_from_light(mixed, shape.tone) + shape.ramps[0] * left + shape.ramps[1] * right

    level_gain = 1.0 / luma_slope(light, shape.tone)
    by_level = gain[:, None] * shares * level_gain[segment]
    shared = np.empty((len(distance), shape.count))
    first = len(shape.place)
    slope = gain * np.einsum("nk,nk->n", by_distance, own_light)
    slope += shape.ramps[0] * shares[:, 0] + shape.ramps[1] * shares[:, -1]
    shared[:, :first] = slope[:, None] * by_place
    shared[:, first + LOG_BLUR] = gain * np.einsum("nk,nk->n", by_blur, own_light)
    shared[:, first + TONE] = _by_tone(shape, levels, segment, shift, adjacent, shares, mixed)
    shared[:, first + RAMP_LEFT] = left
    shared[:, first + RAMP_RIGHT] = right
    if shape.width is not None:
        half = 0.5 * shape.width
        z_near = (distance + half) / shape.blur
        z_far = (distance - half) / shape.blur
        scale = half * _INV_SQRT_2PI / shape.blur
        near, far = scale * np.exp(-0.5 * z_near**2), scale * np.exp(-0.5 * z_far**2)
        by_width = -near * own_light[:, 0] + (near + far) * own_light[:, 1] - far * own_light[:, 2]
        shared[:, first + LOG_WIDTH] = gain * by_width
    return Picture(luma, shared, by_level)


def _by_tone(
    shape: Shape,
    levels: Floats,
    segment: Ints,
    shift: Floats,
    adjacent: Bools,
    shares: Floats,
    mixed: Floats,
) -> Floats:
    """Derivative of luma by tone strength at fixed encoded levels, by a small difference."""
    step = 1e-4
    light = light_from_luma(levels, shape.tone + step)
    own_light = light[segment] + shift[:, None] * gradual(light, adjacent)[segment]
    other = np.einsum("nk,nk->n", shares, own_light)
    ahead = luma_from_light(other, shape.tone + step)
    return (ahead - luma_from_light(mixed, shape.tone)) / step
