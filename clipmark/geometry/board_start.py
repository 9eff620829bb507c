"""A first guess of lens and poses from found corners alone: a scan over the focal length.

Nothing is known of the camera. For each focal length of a geometric row the corners are turned
into viewing rays of a lens without further terms, each view's pose follows from the plane-to-rays
map, and the length whose poses explain the corners best is taken.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.board_model import FLAWS, BoardFit, BoardViews, residuals
from clipmark.geometry.board_solve import Solution, solve
from clipmark.geometry.distortion import FISHEYE_NAMES, ORDINARY_NAMES, pixels_to_rays
from clipmark.geometry.lens import LensModel

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
FOCALS = np.geomspace(0.28, 4.0, 14)  # over the longer side of the picture: view angles 14 to 120
TRIED = 2
ROUGH = 1e-4  # relative change of the sum of squares at which a first guess is left
STAGES: dict[str, tuple[tuple[str, ...], ...]] = {
    "ordinary": (("k1",), ("k1", "k2")),
    "fisheye": ((), ("k1", "k2")),
}


def names_of(model: LensModel) -> tuple[str, ...]:
    """Names of a model's parameters in order."""
    return FISHEYE_NAMES if model == "fisheye" else ORDINARY_NAMES


def free_of(model: LensModel, terms: tuple[str, ...]) -> BoolArray:
    """Which parameters are fitted: focal lengths, centre and the terms named, shape (P,)."""
    wanted = {"fx", "fy", "cx", "cy", *terms}
    return np.array([name in wanted for name in names_of(model)])


def first_fit(views: BoardViews, model: LensModel, focals: FloatArray = FOCALS) -> Solution:
    """Lens with two radial terms and poses, robustly, from nothing.

    Raises
    ------
    ValueError
        When no focal length explains the corners at all.
    """
    guesses = []
    for focal in focals * max(views.size_px):
        guess = _guess(views, model, float(focal))
        left = residuals(guess, views)
        seen = np.isfinite(views.pixels[..., 0])
        off = np.where(np.isfinite(left[..., 0]), np.hypot(left[..., 0], left[..., 1]), 1e3)
        guesses.append((float(np.mean(np.minimum(off[seen], 1e3))), guess))
    guesses.sort(key=lambda item: item[0])
    best: Solution | None = None
    for _, guess in guesses[:TRIED]:
        if not np.isfinite(residuals(guess, views)[np.isfinite(views.pixels)]).all():
            continue
        found: Solution | None = None
        for terms in STAGES[model]:
            start = guess if found is None else found.fit
            found = solve(
                start, views, free_of(model, terms), robust=True, flaws=False, settle=ROUGH
            )
        if found is not None and (best is None or _middle(found) < _middle(best)):
            best = found
    if best is None:
        raise ValueError("no focal length explains the corners")
    return best


def board_pose(board_mm: FloatArray, rays: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pose of a flat board from ray coordinates of its corners.

    Parameters
    ----------
    board_mm : ndarray, shape (N, 2)
    rays : ndarray, shape (N, 2)
        Ray coordinates (x, y) of the viewing ray (x, y, 1); rows with NaN are left out.

    Returns
    -------
    rotation : ndarray, shape (3, 3)
    place_mm : ndarray, shape (3,)

    The direct linear transformation on unit rays, then the nearest rotation (R. Hartley and
    A. Zisserman, Multiple View Geometry, 2nd ed., 4.1 and A4; Z. Zhang 2000, appendix C).
    """
    good = np.isfinite(rays).all(axis=1)
    plane = board_mm[good] - board_mm.mean(axis=0)
    scale = float(np.abs(plane).max()) or 1.0
    flat = np.column_stack([plane / scale, np.ones(len(plane))])
    unit = np.column_stack([rays[good], np.ones(len(plane))])
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    x, y, z = (unit[:, i, None] * flat for i in range(3))
    none = np.zeros_like(x)
    rows = np.vstack([np.hstack([none, -z, y]), np.hstack([z, none, -x])])
    matrix = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3)
    matrix /= (np.linalg.norm(matrix[:, 0]) + np.linalg.norm(matrix[:, 1])) / 2
    if np.median(np.sum((flat @ matrix.T) * unit, axis=1)) < 0:
        matrix = -matrix
    axes = np.column_stack([matrix[:, :2], np.cross(matrix[:, 0], matrix[:, 1])])
    u, _, vt = np.linalg.svd(axes)
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    place = scale * matrix[:, 2] - rotation[:, :2] @ board_mm.mean(axis=0)
    return rotation, np.asarray(place, dtype=np.float64)


def poses_for(lens: FloatArray, views: BoardViews) -> BoardFit:
    """Poses of all views for a given lens, in closed form."""
    rays = pixels_to_rays(views.pixels.reshape(1, -1, 2), lens[None]).reshape(views.pixels.shape)
    found = [board_pose(views.board_mm, of_view) for of_view in rays]
    return BoardFit(
        lens,
        np.array([rotation for rotation, _ in found]),
        np.array([place for _, place in found]),
        np.zeros(FLAWS),
    )


def _guess(views: BoardViews, model: LensModel, focal: float) -> BoardFit:
    lens = np.zeros(len(names_of(model)))
    lens[:2] = focal
    lens[2:4] = (np.array(views.size_px) - 1) / 2
    return poses_for(lens, views)


def _middle(solution: Solution) -> float:
    left = solution.left_px
    off = np.hypot(left[..., 0], left[..., 1])
    return float(np.nanmedian(off)) if np.isfinite(off).any() else np.inf
