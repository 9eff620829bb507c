"""How one picture of a fixed scene lies to another: shift, turn, scale, perspective, uncertainty.

Pure: arrays in, arrays out. A camera that turns about its lens moves the picture by a homography
(Hartley and Zisserman, Multiple View Geometry, 2nd ed., 8.4.2). With places ``p`` about the middle
of the picture, in half diagonals, it is taken as ``q = (A p + s) / (1 + c . p)``,
A = [[a, -b], [b, a]]; without the perspective ``c`` it is a similarity. Multiplied out it is
linear in (s, a, b, c), so no start is needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from clipmark.motion.sampling import FloatArray

CUTS_PX = (6.0, 2.0)  # weights are tightened step by step
TUKEY = 4.685  # 95 % efficiency for Gaussian residuals
STEPS = 12
BELIEVED_PX = 0.02  # no point is believed better than this when weights are set
# What all points err by alike, from picture to picture of one camera that stood still: compression
# and light. Measured by the study of false alarms; no source.
COMMON_U_PX = 0.02
SECTORS = 12  # groups by place: neighbours share their errors
LEAST_POINTS = 12
PERSPECTIVE_POINTS, PERSPECTIVE_SPREAD = 24, 0.5
FALSE_ALARM = 0.005  # of all numbers together, when nothing moved
MISSED = 0.05  # a move as large as the limit of detection is missed this often
NAMES = ("shift_x", "shift_y", "roll", "scale")
FREE = SECTORS - 1


@dataclass(frozen=True, eq=False)
class PictureMove:
    """A fitted move.

    Attributes
    ----------
    parameters : ndarray, shape (6,)
        sx, sy, a, b, c1, c2 in half diagonals.
    covariance : ndarray, shape (6, 6)
    size_px : (int, int)
        Width and height of the picture.
    agree : ndarray of bool, shape (P,)
        Points that the move holds for.
    misfit_px : float
        Root mean square of what it leaves of those.
    perspective : bool
        Whether c was fitted; else it is zero.
    """

    parameters: FloatArray
    covariance: FloatArray
    size_px: tuple[int, int]
    agree: NDArray[np.bool_]
    misfit_px: float
    perspective: bool

    @property
    def middle_px(self) -> FloatArray:
        """Middle of the picture."""
        return (np.array(self.size_px, dtype=np.float64) - 1) / 2

    @property
    def unit_px(self) -> float:
        """Half the diagonal."""
        return float(np.hypot(*self.size_px)) / 2

    def at(self, points_px: FloatArray) -> FloatArray:
        """Places of `points_px`, shape (N, 2), in the other picture."""
        about = (np.asarray(points_px) - self.middle_px) / self.unit_px
        return _moved(self.parameters, about) * self.unit_px + self.middle_px

    def with_parameters(self, parameters: FloatArray) -> PictureMove:
        """The same with other parameters."""
        return replace(self, parameters=parameters)

    def form(self) -> FloatArray:
        """Growth and turn that pieces are seen with at the middle, shape (2,)."""
        return np.array([self.parameters[2] - 1, self.parameters[3]])

    def numbers(self) -> FloatArray:
        """Shift of the middle x, y, px; roll, deg counter-clockwise as seen; scale; c1, c2."""
        return _numbers(self.parameters, self.unit_px)

    def u_numbers(self) -> FloatArray:
        """Standard uncertainties of `numbers`, shape (6,)."""
        return self.u_of(lambda parameters: _numbers(parameters, self.unit_px))

    def u_of(self, function: Callable[[FloatArray], FloatArray]) -> FloatArray:
        """Standard uncertainty of a function of the parameters (JCGM 100:2008, 5.2.2)."""
        step = 1e-6
        columns = [
            (
                np.asarray(function(self.parameters + step * unit))
                - np.asarray(function(self.parameters - step * unit))
            )
            / (2 * step)
            for unit in np.eye(6)
        ]
        slopes = np.stack(columns, axis=-1)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes)))

    def matrix(self) -> FloatArray:
        """The homography, shape (3, 3), px to px."""
        sx, sy, a, b, c1, c2 = self.parameters
        core = np.array([[a, -b, sx], [b, a, sy], [c1, c2, 1.0]])
        into = np.diag([1 / self.unit_px, 1 / self.unit_px, 1.0])
        into[:2, 2] = -self.middle_px / self.unit_px
        out = np.linalg.inv(into) @ core @ into
        return np.asarray(out / out[2, 2])


def fit_move(
    before_px: FloatArray, after_px: FloatArray, size_px: tuple[int, int]
) -> PictureMove | None:
    """The move that most points agree on.

    Parameters
    ----------
    before_px, after_px : ndarray, shape (P, 2)
        Points in the one picture and in the other.
    size_px : (int, int)
        Width and height.

    Returns
    -------
    PictureMove or None
        None where too few points agree.
    """
    if len(before_px) < LEAST_POINTS:
        return None
    unit = float(np.hypot(*size_px)) / 2
    middle = (np.array(size_px, dtype=np.float64) - 1) / 2
    p, q = (before_px - middle) / unit, (after_px - middle) / unit
    plain = _fitted(p, q, unit, 4, size_px)
    if plain is None or not _spread_enough(p[plain.agree] * unit, size_px):
        return plain
    fuller = _fitted(p, q, unit, 6, size_px)
    if fuller is None or fuller.agree.sum() < PERSPECTIVE_POINTS:
        return plain
    sure = critical(1) * np.sqrt(np.diag(fuller.covariance)[4:])
    return fuller if (np.abs(fuller.parameters[4:]) > sure).any() else plain


def critical(numbers: int) -> float:
    """How many standard uncertainties a number must be off before it counts as moved.

    Two-sided, so that of `numbers` tested together one or more are called wrongly in `FALSE_ALARM`
    of the cases at most (Bonferroni), with the degrees of freedom of the sectors.
    """
    return float(stdtrit(FREE, 1 - FALSE_ALARM / (2 * numbers)))


def detectable(u: float, numbers: int) -> float:
    """The least move that is seen in 95 % of the cases, for a standard uncertainty `u`.

    ISO 11843-1:1997, 3.11, with equal u at the limit: critical value and the quantile of `MISSED`.
    """
    return u * (critical(numbers) + float(stdtrit(FREE, 1 - MISSED)))


def _spread_enough(points_px: FloatArray, size_px: tuple[int, int]) -> bool:
    if len(points_px) < PERSPECTIVE_POINTS:
        return False
    low, high = np.percentile(points_px, [5, 95], axis=0)
    return bool(((high - low) / size_px > PERSPECTIVE_SPREAD).all())


def _rows(p: FloatArray, q: FloatArray, count: int) -> FloatArray:
    """Design rows, shape (P, 2, count)."""
    (x, y), (u, v) = p.T, q.T
    one, none = np.ones_like(x), np.zeros_like(x)
    across = [one, none, x, -y, -u * x, -u * y][:count]
    down = [none, one, y, x, -v * x, -v * y][:count]
    return np.stack([np.stack(across, axis=1), np.stack(down, axis=1)], axis=1)


def _moved(parameters: FloatArray, p: FloatArray) -> FloatArray:
    sx, sy, a, b, c1, c2 = parameters
    x, y = p.T
    below = 1 + c1 * x + c2 * y
    return np.stack([(a * x - b * y + sx) / below, (b * x + a * y + sy) / below], axis=1)


def _numbers(parameters: FloatArray, unit: float) -> FloatArray:
    sx, sy, a, b, c1, c2 = parameters
    form = np.array([[a - sx * c1, -b - sx * c2], [b - sy * c1, a - sy * c2]])
    turn = math.atan2(form[1, 0] - form[0, 1], form[0, 0] + form[1, 1])
    size = math.sqrt(abs(float(np.linalg.det(form))))
    return np.array([sx * unit, sy * unit, -math.degrees(turn), size, c1, c2])


def _solve(rows: FloatArray, q: FloatArray, weights: FloatArray) -> FloatArray:
    normal = np.einsum("p,piq,pir->qr", weights, rows, rows)
    vector = np.einsum("p,piq,pi->q", weights, rows, q)
    return np.asarray(np.linalg.solve(normal, vector))


def _whole(parameters: FloatArray) -> FloatArray:
    return np.concatenate([parameters, np.zeros(6 - len(parameters))])


def _fitted(
    p: FloatArray, q: FloatArray, unit: float, count: int, size_px: tuple[int, int]
) -> PictureMove | None:
    """Reweighted least squares with Tukey's weights."""
    rows = _rows(p, q, count)
    off = (q - p) - np.median(q - p, axis=0)
    weights = np.ones(len(p))
    parameters = np.zeros(count)
    try:
        for step in range(len(CUTS_PX) + STEPS):
            size = np.hypot(*off.T) * unit
            if step == 0:
                weights = 1 / np.maximum(size, 1.0)
            else:
                scale = max(float(np.median(size)) / 1.18, BELIEVED_PX)
                cut = CUTS_PX[step - 1] if step - 1 < len(CUTS_PX) else 0.0
                weights = np.maximum(1 - (size / max(cut, TUKEY * scale)) ** 2, 0.0) ** 2
            if (weights > 0).sum() < LEAST_POINTS:
                return None
            parameters = _solve(rows, q, weights)
            off = q - _moved(_whole(parameters), p)
        agree = weights > 0.1
        if agree.sum() < LEAST_POINTS:
            return None
        covariance = _covariance(p, rows, q, weights, off, unit)
    except np.linalg.LinAlgError:
        return None
    misfit = float(np.sqrt(np.mean(off[agree] ** 2))) * unit
    return PictureMove(_whole(parameters), covariance, size_px, agree, misfit, count == 6)


