"""Positions of a body whose speed falls to a stand, per unit of what is solved for linearly.

Pure numerics. A fall begins at ``slows`` and lasts ``fall``; over it the speed of the run goes down
along one of a few shapes to the speed at which the stand creeps. The run is even and bends, or it
swings, as unevenness of speed makes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from clipmark.motion.sampling import FloatArray

GRID = 8001  # so fine that the nearest entry is near enough
# raised cosine, even, fast at last, fast at first by a little, exponential down to a 20th
SHAPE_CHANCES = (0.34, 0.24, 0.06, 0.12, 0.24)
LOOSE = 100.0  # place (s) and speed, in units of the run's speed: nearly free
# priors, standard, of an even run, an uneven one, and one that slows down from the very beginning,
# as a free roll seen backwards does: first and second rate of change of its speed (s^-1, s^-2) and
# speed of creeping in the stand, in units of the run's speed
EVEN, BENDING, SLOWING = (0.3, 2.0, 0.03), (2.5, 30.0, 0.15), (0.003, 0.02, 0.03)
SWINGS_HZ = (0.7, 1.4, 2.2, 3.2, 4.4)
SWING_CREEP = 0.04
STEP_S = 0.004


@dataclass(frozen=True)
class Shape:
    """One way to fall from 1 to 0 over x = 0 to 1.

    Attributes
    ----------
    chance : float
        How likely it is before anything is seen.
    half : float
        Where it is half down.
    speed : ndarray, shape (GRID,)
    moments : ndarray, shape (3, GRID)
        Sums of speed times the powers 0, 1, 2 of x, up to x.
    """

    chance: float
    half: float
    speed: FloatArray
    moments: FloatArray


@lru_cache(maxsize=1)
def shapes() -> tuple[Shape, ...]:
    """The shapes that are tried."""
    x = np.linspace(0.0, 1.0, GRID)
    dying = (np.exp(-3 * x) - math.exp(-3)) / (1 - math.exp(-3))
    speeds = (0.5 + 0.5 * np.cos(np.pi * x), 1 - x, (1 - x) ** 0.6, (1 - x) ** 1.5, dying)
    return tuple(_shape(c, speed) for c, speed in zip(SHAPE_CHANCES, speeds, strict=True))


def _shape(chance: float, speed: FloatArray) -> Shape:
    x = np.linspace(0.0, 1.0, GRID)
    moments = np.zeros((3, GRID))
    for power in range(3):
        each = speed * x**power
        moments[power, 1:] = np.cumsum((each[1:] + each[:-1]) / 2) / (GRID - 1)
    return Shape(chance, float(np.interp(-0.5, -speed, x)), speed, moments)


@dataclass(frozen=True)
class Run:
    """How the speed may go on before it falls.

    Attributes
    ----------
    priors : tuple of float
        Standard, of first and second rate of change and of creeping, in units of the run's speed.
    swing : float
        Relative size of its unevenness; above zero the run swings, and only the last prior counts.
    """

    priors: tuple[float, float, float]
    swing: float = 0.0

    def spreads(self) -> FloatArray:
        """Prior standard deviations of the columns, in units of the run's speed, shape (P,)."""
        if self.swing <= 0:
            return np.array([LOOSE, LOOSE, *self.priors])
        each = self.swing / math.sqrt(len(SWINGS_HZ))
        return np.array([LOOSE, LOOSE, *[each] * (2 * len(SWINGS_HZ)), self.priors[2]])

    def columns(
        self, shape: Shape, t: FloatArray, slows: FloatArray, fall: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Positions per unit of each unknown, (N, K, P), and their ways over the fall, (N, P).

        Unknowns: place, speed, its changes, and last the speed of creeping in the stand.

        Parameters
        ----------
        shape : Shape
        t : ndarray, shape (K,)
        slows, fall : ndarray, shape (N,)
        """
        return (_swinging if self.swing > 0 else _bending)(shape, t, slows, fall)


def _bending(
    shape: Shape, t: FloatArray, slows: FloatArray, fall: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Speed and its rates are those of the run where it begins to fall."""
    since = t - slows[:, None]
    f = fall[:, None]
    x = np.clip(since / f, 0.0, 1.0)
    nearest = (x * (GRID - 1) + 0.5).astype(np.int32)
    first, second, third = (each.take(nearest) for each in shape.moments)
    before = np.minimum(since, 0.0)
    columns = [
        np.ones_like(since),
        before + f * first,
        before**2 / 2 + f**2 * second,
        before * before * before / 6 + f**3 * third / 2,
        f * (x - first) + np.maximum(since - f, 0.0),
    ]
    whole = shape.moments[:, -1]
    way = [
        np.zeros_like(fall),
        fall * whole[0],
        fall**2 * whole[1],
        fall**3 * whole[2] / 2,
        fall * (1 - whole[0]),
    ]
    return np.stack(columns, axis=-1), np.stack(way, axis=-1)


def _swinging(
    shape: Shape, t: FloatArray, slows: FloatArray, fall: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The run's speed swings at the frequencies of `SWINGS_HZ`; summed up in steps of `STEP_S`."""
    grid = np.arange(t[0], t[-1] + 2 * STEP_S, STEP_S)
    turns = 2 * np.pi * np.outer(grid, SWINGS_HZ)
    speeds = np.concatenate([np.ones((len(grid), 1)), np.cos(turns), np.sin(turns)], axis=1)
    x = np.clip((grid - slows[:, None]) / fall[:, None], 0.0, 1.0)
    share = np.interp(x, np.linspace(0.0, 1.0, GRID), shape.speed)
    each = np.concatenate([share[..., None] * speeds, (1 - share)[..., None]], axis=2)
    summed = np.zeros_like(each)
    summed[:, 1:] = np.cumsum((each[:, 1:] + each[:, :-1]) * (STEP_S / 2), axis=1)

    def read(at: FloatArray) -> FloatArray:
        """Sums at instants, (N, M)."""
        index = np.clip((at - grid[0]) / STEP_S, 0.0, len(grid) - 1.001)
        low = index.astype(np.intp)
        part = (index - low)[..., None]
        rows = np.arange(len(summed))[:, None]
        return np.asarray(summed[rows, low] * (1 - part) + summed[rows, low + 1] * part)

    positions = read(np.broadcast_to(t, (len(slows), len(t))))
    ends = read(np.stack([slows, slows + fall], axis=1))
    ones = np.ones((*positions.shape[:2], 1))
    way = np.concatenate([np.zeros((len(slows), 1)), ends[:, 1] - ends[:, 0]], axis=1)
    return np.concatenate([ones, positions], axis=2), way
