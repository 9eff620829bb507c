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

from clipmark.geometry.tone import STRENGTH_LIMITS, Written, light_from_luma, luma_slope

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


def coverage(distance: Floats, blur: float, width: float | None) -> Floats:
    """Share of each level in every pixel.

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
    ndarray, shape (2, N) or (3, N)
        Rows: negative side, (string,) positive side. They sum to 1.
    """
    if width is None:
        upper = ndtr(distance / blur)
        return np.stack([1.0 - upper, upper])
    near = ndtr((distance + 0.5 * width) / blur)
    far = ndtr((distance - 0.5 * width) / blur)
    return np.stack([1.0 - near, near - far, far])


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


@dataclass(frozen=True, eq=False)
class Drawing:
    """The model's luma at the pixels, with what its derivatives need.

    ``luma`` (N,); ``shares`` (K, N) of the levels, K 2 or 3; ``own_light`` (K, N) the light of
    each level there; ``mixed`` (N,) the light of the pixel, ``written`` how a camera writes it.
    """

    shape: Shape
    levels: Floats
    distance: Floats
    segment: Ints
    shift: Floats
    adjacent: Bools
    shares: Floats
    own_light: Floats
    mixed: Floats
    written: Written
    luma: Floats

    def derivatives(self, by_place: Floats) -> tuple[Floats, Floats]:
        """By the shared parameters (P, N), and by the levels of the pixel's own segment (K, N).

        `by_place` (G, N) are those of the distance by the place parameters. The ramps are nothing
        where the shares change, so that their change with the shares is left out.
        """
        shape, shares = self.shape, self.shares
        gain = self.written.slope
        level_gain = 1.0 / luma_slope(light_from_luma(self.levels, shape.tone), shape.tone)
        by_level = gain * shares * np.take(level_gain.T, self.segment, axis=1)
        by_distance, by_blur, by_width = self._by_form(gain)
        by_distance += shape.ramps[0] * shares[0] + shape.ramps[1] * shares[-1]
        first = len(shape.place)
        shared = np.empty((shape.count, len(self.distance)))
        np.multiply(by_distance, by_place, out=shared[:first])
        shared[first + LOG_BLUR] = by_blur
        shared[first + TONE] = self._by_tone(gain)
        np.multiply(shares[0], self.distance, out=shared[first + RAMP_LEFT])
        np.multiply(shares[-1], self.distance, out=shared[first + RAMP_RIGHT])
        if by_width is not None:
            shared[first + LOG_WIDTH] = by_width
        return shared, by_level

    def _by_form(self, gain: Floats) -> tuple[Floats, Floats, Floats | None]:
        """Luma's derivatives by distance (without ramps), log blur and, of strings, log width."""
        blur, width, light = self.shape.blur, self.shape.width, self.own_light
        if width is None:
            z = self.distance / blur
            steep = _bell(z) * (light[1] - light[0]) * gain
            return steep / blur, -steep * z, None
        z_near = (self.distance + 0.5 * width) / blur
        z_far = (self.distance - 0.5 * width) / blur
        near = _bell(z_near) * (light[1] - light[0]) * gain
        far = _bell(z_far) * (light[2] - light[1]) * gain
        return (
            (near + far) / blur,
            -(near * z_near + far * z_far),
            0.5 * width / blur * (near - far),
        )

    def _by_tone(self, gain: Floats) -> Floats:
        """Derivative of luma by tone strength at fixed encoded levels.

        That of the light of the few levels is a small difference, all the rest is exact.
        """
        step = 1e-4
        ahead = _own_light(
            light_from_luma(self.levels, self.shape.tone + step),
            self.segment,
            self.shift,
            self.adjacent,
        )
        by_light: Floats = (np.einsum("kn,kn->n", self.shares, ahead) - self.mixed) / step
        return self.written.by_strength() + gain * by_light


def draw(
    shape: Shape,
    levels: Floats,
    distance: Floats,
    segment: Ints,
    shift: Floats,
    adjacent: Bools,
) -> Drawing:
    """Model luma at pixels given by their distance from the line.

    Parameters
    ----------
    shape : Shape
        Shared parameters.
    levels : ndarray, shape (S, 2) or (S, 3)
        Encoded luma of negative side, (string,) positive side, per segment.
    distance : ndarray, shape (N,)
        Signed distance of each pixel from the line or circle, px.
    segment : ndarray of int, shape (N,)
        Which row of `levels` belongs to the pixel.
    shift : ndarray, shape (N,)
        Place of the pixel within its segment, -0.5 to 0.5.
    adjacent : ndarray of bool, shape (S,)
        Whether the next segment (after the last the first) touches this one.
    """
    shares = coverage(distance, shape.blur, shape.width)
    own_light = _own_light(light_from_luma(levels, shape.tone), segment, shift, adjacent)
    mixed = np.einsum("kn,kn->n", shares, own_light)
    written = Written.of(mixed, shape.tone)
    ramps = shape.ramps[0] * shares[0] + shape.ramps[1] * shares[-1]
    luma = written.luma + ramps * distance
    return Drawing(
        shape,
        levels,
        distance,
        segment,
        shift,
        adjacent,
        shares,
        own_light,
        mixed,
        written,
        luma,
    )


def _own_light(light: Floats, segment: Ints, shift: Floats, adjacent: Bools) -> Floats:
    """Light of each level at every pixel, (K, N), from that of the segments, (S, K)."""
    change = gradual(light, adjacent)
    return np.take(light.T, segment, axis=1) + shift * np.take(change.T, segment, axis=1)


def _bell(z: Floats) -> Floats:
    """Density of the standard normal distribution."""
    return np.asarray(_INV_SQRT_2PI * np.exp(-0.5 * z * z), dtype=np.float64)