def _covariance(
    p: FloatArray,
    rows: FloatArray,
    q: FloatArray,
    weights: FloatArray,
    off: FloatArray,
    unit: float,
) -> FloatArray:
    """Of the parameters, shape (6, 6): the larger of two ways, and what all points share.

    The scatter of single points (sandwich with each residual made as large as if its point had not
    been in the fit; J. MacKinnon and H. White, J. Econometrics 29 (1985) 305), and one sector of
    the picture after the other left out, since neighbours share their errors (B. Efron, SIAM CBMS
    38 (1982), chapter 3).
    """
    count = rows.shape[2]
    inverse = np.linalg.inv(np.einsum("p,piq,pir->qr", weights, rows, rows))
    leverage = np.einsum("p,piq,qr,pir->pi", weights, rows, inverse, rows)
    scores = np.einsum("p,piq,pi->pq", weights, rows, off / np.maximum(1 - leverage, 0.2))
    single = inverse @ (scores.T @ scores) @ inverse
    about = p - np.median(p[weights > 0.1], axis=0)
    used = np.flatnonzero(weights > 0.1)
    order = used[np.argsort(np.arctan2(about[used, 1], about[used, 0]), kind="stable")]
    values = []
    for group in np.array_split(order, SECTORS):
        kept = weights.copy()
        kept[group] = 0.0
        values.append(_solve(rows, q, kept))
    off_mean = np.array(values) - np.mean(values, axis=0)
    sectors = (SECTORS - 1) / SECTORS * off_mean.T @ off_mean
    grown = np.sqrt(np.maximum(1.0, np.diag(sectors) / np.maximum(np.diag(single), 1e-30)))
    covariance = np.zeros((6, 6))
    covariance[:count, :count] = single * np.outer(grown, grown)
    covariance[np.arange(count), np.arange(count)] += (COMMON_U_PX / unit) ** 2
    return covariance
