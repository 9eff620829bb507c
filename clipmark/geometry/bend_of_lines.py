"""What lines known to be straight say of an uncalibrated lens: they are bowed as it bends them.

A line off the middle of the picture is bowed by a lens that bends; one through the middle is not
(F. Devernay and O. Faugeras, Machine Vision and Applications 13 (2001) 14-24). So the bow that an
edge fit finds in a plumb line, or in a board's edge, narrows what has to be assumed of the bend, or
shows that more of it has to be taken out than was assumed.

Positions are px of the square picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.geometry.camera import Camera
from clipmark.geometry.distortion import undistort_many

FloatArray = NDArray[np.float64]

WORTH = 0.7  # a spread not narrowed below this share of the assumed one is left as it was
# Relative, besides as much again as the bend itself: real lenses do not bend by k1 alone, and an
# equidistant lens that bends by b at the corner has a second term of 1.8 b^2 there.
SHAPE_U = 0.05
BEYOND = 3.0  # standard uncertainties by which a bend must lie outside what was assumed


@dataclass(frozen=True, eq=False)
class BowedLine:
    """A line as an edge fit found it.

    Attributes
    ----------
    points_px : ndarray, shape (K, 2)
        Along the fitted line, as the lens bends it.
    normal : ndarray, shape (2,)
        Direction towards which `bow_px` counts.
    bow_px, u_bow_px : float
        How far its middle lies off its ends, and the standard uncertainty of that.
    own_bow_px : float
        Standard bow that the thing itself may have.
    """

    points_px: FloatArray
    normal: FloatArray
    bow_px: float
    u_bow_px: float
    own_bow_px: float


@dataclass(frozen=True, eq=False)
class Bend:
    """What the lines say of the bend.

    Attributes
    ----------
    camera : Camera
        The camera with its bend as it now stands.
    corner, u_corner : float
        Radial displacement at the picture's corner over the corner's distance, negative for a
        barrel, and its standard uncertainty.
    moved : float
        By how many of its standard uncertainties the bend moved; lines are fitted anew through it.
    beyond : bool
        Whether it lies beyond what was assumed.
    """

    camera: Camera
    corner: float
    u_corner: float
    moved: float
    beyond: bool

    @property
    def sentence(self) -> str:
        """What an operator should know of a lens that bends more than was assumed."""
        return (
            f"the marked lines are bowed as by a lens that moves the picture's corner by "
            f"{100 * self.corner:+.1f} % (u {100 * self.u_corner:.1f} %), more than is assumed of "
            "a phone; this was taken out by the lines alone; calibrate the lens and give its file"
        )


def bend_of_lines(camera: Camera, lines: Sequence[BowedLine]) -> Bend | None:
    """Narrow, or correct, the assumed bend of an uncalibrated lens.

    Parameters
    ----------
    camera : Camera
        Without a lens file; one with a file is left alone.
    lines : sequence of BowedLine
        As fitted through the camera's estimate. A camera whose bend came from lines before is
        corrected by the lines alone.

    Returns
    -------
    Bend or None
        None when the lines say too little, and for a camera with a lens file.
    """
    latent = camera.bend_latent
    usable = [line for line in lines if math.isfinite(line.u_bow_px)]
    if latent is None or not usable:
        return None
    slopes = np.array([_bow_per_latent(camera, latent, line) for line in usable])
    bows = np.array([line.bow_px for line in usable])
    spread = np.array([math.hypot(line.u_bow_px, line.own_bow_px) for line in usable])
    precision = float(np.sum((slopes / spread) ** 2))
    if precision <= 0:
        return None
    sd = 1 / math.sqrt(precision)
    mean = -float(np.sum(slopes * bows / spread**2)) / precision
    chi_square = float(np.sum(((bows + slopes * mean) / spread) ** 2))
    if len(usable) > 1:  # lines that disagree know less than they state (R. T. Birge, 1932)
        sd *= math.sqrt(max(1.0, chi_square / (len(usable) - 1)))
    limit = math.sqrt(3.0)  # of a rectangular latent of standard deviation 1
    per_latent = abs(camera.corner_bend_per_latent)
    corner = abs(camera.corner_bend + camera.corner_bend_per_latent * mean)
    sd = math.hypot(sd, corner * (SHAPE_U + corner) / per_latent)
    beyond = camera.bend_is_known or abs(mean) > limit + BEYOND * sd
    if not beyond:
        if sd > WORTH:
            return None
        kept = scipy.stats.truncnorm((-limit - mean) / sd, (limit - mean) / sd, loc=mean, scale=sd)
        mean, sd = float(kept.mean()), float(kept.std())
    found = camera.with_bend(mean, sd)
    u_corner = abs(camera.corner_bend_per_latent) * sd
    return Bend(found, found.corner_bend, u_corner, abs(mean) / sd, beyond)


def _bow_per_latent(camera: Camera, latent: int, line: BowedLine) -> float:
    """Change of a line's bow, px, with the bend's latent."""
    latents = np.zeros((2, len(camera.latent_group)))
    latents[:, latent] = 0.5, -0.5
    seen = undistort_many(line.points_px, camera.params(latents))
    if not np.isfinite(seen).all():
        return 0.0
    off = (seen[0] - seen[1]) @ line.normal
    along = np.linspace(-1.0, 1.0, len(off))
    design = np.stack([np.ones_like(along), along, -(along**2)], axis=1)
    return float(np.linalg.lstsq(design, off, rcond=None)[0][2])
