"""Maximum-likelihood fit of a blurred line to pixels, robust against what covers part of it.

The shared parameters (offset, slope, blur, tone, ramps, width) are found by Gauss-Newton
steps; the levels, free in every segment, are eliminated from each step (Schur complement).
Segments whose own offset, noise or contrast contradicts the rest are weighed down
(Tukey's biweight), pixels beyond four noise sigmas likewise. Pure maths.
"""

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.edge_bed import Bed, products, segment_sums
from clipmark.geometry.edge_model import (
    LOG_BLUR,
    LOG_WIDTH,
    RAMP_LEFT,
    RAMP_RIGHT,
    TONE,
    Shape,
    coverage,
    draw,
)
from clipmark.geometry.edge_robust import segment_weights
from clipmark.geometry.tone import PRIOR_STRENGTH

Floats = NDArray[np.float64]
B = TypeVar("B", bound=Bed)

_CLIP_SIGMAS = 4.0
_RAMP_SHARE = 0.1  # prior sd of a ramp: this share of the contrast over the band
_STEPS = 24
_HELD_STEPS = 4


@dataclass(frozen=True)
class Solution(Generic[B]):
    """A fitted line or circle.

    ``bed`` the pixels used; ``levels`` (S, K) encoded luma; ``sigma`` noise per pixel (luma,
    0..1); ``covariance`` (P, P) of the shared parameters for white noise; ``influence`` (N, G)
    what each pixel adds to the place parameters; ``offsets``, ``u_offsets``,
    ``weights`` (S,) of the segments; ``cost`` the mean robust squared residual.
    """

    bed: B
    shape: Shape
    levels: Floats
    sigma: float
    covariance: Floats
    influence: Floats
    offsets: Floats
    u_offsets: Floats
    weights: Floats
    cost: float

    @property
    def contrasts(self) -> Floats:
        """Signed contrast of each segment, luma: positive side less negative, or string less
        background."""
        return contrasts_of(self.levels)


def contrasts_of(levels: Floats) -> Floats:
    """Signed contrast of rows of levels, shape (S, 2) or (S, 3)."""
    if levels.shape[1] == 2:
        return levels[:, 1] - levels[:, 0]
    return levels[:, 1] - 0.5 * (levels[:, 0] + levels[:, 2])


def solve(
    bed: B, start: Shape, sign: int, reach: tuple[float, float], inflation: float = 1.0
) -> Solution[B]:
    """Fit a line to the pixels of a bed within `reach` of it.

    Parameters
    ----------
    bed : LineBed or CircleBed
        The pixels, of a line or of a circle.
    start : Shape
        First guess, its line within about one blur of the truth.
    sign : int
        +1 or -1, the polarity that every segment must show; 0 where it may change along the line.
    reach : (float, float)
        How far from the line pixels are used on its negative and positive side, px.
    inflation : float
        How many times less than their number the pixels are worth, their noise being
        correlated: what is known beforehand (of tone curve and ramps) counts that much more.
    """
    bed = bed.within(start.place, reach)
    shape, levels = start, _first_levels(bed, start)
    weights = np.ones(len(bed.starts))
    tried, tried_levels, best, share = shape, levels, np.inf, 1.0
    step, level_step = np.zeros(shape.count), np.zeros_like(levels)
    clip, first, adjacent = np.inf, len(shape.place), bed.adjacent
    for turn in range(_STEPS):
        distance = bed.distance(tried.place)
        picture = draw(tried, tried_levels, distance, bed.segment, bed.shift, adjacent)
        residual = bed.luma - picture.luma
        cost = _cost(residual, weights[bed.segment], clip)
        if cost > best * 1.0001 and share > 0.1:  # too far: go half as far from the last place
            share *= 0.5
            tried, tried_levels = _moved(bed, shape, levels, share * step, share * level_step)
            continue
        shape, levels, share = tried, tried_levels, 1.0
        sigma, clip = _noise(bed, shape, distance, residual, weights)
        pixel = np.minimum(1.0, (clip / (np.abs(residual) + 1e-12)) ** 2)
        derivatives = picture.derivatives(bed.by_place(tried.place))
        system = _System(bed, *derivatives, residual, pixel)
        offsets, variances = system.segment_offsets(sigma)
        weights = segment_weights(
            offsets,
            variances,
            bed.trend(),
            system.rms(),
            sigma,
            contrasts_of(levels),
            sign,
            adjacent,
        ) * bed.trust(levels)
        best = _cost(residual, weights[bed.segment], clip)
        precision, pull = _prior(
            bed, shape, contrasts_of(levels), weights, sum(reach) / 2.0, clip / _CLIP_SIGMAS
        )
        precision, pull = precision * inflation, pull * inflation
        if turn < _HELD_STEPS // 2:  # until the segments are sorted, nor does its width
            precision[first + LOG_BLUR] = 1e6
        if turn < _HELD_STEPS:  # until the edge is in place, its asymmetry means nothing
            precision[first + TONE : first + RAMP_RIGHT + 1] = 1e6
        inverse, step, level_step = system.step(weights, precision, pull)
        settled = np.abs(step[:first]) @ bed.reach < 0.02 * sigma * np.sqrt(inverse[0, 0]) + 1e-6
        if turn > _HELD_STEPS and settled:
            break
        tried, tried_levels = _moved(bed, shape, levels, step, level_step)
    active = weights[bed.segment] * pixel
    cost = float(np.sum(active * residual**2) / max(np.sum(active), 1e-12))
    return Solution(
        bed,
        shape,
        levels,
        sigma,
        inverse * sigma**2,
        system.influence(inverse, weights)[:, :first],
        offsets,
        np.sqrt(variances),
        weights,
        cost,
    )


