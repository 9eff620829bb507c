"""Views of a flat board: where a lens puts its corners, and how that changes with everything.

Board places are mm in the board's own axes: a across, b down. A view's pose is a rotation and a
place, ``X = R (a, b, w) + t``, in camera axes (x right, y down, z forward, mm). A real board is
hardly ever quite what was asked for, so four small *flaws*, common to all views, go along: bends
``w = L (q1 u^2 + q2 u v + q3 v^2)`` and a stretch of a by ``1 + q4``, with u, v the places over
half the board's length L/2, about its middle. Positions are px of the square picture.

Source: the bundle adjustment of D. C. Brown, Photogramm. Eng. 37 (1971) 855-866, with planar
targets as in Z. Zhang, IEEE Trans. PAMI 22 (2000) 1330-1334.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.distortion import is_fisheye, rays_to_pixels

FloatArray = NDArray[np.float64]
FLAWS = 4
RAY_STEP = 1e-6  # for the slope of the picture by the ray; 1e-3 px at a focal length of 1000 px


@dataclass(frozen=True, eq=False)
class BoardViews:
    """Corners as found.

    Attributes
    ----------
    board_mm : ndarray, shape (N, 2)
        Places of all corners on the board.
    pixels : ndarray, shape (V, N, 2)
        Where each view shows them, px of the square picture; NaN where it does not.
    size_px : (float, float)
        Width and height of the square picture.
    """

    board_mm: FloatArray
    pixels: FloatArray
    size_px: tuple[float, float]

    @property
    def count(self) -> int:
        """Number of views."""
        return len(self.pixels)

    @property
    def length_mm(self) -> float:
        """Longer side of the corners' rectangle."""
        return float(np.ptp(self.board_mm, axis=0).max())

    def only(self, views: NDArray[np.bool_] | NDArray[np.intp]) -> BoardViews:
        """Some of the views."""
        return replace(self, pixels=self.pixels[views])

    def without(self, corners: NDArray[np.bool_]) -> BoardViews:
        """The same without the corners marked, shape (V, N)."""
        return replace(self, pixels=np.where(corners[..., None], np.nan, self.pixels))


@dataclass(frozen=True, eq=False)
class BoardFit:
    """A lens, a pose for every view, and the board's flaws.

    Attributes
    ----------
    lens : ndarray, shape (9,) or (8,)
        See `clipmark.geometry.distortion`.
    rotation : ndarray, shape (V, 3, 3)
    place_mm : ndarray, shape (V, 3)
    flaws : ndarray, shape (4,)
    """

    lens: FloatArray
    rotation: FloatArray
    place_mm: FloatArray
    flaws: FloatArray

    def only(self, views: NDArray[np.bool_] | NDArray[np.intp]) -> BoardFit:
        """The same lens with some of the views."""
        return replace(self, rotation=self.rotation[views], place_mm=self.place_mm[views])


