"""How a lens bends straight lines: two models, forward and back, for many lenses at once.

A lens is a parameter vector: ``fx, fy, cx, cy`` (px) and then the distortion coefficients,
``k1, k2, p1, p2, k3`` for the ordinary model (9 in all) or ``k1, k2, k3, k4`` for the fisheye
model (8 in all), so the length of the vector names the model. Positions are px of the square
picture (pixel aspect applied), centre of the top-left pixel at (0, 0), x right, y down. "Ray
coordinates" are ``(x, y)`` of the viewing ray ``(x, y, 1)`` in the camera's own axes: x right,
y down, z forward.

Sources: D. C. Brown, Photogramm. Eng. 37 (1971) 855-866; A. E. Conrady, MNRAS 79 (1919) 384-390;
the equidistant polynomial of J. Kannala and S. Brandt, IEEE Trans. PAMI 28 (2006) 1335-1340.
Coefficients in the form and order of the OpenCV documentation (module calib3d).

The polynomials fold back beyond some radius: from there on, two directions share one picture
position, and the model means nothing. Every function here gives NaN beyond the fold.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

ORDINARY_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
FISHEYE_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "k3", "k4")
MAX_RAY_RAD = 1.55  # 88.8 deg off the axis; a ray at 90 deg never meets the picture plane
USABLE_REACH = 0.97  # share of the way to the fold where marks still mean something
NEWTON_STEPS = 12
CONVERGED = 1e-12  # ray coordinates; 1e-9 px at a focal length of 1000 px


def is_fisheye(params: FloatArray) -> bool:
    """Tell the model from the length of the parameter vector(s), shape (..., 8) or (..., 9)."""
    count = params.shape[-1]
    if count not in (len(ORDINARY_NAMES), len(FISHEYE_NAMES)):
        raise ValueError(f"a lens has 9 (ordinary) or 8 (fisheye) parameters, not {count}")
    return bool(count == len(FISHEYE_NAMES))


def pixels_to_rays(points_px: FloatArray, params: FloatArray) -> FloatArray:
    """Viewing rays of picture positions, the distortion taken out by Newton's method.

    Parameters
    ----------
    points_px : ndarray, shape (P, 2) or (D, P, 2)
        Picture positions, px of the square picture; one set for all lenses, or one per lens.
    params : ndarray, shape (D, 9) or (D, 8)
        One parameter vector per lens.

    Returns
    -------
    ndarray, shape (D, P, 2)
        Ray coordinates, good to 1e-12; NaN where the point lies beyond the fold.
    """
    bent = (points_px - params[:, None, 2:4]) / params[:, None, 0:2]
    coefficients = params[:, 4:]
    if not np.any(coefficients) and not is_fisheye(params):
        return np.asarray(bent, dtype=np.float64)
    solve = _straighten_fisheye if is_fisheye(params) else _straighten_ordinary
    return solve(bent, coefficients)


def rays_to_pixels(rays: FloatArray, params: FloatArray) -> FloatArray:
    """Picture positions of viewing rays; shapes and units as in `pixels_to_rays`."""
    coefficients = params[:, 4:]
    squares = np.sum(np.square(rays), axis=-1)
    if is_fisheye(params):
        bent = rays * _fisheye_factor(squares, coefficients)[..., None]
        measure = np.square(np.arctan(np.sqrt(squares)))
    elif not np.any(coefficients):
        bent, measure = rays, None
    else:
        bent = np.stack(_bend(rays[..., 0], rays[..., 1], coefficients), axis=-1)
        measure = squares
    if measure is not None:
        beyond = measure >= fold_squares(params)[:, None]
        bent = np.where(beyond[..., None], np.nan, bent)
    return np.asarray(bent * params[:, None, 0:2] + params[:, None, 2:4], dtype=np.float64)


def undistort_many(points_px: FloatArray, params: FloatArray) -> FloatArray:
    """Straight px of picture positions, for many lenses at once.

    Straight px are those of an ideal pinhole with the lens's own ``fx, fy, cx, cy``.

    Parameters
    ----------
    points_px : ndarray, shape (P, 2) or (D, P, 2)
    params : ndarray, shape (D, 9) or (D, 8)

    Returns
    -------
    ndarray, shape (D, P, 2)
        NaN where the point lies beyond the fold.
    """
    rays = pixels_to_rays(points_px, params)
    return np.asarray(rays * params[:, None, 0:2] + params[:, None, 2:4], dtype=np.float64)


def distort_many(points_px: FloatArray, params: FloatArray) -> FloatArray:
    """Picture positions of straight px, the reverse of `undistort_many`; same shapes."""
    rays = (points_px - params[:, None, 2:4]) / params[:, None, 0:2]
    return rays_to_pixels(np.asarray(rays, dtype=np.float64), params)


def fold_squares(params: FloatArray) -> FloatArray:
    """Where each lens folds back: square of the first radius at which the picture stops growing.

    The derivative of the radial polynomial, ``1 + 3 k1 s + 5 k2 s^2 + 7 k3 s^3 (+ 9 k4 s^4)``
    with s the squared ray radius (ordinary) or squared angle off the axis (fisheye, rad^2), is
    solved for its smallest positive root through the eigenvalues of the companion matrix in 1/s,
    which stays monic whatever coefficients vanish.

    Parameters
    ----------
    params : ndarray, shape (D, 9) or (D, 8)

    Returns
    -------
    ndarray, shape (D,)
        inf where it never folds.
    """
    coefficients = params[:, 4:]
    radial = coefficients if is_fisheye(params) else coefficients[:, [0, 1, 4]]
    degree = radial.shape[1]
    limit = MAX_RAY_RAD**2 if is_fisheye(params) else np.inf
    folds = np.full(len(params), limit)
    bending = np.any(radial < 0, axis=1)  # no fold without a negative coefficient
    if not bending.any():
        return folds
    companion = np.zeros((int(bending.sum()), degree, degree))
    companion[:, 0, :] = -radial[bending] * (2 * np.arange(1, degree + 1) + 1)
    for row in range(1, degree):
        companion[:, row, row - 1] = 1.0
    roots = np.linalg.eigvals(companion)
    real = np.abs(roots.imag) <= 1e-9 * np.abs(roots)
    largest = np.max(np.where(real, roots.real, 0.0), axis=1)
    with np.errstate(divide="ignore", over="ignore"):
        first = np.where(largest > 0, 1.0 / largest, np.inf)
    folds[bending] = np.minimum(folds[bending], first)
    return folds


def reach_px(params: FloatArray) -> FloatArray:
    """How far from the principal point each lens model holds in the picture, px, shape (D,).

    Measured along the radius, the tangential terms left out; inf where the model never folds.
    """
    folds = fold_squares(params)
    known = np.isfinite(folds)
    s = np.where(known, folds, 0.0)
    radial = params[:, 4:] if is_fisheye(params) else params[:, [4, 5, 8]]
    growth = _radial(s[:, None], radial)[:, 0]
    reach = np.sqrt(s) * growth * np.sqrt(params[:, 0] * params[:, 1])
    return np.where(known, reach, np.inf)


def _radial(s: FloatArray, radial: FloatArray) -> FloatArray:
    """``1 + k1 s + k2 s^2 + ...`` for s of shape (D, P), coefficients (D, degree)."""
    total = np.zeros_like(s)
    for column in range(radial.shape[1] - 1, -1, -1):
        total = s * (total + radial[:, None, column])
    return np.asarray(1.0 + total, dtype=np.float64)


def _radial_slope(s: FloatArray, radial: FloatArray) -> FloatArray:
    """Derivative of ``r (1 + k1 r^2 + ...)`` by r at s = r^2."""
    weights = 2 * np.arange(1, radial.shape[1] + 1) + 1
    return _radial(s, radial * weights)


def _bend(x: FloatArray, y: FloatArray, k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distorted ray coordinates of the ordinary model; x, y of shape (D, P), k of (D, 5)."""
    k1, k2, p1, p2, k3 = (k[:, None, i] for i in range(5))
    s = x * x + y * y
    radial = 1.0 + s * (k1 + s * (k2 + s * k3))
    bent_x = x * radial + 2 * p1 * x * y + p2 * (s + 2 * x * x)
    bent_y = y * radial + p1 * (s + 2 * y * y) + 2 * p2 * x * y
    return bent_x, bent_y


