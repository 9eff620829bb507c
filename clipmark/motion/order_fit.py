"""Least squares of positions by a slow trend and lines over the turn of a wheel.

Pure numerics, for `orders`. Everything is linear but the orders of the lines themselves. Standard
uncertainties here are per unit of white noise in a single position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from clipmark.motion.order_stretch import Stretch
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import LEAST_POINTS, local_fit

TREND_SHARE = 1.2  # degrees of the trend per turn, so that it follows what is slower than
TREND_LEAST = 2  # about half a cycle per turn; and so many more
MOST_DEGREES = 30
LEAST_SPEED_SHARE = 0.2  # of the mean: below this the trend of speed is not followed down
SLOW_WINDOW_S = 0.5  # what is left of turn and positions beside trend and lines is smoothed over
FAST_WINDOW_S = 0.1  # the turn, as long as no line is known
CELLS = 16  # of the turn, per cycle of the highest order scanned
FLOOR_ORDERS = 3.0  # the background of an order is the median of this many either side,
FLOOR_CELLS = 20.0  # or of so many resolutions, if that is wider
MEDIAN_POWER = 2 * math.log(2)  # of chi square with two degrees of freedom


@dataclass(frozen=True, eq=False)
class TrendBasis:
    """The trend of a stretch: polynomials of time.

    Attributes
    ----------
    stretch : Stretch
    polynomials : ndarray, shape (K, D)
        Legendre polynomials of time over the stretch.
    speed : ndarray, shape (K,)
        Slow speed, mm/s, that lines are shares of.
    turn_rad : ndarray, shape (K,)
        Turn, smoothed.
    """

    stretch: Stretch
    polynomials: FloatArray
    speed: FloatArray
    turn_rad: FloatArray


@dataclass(frozen=True, eq=False)
class Joint:
    """Trend and L lines fitted together.

    Attributes
    ----------
    basis : TrendBasis
    per_turn, u_per_turn, ripple, u_ripple : ndarray, shape (L,)
        Orders and ripple of the lines; uncertainties per unit of position noise (1/mm).
    mean_speed : float
        Of the trend, mm/s.
    speed : ndarray, shape (K,)
        Of the trend, mm/s.
    design : ndarray, shape (K, P)
        Orthonormal columns of everything fitted, orders included.
    residual : ndarray, shape (K,)
        What is left, mm.
    """

    basis: TrendBasis
    per_turn: FloatArray
    u_per_turn: FloatArray
    ripple: FloatArray
    u_ripple: FloatArray
    mean_speed: float
    speed: FloatArray
    design: FloatArray
    residual: FloatArray


def trend_basis(stretch: Stretch) -> TrendBasis:
    """Trend of a stretch, flexible up to some half cycle per turn."""
    x = stretch.t_s / stretch.t_s[-1]
    degree = min(int(TREND_SHARE * stretch.turns) + TREND_LEAST, MOST_DEGREES)
    slow = legendre.Legendre.fit(x, stretch.s_mm, 3, domain=[-1, 1]).deriv()(x) / stretch.t_s[-1]
    mean = stretch.s_mm[-1] / (2 * stretch.t_s[-1])
    speed = np.maximum(slow, LEAST_SPEED_SHARE * mean)
    turn = local_fit(stretch.t_s, stretch.turn_rad, FAST_WINDOW_S, degree=2).value
    return TrendBasis(stretch, legendre.legvander(x, degree), speed, turn)


def line_columns(basis: TrendBasis, per_turn: float) -> FloatArray:
    """Way gained by a speed of ``V cos(n theta)`` and ``V sin(n theta)``, mm, shape (K, 2).

    Exact for a turn that is even from one frame to the next.
    """
    t, angle, speed = basis.stretch.t_s, basis.turn_rad, basis.speed
    middle = per_turn * (angle[1:] + angle[:-1]) / 2
    gained = np.diff(t) * (speed[1:] + speed[:-1]) / 2
    gained = gained * np.sinc(per_turn * np.diff(angle) / math.tau)
    steps = gained[:, None] * np.stack([np.cos(middle), np.sin(middle)], axis=1)
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def fit_lines(basis: TrendBasis, per_turn: FloatArray) -> Joint:
    """Fit trend and lines of given orders together; see `Joint`."""
    t = basis.stretch.t_s
    count, degrees = len(per_turn), basis.polynomials.shape[1]
    columns = [line_columns(basis, n) for n in per_turn]
    design = np.concatenate([basis.polynomials, *columns], axis=1)
    scale = np.linalg.norm(design, axis=0)
    solution = np.linalg.lstsq(design / scale, basis.stretch.s_mm, rcond=None)[0] / scale
    residual = basis.stretch.s_mm - design @ solution
    trend = basis.polynomials[[0, -1]] @ solution[:degrees]
    mean_speed = float(trend[1] - trend[0]) / float(t[-1] - t[0])
    waves = solution[degrees:].reshape(count, 2)
    sizes = np.maximum(np.hypot(*waves.T), 1e-300)
    bends = [
        _bend(basis, n, wave, size) for n, wave, size in zip(per_turn, waves, sizes, strict=True)
    ]
    full = np.concatenate([design, *bends], axis=1)
    q, r = np.linalg.qr(full / np.linalg.norm(full, axis=0))
    back = np.linalg.inv(r) / np.linalg.norm(full, axis=0)[:, None]
    # one row per line: change of its size with its two parts; rows of the orders as they are
    parts = back[degrees : degrees + 2 * count].reshape(count, 2, full.shape[1])
    of_size = np.einsum("li,lip->lp", waves / sizes[:, None], parts)
    of_order = back[degrees + 2 * count :]
    # lines are shares of the slow speed that was assumed; the trend fitted beside them is better
    share = float(np.mean(basis.speed)) / mean_speed / math.sqrt(2)
    return Joint(
        basis=basis,
        per_turn=np.asarray(per_turn, dtype=np.float64),
        u_per_turn=np.linalg.norm(of_order, axis=1) / sizes,
        ripple=sizes * share,
        u_ripple=np.linalg.norm(of_size, axis=1) * share,
        mean_speed=mean_speed,
        speed=legendre.Legendre(solution[:degrees]).deriv()(t / t[-1]) / t[-1],
        design=q,
        residual=residual,
    )


def followed(joint: Joint) -> TrendBasis:
    """The basis with slow speed and turn as found beside the lines, for another round.

    The turn seen is noisy, and its noise would pass for unevenness in the columns, so that lines
    come out too small; of a turn fitted by the same trend and lines only the rest needs smoothing.
    """
    basis, t = joint.basis, joint.basis.stretch.t_s
    frames = min(int(SLOW_WINDOW_S * basis.stretch.frames_s), len(t) - 1) // 2 * 2 + 1
    frames = max(frames, LEAST_POINTS)
    speed = joint.speed + np.gradient(scipy.signal.savgol_filter(joint.residual, frames, 2), t)
    seen = basis.stretch.turn_rad
    fitted = joint.design @ (joint.design.T @ seen)
    turn = fitted + scipy.signal.savgol_filter(seen - fitted, frames, 2)
    least = LEAST_SPEED_SHARE * joint.mean_speed
    return replace(basis, speed=np.maximum(speed, least), turn_rad=turn)


def _bend(basis: TrendBasis, per_turn: float, wave: FloatArray, size: float) -> FloatArray:
    """Change of a line with its order, per unit of its size, shape (K, 1)."""
    step = 0.01 / basis.stretch.turns
    above, below = (line_columns(basis, per_turn + h) for h in (step, -step))
    return np.asarray(((above - below) @ wave / size / (2 * step))[:, None], dtype=np.float64)


def refine(basis: TrendBasis, per_turn: FloatArray, resolution: float) -> Joint:
    """Fit the orders too: each in turn within its resolution, twice over."""
    now = np.array(per_turn, dtype=np.float64)
    last = len(now) - 1
    order = [last, *range(len(now))] if len(now) > 1 else [0] if len(now) else []
    for k in order:
        rest = [line_columns(basis, n) for i, n in enumerate(now) if i != k]
        q, _ = np.linalg.qr(np.concatenate([basis.polynomials, *rest], axis=1))
        left = basis.stretch.s_mm - q @ (q.T @ basis.stretch.s_mm)

        def unexplained(
            n: float, q: FloatArray = q, left: FloatArray = left, basis: TrendBasis = basis
        ) -> float:
            columns = line_columns(basis, n)
            columns = columns - q @ (q.T @ columns)
            along = np.linalg.qr(columns)[0].T @ left
            return -float(along @ along)

        reach = 0.6 * resolution
        found = scipy.optimize.minimize_scalar(
            unexplained,
            bounds=(now[k] - reach, now[k] + reach),
            method="bounded",
            options={"xatol": 1e-4 * resolution},
        )
        now[k] = float(found.x)
    return fit_lines(basis, now)


def power_of(joint: Joint) -> FloatArray:
    """Squares of each line's size over its uncertainty, times the noise variance, mm^2."""
    return np.asarray((joint.ripple / joint.u_ripple) ** 2, dtype=np.float64)


