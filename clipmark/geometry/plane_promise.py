"""Possible views where only lines and a promise speak: drawn widely, then weighed.

What is promised of yaw and pitch is a box with hard sides, and lines cut a band out of it. No
linear response knows such a shape, so views are drawn from a wider normal distribution about the
solution, weighed by how well they agree with the lines and whether they keep the promise, and
drawn again by weight (sampling-importance-resampling: D. B. Rubin, in Bayesian Statistics 3, 1988,
pages 395-402; from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.evidence import EXACT_RAD, Evidence
from clipmark.geometry.plane import normal_from_yaw_pitch
from clipmark.geometry.plane_solve import Solution

FloatArray = NDArray[np.float64]

OVERSAMPLING = 3
PROMISE_WIDER = 1.7  # normal of about the promise's half-width: its corners are still drawn
LINES_WIDER = 1.15  # a heavier proposal than the target keeps the weights even
STEP_RAD = 1e-6
ROUGH_STEPS = 2  # with the derivatives of the solution, before one with the draw's own
REACHED = 0.1  # standard units; draws that did not come as near to what was drawn are left out


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
    """Views from a wide proposal, shape (count, unknowns), and their weights, shape (count,).

    The misfits of lines and promise are combined into three numbers, as many as there are turns,
    which are drawn; the turns that have these numbers are then solved for, so that the proposal
    follows the band however it bends. Its density is that of the numbers times the determinant
    of their derivatives.
    """
    limit = max(evidence.square_within_rad or 0.0, EXACT_RAD)
    theta = np.zeros((count, evidence.unknowns))
    theta[:, evidence.latents] = evidence.camera.draw_latents(rng, count)
    theta[:, :3] = solution.theta[:3]
    drawn = evidence.line_rays(evidence.camera.params(theta[:, evidence.latents]))

    def misfits(turns: FloatArray, rays: tuple[FloatArray, ...] = drawn) -> FloatArray:
        frame = evidence.frame(solution.turn, turns)
        lines = evidence.line_misfits(rays, frame) / LINES_WIDER
        return np.concatenate([lines, evidence.view_misfits(frame) / PROMISE_WIDER], axis=1)

    at = evidence.line_rays(evidence.camera.params(solution.theta[None, evidence.latents]))
    slopes = _jacobian(lambda turns: misfits(turns, at), solution.theta[None, :3])[0]
    axes, response = np.linalg.qr(slopes)
    back = np.linalg.pinv(response)
    turns = theta[:, :3]
    wanted = rng.standard_normal((count, 3))
    for _ in range(ROUGH_STEPS):
        turns -= np.nan_to_num(misfits(turns) @ axes - wanted) @ back.T
    own = np.nan_to_num(axes.T @ _jacobian(misfits, turns))  # (count, number, turn)
    determinant = np.abs(np.linalg.det(own))
    solvable = determinant > 0
    own[~solvable] = np.eye(3)
    off = np.nan_to_num(misfits(turns) @ axes - wanted)
    turns -= np.linalg.solve(own, off[..., None])[..., 0]

    found = misfits(turns)
    reached = (np.abs(found @ axes - wanted) < REACHED).all(axis=1)
    lines = found[:, :-2] * LINES_WIDER
    view_rad = found[:, -2:] * PROMISE_WIDER * evidence.promise_u_rad
    kept = (np.abs(view_rad) <= limit * (1 + 1e-9)).all(axis=1) & reached & solvable
    log = 0.5 * (np.sum(wanted**2, axis=1) - np.sum(lines**2, axis=1))
    log = np.where(kept, log - np.log(np.where(solvable, determinant, 1.0)), -np.inf)
    return theta, np.exp(log - log.max()) if kept.any() else np.zeros(count)


def _jacobian(misfits: Callable[[FloatArray], FloatArray], turns: FloatArray) -> FloatArray:
    """Change of the misfits with the small turns, shape (n, misfits, 3)."""
    slopes = []
    for nudge in STEP_RAD * np.eye(3):
        slopes.append((misfits(turns + nudge) - misfits(turns - nudge)) / (2 * STEP_RAD))
    return np.stack(slopes, axis=-1)