def _newton_ordinary(
    x: FloatArray, y: FloatArray, bent: FloatArray, k: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Newton steps from a first guess; returns x, y and where they converged."""
    k1, k2, p1, p2, k3 = (k[:, None, i] for i in range(5))
    done = np.zeros(x.shape, dtype=bool)
    with np.errstate(all="ignore"):
        for _ in range(NEWTON_STEPS):
            s = x * x + y * y
            radial = 1.0 + s * (k1 + s * (k2 + s * k3))
            growth = 2 * (k1 + s * (2 * k2 + 3 * k3 * s))
            miss_x = x * radial + 2 * p1 * x * y + p2 * (s + 2 * x * x) - bent[..., 0]
            miss_y = y * radial + p1 * (s + 2 * y * y) + 2 * p2 * x * y - bent[..., 1]
            a = radial + growth * x * x + 2 * p1 * y + 6 * p2 * x
            b = growth * x * y + 2 * p1 * x + 2 * p2 * y
            d = radial + growth * y * y + 6 * p1 * y + 2 * p2 * x
            scale = 1.0 / (a * d - b * b)
            step_x = (d * miss_x - b * miss_y) * scale
            step_y = (a * miss_y - b * miss_x) * scale
            x = x - step_x
            y = y - step_y
            done = np.maximum(np.abs(step_x), np.abs(step_y)) < CONVERGED * (1 + np.sqrt(s))
            if done.all():
                break
    return x, y, done


def _straighten_ordinary(bent: FloatArray, k: FloatArray) -> FloatArray:
    """Undistorted ray coordinates of the ordinary model; NaN beyond the fold."""
    x, y, done = _newton_ordinary(bent[..., 0], bent[..., 1], bent, k)
    with np.errstate(invalid="ignore"):
        s = x * x + y * y
    radial = k[:, [0, 1, 4]]
    worst = np.max(np.where(done, s, np.inf), axis=1)
    with np.errstate(invalid="ignore", over="ignore"):
        bound = worst * (
            3 * np.abs(k[:, 0]) + worst * (5 * np.abs(k[:, 1]) + 7 * worst * np.abs(k[:, 4]))
        )
    doubtful = np.flatnonzero(~(bound < 1.0))  # here the polynomial might fold, so look closely
    if doubtful.size:
        part = slice(None) if doubtful.size == len(k) else doubtful
        folds = fold_squares(np.hstack([np.ones((doubtful.size, 4)), k[part]]))[:, None]
        good = done[part] & (s[part] < folds)
        if not good.all():
            r = _solve_radius(np.hypot(bent[part, :, 0], bent[part, :, 1]), radial[part], folds)
            length = np.hypot(bent[part, :, 0], bent[part, :, 1])
            ratio = np.divide(r, length, out=np.ones_like(r), where=length > 0)
            again_x, again_y, again = _newton_ordinary(
                bent[part, :, 0] * ratio, bent[part, :, 1] * ratio, bent[part], k[part]
            )
            with np.errstate(invalid="ignore"):
                again &= again_x**2 + again_y**2 < folds
            x[part] = np.where(good, x[part], np.where(again, again_x, np.nan))
            y[part] = np.where(good, y[part], np.where(again, again_y, np.nan))
    return np.stack([x, y], axis=-1)


def _solve_radius(target: FloatArray, radial: FloatArray, folds: FloatArray) -> FloatArray:
    """Radius r with ``r (1 + k1 r^2 + ...) = target`` before the fold, by bisection; (D, P).

    Targets beyond the fold give NaN. `folds`, shape (D, 1), are squared radii, inf allowed.
    """
    with np.errstate(invalid="ignore", over="ignore"):
        top = np.where(np.isfinite(folds), np.sqrt(folds), 1.0) * np.ones_like(target)
        for _ in range(60):  # a lens without a fold is searched as far out as needed
            short = ~np.isfinite(folds) & (top * _radial(top * top, radial) < target)
            if not short.any():
                break
            top = np.where(short, 2 * top, top)
        unreachable = top * _radial(top * top, radial) < target
        low = np.zeros_like(target)
        high = top
        for _ in range(60):
            middle = (low + high) / 2
            below = middle * _radial(middle * middle, radial) < target
            low = np.where(below, middle, low)
            high = np.where(below, high, middle)
    return np.where(unreachable, np.nan, (low + high) / 2)


def _fisheye_factor(squares: FloatArray, k: FloatArray) -> FloatArray:
    """Distorted over undistorted ray radius of the fisheye model, 1 on the axis."""
    r = np.sqrt(squares)
    angle = np.arctan(r)
    bent = angle * _radial(angle * angle, k)
    return np.divide(bent, r, out=np.ones_like(r), where=r > 0)


def _straighten_fisheye(bent: FloatArray, k: FloatArray) -> FloatArray:
    """Undistorted ray coordinates of the fisheye model; NaN beyond the fold or at 88.8 deg."""
    target = np.hypot(bent[..., 0], bent[..., 1])
    folds = fold_squares(np.hstack([np.ones((len(k), 4)), k]))[:, None]
    angle = np.minimum(target, 0.98 * np.sqrt(folds))
    done = np.zeros(angle.shape, dtype=bool)
    with np.errstate(all="ignore"):
        for _ in range(NEWTON_STEPS):
            step = (angle * _radial(angle**2, k) - target) / _radial_slope(angle**2, k)
            angle = angle - step
            done = np.abs(step) < CONVERGED
            if done.all():
                break
        good = done & (angle >= 0) & (angle**2 < folds)
    if not good.all():
        angle = np.where(good, angle, _solve_radius(target, k, folds))
    # One more step from the bisection's answer costs nothing and is harmless at the solution.
    with np.errstate(all="ignore"):
        angle = angle - (angle * _radial(angle**2, k) - target) / _radial_slope(angle**2, k)
        angle = np.where(angle**2 < folds, angle, np.nan)
        ratio = np.divide(np.tan(angle), target, out=np.ones_like(target), where=target > 0)
    return np.asarray(bent * ratio[..., None], dtype=np.float64)
