"""Whether a rim is round where it should be: in a flat picture of the plane it turns in.

A circle whose picture was flattened as if it lay in another plane is an ellipse. For a nearly round
closed curve about its middle::

    r(t) = radius + x cos t + y sin t + c cos 2t + s sin 2t

to first order in the displacement (x, y) and the ovalness (c, s); the ratio of its axes is
``1 - 2 hypot(c, s) / radius``. Flattened with the plane's turn off by d, a wheel seen at an angle v
from square on has the ratio of about ``cos(v + d) / cos(v)``. Pure maths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_POINTS = 12
LEAST_TURN = 0.6  # share of the circle that must be seen for its ovalness to be told
SECTOR_U_PX = 0.06  # what shading and covers do to one sector, as in the hub fit
ROUND_U = 0.0015  # standard, of c and s over the radius: rims are no rounder (common practice)
_SECTORS = 12


@dataclass(frozen=True, eq=False)
class Ovalness:
    """How oval a rim is.

    Attributes
    ----------
    share : ndarray, shape (2,)
        c and s over the radius.
    covariance : ndarray, shape (2, 2)
        Of `share`, from the scatter of the points and how round rims are.
    """

    share: Floats
    covariance: Floats


def mean_ovalness(rims: list[Ovalness]) -> Ovalness:
    """Weighted mean of the ovalness of several rims (JCGM 100:2008, 5.1.2, by least squares)."""
    weights = [np.linalg.inv(rim.covariance) for rim in rims]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    pulled = np.sum([w @ rim.share for w, rim in zip(weights, rims, strict=True)], axis=0)
    return Ovalness(covariance @ pulled, covariance)


def ovalness(points_px: Floats, used: Bools) -> Ovalness | None:
    """How oval a rim is in a flat picture.

    Parameters
    ----------
    points_px : ndarray, shape (M, 2)
        Points of the rim, flat px.
    used : ndarray of bool, shape (M,)
        Those that support the rim.

    Returns
    -------
    Ovalness or None
        None where too little of the rim is seen to tell.
    """
    points = points_px[used & np.isfinite(points_px).all(axis=1)]
    if len(points) < LEAST_POINTS:
        return None
    middle = _middle(points)
    away = points - middle
    turn = np.arctan2(away[:, 1], away[:, 0])
    seen = np.unique(np.floor((turn / (2.0 * np.pi) + 0.5) * _SECTORS).clip(0, _SECTORS - 1))
    if len(seen) < LEAST_TURN * _SECTORS:
        return None
    radii = np.hypot(away[:, 0], away[:, 1])
    design = _design(turn)
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ design.T @ radii
    rest = radii - design @ fit
    for _ in range(3):  # sectors that show something else count less (Tukey's biweight)
        scale = max(1.4826 * float(np.median(np.abs(rest))), 1e-3 * float(fit[0]))
        weight = np.maximum(0.0, 1.0 - (rest / (5.0 * scale)) ** 2) ** 2
        inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
        fit = inverse @ design.T @ (weight * radii)
        rest = radii - design @ fit
    dof = max(float(np.sum(weight)) - design.shape[1], 1.0)
    variance = float(np.sum(weight * rest**2)) / dof * _likeness(weight * rest) + SECTOR_U_PX**2
    radius = float(fit[0])
    own = variance * inverse[3:, 3:] / radius**2
    return Ovalness(np.asarray(fit[3:] / radius), own + ROUND_U**2 * np.eye(2))


def _design(turn: Floats) -> Floats:
    """Columns of the curve at directions, shape (M, 5)."""
    return np.stack(
        [np.ones_like(turn), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=1
    )


def _middle(points: Floats) -> Floats:
    """Centre of the circle through the points by linear least squares, shape (2,)."""
    origin = points.mean(axis=0)
    near = points - origin
    design = np.column_stack([2.0 * near, np.ones(len(near))])
    found, *_ = np.linalg.lstsq(design, np.sum(near**2, axis=1), rcond=None)
    return np.asarray(origin + found[:2], dtype=np.float64)


def _likeness(rest: Floats) -> float:
    """Factor on the variance for neighbours that err together (first-order autoregression)."""
    alike = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300)
    alike = float(np.clip(alike, 0.0, 0.8))
    return (1.0 + alike) / (1.0 - alike)
