"""How good a calibration is: corners that disagree, spread between views, views held out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from clipmark.geometry.board_model import FLAWS, BoardFit, BoardViews, residuals
from clipmark.geometry.board_solve import FLAW_U, Solution, solve, solve_poses
from clipmark.geometry.board_start import free_of, names_of
from clipmark.geometry.distortion import reach_px
from clipmark.geometry.lens import LensModel

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

OUTLIER = 5.0  # robust standard deviations of one coordinate
LEAST_OFF_PX = 0.25  # corners nearer than this to where they belong are never dropped
FEWEST_CORNERS = 12  # of a view that still counts
BAD_VIEW = 4.0  # times the median RMS of all views
ROUNDS = 4
FOLDS = 5
ROUGH = 1e-5  # relative change of the sum of squares at which a fold is left
MAD_TO_SD = 1.4826
# What may be fitted, simplest first; focal lengths and centre always are.
TERMS: dict[LensModel, tuple[tuple[str, ...], ...]] = {
    "ordinary": (("k1", "k2"), ("k1", "k2", "p1", "p2"), ("k1", "k2", "p1", "p2", "k3")),
    "fisheye": (("k1", "k2"), ("k1", "k2", "k3"), ("k1", "k2", "k3", "k4")),
}


@dataclass(frozen=True, eq=False)
class Candidate:
    """One model with some of its terms, and how well it foretold views it had not seen.

    Attributes
    ----------
    model : {'ordinary', 'fisheye'}
    terms : tuple of str
    held_out_px : ndarray, shape (V,)
        RMS of the corners of each view, whose pose was fitted to the other half of its corners.
    """

    model: LensModel
    terms: tuple[str, ...]
    held_out_px: FloatArray

    @property
    def rms_px(self) -> float:
        """Over all views."""
        return float(np.sqrt(np.mean(np.square(self.held_out_px))))


def agreeing(solution: Solution, views: BoardViews) -> tuple[BoardViews, NDArray[np.intp]]:
    """Views without corners and views that disagree with the rest, and which views are left.

    A corner further off than five robust standard deviations (and 0.25 px) is dropped; a view
    with fewer than 12 corners left, or with more than four times the median RMS, as a whole.
    """
    left = solution.left_px
    off = np.hypot(left[..., 0], left[..., 1])
    seen = np.isfinite(views.pixels[..., 0])
    middle = float(np.nanmedian(off))
    # The distance of two normal coordinates is Rayleigh distributed: median 1.1774 sd.
    limit = max(OUTLIER * middle / 1.1774, LEAST_OFF_PX)
    cleaned = views.without(seen & ~(off <= limit))
    count = np.isfinite(cleaned.pixels[..., 0]).sum(axis=1)
    with np.errstate(invalid="ignore"):
        square = np.where(np.isfinite(cleaned.pixels[..., 0]), off * off, 0.0).sum(axis=1)
        rms = np.sqrt(square / np.maximum(count, 1))
    good = (count >= FEWEST_CORNERS) & (count >= 0.5 * seen.sum(axis=1))
    if good.any():
        good &= rms <= max(BAD_VIEW * float(np.median(rms[good])), LEAST_OFF_PX)
    kept = np.flatnonzero(good)
    return cleaned.only(kept), kept


def refine(
    start: Solution, views: BoardViews, model: LensModel, terms: tuple[str, ...]
) -> tuple[Solution, BoardViews, NDArray[np.intp]]:
    """Fit robustly, drop what disagrees, and fit the rest plainly, until nothing more is dropped.

    Returns
    -------
    solution : Solution
    views : BoardViews
        Without the corners dropped.
    kept : ndarray of int
        Which of the views are left.
    """
    free = free_of(model, terms)
    kept = np.arange(views.count)
    solution = solve(start.fit, views, free, robust=True)
    for _ in range(ROUNDS):
        cleaned, left = agreeing(solution, views)
        same = cleaned.count == views.count and np.array_equal(
            np.isfinite(cleaned.pixels), np.isfinite(views.pixels)
        )
        if cleaned.count < 2:
            break
        fit = solution.fit.only(left)
        kept, views = kept[left], cleaned
        solution = solve(fit, views, free, sigma_px=solution.sigma_px)
        if same:
            break
    return solve(solution.fit, views, free, sigma_px=solution.sigma_px), views, kept


def held_out(
    solution: Solution, views: BoardViews, model: LensModel, terms: tuple[str, ...]
) -> Candidate:
    """How well a model foretells views it was not fitted to (cross-validation, five folds).

    The pose of a held-out view is fitted to every second corner; the others are judged.
    """
    folds = min(FOLDS, views.count)
    number = np.arange(views.count)
    off = np.empty(views.count)
    free = free_of(model, terms)
    for fold in range(folds):
        out = number % folds == fold
        rest = solve(
            solution.fit.only(~out),
            views.only(~out),
            free,
            sigma_px=solution.sigma_px,
            settle=ROUGH,
        ).fit
        off[out] = _foretold(rest, solution.fit.only(out), views.only(out))
    return Candidate(model, terms, off)


def _foretold(rest: BoardFit, own: BoardFit, views: BoardViews) -> FloatArray:
    """RMS, px, of each view's judged corners under the lens of the other views, shape (V,)."""
    half = np.arange(len(views.board_mm)) % 2 == 0
    total = np.zeros(views.count)
    for fitted in (half, ~half):
        start = BoardFit(rest.lens, own.rotation, own.place_mm, rest.flaws)
        part = views.without(np.broadcast_to(~fitted, views.pixels.shape[:2]))
        left = residuals(solve_poses(start, part, ROUGH), views)[:, ~fitted]
        missed = np.isfinite(views.pixels[:, ~fitted, 0]) & ~np.isfinite(left[..., 0])
        square = np.where(missed, 1e4, np.sum(np.square(left), axis=-1))
        total += np.nanmean(square, axis=1)
    return np.asarray(np.sqrt(total / 2))


