"""Finding the round thing that was meant, near a rough centre.

Round every possible centre the picture is unrolled into rays. The change of luma outward
along each ray is capped, so that a bright spoke or a fender cannot outvote a whole rim, and
averaged over all rays: a circle about that centre stands out at its radius. Pure maths.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_RAYS = 96
_SMOOTH_PX = 1.2
_COARSE_PX, _FINE_PX = 2.0, 0.5
_SAME_RING_PX = 3.0
_LIKELY_SIZE = 0.2  # prior sd of the log of radius over the one given


@dataclass(frozen=True)
class Ring:
    """A circle found: `centre` (2,) px from the rough one, `radius` px.

    `sign` is +1 when it is brighter outside; `score` the mean capped contrast over all rays
    (luma, 0..1), `weighted` the same preferred by nearness and size.
    """

    centre: tuple[float, float]
    radius: float
    sign: int
    score: float
    weighted: float


@dataclass(frozen=True)
class RoundView:
    """Picture resampled about the rough centre: `values` (M, M) luma, 1 px apart.

    The rough centre lies at index (`zero`, `zero`); rows are y, columns x.
    """

    values: Floats
    zero: int

    def smoothed(self) -> "RoundView":
        """The same, blurred a little against noise."""
        blurred: Floats = scipy.ndimage.gaussian_filter(self.values, _SMOOTH_PX, mode="nearest")
        return RoundView(blurred, self.zero)

    def unrolled(self, centres: Floats, radii: Floats) -> Floats:
        """Luma along rays from each centre, shape (C, rays, len(radii))."""
        turn = np.arange(_RAYS) * (2.0 * np.pi / _RAYS)
        x = centres[:, 0, None, None] + np.cos(turn)[None, :, None] * radii
        y = centres[:, 1, None, None] + np.sin(turn)[None, :, None] * radii
        places = [y + self.zero, x + self.zero]
        return np.asarray(
            scipy.ndimage.map_coordinates(self.values, places, order=1, mode="nearest"),
            dtype=np.float64,
        )


def find_rings(
    view: RoundView,
    search_px: float,
    radius_range: tuple[float, float],
    likely_radius: float | None,
    limit: int = 4,
) -> list[Ring]:
    """Circles about the best centre first, then the best ring about another centre.

    Parameters
    ----------
    view : RoundView
        The picture about the rough centre, reaching beyond the largest radius.
    search_px : float
        How far the centre may lie from the rough one.
    radius_range : (float, float)
        Smallest and largest radius, px.
    likely_radius : float or None
        Radius preferred, px.

    Returns
    -------
    list of Ring
        Rings about the best centre, best first; a rival centre's ring last, if there is one.
    """
    smooth = view.smoothed()
    steps = np.arange(-np.floor(search_px / _COARSE_PX), np.floor(search_px / _COARSE_PX) + 1)
    x, y = np.meshgrid(steps * _COARSE_PX, steps * _COARSE_PX)
    coarse = np.stack([x.ravel(), y.ravel()], axis=1)
    coarse = coarse[np.hypot(coarse[:, 0], coarse[:, 1]) <= search_px + 0.5]
    radii = np.arange(radius_range[0], radius_range[1] + 1.0)
    likely = _likely(radii, likely_radius)
    scores = _scores(smooth, coarse, radii)
    merits = _merits(coarse, scores, likely, search_px)
    best = int(np.argmax(merits))
    fine_steps = np.arange(-4, 5) * _FINE_PX
    x, y = np.meshgrid(fine_steps, fine_steps)
    fine = coarse[best] + np.stack([x.ravel(), y.ravel()], axis=1)
    fine_scores = _scores(smooth, fine, radii)
    centre = int(np.argmax(_merits(fine, fine_scores, likely, search_px)))
    rings = _peaks(fine[centre], radii, fine_scores[centre], likely, limit)
    apart = np.hypot(*(coarse - fine[centre]).T) > _SAME_RING_PX + _COARSE_PX
    if np.any(apart) and rings:
        rival = int(np.argmax(np.where(apart, merits, -np.inf)))
        rings.extend(_peaks(coarse[rival], radii, scores[rival], likely, 1))
    return rings


def _likely(radii: Floats, likely_radius: float | None) -> Floats:
    """Preference of each radius, 0 to 1."""
    if likely_radius is None:
        return np.ones_like(radii)
    return np.asarray(np.exp(-0.5 * (np.log(radii / likely_radius) / _LIKELY_SIZE) ** 2))


def _scores(view: RoundView, centres: Floats, radii: Floats) -> Floats:
    """Mean capped change of luma outward, shape (C, len(radii)), signed."""
    rays = view.unrolled(centres, np.append(radii - 1.0, radii[-1] + np.array([0.0, 1.0])))
    change = 0.5 * (rays[:, :, 2:] - rays[:, :, :-2])
    strongest = np.abs(change).max(axis=2)
    cap = max(float(np.quantile(strongest, 0.5)), 1e-9)
    return np.asarray(np.clip(change, -cap, cap).mean(axis=1), dtype=np.float64)


def _merits(centres: Floats, scores: Floats, likely: Floats, search_px: float) -> Floats:
    """Merit of each centre: its best ring, and half of its second, with near centres preferred."""
    strength = np.abs(scores) * likely
    first = strength.max(axis=1)
    index = np.arange(strength.shape[1])
    near = np.abs(index[None, :] - strength.argmax(axis=1)[:, None]) < 4
    second = np.where(near, 0.0, strength).max(axis=1)
    away = np.hypot(centres[:, 0], centres[:, 1]) / (1.25 * search_px)
    return np.asarray((first + 0.5 * second) * np.exp(-0.5 * away**2), dtype=np.float64)


def _peaks(centre: Floats, radii: Floats, scores: Floats, likely: Floats, limit: int) -> list[Ring]:
    """Strongest rings about one centre, best first."""
    strength = np.abs(scores) * likely
    free = np.ones(len(radii), dtype=bool)
    found: list[Ring] = []
    while len(found) < limit and np.any(free):
        k = int(np.argmax(np.where(free, strength, -1.0)))
        found.append(
            Ring(
                (float(centre[0]), float(centre[1])),
                float(radii[k]),
                1 if scores[k] > 0 else -1,
                float(abs(scores[k])),
                float(strength[k]),
            )
        )
        free &= np.abs(radii - radii[k]) > _SAME_RING_PX
    return found