def _moved(
    bed: Bed, shape: Shape, levels: Floats, step: Floats, level_step: Floats
) -> tuple[Shape, Floats]:
    """Shape and levels after a step, kept inside their limits."""
    moved = shape.moved(step, bed.reach)
    return moved, np.clip(levels + np.clip(level_step, -0.3, 0.3), -0.2, 1.3)


def _cost(residual: Floats, weight: Floats, clip: float) -> float:
    """Sum of squared residuals that saturates beyond `clip`."""
    squares = residual**2
    return float(np.sum(weight * squares / (1.0 + squares / clip**2)))


def _first_levels(bed: Bed, shape: Shape) -> Floats:
    """Levels of every segment by linear least squares, shape (S, K)."""
    shares = coverage(bed.distance(shape.place), shape.blur, shape.width)
    size = len(shares)
    rows = np.concatenate([shares, bed.luma[None]])
    full = products(bed, rows, np.ones(len(bed.luma)))
    ridge = 0.05
    right = full[:, :size, -1] + ridge * float(np.mean(bed.luma))
    levels = np.linalg.solve(full[:, :size, :size] + ridge * np.eye(size), right[..., None])
    return np.clip(levels[..., 0], -0.2, 1.3)


def _noise(
    bed: Bed, shape: Shape, distance: Floats, residual: Floats, weights: Floats
) -> tuple[float, float]:
    """Noise per pixel, and the residual beyond which a pixel is weighed down.

    The noise is judged by the median residual of all used pixels; the limit also by those on the
    edge itself, so that an edge not yet in place is not taken for outliers.
    """
    believed = weights[bed.segment] > 0.1
    size = np.abs(residual)
    if not np.any(believed):
        believed = np.ones(len(size), dtype=bool)
    sigma = max(_spread_of(size[believed]), bed.floor)
    edge = believed & (np.abs(distance) < 1.5 * shape.blur + 0.5 * (shape.width or 0.0))
    on_edge = 1.4826 * float(np.median(size[edge])) if np.any(edge) else sigma
    return sigma, _CLIP_SIGMAS * max(sigma, on_edge)


def _spread_of(size: Floats) -> float:
    """Standard deviation of residuals from their sizes, without the far ones.

    The median alone would be off by up to 40 % where noise is about one luma code.
    """
    limit = 3.0 * 1.4826 * float(np.median(size))
    near = size[size <= limit]
    return 1.0136 * float(np.sqrt(np.mean(near**2))) if len(near) else 0.0  # of 3 sigma cut off


