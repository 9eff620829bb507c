"""Fitting lens, poses and board flaws to found corners: damped least squares, view by view.

The poses are eliminated view by view (the reduced normal equations of D. C. Brown), so that what is
left is a small system for lens and flaws; what each view adds to it is kept, because it tells what
the lens would be without that view.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.board_model import (
    FLAWS,
    BoardFit,
    BoardViews,
    residuals,
    slopes,
    small_turn,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAX_STEPS = 60
SETTLED = 1e-9  # relative change of the sum of squares
HUBER = 2.0  # robust standard deviations where a residual stops counting by its square
MAD_TO_SD = 1.4826  # of a normal distribution
# Standard uncertainty of the flaws of a printed board mounted flat: bends of 0.1 % of its length,
# a stretch of 0.1 % between the printer's two axes. Common practice, no source.
FLAW_U = np.array([0.001, 0.001, 0.001, 0.001])


@dataclass(frozen=True, eq=False)
class Reduced:
    """The normal equations of lens and flaws, poses eliminated.

    Attributes
    ----------
    of_view : ndarray, shape (V, G, G)
        What each view tells (information), in units of 1 px.
    pull : ndarray, shape (V, G)
        Which way each view pulls.
    prior : ndarray, shape (G,)
        Information declared beforehand: the flaws.
    """

    of_view: FloatArray
    pull: FloatArray
    prior: FloatArray

    @property
    def whole(self) -> FloatArray:
        """Information of all views and the prior, shape (G, G)."""
        return np.asarray(self.of_view.sum(axis=0) + np.diag(self.prior), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Solution:
    """A fit that settled, its residuals and what it stands on."""

    fit: BoardFit
    free: BoolArray
    left_px: FloatArray  # (V, N, 2), NaN where no corner
    reduced: Reduced
    sigma_px: float  # of one coordinate of one corner

    @property
    def rms_px(self) -> float:
        """Root mean square distance of corners from where they are expected, px."""
        return float(np.sqrt(np.nanmean(np.sum(np.square(self.left_px), axis=-1))))

    @property
    def rms_by_view_px(self) -> FloatArray:
        """The same for each view, shape (V,)."""
        return np.asarray(np.sqrt(np.nanmean(np.sum(np.square(self.left_px), axis=-1), axis=1)))


def solve(
    start: BoardFit,
    views: BoardViews,
    free: BoolArray,
    *,
    sigma_px: float = 0.2,
    robust: bool = False,
    flaws: bool = True,
    settle: float = SETTLED,
) -> Solution:
    """Least squares from a start.

    Parameters
    ----------
    start : BoardFit
    views : BoardViews
    free : ndarray of bool, shape (P,)
        Which lens parameters are fitted; the others stay as they are.
    sigma_px : float
        Standard deviation of a found coordinate, for weighing the prior of the flaws.
    robust : bool
        Weigh far-off corners down (P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101).
    flaws : bool
        Whether the board's flaws are fitted, held by their prior, or kept at the start's.
    settle : float
        Relative change of the sum of squares at which it is left.

    Returns
    -------
    Solution
        Where it did not settle within 60 steps, the best so far.
    """
    fit, damping = start, 1e-3
    prior = np.square(sigma_px / FLAW_U)
    cost, left, weight = _cost(fit, views, prior, robust)
    for _ in range(MAX_STEPS):
        reduced, back = _normal(fit, views, left, weight, free, prior, flaws)
        settled = False
        while damping < 1e12:
            trial = _step(fit, reduced, back, free, damping, flaws)
            new_cost, new_left, _ = _cost(trial, views, prior, robust, weight)
            if new_cost <= cost:
                settled = cost - new_cost <= settle * cost
                fit, left, damping = trial, new_left, max(damping / 10, 1e-9)
                break
            damping *= 10
        else:
            break
        if settled:
            break
        if robust:
            cost, left, weight = _cost(fit, views, prior, robust)
        else:
            cost = new_cost
    reduced, _ = _normal(fit, views, left, weight, free, prior, flaws)
    used = np.isfinite(left) & (weight[..., None] > 0)
    spent = int(free.sum()) + 6 * views.count
    dof = max(int(used.sum()) - spent, 1)
    sigma = float(np.sqrt(np.nansum(np.square(left) * weight[..., None]) / dof))
    return Solution(fit, free, left, reduced, sigma)


def solve_poses(start: BoardFit, views: BoardViews, settle: float = SETTLED) -> BoardFit:
    """Poses alone, lens and flaws as they are."""
    none = np.zeros(len(start.lens), dtype=bool)
    return solve(start, views, none, flaws=False, settle=settle).fit


def _cost(
    fit: BoardFit,
    views: BoardViews,
    prior: FloatArray,
    robust: bool,
    weight: FloatArray | None = None,
) -> tuple[float, FloatArray, FloatArray]:
    """Weighted sum of squares (inf where a seen corner cannot be), residuals, weights (V, N)."""
    left = residuals(fit, views)
    seen = np.isfinite(views.pixels[..., 0])
    lost = seen & ~np.isfinite(left[..., 0])
    off = np.where(seen & ~lost, np.hypot(left[..., 0], left[..., 1]), 0.0)
    if weight is None:
        weight = seen.astype(np.float64)
        if robust and seen.any():
            scale = max(MAD_TO_SD * float(np.median(off[seen])), 1e-3)
            weight = weight * np.minimum(1.0, HUBER * scale / np.maximum(off, 1e-12))
    cost = float(np.sum(weight * off * off) + prior @ np.square(fit.flaws))
    return (np.inf if lost.any() else cost), np.where(lost[..., None], np.nan, left), weight


def _normal(
    fit: BoardFit,
    views: BoardViews,
    left: FloatArray,
    weight: FloatArray,
    free: BoolArray,
    prior: FloatArray,
    flaws: bool,
) -> tuple[Reduced, tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]]:
    """Reduced normal equations, and the blocks to get the poses back from."""
    by_lens, by_flaws, by_pose = slopes(fit, views.board_mm)
    common = np.concatenate([by_lens[..., free], by_flaws], axis=-1)
    if not flaws:
        common = common[..., : int(free.sum())]
    count, _, _ = left.shape
    known = np.isfinite(common).all(axis=(-1, -2)) & np.isfinite(by_pose).all(axis=(-1, -2))
    good = np.isfinite(left[..., 0]) & known
    root = np.where(good, np.sqrt(weight), 0.0)[..., None]
    target = (np.where(good[..., None], left, 0.0) * root).reshape(count, -1)
    both = [
        (np.where(good[..., None, None], part, 0.0) * root[..., None]).reshape(
            count, target.shape[1], part.shape[-1]
        )
        for part in (common, by_pose)
    ]
    g, p = both
    gt, pt = np.swapaxes(g, 1, 2), np.swapaxes(p, 1, 2)
    gg, gp, pp = gt @ g, gt @ p, pt @ p
    g_pull = (gt @ target[..., None])[..., 0]
    p_pull = (pt @ target[..., None])[..., 0]
    # A view with too few corners left must not stop the others.
    pp = pp + 1e-12 * np.trace(pp, axis1=1, axis2=2)[:, None, None] * np.eye(6) + 1e-30 * np.eye(6)
    through = np.linalg.solve(pp, np.swapaxes(gp, 1, 2))
    own = gg - gp @ through
    pull = g_pull - (gp @ np.linalg.solve(pp, p_pull[..., None]))[..., 0]
    declared = np.zeros(g.shape[-1])
    if flaws:
        declared[-FLAWS:] = prior
    return Reduced(own, pull, declared), (gg, gp, pp, g_pull, p_pull)


def _step(
    fit: BoardFit,
    reduced: Reduced,
    blocks: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    free: BoolArray,
    damping: float,
    flaws: bool,
) -> BoardFit:
    """One damped step (D. Marquardt, J. SIAM 11 (1963) 431-441)."""
    gg, gp, pp, g_pull, p_pull = blocks
    held = pp + damping * pp * np.eye(6)
    whole = gg.sum(axis=0) + np.diag(reduced.prior)
    target = g_pull.sum(axis=0)
    if flaws:
        target[-FLAWS:] -= reduced.prior[-FLAWS:] * fit.flaws
    through = np.linalg.solve(held, np.swapaxes(gp, 1, 2))
    system = whole + damping * np.diag(np.diag(whole)) - (gp @ through).sum(axis=0)
    alone = np.linalg.solve(held, p_pull[..., None])
    target = target - (gp @ alone)[..., 0].sum(axis=0)
    common = np.zeros(len(target))
    if len(target):
        scale = 1.0 / np.sqrt(np.maximum(np.diag(system), 1e-30))
        even = system * np.outer(scale, scale)
        common = scale * np.linalg.lstsq(even, scale * target, rcond=1e-14)[0]
    pose = alone[..., 0] - through @ common
    lens = fit.lens.copy()
    lens[free] += common[: int(free.sum())]
    bends = fit.flaws + common[-FLAWS:] if flaws else fit.flaws
    return replace(
        fit,
        lens=lens,
        flaws=bends,
        rotation=small_turn(fit.rotation, pose[:, :3]),
        place_mm=fit.place_mm + pose[:, 3:],
    )
