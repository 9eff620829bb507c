"""The camera's motion fitted to pieces of background, in all frames at once; row by row if need be.

Pure: arrays in, arrays out.

The linear form used, for a shift (dx, dy) at (x, y):
``dx = p0 + p2 x - p3 y + x (p4 x + p5 y)``, ``dy = p1 + p3 x + p2 y + y (p4 x + p5 y)``, which for
the few px of a held camera is the homography to second order. Under a rolling shutter every row
shows the field of its own time, ``t + r y``, with one r (s per unit of y) for the whole clip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.motion.sampling import FloatArray

LEAST_POINTS = 3
LEAST_AGREEMENT = 0.7  # a piece that disagrees in more than 30 % of its frames is not background
CUTS_PX = (12.0, 4.0, 1.5)  # weights are tightened step by step, so that a bad start is forgiven
TUKEY = 4.685
FLOOR_PX = 0.02  # no piece is believed better than this: the world is not quite a plane
LESS_MISFIT = 0.8  # of the misfit before, for perspective in every frame to be taken
LITTLE_LESS_MISFIT = 0.95  # the same for a single number of the whole clip
ROLLING_STEPS, LEAST_TIMES, ROW_ROUNDS = 15, 12, 3
SURE = 4.0  # standard uncertainties from which rows of a picture count as read one by one
SETTLED_SHARE = 0.02
LEAST_SHAKE_PX = 0.3  # less shake tells no rolling shutter, nor is bent by it


@dataclass(frozen=True)
class CameraSolution:
    """Parameters of all frames, (K, Q), their covariance (K, Q, Q), weights and residuals."""

    fit: CameraFit
    perspective: bool
    parameters: FloatArray
    covariance: FloatArray
    weights: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    misfit: float
    row_s: float = 0.0  # time from row to row, s per unit of y
    row_power: float = 0.0  # its information, for noise as stated
    over_time: scipy.interpolate.CubicSpline | None = None  # the parameters at any time, (Q,)

    @property
    def row_u_s(self) -> float:
        """Standard uncertainty of `row_s`, the misfit of the pieces included."""
        if self.row_power <= 0:
            return math.inf
        return math.sqrt(max(self.misfit, 1.0) / self.row_power)

    def agreement(self, seen: NDArray[np.bool_]) -> FloatArray:
        """Share of the frames in which each seen piece keeps a good part of its weight, (P,)."""
        return np.asarray(
            ((self.weights > 0.1) & seen).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        )

    def turn_rad(self) -> FloatArray:
        """Turn of the picture, clockwise as seen, (K,)."""
        return np.asarray(self.parameters[:, 3] / self.fit.unit, dtype=np.float64)

    def shift_at(self, where_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Shift and its standard uncertainty at one place per frame, (K, 2) each."""
        rows = self.fit.rows(where_px, self.perspective)  # (K, 2, Q)
        shift = np.einsum("kiq,kq->ki", rows, self.parameters)
        if self.over_time is not None:
            late = self.over_time.x + self.row_s * self.fit.heights(where_px)
            there = np.isfinite(self.parameters[:, :1])
            shift = np.einsum("kiq,kq->ki", rows, np.where(there, self.over_time(late), np.nan))
        variance = np.einsum("kiq,kqr,kir->ki", rows, self.covariance, rows)
        return shift, np.sqrt(np.maximum(variance, 0.0))


