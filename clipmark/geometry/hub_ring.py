"""One ring of a wheel fitted to the pixels: a circular edge, or a lip between two.

See `clipmark.geometry.hub_fit`. Flat space is where the rim is a circle. Pure maths.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.edge_band import Luma, Mapping
from clipmark.geometry.edge_bed import CircleBed
from clipmark.geometry.edge_clear import clear_reach
from clipmark.geometry.edge_model import Shape
from clipmark.geometry.edge_noise import spread_of
from clipmark.geometry.edge_solve import Solution, solve
from clipmark.geometry.hub_search import Ring

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OVAL_SHARE = 0.005  # prior sd of ovalness over radius: views up to 8 deg off square
_REACH_PX = 12.0
_PATIENCE = 0.2  # spokes: a part of the rim that is disturbed is too much
_ON_CIRCLE_PX, _ON_CIRCLE_SHARE = 0.4, 0.015  # a rim is round to better than this
_FIRST_LIP_PX = 3.0
_LIP_CONTRAST = 0.25  # a lip stands out within by this share of what it does without ...
_LIP_SHARE = 0.3  # ... in this share of the sectors


@dataclass(frozen=True)
class Flat:
    """Flat space about the rough centre, in px of about the picture's size there."""

    origin: Floats
    scale: float
    to_flat: Mapping
    from_flat: Mapping

    @classmethod
    def at(cls, rough: Floats, to_flat: Mapping, from_flat: Mapping) -> "Flat":
        """Measure the scale of flat space at the rough centre."""
        around = rough + np.array([[0.0, 0.0], [0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
        flat = to_flat(around)
        by_x, by_y = flat[1] - flat[2], flat[3] - flat[4]
        scale = float(np.sqrt(abs(by_x[0] * by_y[1] - by_x[1] * by_y[0])))
        return cls(flat[0], scale, to_flat, from_flat)

    def local(self, picture: Floats) -> Floats:
        """Local flat px of picture px, (N, 2)."""
        return (self.to_flat(picture) - self.origin) / self.scale

    def picture(self, local: Floats) -> Floats:
        """Picture px of local flat px, (N, 2)."""
        return self.from_flat(local * self.scale + self.origin)


@dataclass(frozen=True)
class FittedRing:
    """One ring fitted: `centre` (2,) and its covariance (2, 2) in local flat px.

    `radius` is that of its outer edge, `width` that of a lip (0 for a single edge); `used` the
    share of sectors that support it, `contrast` luma 0..1, `rms` px.
    """

    solution: Solution[CircleBed]
    centre: Floats
    radius: float
    width: float
    covariance: Floats
    dof: float
    used: float
    contrast: float
    rms: float


def fit_ring(
    luma: Luma, flat: Flat, ring: Ring, black: float, white: float, *, lips: bool = True
) -> FittedRing | None:
    """Fit one ring to the pixels, also as a lip if `lips`; None when too few are in the picture."""
    reach = min(_REACH_PX, 0.6 * ring.radius)
    x, y, values = _annulus(luma, flat, ring, reach + 1.5, black, white)
    if len(values) < 100:
        return None
    whole = np.issubdtype(luma.dtype, np.integer)
    code = 1.0 / (white - black) if whole else 1e-6
    bed = CircleBed.of(x, y, values, ring.radius, OVAL_SHARE * ring.radius, code)
    step = _fit_step(bed, ring, reach)
    lip = _fit_lip(bed, step, ring, reach) if lips else None
    solution = step if lip is None else lip
    spread = spread_of(solution)
    used = on_circle(solution)
    place, width = solution.shape.place, solution.shape.width or 0.0
    whole_ring = 2.0 * np.pi / max(float(np.diff(bed.angles).min()), 1e-6)
    weights = solution.weights[used]
    rms = np.sqrt(np.sum(weights * solution.offsets[used] ** 2) / max(np.sum(weights), 1e-9))
    contrasts = np.abs(solution.contrasts[used])
    return FittedRing(
        solution,
        np.array(ring.centre) + np.array(place[1:3]),
        place[0] + 0.5 * width,
        width,
        spread.covariance[1:3, 1:3],
        spread.dof,
        float(np.sum(used)) / whole_ring,
        float(np.median(contrasts)) if len(contrasts) else 0.0,
        float(rms),
    )


def _fit_step(bed: CircleBed, ring: Ring, reach: float) -> Solution[CircleBed]:
    """Fit a ring as one circular edge."""
    shape = Shape((ring.radius, 0.0, 0.0, 0.0, 0.0), 1.2, 0.6)
    wanted = min(6.0 * shape.blur + 4.0, 0.6 * reach)
    clear = clear_reach(bed, shape, (wanted, wanted), _PATIENCE)
    shape = solve(bed, shape, ring.sign, clear).shape
    wanted = min(6.0 * shape.blur + 4.0, reach)
    return solve(bed, shape, ring.sign, clear_reach(bed, shape, (wanted, wanted), _PATIENCE))


def _fit_lip(
    bed: CircleBed, step: Solution[CircleBed], ring: Ring, reach: float
) -> Solution[CircleBed] | None:
    """Fit a ring as the outer edge of a narrow lip; None where there is none.

    Most rims have one, and between the spokes it is all there is: its inner edge then lies a few
    px within, where a single edge would have its level.
    """
    radius = step.shape.place[0] - 0.5 * _FIRST_LIP_PX
    shape = replace(
        step.shape,
        place=(radius, *step.shape.place[1:]),
        tone=0.6,
        ramps=(0.0, 0.0),
        width=_FIRST_LIP_PX,
    )
    lip: Solution[CircleBed] | None = None
    for limit in (0.75 * reach, reach):
        wanted = min(6.0 * shape.blur + 4.0, limit) + 0.5 * (shape.width or 0.0)
        clear = clear_reach(bed, shape, (wanted, wanted), _PATIENCE)
        lip = solve(bed, shape, -ring.sign, clear)
        shape = lip.shape
    assert lip is not None
    used = on_circle(lip)
    if np.mean(used) < 0.85 * np.mean(on_circle(step)) or not np.any(used):
        return None
    inner, middle, outer = lip.levels[used].T
    seen = np.abs(middle - inner) > _LIP_CONTRAST * np.abs(middle - outer)
    width = lip.shape.width or 0.0
    if np.mean(seen) < _LIP_SHARE or not _FIRST_LIP_PX / 2 < width < 0.4 * radius:
        return None
    surer = np.trace(spread_of(lip).covariance[1:3, 1:3])
    return lip if surer < np.trace(spread_of(step).covariance[1:3, 1:3]) else None


def on_circle(solution: Solution[CircleBed]) -> Bools:
    """Sectors that support the circle: believed by the fit, and on it, shape (S,)."""
    radius = solution.shape.place[0]
    near = np.abs(solution.offsets) <= max(_ON_CIRCLE_PX, _ON_CIRCLE_SHARE * radius)
    return (solution.weights > 0.2) & near


def _annulus(
    luma: Luma, flat: Flat, ring: Ring, reach: float, black: float, white: float
) -> tuple[Floats, Floats, Floats]:
    """Pixels near a ring: x, y in local flat px from the ring's centre, and luma."""
    turn = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    outline = np.array(ring.centre) + (ring.radius + reach) * np.stack(
        [np.cos(turn), np.sin(turn)], axis=1
    )
    around = flat.picture(outline)
    height, width = luma.shape
    first = np.maximum(np.floor(around.min(axis=0)).astype(int), 0)
    last = np.minimum(np.ceil(around.max(axis=0)).astype(int) + 1, [width, height])
    columns, rows = np.meshgrid(np.arange(first[0], last[0]), np.arange(first[1], last[1]))
    places = np.stack([columns.ravel(), rows.ravel()], axis=1)
    local = flat.local(places.astype(np.float64)) - np.array(ring.centre)
    near = np.abs(np.hypot(local[:, 0], local[:, 1]) - ring.radius) <= reach
    codes = luma[places[near, 1], places[near, 0]].astype(np.float64)
    return local[near, 0], local[near, 1], (codes - black) / (white - black)