def better(one: Candidate, other: Candidate) -> Candidate:
    """`other` only if it foretells better by more than one standard error of the difference."""
    gain = np.square(one.held_out_px) - np.square(other.held_out_px)
    error = float(gain.std(ddof=1)) / math.sqrt(len(gain)) if len(gain) > 1 else math.inf
    return other if float(gain.mean()) > error else one


@dataclass(frozen=True, eq=False)
class Spread:
    """Covariance of a calibration.

    Attributes
    ----------
    covariance : ndarray, shape (P, P)
        Of all lens parameters, 0 where one was not fitted.
    between_views : float
        By how much variances had to be raised on average, because views disagree more than their
        corners' scatter says; 1 where they do not.
    flaws : ndarray, shape (4,)
    flaws_u : ndarray, shape (4,)
        Board flaws and their standard uncertainties.
    """

    covariance: FloatArray
    between_views: float
    flaws: FloatArray
    flaws_u: FloatArray


def spread(solution: Solution) -> Spread:
    """Covariance from the full bundle, widened by how views scatter about each other.

    The reduced normal equations give the covariance for independent corners, times the reduced
    chi-square. Errors common to the corners of one view are told by how the views pull against
    each other (clustered by view, with the correction for leverage of R. M. Bell and D. F.
    McCaffrey, Survey Methodology 28 (2002) 169-181). In directions where those variances are larger
    than the model's, they count.
    """
    reduced = solution.reduced
    prior = np.square(solution.sigma_px / FLAW_U)
    information = reduced.of_view.sum(axis=0)
    information[-FLAWS:, -FLAWS:] += np.diag(prior)
    whole = _inverse(information)
    count = len(reduced.of_view)
    lens = slice(0, int(solution.free.sum()))
    model = whole[lens, lens] * solution.sigma_px**2
    widened = model
    if count > 2:
        # Scaled, because the variances differ by fifteen orders between a bend and a high term.
        scale = np.sqrt(np.diag(whole))
        root = _root(whole / np.outer(scale, scale))
        moves = np.empty((count, len(whole)))
        for view, (own, pull) in enumerate(zip(reduced.of_view, reduced.pull, strict=True)):
            values, vectors = np.linalg.eigh(root @ (own * np.outer(scale, scale)) @ root)
            free_share = np.maximum(1.0 - values, 0.05)  # of what the view tells, by others too
            even = vectors @ ((vectors.T @ (root @ (scale * pull))) / np.sqrt(free_share))
            moves[view] = scale * (root @ even)
        # Few views tell their own scatter poorly: the factor 1.96 is to keep its 95 % (Student).
        student = float(stdtrit(max(count - 3, 1), 0.975)) / 1.96
        widened = _at_least(model, student**2 * moves[:, lens].T @ moves[:, lens], count)
    widen = float(np.trace(_inverse(model) @ widened)) / len(model)
    full = np.zeros((len(solution.free), len(solution.free)))
    places = np.flatnonzero(solution.free)
    full[np.ix_(places, places)] = widened
    flaws_u = np.sqrt(np.diag(whole)[-FLAWS:] * widen) * solution.sigma_px
    return Spread(full, widen, solution.fit.flaws, flaws_u)