class CameraFit:
    """Reweighted least squares of the camera's motion in all frames at once."""

    def __init__(self, points: FloatArray, u_px: FloatArray, size: tuple[int, int]) -> None:
        self.middle = (np.array(size, dtype=np.float64) - 1) / 2
        self.unit = float(np.hypot(*size)) / 2
        self.points = points
        self.u = np.maximum(u_px, FLOOR_PX)

    def rows(self, where_px: FloatArray, perspective: bool) -> FloatArray:
        """Design rows (n, 2, Q) of the linear form in the module's docstring."""
        x, y = ((where_px - self.middle) / self.unit).T
        one, none = np.ones_like(x), np.zeros_like(x)
        columns_x = [one, none, x, -y]
        columns_y = [none, one, y, x]
        if perspective:
            columns_x += [x * x, x * y]
            columns_y += [x * y, y * y]
        return np.stack([np.stack(columns_x, axis=1), np.stack(columns_y, axis=1)], axis=1)

    def heights(self, where_px: FloatArray) -> FloatArray:
        """y of places in the linear form, (n,)."""
        return np.asarray((where_px[:, 1] - self.middle[1]) / self.unit)

    def solve(
        self, shifts: FloatArray, usable: NDArray[np.bool_], perspective: bool
    ) -> CameraSolution:
        """The parameters of every frame, by reweighted least squares.

        Parameters
        ----------
        shifts : ndarray, shape (K, P, 2)
            Shifts of the pieces, px.
        usable : ndarray of bool, shape (K, P)
        perspective : bool
            Six parameters a frame instead of four.
        """
        rows = self.rows(self.points, perspective)
        precision = 1 / self.u**2
        shifts = np.where(usable[..., None], shifts, 0.0)
        residuals = shifts - _medians(shifts, usable)[:, None, :]
        weights = usable.astype(np.float64)
        parameters = np.zeros((len(shifts), rows.shape[2]))
        normal = np.zeros((len(shifts), rows.shape[2], rows.shape[2]))
        for step in range(len(CUTS_PX) + 4):
            cut = CUTS_PX[step] if step < len(CUTS_PX) else 0.0
            size = np.hypot(residuals[..., 0], residuals[..., 1])
            limit = np.maximum(cut, TUKEY * self.u.max(axis=1) * self._excess(size, usable))
            weights = np.where(usable, np.maximum(1 - (size / limit) ** 2, 0.0) ** 2, 0.0)
            each = weights[..., None] * precision  # (K, P, 2)
            normal = np.einsum("kpi,piq,pir->kqr", each, rows, rows)
            normal += np.eye(rows.shape[2]) * self.prior()[: rows.shape[2]]
            vector = np.einsum("kpi,piq,kpi->kq", each, rows, shifts)
            parameters = np.linalg.solve(normal, vector[..., None])[..., 0]
            residuals = shifts - np.einsum("piq,kq->kpi", rows, parameters)
        inverse = np.linalg.inv(normal)
        enough = (weights > 0.1).sum(axis=1) >= LEAST_POINTS
        leverage = np.einsum("piq,kqr,pir->kpi", rows, inverse, rows) * weights[..., None]
        leverage *= precision
        good = (weights > 0.1)[..., None] & enough[:, None, None]
        scaled = np.where(good, residuals**2 * precision, 0.0)
        freedom = max(2 * float(good[..., 0].sum()) - rows.shape[2] * float(enough.sum()), 1.0)
        misfit = float(scaled.sum()) / freedom
        parameters[~enough] = np.nan
        covariance = inverse * max(misfit, 1.0)
        return CameraSolution(
            self, perspective, parameters, covariance, weights, residuals, leverage, misfit
        )

    def _excess(self, size: FloatArray, usable: NDArray[np.bool_]) -> float:
        """How much larger the bulk of the residuals is than stated, at least 1."""
        values = (size / self.u.max(axis=1))[usable]
        return max(1.0, float(np.median(values)) / 1.18) if values.size else 1.0

    def prior(self) -> FloatArray:
        """Weak precision that keeps turn, size and perspective near zero where pieces are few.

        A held camera changes these by less than 1 % of the half diagonal.
        """
        loose = 1 / (0.01 * self.unit) ** 2
        return np.array([0.0, 0.0, loose, loose, loose, loose]) + 1e-9


def best_fit(
    fit: CameraFit, shifts: FloatArray, usable: NDArray[np.bool_], times_s: FloatArray
) -> CameraSolution:
    """The plainest model that is not clearly worse than a fuller one, fitted."""
    solution = fit.solve(shifts, usable, perspective=False)
    if usable.any(axis=0).sum() < 2 * LEAST_POINTS:
        return solution
    fuller = fit.solve(shifts, usable, perspective=True)
    if fuller.misfit < LESS_MISFIT * solution.misfit:
        solution = fuller
    if np.nanstd(solution.parameters[:, :2], axis=0).max() < LEAST_SHAKE_PX:
        return solution
    rolling = _row_by_row_of_all(solution, shifts, usable, times_s)
    stands_out = abs(rolling.row_s) > SURE * rolling.row_u_s
    fits_better = rolling.misfit < LITTLE_LESS_MISFIT * solution.misfit
    return rolling if stands_out and fits_better else solution


def fit_those_that_agree(
    fit: CameraFit,
    shifts: FloatArray,
    seen: NDArray[np.bool_],
    used: NDArray[np.bool_],
    times_s: FloatArray,
) -> tuple[CameraSolution, NDArray[np.bool_]] | None:
    """The plainest model, of the pieces that agree on one motion, and which they are, (P,).

    None where fewer than `LEAST_POINTS` do. `used` are those that may be background, (P,).
    """
    if used.sum() < LEAST_POINTS:
        return None
    solution = best_fit(fit, shifts, seen & used, times_s)
    agree = used & (solution.agreement(seen & used) >= LEAST_AGREEMENT)
    if agree.sum() < LEAST_POINTS:
        return None
    if (used & ~agree).any():
        solution = best_fit(fit, shifts, seen & agree, times_s)
    return solution, agree


