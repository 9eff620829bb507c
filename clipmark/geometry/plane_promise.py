"""Possible views where only lines and a promise speak: drawn widely, then weighed.

What is promised of yaw and pitch is a box with hard sides, and lines cut a band out of it. No
linear response knows such a shape, so views are drawn from a wider normal distribution about the
solution, weighed by how well they agree with the lines and whether they keep the promise, and
drawn again by weight (sampling-importance-resampling: D. B. Rubin, in Bayesian Statistics 3, 1988,
pages 395-402; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.evidence import EXACT_RAD, Evidence, yaw_and_pitch
from clipmark.geometry.plane import normal_from_yaw_pitch
from clipmark.geometry.plane_solve import Solution

FloatArray = NDArray[np.float64]

OVERSAMPLING = 4
PROMISE_WIDER = 1.7  # normal of about the promise's half-width: its corners are still drawn
LINES_WIDER = 1.15  # a heavier proposal than the target keeps the weights even
BATCH = 20_000


def weighed_views(
    evidence: Evidence, solution: Solution, rng: np.random.Generator, n: int
) -> FloatArray:
    """Unknowns of n possible views, shape (n, unknowns), from a view without a sheet.

    Parameters
    ----------
    evidence : Evidence
        With no sheet.
    solution : Solution
        Its minimum.
    rng : numpy.random.Generator
    n : int
    """
    if not evidence.references:
        return _promised(evidence, solution, rng, n)
    theta, weight = _weighed(evidence, solution, rng, OVERSAMPLING * n)
    if not weight.sum() > 0:
        # Lines that contradict the promise outright: what they say stands, as the estimate does.
        return _promised(evidence, solution, rng, n, about=solution.theta[:3])
    # Systematic resampling: every view comes as often as its weight says, to within one.
    places = (np.arange(n) + rng.uniform()) / n
    chosen = np.searchsorted(np.cumsum(weight) / weight.sum(), places).clip(0, len(weight) - 1)
    return np.asarray(theta[rng.permutation(chosen)], dtype=np.float64)


def _promised(
    evidence: Evidence,
    solution: Solution,
    rng: np.random.Generator,
    n: int,
    about: FloatArray | None = None,
) -> FloatArray:
    """Views by the promise alone, or all `about` given small turns."""
    theta = np.zeros((n, evidence.unknowns))
    theta[:, evidence.latents] = evidence.camera.draw_latents(rng, n)
    if about is not None:
        theta[:, :3] = about
        return theta
    limit = evidence.square_within_rad or 0.0
    theta[:, :3] = turns_to(solution.turn, rng.uniform(-limit, limit, (n, 2)))
    return theta


def turns_to(turn: FloatArray, view_rad: FloatArray) -> FloatArray:
    """Small turns, shape (n, 3), that give a frame the yaws and pitches wanted, shape (n, 2).

    The smallest turn that takes the frame's third axis to the axis wanted.
    """
    yaw, pitch = view_rad[:, 0], view_rad[:, 1]
    away = -normal_from_yaw_pitch(yaw, pitch)
    wanted = away @ turn  # in the frame's own axes, where the third axis is (0, 0, 1)
    axis = np.stack([-wanted[:, 1], wanted[:, 0], np.zeros(len(wanted))], axis=1)
    sine = np.linalg.norm(axis, axis=1)
    angle = np.arctan2(sine, wanted[:, 2])
    scale = np.where(sine > 1e-15, angle / np.where(sine > 1e-15, sine, 1.0), 1.0)
    return np.asarray(axis * scale[:, None], dtype=np.float64)


def _weighed(
    evidence: Evidence, solution: Solution, rng: np.random.Generator, count: int
) -> tuple[FloatArray, FloatArray]:
    """Views from a wide proposal, shape (count, unknowns), and their weights, shape (count,)."""
    limit = max(evidence.square_within_rad or 0.0, EXACT_RAD)
    wide = np.ones(evidence.promise_rows.stop)
    wide[evidence.line_rows] = LINES_WIDER
    wide[evidence.promise_rows] = PROMISE_WIDER
    rows = slice(evidence.line_rows.start, evidence.promise_rows.stop)
    jacobian = _turn_jacobian(evidence, solution)[rows] / wide[rows, None]
    gain = np.linalg.pinv(jacobian)
    spread = np.linalg.cholesky(gain @ gain.T + 1e-24 * np.eye(3))
    theta = np.zeros((count, evidence.unknowns))
    theta[:, evidence.latents] = evidence.camera.draw_latents(rng, count)
    theta[:, :3] = solution.theta[:3]
    for _ in range(2):  # the middle moves with the camera drawn
        off = _residuals(evidence, solution, theta)[:, rows] / wide[rows]
        theta[:, :3] -= np.nan_to_num(off) @ gain.T
    unit = rng.standard_normal((count, 3))
    theta[:, :3] += unit @ spread.T
    misfit = _residuals(evidence, solution, theta)
    lines = misfit[:, evidence.line_rows]
    view = yaw_and_pitch(-evidence.frame(solution.turn, theta)[:, :, 2])
    inside = (np.abs(view) <= limit * (1 + 1e-9)).all(axis=1) & np.isfinite(lines).all(axis=1)
    log = 0.5 * (np.sum(unit**2, axis=1) - np.sum(lines**2, axis=1))
    log = np.where(inside, log, -np.inf)
    return theta, np.exp(log - log.max()) if inside.any() else np.zeros(count)


def _residuals(evidence: Evidence, solution: Solution, theta: FloatArray) -> FloatArray:
    """Misfits in batches, so that memory stays small."""
    parts = [
        evidence.residuals(solution.turn, solution.spins, theta[start : start + BATCH])
        for start in range(0, len(theta), BATCH)
    ]
    return np.concatenate(parts)


def _turn_jacobian(evidence: Evidence, solution: Solution) -> FloatArray:
    """Change of all misfits with the small turns, shape (residuals, 3)."""
    step = 1e-6
    nudges = np.zeros((3, evidence.unknowns))
    nudges[:, :3] = step * np.eye(3)
    theta = np.concatenate([solution.theta + nudges, solution.theta - nudges])
    both = evidence.residuals(solution.turn, solution.spins, theta)
    return np.asarray((both[:3] - both[3:]).T / (2 * step), dtype=np.float64)
