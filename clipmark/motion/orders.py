"""Ripple by order: unevenness of speed per turn of the wheel, as lines over a noise floor.

Pure numerics. The speed is taken as ``v(t) = V(t) (1 + sum a_n cos(n theta) + b_n sin(n theta))``
with a slow trend V and the turn theta(t) seen on the wheel. Its integral is fitted to the positions
by least squares, which needs no differencing, no even steps, and no response put right. It is not
the way over the turn that is fitted: of a wheel that rolls, that way is even whatever the speed.

Lines are found one at a time in the least-squares periodogram of what is left (Lomb, Astrophys.
Space Sci. 39, 1976, 447-462) and fitted together again after each. One stands out when noise alone
would show as much anywhere among all the orders with a probability of 1 % (Baluev, Mon. Not. R.
Astron. Soc. 385, 2008, 1279-1285). A line from above half the frame rate is folded down and
looks like any other: what is higher than `Orders.highest` cannot be told, nor told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.motion.order_fit import (
    Joint,
    background,
    fit_lines,
    followed,
    power_of,
    refine,
    scan,
    single_orders,
    trend_basis,
)
from clipmark.motion.order_stretch import Stretch, longest_turning
from clipmark.motion.sampling import FloatArray

FALSE_ALARM = 0.01  # over all orders together
LOWEST = 0.75  # cycles per turn: below this it is the trend
OVERSAMPLING = 5  # points of the grid per resolution, 1 / turns
MOST_LINES = 16
ROUNDS = 2  # of fitting turn and slow speed beside the lines, and the lines again


@dataclass(frozen=True)
class OrderLine:
    """One line that stands out of the noise.

    Attributes
    ----------
    per_turn, u_per_turn : float
        Cycles per turn of the wheel, not necessarily whole, and standard uncertainty.
    ripple, u_ripple : float
        Standard deviation of the line over mean speed, and standard uncertainty.
    """

    per_turn: float
    u_per_turn: float
    ripple: float
    u_ripple: float


@dataclass(frozen=True, eq=False)
class Orders:
    """Unevenness per turn of one wheel.

    Attributes
    ----------
    lines : tuple of OrderLine
        What stands out, by rising order.
    per_turn : ndarray, shape (M,)
        The whole orders 1, 2, ... up to `highest`.
    ripple, u_ripple : ndarray, shape (M,)
        Ripple at each, with the lines beside it taken out, and standard uncertainty.
    stands_out : ndarray of bool, shape (M,)
        Whether one of `lines` is this order, as far as the turns seen can tell.
    least_ripple : ndarray, shape (M,)
        The smallest ripple that would stand out there.
    highest : float
        Highest order that the footage can show (or the caller asked for).
    turns : float
        Turns in the stretch used; orders nearer than 1 / turns are not told apart.
    mean_speed_mm_s : float
        Mean over the turn of the trend of speed.
    first, last : int
        First and last instant of the stretch among those given.
    """

    lines: tuple[OrderLine, ...]
    per_turn: NDArray[np.int_]
    ripple: FloatArray
    u_ripple: FloatArray
    stands_out: NDArray[np.bool_]
    least_ripple: FloatArray
    highest: float
    turns: float
    mean_speed_mm_s: float
    first: int
    last: int


def no_orders_reason(
    times_s: FloatArray, s_mm: FloatArray, turn_rad: FloatArray, position_noise_mm: float
) -> str | None:
    """Why `orders` gives nothing, in a sentence; None where it gives something."""
    found = longest_turning(times_s, s_mm, turn_rad, position_noise_mm)
    return found if isinstance(found, str) else None


def orders(
    times_s: FloatArray,
    s_mm: FloatArray,
    turn_rad: FloatArray,
    position_noise_mm: float,
    highest: float | None = None,
) -> Orders | None:
    """Ripple by order over the longest stretch that turns one way; see the module's docstring.

    Parameters
    ----------
    times_s, s_mm, turn_rad : ndarray, shape (K,)
        Increasing times, s, way along the travel, mm, and unwrapped turn of the wheel, rad;
        NaN where not known. Either way of going and turning.
    position_noise_mm : float
        Standard deviation of a single position, mm. Where the positions scatter more around an
        order than this says, what they show is used.
    highest : float, optional
        Cap of the orders looked at.

    Returns
    -------
    Orders or None
        None for fewer than two turns, or no travel; `no_orders_reason` says which.
    """
    found = longest_turning(times_s, s_mm, turn_rad, position_noise_mm)
    if isinstance(found, str):
        return None
    top = found.highest if highest is None else min(highest, found.highest)
    per_step = OVERSAMPLING * found.turns
    grid = np.arange(math.ceil(LOWEST * per_step), int(max(top, 1.0) * per_step) + 1) / per_step
    noise = max(position_noise_mm, 1e-9)
    limit = least_power(found.turns, grid[0], grid[-1])
    joint, floor = _find_lines(found, grid, noise, limit)
    per_turn = np.arange(1, int(top) + 1)
    ripple, gain = single_orders(joint, per_turn)
    u_ripple = gain * noise * np.sqrt(np.interp(per_turn, grid, floor))
    ripple = np.sqrt(np.maximum(ripple**2 - u_ripple**2, 0.0))
    least = math.sqrt(2 * limit) * u_ripple
    lines = _read_lines(joint, noise, np.interp(joint.per_turn, grid, floor))
    stands = np.zeros(len(per_turn), dtype=bool)
    for line in lines:
        beside = np.abs(per_turn - line.per_turn)
        if beside.size and beside.min() <= 0.5 / found.turns + 1e-9:
            k = int(np.argmin(beside))
            stands[k] = True
            ripple[k], u_ripple[k] = line.ripple, line.u_ripple
    return Orders(
        lines=lines,
        per_turn=per_turn,
        ripple=ripple,
        u_ripple=u_ripple,
        stands_out=stands,
        least_ripple=least,
        highest=top,
        turns=found.turns,
        mean_speed_mm_s=joint.mean_speed,
        first=found.first,
        last=found.last,
    )


def least_power(turns: float, low: float, high: float) -> float:
    """Half the squared signal-to-noise ratio that noise exceeds with probability `FALSE_ALARM`.

    The root of ``(1 + W sqrt(z)) exp(-z)``, with W the orders looked at times the effective length
    ``sqrt(4 pi var(theta))`` of an even sampling (Baluev 2008, equation 5).
    """
    width = (high - low) * turns * math.sqrt(4 * math.pi / 12)

    def excess(z: float) -> float:
        return math.log1p(width * math.sqrt(z)) - z - math.log(FALSE_ALARM)

    return float(scipy.optimize.brentq(excess, 0.5, 100.0))


def _find_lines(
    stretch: Stretch, grid: FloatArray, noise: float, limit: float
) -> tuple[Joint, FloatArray]:
    """Take lines out one by one until nothing stands out; what is left is the floor."""
    joint = fit_lines(trend_basis(stretch), np.empty(0))
    resolution = 1 / stretch.turns
    per_step = OVERSAMPLING * stretch.turns
    while True:
        power = scan(joint, per_step, round(grid[0] * per_step), round(grid[-1] * per_step) + 1)
        power /= noise**2
        floor = background(power, grid, OVERSAMPLING, stretch.turns)
        height = power / (2 * floor)
        for known in joint.per_turn:  # closer than the resolution is the same line again
            height[np.abs(grid - known) < resolution] = 0.0
        best = int(np.argmax(height))
        if height[best] < limit or len(joint.per_turn) >= MOST_LINES:
            return _without_weak(joint, grid, floor, noise, limit), floor
        joint = fit_lines(joint.basis, np.append(joint.per_turn, grid[best]))
        for _ in range(ROUNDS):
            joint = refine(followed(joint), joint.per_turn, resolution)


def _without_weak(
    joint: Joint, grid: FloatArray, floor: FloatArray, noise: float, limit: float
) -> Joint:
    """Drop lines that no longer stand out beside the ones found after them."""
    while joint.per_turn.size:
        heights = power_of(joint) / (2 * noise**2 * np.interp(joint.per_turn, grid, floor))
        weakest = int(np.argmin(heights))
        if heights[weakest] >= limit:
            break
        rest = np.delete(joint.per_turn, weakest)
        joint = refine(joint.basis, rest, 1 / joint.basis.stretch.turns)
    return joint


def _read_lines(joint: Joint, noise: float, floor: FloatArray) -> tuple[OrderLine, ...]:
    """Lines by rising order, the upward bias of a fitted size taken out.

    The square of the size of a line whose order was fitted too is too large by three variances
    on average, and that of its mean by one less.
    """
    lines = []
    for k in np.argsort(joint.per_turn):
        share = noise * math.sqrt(floor[k])
        u = float(joint.u_ripple[k]) * share
        lines.append(
            OrderLine(
                per_turn=float(joint.per_turn[k]),
                u_per_turn=float(joint.u_per_turn[k]) * share,
                ripple=math.sqrt(max(float(joint.ripple[k]) ** 2 - 2 * u**2, 0.0)),
                u_ripple=u,
            )
        )
    return tuple(lines)