def _row_by_row_of_all(
    plain: CameraSolution, shifts: FloatArray, usable: NDArray[np.bool_], times_s: FloatArray
) -> CameraSolution:
    """Row by row, the reference frame included: its rows had their own times as well.

    That leaves one constant for each piece, the same in all frames, which would otherwise pull at
    the time of a row.
    """
    found = plain
    for _ in range(ROW_ROUNDS):
        own = np.where(usable[..., None], found.residuals, np.nan)
        known = np.isfinite(own[..., 0]).any(axis=0)
        constant = np.zeros(own.shape[1:])
        constant[known] = np.nanmedian(own[:, known], axis=0)
        shifts = shifts - constant
        level = plain.fit.solve(shifts, usable, plain.perspective)
        found = _row_by_row(level, shifts, usable, times_s)
    return found


def _row_by_row(
    plain: CameraSolution, shifts: FloatArray, usable: NDArray[np.bool_], times_s: FloatArray
) -> CameraSolution:
    """The same model with the time of each row, found as what the residuals say of it."""
    fit, found, row_s, power = plain.fit, plain, 0.0, 0.0
    rows = fit.rows(fit.points, plain.perspective)
    precision = 1 / fit.u**2
    for _ in range(ROLLING_STEPS):
        over_time = _between_frames(found.parameters, times_s)
        if over_time is None:
            return plain
        heights = fit.heights(fit.points)
        at = times_s[:, None] + row_s * heights
        slope = np.einsum("piq,kpq->kpi", rows, over_time(at, 1)) * heights[:, None]
        each = np.where(usable, found.weights, 0.0)[..., None] * precision
        normal = np.einsum("kpi,piq,pir->kqr", each, rows, rows)
        normal += np.eye(rows.shape[2]) * (fit.prior()[: rows.shape[2]] + 1e-6)
        vector = np.einsum("kpi,piq,kpi->kq", each, rows, slope)
        taken = np.linalg.solve(normal, vector[..., None])[..., 0]
        free = slope - np.einsum("piq,kq->kpi", rows, taken)  # what no frame's fit can take up
        power = float(np.sum(each * free**2))
        if power <= 0:
            return plain
        change = float(np.sum(each * free * found.residuals)) / power
        row_s += change
        at = times_s[:, None] + row_s * heights
        late = np.einsum("piq,kpq->kpi", rows, over_time(at) - over_time(times_s)[:, None])
        found = fit.solve(shifts - late, usable, plain.perspective)
        if abs(change) < SETTLED_SHARE * abs(row_s):
            break
    over_time = _between_frames(found.parameters, times_s)
    return replace(found, row_s=row_s, row_power=power, over_time=over_time)


def row_time(
    points_px: FloatArray,
    shifts_px: FloatArray,
    seen: NDArray[np.bool_],
    point_u_px: FloatArray,
    size_px: tuple[int, int],
    times_s: FloatArray,
) -> tuple[float, float] | None:
    """Time between the top and the bottom row of a picture, and its standard uncertainty, s.

    Parameters as in `camera_motion`, in the picture as the camera stored it. None where the
    camera moved too little, or too few points or frames, to tell it.
    """
    fit = CameraFit(points_px, point_u_px, size_px)
    plain = fit.solve(shifts_px, seen, perspective=True)
    steady = np.nan_to_num(plain.parameters[:, :2], nan=0.0)
    if (seen.sum(axis=0) > 0).sum() < 2 * LEAST_POINTS or np.std(steady, axis=0).max() < (
        LEAST_SHAKE_PX
    ):
        return None
    found = _row_by_row_of_all(plain, shifts_px, seen, times_s)
    if found.row_power <= 0:
        return None
    rows = (size_px[1] - 1) / fit.unit
    return found.row_s * rows, found.row_u_s * rows


def _between_frames(
    parameters: FloatArray, times_s: FloatArray
) -> scipy.interpolate.CubicSpline | None:
    """The parameters as a function of time; None where too few frames or times allow it."""
    known = np.isfinite(parameters).all(axis=1)
    if known.sum() < LEAST_TIMES or (np.diff(times_s) <= 0).any():
        return None
    filled = np.column_stack([np.interp(times_s, times_s[known], p[known]) for p in parameters.T])
    return scipy.interpolate.CubicSpline(times_s, filled)


def _medians(shifts: FloatArray, usable: NDArray[np.bool_]) -> FloatArray:
    """Median shift of the usable pieces per frame, zero where there are none, (K, 2)."""
    out = np.zeros((len(shifts), 2))
    for k, ok in enumerate(usable):
        if ok.any():
            out[k] = np.median(shifts[k, ok], axis=0)
    return out
