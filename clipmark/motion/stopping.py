"""How a truck comes to a stand, and how it leaves one: when, and over what way.

Pure numerics. Positions around a stop are fitted by a run, a fall of its speed of fitted middle and
length, and a stand that may creep. The run may bend, as unevenness of speed makes it. How the speed
falls is not known beforehand: evenly, along a raised cosine, fast at first or fast at last. For
every shape, middle and length of a grid the rest is linear and solved by least squares with weak
priors, errors of neighbouring frames taken together; what is given are means over the grid by
likelihood, and their spread. A start is a stop seen backwards in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.fall import BENDING, EVEN, SLOWING, SWING_CREEP, Run, Shape, shapes
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import local_fit

BEFORE_S = 1.0  # of the run, looked at to know its speed
LOOK_S = 0.1
STALLED = 0.3  # of the run's speed
FALLING, FALLEN = 0.7, 0.12  # of the run's speed: between these the filtered speed falls
NEAR_S = 0.3  # how late the fall may end
RUN_S, REST_S = 0.8, 0.3  # fitted before the speed falls and after
UNEVEN = 4.0  # times the noise's variance that an even run may leave
SHORTEST_FALL_S, LONGEST_FALL_S = 0.008, 2.5
USUAL_FALL_S = 0.1
LEAST_RUN, LEAST_POINTS = 4, 10
LEAST_MISFIT, MOST_MISFIT = 0.05, 100.0  # the noise given may be too large as well
MOST_ZOOMS, FINE = 5, 3.0
SPREADS = 3.5  # standard deviations that the next grid reaches to either side
MIDDLES, FALLS = 13, 11
FIRST_MIDDLES, FIRST_FALLS = 18, 16
UNLIKELY = 6.0  # log likelihood below the best at which a shape is given up
SHAPE_SHARE = 0.02  # of the fall and its way: standard uncertainty for shapes beyond those tried
SWING_SHARE = 0.7  # of the run's unevenness, which nobody knows how it goes on in the fall
LEAST_SPEED_SIGMAS = 8.0


@dataclass(frozen=True)
class Stop:
    """One coming to a stand.

    Attributes
    ----------
    slows_s, stands_s : float
        When the speed began to fall, and when it had fallen to that of the stand.
    distance : float
        Way between the two, without sign, in the unit of the positions.
    u_distance, u_slows_s, u_stands_s : float
        Standard uncertainties.
    """

    slows_s: float
    stands_s: float
    distance: float
    u_distance: float
    u_slows_s: float
    u_stands_s: float


@dataclass(frozen=True)
class Start:
    """One leaving of a stand: when it left, when its speed had risen, standard uncertainties, s."""

    leaves_s: float
    risen_s: float
    u_leaves_s: float
    u_risen_s: float


def fit_stop(
    times_s: FloatArray, positions: FloatArray, near_s: float, noise: float, rho: float = 0.0
) -> Stop | None:
    """Fit the stop near an instant; None where there is too little on either side, or no stop.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Of one run into a stand, nothing else; increasing times.
    near_s : float
        About when it came to a stand.
    noise : float
        Standard deviation of a single position.
    rho : float
        Correlation of the errors of neighbouring frames, 0 to 1.
    """
    known = np.isfinite(times_s) & np.isfinite(positions)
    t, s = times_s[known] - near_s, positions[known]
    window = _window(t, s, noise)
    if window is None:
        return None
    use = (t >= window.since_s) & (t <= window.until_s)
    t, s = np.asarray(t[use], dtype=np.float64), np.asarray(s[use] - s[use][-1], dtype=np.float64)
    if len(t) < LEAST_POINTS or (t < window.falls_s).sum() < LEAST_RUN:
        return None
    middles = np.linspace(window.falls_s - 0.06, window.fallen_s + 0.06, FIRST_MIDDLES)
    falls = np.geomspace(SHORTEST_FALL_S, LONGEST_FALL_S, FIRST_FALLS)
    grids = [_Grid(shape, run, middles, falls) for shape in shapes() for run in window.runs()]
    errors = _Errors(max(noise, 1e-12), min(max(rho, 0.0), 0.95))
    frame = float(np.median(np.diff(t)))
    found = _solve((t, s), grids, errors)
    for _ in range(MOST_ZOOMS):
        if found.coarse < FINE:
            break
        found = _solve((t, s), found.next_grids(frame), errors)
    return _solve((t, s), found.next_grids(frame), errors, fine=True).stop(near_s)


def fit_start(
    times_s: FloatArray, positions: FloatArray, near_s: float, noise: float, rho: float = 0.0
) -> Start | None:
    """Fit the start near an instant, from a stand and the run after it; see `fit_stop`."""
    found = fit_stop(-times_s[::-1], positions[::-1], -near_s, noise, rho)
    if found is None:
        return None
    return Start(-found.stands_s, -found.slows_s, found.u_stands_s, found.u_slows_s)


@dataclass(frozen=True)
class _Errors:
    size: float
    rho: float


@dataclass(frozen=True)
class _Window:
    """What is fitted of the positions, where the fall is about to be, s, and how the run swings."""

    since_s: float
    until_s: float
    falls_s: float
    fallen_s: float
    swing: float

    def runs(self) -> tuple[Run, ...]:
        """The kinds of run that are tried."""
        if self.swing > 0:
            return (Run((0.0, 0.0, SWING_CREEP), self.swing),)
        return Run(EVEN), Run(BENDING), Run(SLOWING)


def _window(t: FloatArray, s: FloatArray, noise: float) -> _Window | None:
    """Where the filtered speed falls from near that of the run to near that of the stand."""
    if len(t) < LEAST_POINTS:
        return None
    speed = local_fit(t, s, LOOK_S, degree=1).slope
    speed = speed * (1.0 if s[-1] >= s[0] else -1.0)
    run = (t > -BEFORE_S) & (t < 0.0) & np.isfinite(speed)
    if run.sum() < LEAST_RUN:
        return None
    usual = float(np.quantile(speed[run], 0.75))
    fast = np.flatnonzero(run & (speed > FALLING * usual))
    if usual <= 0 or not fast.size:
        return None
    falls = float(t[fast[-1]])
    resting = speed[(t > LOOK_S) & (t < LOOK_S + REST_S) & np.isfinite(speed)]
    creeps = float(np.clip(np.median(resting), -0.5 * usual, 0.5 * usual)) if resting.size else 0.0
    slow = np.flatnonzero((t > falls) & (speed < creeps + FALLEN * (usual - creeps)))
    if not slow.size or t[slow[0]] > NEAR_S:
        return None
    fallen = float(t[slow[0]])
    length = fallen - falls
    before = np.flatnonzero((t < falls) & (speed < STALLED * usual))
    since = falls - 0.6 * length - RUN_S
    if before.size:  # a stall: the run begins after it
        since = max(since, float(t[before[-1]]) + LOOK_S)
    return _Window(
        since_s=since,
        until_s=fallen + length + REST_S,
        falls_s=falls,
        fallen_s=fallen,
        swing=_swing(t[t >= since], s[t >= since], falls, noise, usual),
    )


def _swing(t: FloatArray, s: FloatArray, falls_s: float, noise: float, usual: float) -> float:
    """Relative unevenness of the run before the fall; zero where its speed only bends."""
    use = (t < falls_s - 0.1) & (t > falls_s - BEFORE_S)
    if use.sum() < 2 * LEAST_POINTS:
        return 0.0
    x, y = t[use] - falls_s, s[use]
    bent = np.polynomial.Polynomial.fit(x, y, 2)
    if np.sum((y - bent(x)) ** 2) < UNEVEN * noise**2 * len(x):
        return 0.0
    speed = local_fit(x, y, LOOK_S, degree=1).slope
    return min(float(np.nanstd(speed)) / usual, 1.0)


@dataclass(frozen=True)
class _Grid:
    """Middles and lengths of the fall to be tried with one shape and one kind of run, s."""

    shape: Shape
    run: Run
    middles: FloatArray
    falls: FloatArray

    def like(self, other: _Grid) -> bool:
        """Whether both have the same columns."""
        same = self.middles is other.middles and self.falls is other.falls
        return same and self.shape is other.shape and self.run.swing == other.run.swing


@dataclass(frozen=True)
class _Found:
    """Solutions of all grids in one row each, shape (N,): weight, when, how far, its u."""

    grids: list[_Grid]
    number: NDArray[np.intp]
    middles: FloatArray
    falls: FloatArray
    weights: FloatArray
    slows: FloatArray
    stands: FloatArray
    way: FloatArray
    u_way: FloatArray
    speed: FloatArray
    u_speed: FloatArray
    coarse: float

    def mean(self, values: FloatArray) -> float:
        return float(self.weights @ values)

    def spread(self, values: FloatArray) -> float:
        return math.sqrt(max(float(self.weights @ (values - self.mean(values)) ** 2), 0.0))

    def next_grids(self, frame: float) -> list[_Grid]:
        """Finer grids about what was likely, for the shapes that are."""
        out = []
        totals = np.bincount(self.number, self.weights, len(self.grids))
        best = float(np.max(totals))
        for number, grid in enumerate(self.grids):
            mine = self.number == number
            total = float(totals[number])
            if total < best * math.exp(-UNLIKELY):
                continue
            w = self.weights[mine] / total
            middles, logs = self.middles[mine], np.log(self.falls[mine])
            out.append(
                _Grid(
                    grid.shape,
                    grid.run,
                    _about(w, middles, grid.middles, frame / 60, MIDDLES),
                    np.exp(_about(w, logs, np.log(grid.falls), 0.03, FALLS)),
                )
            )
        return out

    def stop(self, near_s: float) -> Stop | None:
        if abs(self.mean(self.speed)) < LEAST_SPEED_SIGMAS * self.mean(self.u_speed):
            return None
        beyond = SHAPE_SHARE * self.mean(self.falls)
        way = self.mean(np.abs(self.way))
        unknown = max(SHAPE_SHARE, SWING_SHARE * self.grids[0].run.swing) * way
        u_way = math.hypot(
            math.sqrt(self.mean(self.u_way**2)), self.spread(np.abs(self.way)), unknown
        )
        return Stop(
            slows_s=near_s + self.mean(self.slows),
            stands_s=near_s + self.mean(self.stands),
            distance=way,
            u_distance=u_way,
            u_slows_s=math.hypot(self.spread(self.slows), beyond),
            u_stands_s=math.hypot(self.spread(self.stands), beyond),
        )


def _about(
    weights: FloatArray, values: FloatArray, grid: FloatArray, least: float, count: int
) -> FloatArray:
    """A grid about the likely values, no finer than they are known, no wider than the last one."""
    step = float(grid[1] - grid[0])
    mean = float(weights @ values)
    spread = math.sqrt(float(weights @ (values - mean) ** 2) + step**2 / 8)
    reach = max(SPREADS * spread, least * count / 4)
    low = max(mean - reach, float(grid[0]) - step)
    high = min(mean + reach, float(grid[-1]) + step)
    return np.linspace(low, high, count)


def _solve(
    part: tuple[FloatArray, FloatArray],
    grids: Sequence[_Grid],
    errors: _Errors,
    fine: bool = False,
) -> _Found:
    """Least squares at every shape, middle and length; see `clipmark.motion.fall`.

    Unless the grids are `fine`, what their steps miss counts as noise, so that no shape is given up
    for a grid that does not hit it.
    """
    t, s = part
    usual = max(_usual_speed(t, s), errors.size / REST_S)
    innovation = errors.size * math.sqrt(1 - errors.rho**2)
    y = _whiten(s[None], errors.rho)[0] / innovation
    rows: list[list[FloatArray]] = []
    coarse = max((usual * _coarseness(grid) / innovation) ** 2 for grid in grids)
    for number, grid in enumerate(grids):
        precision = 1 / (usual * grid.run.spreads()) ** 2
        shape = grid.shape
        middle, fall = (a.ravel() for a in np.meshgrid(grid.middles, grid.falls, indexing="ij"))
        if number == 0 or not grid.like(grids[number - 1]):
            design, way = grid.run.columns(shape, t, middle - shape.half * fall, fall)
            white = _whiten(design, errors.rho) / innovation
        turned = np.swapaxes(white, 1, 2)
        normal = turned @ white + np.diag(precision)
        right = turned @ y
        inverse = np.linalg.inv(normal)
        p = np.einsum("nij,nj->ni", inverse, right)
        drop = np.asarray(float(y @ y) - np.einsum("ni,ni->n", p, right), dtype=np.float64)
        u_way = np.einsum("ni,nij,nj->n", way, inverse, way)
        size = np.linalg.slogdet(normal)[1] - float(np.sum(np.log(precision)))
        cell = float(np.log(grid.falls[1] / grid.falls[0]) * (grid.middles[1] - grid.middles[0]))
        prior = np.log(np.minimum(fall, USUAL_FALL_S**2 / fall)) + math.log(cell * shape.chance)
        slows = middle - shape.half * fall
        kind = np.full(len(fall), number, dtype=np.float64)
        reached = np.einsum("ni,ni->n", way, p)
        if grid.run.priors != SLOWING:
            prior[slows < t[0]] = -np.inf
        prior = np.asarray(prior - size / 2)
        columns = [kind, middle, fall, drop, prior, slows, slows + fall, reached]
        rows.append([*columns, u_way, p[:, 1], np.asarray(inverse[:, 1, 1], dtype=np.float64)])
    joined = [np.concatenate(each) for each in zip(*rows, strict=True)]
    kind, middle, fall, drop, prior, slows, stands, reached, u_way, speed, u_speed = joined
    misfit = float(np.clip(np.min(drop) / max(len(t) - 5, 1), LEAST_MISFIT, MOST_MISFIT))
    likelihood = prior - drop / (2 * (misfit if fine else misfit + coarse))
    weights = np.exp(likelihood - np.max(likelihood))
    return _Found(
        grids=list(grids),
        number=kind.astype(np.intp),
        middles=middle,
        falls=fall,
        weights=weights / weights.sum(),
        slows=slows,
        stands=stands,
        way=reached,
        u_way=np.sqrt(np.maximum(u_way * misfit, 0.0)),
        speed=speed,
        u_speed=np.sqrt(np.maximum(u_speed * misfit, 0.0)),
        coarse=coarse / misfit,
    )


def _coarseness(grid: _Grid) -> float:
    """By how much the next point of a grid may lie off in time, s; positions miss by that way."""
    middles = float(grid.middles[1] - grid.middles[0]) / 6
    falls = math.sqrt(float(grid.falls[0] * grid.falls[-1]))
    return middles + falls * math.log(float(grid.falls[1] / grid.falls[0])) / 10


def _usual_speed(t: FloatArray, s: FloatArray) -> float:
    """Speed of the run, roughly: over the first third."""
    few = max(3, len(t) // 3)
    return abs(float((s[few - 1] - s[0]) / (t[few - 1] - t[0])))


def _whiten(columns: FloatArray, rho: float) -> FloatArray:
    """Errors of a first-order autoregression made independent, along the second axis."""
    first = columns[:, :1] * math.sqrt(1 - rho**2)
    return np.concatenate([first, columns[:, 1:] - rho * columns[:, :-1]], axis=1)
