"""Where the hub of a wheel lies, from the circles of its rim.

The circles are found near a rough centre (`clipmark.geometry.hub_search`) and fitted to the
decoded pixels through the camera's tone curve, as straight edges are
(`clipmark.geometry.edge_solve`), in a flat space where the rim is a circle: pixel aspect, lens
and plane applied. What hides part of a rim (a fender, a spoke, a shadow) is weighed down.
Pure maths: arrays in, small frozen facts out.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import FitError
from clipmark.geometry.edge_band import Luma, Mapping, identity
from clipmark.geometry.hub_ring import FittedRing, Flat, fit_ring, on_circle
from clipmark.geometry.hub_search import Ring, RoundView, find_rings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SMALLEST_RIM_PX = 8.0
LARGEST_RIM_SHARE = 0.12  # of the picture's longer side, when the size is not given
RIM_TOLERANCE = 0.25  # how far a given rim radius may be off
MIN_USED = 0.4  # of a circle of 25 px radius and more must support it
MIN_CONTRAST_SIGMAS = 3.0
_SECTOR_U_PX = 0.06  # what shading and covers that the model does not know do to one sector
_WORTH_SHARE = 0.4  # of the strongest ring's score: weaker ones are not fitted
_RIVAL_SHARE = 0.7
_AGREE_PX = 1.0  # rings whose centres lie further apart than this (and 3 u) disagree


@dataclass(frozen=True, eq=False)
class HubFit:
    """A wheel's hub.

    Attributes
    ----------
    centre_px : ndarray, shape (2,)
        The hub, picture px.
    covariance : ndarray, shape (2, 2)
        Of `centre_px`, px^2.
    dof : float
        Its degrees of freedom.
    radius_px : float
        Radius of the best ring (the outer edge of its lip), px at the hub's scale.
    rim_points : ndarray, shape (M, 2)
        Points where each sector's edge was found, picture px, for drawing.
    rim_used : ndarray of bool, shape (M,)
        Whether that sector supports the fit.
    rms_px : float
        Rms distance of the used points from their circle.
    used_fraction : float
        Share of the best ring that supports it.
    rings : int
        Number of concentric rings combined.
    blur_px, contrast, noise, tone : float
        As in an edge fit, of the best ring.
    warnings : tuple of str
        Sentences an operator must see.
    """

    centre_px: Floats
    covariance: Floats
    dof: float
    radius_px: float
    rim_points: Floats
    rim_used: Bools
    rms_px: float
    used_fraction: float
    rings: int
    blur_px: float
    contrast: float
    noise: float
    tone: float
    warnings: tuple[str, ...]


def fit_hub(
    luma: Luma,
    rough: ArrayLike,
    *,
    rim_px: float | None = None,
    black: float,
    white: float,
    to_flat: Mapping = identity,
    from_flat: Mapping = identity,
    search_px: float = 8.0,
    quick: bool = False,
) -> HubFit:
    """Find the wheel near a rough centre and its hub.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Decoded luma codes of the upright picture.
    rough : array_like, shape (2,)
        Rough centre ``(x, y)``, picture px.
    rim_px : float or None
        Radius of the rim, picture px, known within a quarter; None when unknown.
    black, white : float
        Luma codes of black and white.
    to_flat, from_flat : callable
        Map points (N, 2) between picture px and flat coordinates of any scale.
    search_px : float
        How far the rough centre may be off.
    quick : bool
        Fit one ring as a plain edge, instead of up to three that may be lips: a fifth of the time,
        and good enough where the hub is followed anyway.

    Returns
    -------
    HubFit

    Raises
    ------
    FitError
        If the centre lies outside the picture or nothing round is there.
    """
    start = _checked(luma, rough, rim_px)
    flat = Flat.at(start, to_flat, from_flat)
    if rim_px is None:
        largest = max(LARGEST_RIM_SHARE * max(luma.shape), 2.0 * SMALLEST_RIM_PX)
        radii = (SMALLEST_RIM_PX, largest)
    else:
        radii = (rim_px * (1.0 - RIM_TOLERANCE), rim_px * (1.0 + RIM_TOLERANCE))
    view = _view(luma, flat, radii[1] + search_px + 6.0, black, white)
    rings = find_rings(view, search_px, radii, rim_px, limit=1 if quick else 3)
    least = _WORTH_SHARE * max(ring.weighted for ring in rings)
    worth = [ring for ring in rings if ring.weighted >= least]
    fitted = [(ring, fit_ring(luma, flat, ring, black, white, lips=not quick)) for ring in worth]
    good = [(ring, fit) for ring, fit in fitted if fit is not None and _believable(fit)]
    if not good:
        best_effort = [fit for _, fit in fitted if fit is not None]
        raise FitError(_nothing_round(start, max(best_effort, key=lambda f: f.used, default=None)))
    return _combine(flat, good)


def _checked(luma: Luma, rough: ArrayLike, rim_px: float | None) -> Floats:
    """The rough centre, shape (2,), checked against the picture."""
    start = np.asarray(rough, dtype=np.float64)
    height, width = luma.shape
    if start.shape != (2,) or not np.all(np.isfinite(start)):
        raise FitError("a rough wheel centre needs two finite numbers, x and y")
    if not (0 <= start[0] <= width - 1 and 0 <= start[1] <= height - 1):
        raise FitError(
            f"the wheel centre ({start[0]:g}, {start[1]:g}) lies outside the picture of "
            f"{width} x {height} px; mark it inside"
        )
    if rim_px is not None and not SMALLEST_RIM_PX <= rim_px <= 0.5 * min(width, height):
        raise FitError(
            f"a rim radius of {rim_px:g} px cannot be fitted in a picture of {width} x {height} "
            f"px; give one between {SMALLEST_RIM_PX:.0f} and {0.5 * min(width, height):.0f} px"
        )
    return start


def _view(luma: Luma, flat: Flat, reach: float, black: float, white: float) -> RoundView:
    """Picture about the rough centre in flat space, 1 px apart, for searching."""
    zero = int(np.ceil(reach))
    axis = np.arange(-zero, zero + 1, dtype=np.float64)
    x, y = np.meshgrid(axis, axis)
    places = flat.picture(np.stack([x.ravel(), y.ravel()], axis=1))
    height, width = luma.shape
    first = np.clip(np.floor(places.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    last = np.clip(np.ceil(places.max(axis=0)) + 1, first + 2, [width, height]).astype(int)
    part = luma[first[1] : last[1], first[0] : last[0]].astype(np.float64)
    values = scipy.ndimage.map_coordinates(
        part, [places[:, 1] - first[1], places[:, 0] - first[0]], order=1, mode="nearest"
    )
    return RoundView(((values - black) / (white - black)).reshape(x.shape), zero)


def _believable(fit: FittedRing) -> bool:
    """Whether a ring is a ring: enough of it, clear enough, and round."""
    return (
        fit.used >= _least_used(fit.radius)
        and fit.contrast >= MIN_CONTRAST_SIGMAS * fit.solution.sigma
        and float(np.sqrt(np.trace(fit.covariance))) <= max(1.0, 0.03 * fit.radius)
        and fit.radius >= SMALLEST_RIM_PX * 0.9
    )


def _least_used(radius: float) -> float:
    """Share of a circle that must be seen: more of a small one, since specks are round too."""
    return MIN_USED + 0.25 * float(np.clip((25.0 - radius) / 15.0, 0.0, 1.0))


def _nothing_round(start: Floats, best: FittedRing | None) -> str:
    """The sentence for a place where no wheel is."""
    where = f"no wheel was found near ({start[0]:.0f}, {start[1]:.0f}): "
    remedy = "; mark the hub closer to its middle, give the rim's radius, or mark a clearer wheel"
    if best is None:
        return where + "too little of a circle lies in the picture" + remedy
    if best.contrast < MIN_CONTRAST_SIGMAS * best.solution.sigma:
        return (
            where
            + f"the contrast of the best circle is {100 * best.contrast:.1f} % of white at a noise "
            f"of {100 * best.solution.sigma:.1f} %" + remedy
        )
    return (
        where + f"only {100 * best.used:.0f} % of the best circle (radius {best.radius:.0f} px) "
        f"shows an edge, with a scatter of {best.rms:.2f} px" + remedy
    )


def _combine(flat: Flat, good: list[tuple[Ring, FittedRing]]) -> HubFit:
    """One hub from the rings that agree with the best."""
    lead = max(good, key=lambda pair: pair[0].weighted * pair[1].used)
    best = lead[1]
    agreeing, rival = [best], None
    for ring, fit in good:
        if fit is best:
            continue
        gap = float(np.hypot(*(fit.centre - best.centre)))
        u_gap = float(np.sqrt(np.trace(fit.covariance) + np.trace(best.covariance)))
        if abs(fit.radius - best.radius) < 1.5 + max(fit.width, best.width):
            continue
        if gap < min(max(0.3, 3.0 * u_gap), _AGREE_PX) and _as_good(fit, best):
            agreeing.append(fit)
        elif ring.weighted > _RIVAL_SHARE * lead[0].weighted and gap > _AGREE_PX:
            rival = fit
    weights = [np.linalg.inv(fit.covariance) for fit in agreeing]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    centre = covariance @ np.sum([w @ f.centre for w, f in zip(weights, agreeing, strict=True)], 0)
    if len(agreeing) > 1:  # rings that scatter more than they say
        misfit = sum(
            float((f.centre - centre) @ w @ (f.centre - centre))
            for w, f in zip(weights, agreeing, strict=True)
        )
        covariance = covariance * max(1.0, misfit / (2.0 * (len(agreeing) - 1)))
    covariance = covariance + _model_covariance(best)
    return _report(flat, best, len(agreeing), centre, covariance, rival)


def _model_covariance(fit: FittedRing) -> Floats:
    """What unmodelled errors of single sectors do to the centre, shape (2, 2), px^2.

    Small for a rim in full view; where a part is hidden, radius and centre share what is left.
    """
    trend = fit.solution.bed.trend()[on_circle(fit.solution)]
    return np.asarray(_SECTOR_U_PX**2 * np.linalg.inv(trend.T @ trend)[1:, 1:], dtype=np.float64)


def _as_good(fit: FittedRing, best: FittedRing) -> bool:
    """Whether a second ring is clear enough to be combined with the best one."""
    return (
        fit.used > 0.8 * best.used
        and fit.contrast > 0.4 * best.contrast
        and fit.rms < 2.0 * best.rms + 0.02
    )


def _report(
    flat: Flat,
    best: FittedRing,
    count: int,
    centre: Floats,
    covariance: Floats,
    rival: FittedRing | None,
) -> HubFit:
    """Everything known about a hub, back in the picture."""
    solution = best.solution
    bed = solution.bed
    a, b = solution.shape.place[3:]
    oval = a * np.cos(2.0 * bed.angles) + b * np.sin(2.0 * bed.angles)
    radius = best.radius + oval + solution.offsets  # of the outer edge
    points = best.centre + radius[:, None] * bed.trend()[:, 1:]
    step = 0.5
    corners = centre + step * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    shown = flat.picture(corners)
    jacobian = np.stack([shown[1] - shown[2], shown[3] - shown[4]], axis=1) / (2.0 * step)
    told: list[str] = []
    if best.used < 0.6:
        told.append(
            f"only {100 * best.used:.0f} % of the rim supports the hub at ({shown[0][0]:.1f}, "
            f"{shown[0][1]:.1f}); check what covers the rest"
        )
    if rival is not None:
        away = float(np.hypot(*(rival.centre - best.centre)))
        told.append(
            f"another circle of radius {rival.radius:.0f} px has its centre {away:.1f} px away; "
            "check that the hub was found, or mark it closer"
        )
    return HubFit(
        centre_px=shown[0],
        covariance=jacobian @ covariance @ jacobian.T,
        dof=best.dof,
        radius_px=best.radius,
        rim_points=flat.picture(points),
        rim_used=on_circle(solution),
        rms_px=best.rms,
        used_fraction=min(best.used, 1.0),
        rings=count,
        blur_px=solution.shape.blur,
        contrast=best.contrast,
        noise=solution.sigma,
        tone=solution.shape.tone,
        warnings=tuple(told),
    )
