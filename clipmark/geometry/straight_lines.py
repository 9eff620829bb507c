"""How a lens bends, from edges known to be straight.

A straight thing stays straight in an ideal picture, wherever it is and however the camera stood
(F. Devernay and O. Faugeras, "Straight lines have to be straight", Machine Vision and
Applications 13 (2001) 14-24). So the radial terms and the middle of the bend follow from the bow of
edges alone; the focal length does not, for a picture may be scaled and stay straight. The bend
is therefore held at the picture's corner: ``k1 = bend1 / s`` and ``k2 = bend2 / s^2``, s the
squared ray radius of the corner at the focal length that is taken for granted.

Positions are px of the square picture (pixel aspect applied); parameters are those of
`clipmark.geometry.distortion`. Pure maths: arrays in, a small frozen fact out.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.errors import FitError
from clipmark.geometry.camera import CENTRE_U
from clipmark.geometry.distortion import reach_px, undistort_many

Floats = NDArray[np.float64]

STRAIGHT_U = 0.0003  # standard bow of a straight thing over its length (common practice, no source)
BEND1_U = 0.5  # so wide that it only keeps a bend that no line shows from being infinite
# The second term of real lenses: equidistant and equisolid ones have bend2 near 1.8 bend1^2,
# many small ones near 0. Normal about 0 with this over bend1^2, and a little more.
BEND2_SHARE = 2.0
BEND2_U = 0.003
TUKEY = 4.685
MAD_TO_SD = 1.4826
MIN_POINTS = 8
ROUNDS = 8
SETTLED = 0.005  # change of a robustness weight
_TERMS = 4  # bend1, bend2, and the middle's shift over CENTRE_U of the width, x and y


@dataclass(frozen=True, eq=False)
class EdgePoints:
    """Points found along one straight thing.

    Attributes
    ----------
    points : ndarray, shape (N, 2)
        In order along it, px of the square picture.
    normals : ndarray, shape (N, 2)
        Unit vectors across it there.
    u_px : ndarray, shape (N,)
        Standard uncertainty of each point along its normal.
    """

    points: Floats
    normals: Floats
    u_px: Floats

    @property
    def length_px(self) -> float:
        """From the first point to the last."""
        return float(np.hypot(*(self.points[-1] - self.points[0])))

    @property
    def bow_px(self) -> float:
        """Largest distance of a point from the chord through both ends: what bends it, px."""
        along = (self.points[-1] - self.points[0]) / self.length_px
        away = self.points - self.points[0]
        return float(np.max(np.abs(away[:, 0] * along[1] - away[:, 1] * along[0])))


@dataclass(frozen=True, eq=False)
class BendFit:
    """The bend of a lens that makes all lines straight.

    Attributes
    ----------
    params : ndarray, shape (9,)
        Lens parameters at the focal length taken for granted.
    covariance : ndarray, shape (4, 4)
        Of ``cx, cy, k1, k2`` at that focal length.
    corner_bend, u_corner_bend : float
        Radial displacement at the picture's corner over its straight radius, negative for a
        barrel, and its standard uncertainty.
    rms_px : ndarray, shape (L,)
        Of each line: what is left of its points about a straight line, bow of its own included.
    used : ndarray, shape (L,)
        Share of each line's points that agree.
    inflation : float
        Variance of what is left over that stated; not below 1, and counted in the covariance.
    """

    params: Floats
    covariance: Floats
    corner_bend: float
    u_corner_bend: float
    rms_px: Floats
    used: Floats
    inflation: float


@dataclass(frozen=True, eq=False)
class _Problem:
    """All lines in one heap, with what is assumed about the lens."""

    points: Floats
    ahead: Floats
    behind: Floats
    u_px: Floats
    cuts: tuple[slice, ...]
    focal: float
    size: tuple[float, float]
    middle: Floats
    straight_u: float
    bend2_u: float

    @property
    def corner_square(self) -> float:
        return (self.size[0] ** 2 + self.size[1] ** 2) / 4 / self.focal**2

    def params(self, terms: Floats) -> Floats:
        """Lens parameters, shape (9,), of the four terms."""
        square = self.corner_square
        lens = np.zeros(9)
        lens[:2] = self.focal
        lens[2:4] = self.middle + CENTRE_U * self.size[0] * terms[2:]
        lens[4], lens[5] = terms[0] / square, terms[1] / square**2
        return lens

    def leftover(self, terms: Floats, weights: Floats) -> Floats:
        """Residuals of all points in units of their uncertainty, then those of the assumptions.

        Each line's place, turn and bow of its own are linear and are solved for on the way.
        """
        lens = self.params(terms)[None]
        everything = np.concatenate([self.points, self.ahead, self.behind])
        straight, ahead, behind = np.split(undistort_many(everything, lens)[0], 3)
        if not np.isfinite(straight).all() or not np.isfinite(ahead - behind).all():
            return np.full(len(self.points) + len(self.cuts) + _TERMS, np.nan)
        rows = np.empty(len(self.points))
        bows = np.empty(len(self.cuts))
        for index, cut in enumerate(self.cuts):
            rows[cut], bows[index] = self._line(
                straight[cut], (ahead - behind)[cut], self.u_px[cut], weights[cut]
            )
        return np.concatenate([rows, bows, self.assumed(terms)])

    def assumed(self, terms: Floats) -> Floats:
        """Misfit of the terms with what is assumed of any lens, in units of its uncertainty."""
        return np.asarray(terms / np.array([BEND1_U, self.bend2_u, 1.0, 1.0]), dtype=np.float64)

    def _line(
        self, straight: Floats, across: Floats, u_px: Floats, weights: Floats
    ) -> tuple[Floats, float]:
        """Residuals (N,) of one line in straight space, and of its own bow, all over their u."""
        chord = straight[-1] - straight[0]
        length = float(np.hypot(*chord))
        direction = chord / length
        normal = np.array([direction[1], -direction[0]])
        away = straight - (straight[0] + straight[-1]) / 2
        along, off = away @ direction / (length / 2), away @ normal
        # First-order distance in the picture: distance here over how fast it grows there.
        unit = u_px * np.abs(across @ normal)
        factor = np.sqrt(weights) / unit
        own = self.straight_u * length
        design = np.stack([np.ones_like(along), along, own * (1 - along**2)], axis=1)
        rows = np.vstack([design * factor[:, None], [[0.0, 0.0, 1.0]]])
        values = np.append(off * factor, 0.0)
        solved, *_ = np.linalg.lstsq(rows, values, rcond=None)
        return (off - design @ solved) / unit, -float(solved[2])


def fit_bend(
    lines: Sequence[EdgePoints],
    size_px: tuple[float, float],
    focal_px: float,
    *,
    start: tuple[float, float] = (0.0, 0.0),
    middle_px: tuple[float, float] | None = None,
    straight_u: float = STRAIGHT_U,
) -> BendFit:
    """Find the bend of a lens from edges known to be straight.

    Weighted robust least squares over ``k1``, ``k2`` and the middle of the bend. Assumed of any
    lens: the middle within 1 % of the width of the picture's (standard), the second term near 0
    (see `BEND2_SHARE`), and each thing bowed by `straight_u` of its length (standard, normal).

    Parameters
    ----------
    lines : sequence of EdgePoints
    size_px : (float, float)
        Width and height of the square picture.
    focal_px : float
        Focal length taken for granted.
    start : (float, float)
        First guess of the bend at the corner: the first and the second term.
    middle_px : (float, float), optional
        Middle of the picture, px of the square picture; half a px inside its sides by default.
    straight_u : float
        Standard bow of a thing over its length.

    Raises
    ------
    FitError
        When a line has too few points, or no lens makes them straight.
    """
    for number, line in enumerate(lines, start=1):
        if len(line.points) < MIN_POINTS:
            raise FitError(
                f"straight line {number}: its edge was found at {len(line.points)} places only, "
                f"but at least {MIN_POINTS} are needed; mark a longer or clearer edge"
            )
    problem = _problem(lines, size_px, focal_px, middle_px, straight_u, abs(start[0]))
    terms = np.array([start[0], start[1], 0.0, 0.0])
    weights = np.ones(len(problem.points))
    for _ in range(ROUNDS):
        terms = _solve(problem, terms, weights)
        problem = _problem(lines, size_px, focal_px, middle_px, straight_u, abs(terms[0]))
        rest = problem.leftover(terms, weights)[: len(weights)]
        scale = max(MAD_TO_SD * float(np.median(np.abs(rest))), 1.0)
        before = weights
        weights = np.square(np.clip(1.0 - np.square(rest / (TUKEY * scale)), 0.0, None))
        if np.abs(weights - before).max() < SETTLED:
            break
    return _report(problem, lines, terms, weights)


def _problem(
    lines: Sequence[EdgePoints],
    size: tuple[float, float],
    focal: float,
    middle: tuple[float, float] | None,
    straight_u: float,
    bend1: float,
) -> _Problem:
    ends = np.cumsum([0, *(len(line.points) for line in lines)])
    points = np.concatenate([line.points for line in lines])
    normals = np.concatenate([line.normals for line in lines])
    centre = ((size[0] - 1) / 2, (size[1] - 1) / 2) if middle is None else middle
    return _Problem(
        points,
        points + 0.5 * normals,
        points - 0.5 * normals,
        np.concatenate([line.u_px for line in lines]),
        tuple(slice(int(a), int(b)) for a, b in itertools.pairwise(ends)),
        focal,
        size,
        np.array(centre),
        straight_u,
        BEND2_U + BEND2_SHARE * bend1**2,
    )


def _solve(problem: _Problem, terms: Floats, weights: Floats) -> Floats:
    """Least squares over the four terms at fixed robustness weights."""
    root = np.concatenate([np.sqrt(weights), np.ones(len(problem.cuts) + _TERMS)])

    def rows(at: Floats) -> Floats:
        return np.asarray(problem.leftover(at, weights) * root, dtype=np.float64)

    if not np.isfinite(rows(terms)).all():
        raise FitError(
            "the lines bend more than a lens of the ordinary model can: it folds back before it "
            "reaches them; mark lines nearer the middle, or calibrate the lens with a board"
        )
    found = scipy.optimize.least_squares(
        rows, terms, x_scale=np.array([0.02, 0.01, 1.0, 1.0]), xtol=1e-10
    )
    return np.asarray(found.x, dtype=np.float64)


def _report(
    problem: _Problem, lines: Sequence[EdgePoints], terms: Floats, weights: Floats
) -> BendFit:
    """Covariance and what is left, at the solution."""
    count = len(weights)
    rest = problem.leftover(terms, weights)
    free = max(float(np.sum(weights)) - 2.0 * len(lines) - _TERMS, 1.0)
    inflation = max(float(weights @ rest[:count] ** 2) / free, 1.0)
    wider = [
        EdgePoints(line.points, line.normals, line.u_px * math.sqrt(inflation)) for line in lines
    ]
    middle = (float(problem.middle[0]), float(problem.middle[1]))
    final = _problem(
        wider, problem.size, problem.focal, middle, problem.straight_u, abs(float(terms[0]))
    )
    root = np.concatenate([np.sqrt(weights), np.ones(len(lines) + _TERMS)])
    jacobian = np.empty((count + len(lines) + _TERMS, _TERMS))
    for term, step in enumerate((1e-4, 1e-4, 1e-2, 1e-2)):
        shift = np.zeros(_TERMS)
        shift[term] = step
        up, down = (final.leftover(terms + sign * shift, weights) for sign in (1, -1))
        jacobian[:, term] = (up - down) * root / (2 * step)
    if not np.isfinite(jacobian).all():
        raise FitError(
            "the lens found folds back where the lines run, so its bend means nothing there; mark "
            "lines nearer the middle, or calibrate the lens with a board"
        )
    spread = np.linalg.inv(jacobian.T @ jacobian)
    to_lens = np.zeros((4, _TERMS))  # cx, cy, k1, k2 by the terms
    to_lens[0, 2] = to_lens[1, 3] = CENTRE_U * problem.size[0]
    to_lens[2, 0] = 1 / problem.corner_square
    to_lens[3, 1] = 1 / problem.corner_square**2
    bend, by_term = _corner_bend(terms)
    pixels = rest[:count] * problem.u_px
    return BendFit(
        params=problem.params(terms),
        covariance=to_lens @ spread @ to_lens.T,
        corner_bend=bend,
        u_corner_bend=math.sqrt(float(by_term @ spread[:2, :2] @ by_term)),
        rms_px=np.array([_rms(pixels[cut], weights[cut]) for cut in problem.cuts]),
        used=np.array([float(np.mean(weights[cut] > 0.2)) for cut in problem.cuts]),
        inflation=inflation,
    )


def _rms(values: Floats, weights: Floats) -> float:
    return math.sqrt(float(weights @ values**2) / max(float(np.sum(weights)), 1e-9))


def _corner_bend(terms: Floats) -> tuple[float, Floats]:
    """Displacement at the corner over its straight radius, and its slope by both bends.

    With q the straight radius over the picture's half diagonal, the corner is where
    ``q (1 + b1 q^2 + b2 q^4) = 1``; the bend there is 1/q - 1.
    """
    b1, b2 = float(terms[0]), float(terms[1])
    q = 1.0
    for _ in range(60):
        value = q * (1 + q * q * (b1 + b2 * q * q)) - 1
        slope = 1 + q * q * (3 * b1 + 5 * b2 * q * q)
        if slope <= 1e-3:  # folds back before the corner: the bend where it does
            break
        q -= value / slope
    slope = max(1 + q * q * (3 * b1 + 5 * b2 * q * q), 1e-3)
    by_term = np.array([q**3, q**5]) / slope / q**2
    return 1 / q - 1, by_term


def reaches_corner(params: Floats, size_px: tuple[float, float]) -> bool:
    """Whether the lens, shape (9,), holds all over a picture of `size_px`."""
    half = np.array(size_px) / 2
    away = np.abs(params[2:4] - half)
    return bool(reach_px(params[None])[0] > np.hypot(*(half + away)))