def _prior(
    bed: Bed, shape: Shape, contrasts: Floats, weights: Floats, band_px: float, sigma: float
) -> tuple[Floats, Floats]:
    """Precision of the priors and their pull, in units of the noise, each (P,)."""
    contrast = float(np.median(np.abs(contrasts[weights > 0]))) if np.any(weights > 0) else 0.1
    spread = np.full(shape.count, np.inf)
    centre = np.zeros(shape.count)
    first = len(shape.place)
    spread[:first], centre[:first] = bed.place_spread, -np.array(shape.place)
    centre[~np.isfinite(spread)] = 0.0
    rest, pull = spread[first:], centre[first:]  # views
    rest[LOG_BLUR], pull[LOG_BLUR] = 0.8, np.log(1.2 / shape.blur)
    rest[TONE], pull[TONE] = PRIOR_STRENGTH[1], PRIOR_STRENGTH[0] - shape.tone
    rest[RAMP_LEFT : RAMP_RIGHT + 1] = _RAMP_SHARE * max(contrast, sigma) / band_px
    pull[RAMP_LEFT : RAMP_RIGHT + 1] = -np.array(shape.ramps)
    if shape.width is not None:
        rest[LOG_WIDTH], pull[LOG_WIDTH] = 0.8, np.log(2.0 / shape.width)
    precision = (sigma / spread) ** 2
    return precision, precision * centre


class _System:
    """Normal equations of one Gauss-Newton step, kept per segment.

    ``shared`` (P, N) and ``levels`` (K, N) are the derivatives, ``pixel`` (N,) the weights.
    """

    def __init__(
        self, bed: Bed, shared: Floats, levels: Floats, residual: Floats, pixel: Floats
    ) -> None:
        self.bed, self.shared, self.levels = bed, shared, levels
        self.residual, self.pixel = residual, pixel
        count, size = len(shared), len(levels)
        both = np.concatenate([shared, levels, residual[None]])
        full = products(bed, both, pixel)
        self.globals = full[:, :count, :count]
        self.cross = full[:, count:-1, :count]
        local = full[:, count:-1, count:-1] + 1e-6 * np.eye(size)
        self.local_inverse = np.linalg.inv(local)
        self.right = full[:, :count, -1]
        self.local_right = full[:, count:-1, -1]
        self.squares = full[:, -1, -1]
        self.gain = self.local_inverse @ self.cross  # (S, K, P): levels answer shared steps

    def rms(self) -> Floats:
        """Rms residual of each segment, (S,)."""
        count = np.maximum(segment_sums(self.bed, self.pixel), 1e-9)
        return np.sqrt(self.squares / count)

    def segment_offsets(self, sigma: float) -> tuple[Floats, Floats]:
        """Offset of each segment from the line on its own, and its variance, px and px^2."""
        information = self.globals[:, 0, 0] - np.einsum(
            "sk,sk->s", self.cross[:, :, 0], self.gain[:, :, 0]
        )
        information = np.maximum(information, 1e-9)
        right = self.right[:, 0] - np.einsum("sk,sk->s", self.gain[:, :, 0], self.local_right)
        return right / information, sigma**2 / information

    def step(
        self, weights: Floats, precision: Floats, pull: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Inverse of the reduced matrix (P, P), shared step (P,), level steps (S, K)."""
        reduced = self.globals - np.einsum("skp,skq->spq", self.cross, self.gain)
        right = self.right - np.einsum("skp,sk->sp", self.gain, self.local_right)
        matrix = np.einsum("s,spq->pq", weights, reduced) + np.diag(precision)
        vector = weights @ right + pull
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-18))
        scaled = matrix * np.outer(scale, scale) + 1e-12 * np.eye(len(scale))
        inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
        step = inverse @ vector
        level_step = np.einsum("skl,sl->sk", self.local_inverse, self.local_right)
        return inverse, step, level_step - self.gain @ step

    def influence(self, inverse: Floats, weights: Floats) -> Floats:
        """What each pixel's residual adds to the shared parameters, shape (N, P)."""
        own = self.gain[self.bed.segment]  # (N, K, P)
        clean = self.shared - np.einsum("kn,nkp->pn", self.levels, own)
        force = self.pixel * weights[self.bed.segment] * self.residual
        return np.asarray((clean * force).T @ inverse, dtype=np.float64)