def scan(joint: Joint, steps_per_turn: float, first: int, last: int) -> FloatArray:
    """Squares that one more line would explain, mm^2, shape (last - first,).

    Looked at are the orders `first` to `last` (not included) in units of 1 / `steps_per_turn`.
    Lines are taken as sines of the turn here, which differs from the way that a rippled speed gains
    in second order only.
    """
    angle, q = joint.basis.turn_rad, joint.design
    columns = np.concatenate([np.ones((len(angle), 1)), joint.residual[:, None], q], axis=1)
    waves = _waves(angle, columns, steps_per_turn, 2 * last)
    along, inside = waves[first:last, 1], waves[first:last, 2:]
    # cosine and sine, what is fitted already taken out: 2 x 2 normal equations in closed form
    squared = waves[2 * first : 2 * last : 2, 0] - np.sum(inside**2, axis=1)
    length = len(angle) - np.sum(np.abs(inside) ** 2, axis=1)
    determinant = np.maximum(length**2 - np.abs(squared) ** 2, 1e-6 * len(angle) ** 2)
    top = length * np.abs(along) ** 2 - (np.conj(squared) * along**2).real
    return np.asarray(2 * top / determinant, dtype=np.float64)


def _waves(
    angle: FloatArray, columns: FloatArray, steps_per_turn: float, count: int
) -> NDArray[np.complex128]:
    """Sums of columns times ``exp(i j angle / steps_per_turn)``, j from 0, shape (count, P).

    By a fast transform of the columns spread linearly over even cells of the turn, whose response,
    ``sinc(j / cells)**2``, is divided out; right to ``(j / cells)**2``.
    """
    cells = next_fast_len(CELLS * count // 2, real=True)
    place = (angle - angle.min()) / (math.tau * steps_per_turn) * cells
    low = place.astype(np.intp)
    past = place - low
    out = np.empty((count, columns.shape[1]), dtype=np.complex128)
    response = np.sinc(np.arange(count) / cells) ** 2
    for k, column in enumerate(columns.T):
        spread = np.bincount(low, (1 - past) * column, cells + 1)
        spread += np.bincount(low + 1, past * column, cells + 1)
        out[:, k] = np.conj(np.fft.rfft(spread[:cells])[:count]) / response
    return out


def background(power: FloatArray, grid: FloatArray, oversampling: int, turns: float) -> FloatArray:
    """Noise variance around each order over the one assumed, 1 or more, shape (M,).

    From the median power of the orders around it, so that errors which go together in time, or a
    speed that wanders, raise the bar where they are and nowhere else. Wandering positions fall off
    as the square of the order, too steeply for one median at the low end: there the median excess
    of their speeds is used.
    """
    cells = max(FLOOR_ORDERS * turns, FLOOR_CELLS)
    width = min(2 * int(cells * oversampling) + 1, 2 * (len(power) // 2) + 1)
    even = scipy.ndimage.median_filter(power, size=width, mode="reflect") / MEDIAN_POWER
    excess = scipy.ndimage.median_filter(
        (power / MEDIAN_POWER - 1) * grid**2, size=width, mode="reflect"
    )
    return np.asarray(np.maximum(np.maximum(even, 1 + excess / grid**2), 1.0), dtype=np.float64)


def single_orders(joint: Joint, per_turn: NDArray[np.int_]) -> tuple[FloatArray, FloatArray]:
    """Ripple of one more line at each order, and its uncertainty per mm of noise, shape (M,)."""
    q = joint.design
    share = float(np.mean(joint.basis.speed)) / joint.mean_speed / math.sqrt(2)
    sizes, gains = np.empty(len(per_turn)), np.empty(len(per_turn))
    for k, n in enumerate(per_turn):
        columns = line_columns(joint.basis, float(n))
        columns = columns - q @ (q.T @ columns)
        inverse = np.linalg.pinv(columns.T @ columns)
        sizes[k] = np.hypot(*(inverse @ (columns.T @ joint.residual)))
        gains[k] = math.sqrt(float(np.trace(inverse)) / 2)
    return sizes * share, gains * share