def bend_mm(fit: BoardFit, board_mm: FloatArray) -> float:
    """How far the corners leave their own best plane, peak to peak, mm."""
    u, v = _unit_places(board_mm)
    length = float(np.ptp(board_mm, axis=0).max())
    off = length * (fit.flaws[0] * u * u + fit.flaws[1] * u * v + fit.flaws[2] * v * v)
    flat = np.column_stack([np.ones_like(u), u, v])
    off -= flat @ np.linalg.lstsq(flat, off, rcond=None)[0]
    return float(np.ptp(off))


def most_apart_deg(fit: BoardFit) -> float:
    """Largest angle between the ways two views show the board, deg.

    The way a board is shown is its normal against the line of sight to its own place: what a lens
    is told by, and what moving a board sideways without tilting it does not change.
    """
    normal = fit.rotation[:, :, 2]
    cosine = np.clip(normal @ normal.T, -1.0, 1.0)
    return float(np.degrees(np.arccos(cosine.min())))


def leaning(fit: BoardFit) -> FloatArray:
    """Sideways parts of the board's normals, shape (V, 2): which way each view leans."""
    normal = fit.rotation[:, :, 2] * np.sign(fit.rotation[:, 2, 2])[:, None]
    return np.asarray(normal[:, :2], dtype=np.float64)


def reaches_corners(lens: FloatArray, size_px: tuple[float, float]) -> bool:
    """Whether the lens model grows steadily up to the picture's furthest corner."""
    width, height = size_px
    corners = np.array([[0.0, 0.0], [width, 0.0], [0.0, height], [width, height]]) - 0.5
    furthest = float(np.hypot(*(corners - lens[2:4]).T).max())
    return bool(reach_px(lens[None])[0] > furthest)


def wholly_named(model: LensModel, terms: tuple[str, ...]) -> bool:
    """Whether all coefficients of a model are fitted."""
    return len(terms) == len(names_of(model)) - 4


def _unit_places(board_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    low, high = board_mm.min(axis=0), board_mm.max(axis=0)
    u, v = (2 * (board_mm - (low + high) / 2) / float((high - low).max())).T
    return u, v


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a symmetric matrix whose scales differ by many orders."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    inner = np.linalg.pinv(matrix * np.outer(scale, scale), rcond=1e-14, hermitian=True)
    return np.asarray(inner * np.outer(scale, scale), dtype=np.float64)


def _at_least(model: FloatArray, between: FloatArray, count: int) -> FloatArray:
    """`model`, widened in every direction in which `between` is wider.

    Few views tell their own scatter poorly, so its ratio to the model is first drawn towards the
    mean ratio of all directions, the more the fewer views there are.
    """
    sd = np.sqrt(np.diag(model))
    root = _root(model / np.outer(sd, sd))
    back = np.linalg.pinv(root, rcond=1e-10, hermitian=True)
    ratio = back @ (between / np.outer(sd, sd)) @ back
    share = count / (count + len(model))
    mean = float(np.trace(ratio)) / len(model)
    values, vectors = np.linalg.eigh(share * ratio + (1 - share) * mean * np.eye(len(model)))
    wide = (vectors * np.maximum(values, 1.0)) @ vectors.T
    return np.asarray(root @ wide @ root * np.outer(sd, sd), dtype=np.float64)


def _root(matrix: FloatArray) -> FloatArray:
    """Symmetric square root of a positive matrix."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T, dtype=np.float64)
