"""How well a line, a sheet's corners or a hub will be placed in a picture that is not yet taken.

The bound for a straight edge of contrast A, Gaussian blur s and white noise sigma over L px is
``u(angle) >= sqrt(12 * 2 sqrt(pi) s sigma^2 / (A^2 L^3))`` rad and ``u(offset) >= u(angle) L /
sqrt(12)`` px, from the Fisher information of a blurred step (A. Gatherer, Stanford CSL-TR-93-560,
1993). Real edges stay above it: what lies behind them changes along the line, and compression and
texture make neighbours err together. The factors here were measured as what the edge fit states
over that bound, on rendered clips (x264, 4 to 12 Mbit/s, blur 0.8 to 1.8 px); docs/planning.md has
the range that was found. Pure numerics; angles rad, positions px, contrast and noise as shares of
black to white.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FIT_DOF = 30.0  # degrees of freedom behind a fitted line: 15 to 60 were found
HUB_U_PX = 0.03  # per axis at the blur below: 0.020 to 0.043 over rims of 9 to 34 px
HUB_BLUR_PX = 0.85
OFFSET_PER_BLUR = 0.09  # of a step, px per px of blur: the tone curve is known no better


@dataclass(frozen=True)
class EdgeQuality:
    """What an edge is expected to look like.

    Attributes
    ----------
    contrast, blur_px : float
    noise : float
        Standard deviation per pixel of all that is not the edge: grain, compression, texture.
    factor : float
        Standard uncertainty of the angle over the bound.
    step : bool
        A step, whose place depends on the tone curve; a string's does not.
    """

    contrast: float
    blur_px: float
    noise: float
    factor: float
    step: bool = True

    def u_turn_rad(self, length_px: float) -> float:
        """Standard uncertainty of the angle of a line of that length."""
        return self.factor * bound_rad(self.contrast, self.blur_px, self.noise, length_px)

    def u_offset_px(self, length_px: float) -> float:
        """Standard uncertainty across the line at its middle."""
        spread = self.u_turn_rad(length_px) * length_px / math.sqrt(12.0)
        return math.hypot(spread, OFFSET_PER_BLUR * self.blur_px if self.step else 0.0)


@dataclass(frozen=True)
class PictureQuality:
    """What the picture is expected to be like, kind of edge by kind of edge."""

    ramp: EdgeQuality
    level: EdgeQuality
    plumb: EdgeQuality
    sheet: EdgeQuality
    hub_u_px: float = HUB_U_PX


# Grain and compression apart, what texture adds: wood, cloth, what lies behind the edge.
RAMP_TEXTURE, LEVEL_TEXTURE, PLUMB_TEXTURE = 0.0187, 0.0155, 0.007
RAMP_FACTOR, LEVEL_FACTOR, PLUMB_FACTOR, SHEET_FACTOR = 11.0, 21.0, 5.0, 5.0
LEVEL_CONTRAST, PLUMB_CONTRAST, SHEET_CONTRAST = 0.32, 0.25, 0.62
USUAL_BLUR_PX, USUAL_CONTRAST, USUAL_NOISE = 0.85, 0.28, 0.007
STRING_FULL_PX = 1.6  # a thinner string shows less than its full contrast


def usual_quality(
    blur_px: float = USUAL_BLUR_PX,
    contrast: float = USUAL_CONTRAST,
    noise: float = USUAL_NOISE,
    compression: float = 1.0,
) -> PictureQuality:
    """Quality of a picture from what an operator can state of it.

    Parameters
    ----------
    blur_px : float
        Gaussian blur of edges.
    contrast : float
        Of the board's edge against what lies behind it.
    noise : float
        Of an even surface, decoded.
    compression : float
        Multiplies what correlated noise adds; 1 is 4 to 12 Mbit/s at 1080p.
    """

    def edge(contrast: float, texture: float, factor: float, step: bool = True) -> EdgeQuality:
        return EdgeQuality(
            contrast, blur_px, math.hypot(texture, noise), compression * factor, step
        )

    return PictureQuality(
        ramp=edge(contrast, RAMP_TEXTURE, RAMP_FACTOR),
        level=edge(LEVEL_CONTRAST, LEVEL_TEXTURE, LEVEL_FACTOR),
        plumb=edge(PLUMB_CONTRAST, PLUMB_TEXTURE, PLUMB_FACTOR, step=False),
        sheet=edge(SHEET_CONTRAST, 0.0, SHEET_FACTOR),
        hub_u_px=HUB_U_PX * compression * blur_px / HUB_BLUR_PX,
    )


def thin_string(quality: EdgeQuality, width_px: float) -> EdgeQuality:
    """The quality of a string that is only `width_px` wide in the picture."""
    share = min(1.0, width_px / STRING_FULL_PX)
    return replace(quality, contrast=quality.contrast * share)


def bound_rad(contrast: float, blur_px: float, noise: float, length_px: float) -> float:
    """Least standard uncertainty of the angle of an edge in white noise; see the module's head."""
    information = (contrast / noise) ** 2 * length_px**3
    return math.sqrt(12.0 * 2.0 * math.sqrt(math.pi) * blur_px / information)


def corner_covariance(
    corners_px: FloatArray, quality: EdgeQuality, trim: float = 0.04
) -> FloatArray:
    """Covariance of a sheet's corners as the crossings of its fitted sides, shape (4, 2, 2), px^2.

    Parameters
    ----------
    corners_px : ndarray, shape (4, 2)
        Going round the sheet.
    quality : EdgeQuality
        Of its sides.
    trim : float
        Share of each side left out of its fit at both ends.
    """
    sides = np.roll(corners_px, -1, axis=0) - corners_px
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    normals = np.stack([-sides[:, 1], sides[:, 0]], axis=1) / lengths[:, None]
    fitted = lengths * (1.0 - 2.0 * trim)
    # At a side's end, half its length from the middle of the fit.
    variances = [
        quality.u_offset_px(part) ** 2 + (quality.u_turn_rad(part) * whole / 2) ** 2
        for part, whole in zip(fitted.tolist(), lengths.tolist(), strict=True)
    ]
    found = np.empty((4, 2, 2))
    for index in range(4):
        two = [index - 1, index]
        inverse = np.linalg.inv(normals[two])
        found[index] = inverse @ np.diag([variances[side] for side in two]) @ inverse.T
    return found