def board_points(board_mm: FloatArray, flaws: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Corners in the board's axes, shape (N, 3) mm, and their slopes by the flaws, (N, 3, 4)."""
    low, high = board_mm.min(axis=0), board_mm.max(axis=0)
    length = float((high - low).max())
    centred = board_mm - (low + high) / 2
    u, v = (2 * centred / length).T
    slopes = np.zeros((len(board_mm), 3, FLAWS))
    slopes[:, 2, 0], slopes[:, 2, 1], slopes[:, 2, 2] = u * u, u * v, v * v
    slopes[:, 2, :3] *= length
    slopes[:, 0, 3] = centred[:, 0]
    points = np.column_stack([board_mm, np.zeros(len(board_mm))]) + slopes @ flaws
    return points, slopes


def project(fit: BoardFit, board_mm: FloatArray) -> FloatArray:
    """Where the corners ought to be seen, shape (V, N, 2) px; NaN behind the camera or the fold."""
    points, _ = board_points(board_mm, fit.flaws)
    seen = points @ np.swapaxes(fit.rotation, 1, 2) + fit.place_mm[:, None, :]
    return _picture(_rays(seen), fit.lens)


def residuals(fit: BoardFit, views: BoardViews) -> FloatArray:
    """Found minus expected, shape (V, N, 2) px; NaN where a corner was not seen."""
    return np.asarray(views.pixels - project(fit, views.board_mm), dtype=np.float64)


def slopes(fit: BoardFit, board_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How the expected positions change.

    Returns
    -------
    by_lens : ndarray, shape (V, N, 2, P)
    by_flaws : ndarray, shape (V, N, 2, 4)
    by_pose : ndarray, shape (V, N, 2, 6)
        By a small turn (rad, about the camera's axes, applied after the rotation) and a shift, mm.
    """
    points, bent = board_points(board_mm, fit.flaws)
    turned = points @ np.swapaxes(fit.rotation, 1, 2)
    seen = turned + fit.place_mm[:, None, :]
    rays = _rays(seen)
    steps = RAY_STEP * (1.0 + np.sum(np.square(rays), axis=-1))
    by_ray = np.empty((*rays.shape, 2))
    right, down = (steps[..., None] * np.eye(2)[axis] for axis in (0, 1))
    around = _picture(np.stack([rays + right, rays - right, rays + down, rays - down]), fit.lens)
    by_ray[..., 0] = (around[0] - around[1]) / (2 * steps[..., None])
    by_ray[..., 1] = (around[2] - around[3]) / (2 * steps[..., None])
    by_point = np.zeros((*rays.shape, 3))
    by_point[..., 0, 0] = by_point[..., 1, 1] = 1.0 / seen[..., 2]
    by_point[..., 2] = -rays / seen[..., 2:]
    by_place = by_ray @ by_point
    by_turn = np.cross(turned[..., None, :], by_place)  # row . (w x p) = w . (p x row)
    by_flaws = by_place @ (fit.rotation[:, None] @ bent)
    return _by_lens(rays, fit.lens), by_flaws, np.concatenate([by_turn, by_place], axis=-1)


def small_turn(rotation: FloatArray, turn_rad: FloatArray) -> FloatArray:
    """Rotations, shape (V, 3, 3), turned further by vectors of shape (V, 3); Rodrigues' formula."""
    angle = np.linalg.norm(turn_rad, axis=1)[:, None, None]
    cross = np.zeros_like(rotation)
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = (-turn_rad[:, 2], turn_rad[:, 1],
                                                      -turn_rad[:, 0])  # fmt: skip
    cross -= np.swapaxes(cross, 1, 2)
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.square(np.sinc(angle / (2 * np.pi)))
    step = np.eye(3) + first * cross + second * (cross @ cross)
    return np.asarray(step @ rotation, dtype=np.float64)


def _rays(seen: FloatArray) -> FloatArray:
    depth = np.where(seen[..., 2:] > 0, seen[..., 2:], np.nan)
    return np.asarray(seen[..., :2] / depth, dtype=np.float64)


def _picture(rays: FloatArray, lens: FloatArray) -> FloatArray:
    flat = rays_to_pixels(rays.reshape(1, -1, 2), lens[None])
    return flat.reshape(rays.shape)


def _by_lens(rays: FloatArray, lens: FloatArray) -> FloatArray:
    """Slopes by focal lengths, centre and coefficients: the models are linear in all of them."""
    x, y = rays[..., 0], rays[..., 1]
    s = x * x + y * y
    out = np.zeros((*rays.shape, len(lens)))
    if is_fisheye(lens):
        r = np.sqrt(s)
        angle = np.arctan(r)
        share = np.divide(angle, r, out=np.ones_like(r), where=r > 0)
        terms = [rays * (share * angle ** (2 * i))[..., None] for i in range(1, 5)]
        bent = rays * share[..., None]
    else:
        terms = [rays * s[..., None], rays * (s * s)[..., None]]
        terms.append(np.stack([2 * x * y, s + 2 * y * y], axis=-1))
        terms.append(np.stack([s + 2 * x * x, 2 * x * y], axis=-1))
        terms.append(rays * (s**3)[..., None])
        bent = rays
    for column, term in enumerate(terms):
        out[..., 4 + column] = term * lens[:2]
        bent = bent + lens[4 + column] * term
    out[..., 0, 0], out[..., 1, 1] = bent[..., 0], bent[..., 1]
    out[..., 0, 2] = out[..., 1, 3] = 1.0
    return out
