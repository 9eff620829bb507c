"""Lens calibration from a clip or photographs of a printed board."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.board_judge import (
    TERMS,
    Candidate,
    bend_mm,
    better,
    held_out,
    most_apart_deg,
    reaches_corners,
    refine,
    spread,
)
from clipmark.geometry.board_model import BoardViews
from clipmark.geometry.board_solve import Solution, solve
from clipmark.geometry.board_start import first_fit, free_of
from clipmark.geometry.lens import Lens, LensModel
from clipmark.geometry.lens_cover import corner_u_px, covered
from clipmark.measure.lens_board import Board
from clipmark.measure.lens_pick import pick, sharp_enough
from clipmark.measure.lens_refuse import (
    check_bend,
    check_focal,
    check_found,
    check_kept,
    check_sharp,
    check_similar,
    check_size,
    told_beside,
)
from clipmark.measure.lens_result import LensCalibration, UsedView
from clipmark.measure.lens_views import Progress, SeenBoard, SeenBoards, look

FloatArray = NDArray[np.float64]
WantedModel = Literal["auto", "ordinary", "fisheye"]
NO_START = 12.0  # times the other model's RMS with two terms: not worth fitting at all
HOPELESS = 4.0  # times the other model's RMS: not worth trying on held-out views
MODELS: tuple[LensModel, ...] = ("ordinary", "fisheye")


def calibrate_lens(
    sources: Sequence[Path],
    board: Board,
    *,
    model: WantedModel = "auto",
    progress: Progress | None = None,
) -> LensCalibration:
    """Calibrate the lens of one camera.

    Parameters
    ----------
    sources : sequence of Path
        A clip, a folder of photographs, or photographs.
    board : Board
    model : {'auto', 'ordinary', 'fisheye'}
        The model, or the one that foretells views best that it was not fitted to.
    progress : callable, optional
        Called with (pictures done, pictures in all).

    Raises
    ------
    LensError
        When no trustworthy lens follows: the sentence says why and what to do.
    FolderError, FootageError
        When a file cannot be read.
    """
    if model not in ("auto", *MODELS):
        raise LensError(
            f"no lens model is called '{model}' (--model); use auto, ordinary or fisheye"
        )
    return lens_from(look(sources, board, progress), board, model=model)


def lens_from(seen: SeenBoards, board: Board, *, model: WantedModel = "auto") -> LensCalibration:
    """Calibrate from boards already found; see `calibrate_lens`."""
    check_found(seen, board)
    check_size(seen.boards)
    sharp = sharp_enough(seen.boards)
    check_sharp(sharp, seen.boards)
    chosen = pick(sharp, board, seen.size)
    views = _views(chosen, board, seen)
    solution, kept_views, kept, candidate, tried = _best(views, model)
    names = [chosen[k] for k in kept]
    scatter = spread(solution)
    lens = Lens(
        model=candidate.model,
        fx=float(solution.fit.lens[0]),
        fy=float(solution.fit.lens[1]),
        cx=float(solution.fit.lens[2]),
        cy=float(solution.fit.lens[3]),
        distortion=tuple(float(k) for k in solution.fit.lens[4:]),
        image_size=(round(views.size_px[0]), round(views.size_px[1])),
        covariance=scatter.covariance,
        rms_px=solution.rms_px,
    )
    bend = bend_mm(solution.fit, board.places_mm)
    bend_u = _bend_u_mm(scatter.flaws_u, views.length_mm)
    bent = check_bend(bend, bend_u, board)
    check_focal(lens)
    used = tuple(_used(names, kept_views, solution, views, kept))
    cover = covered(np.vstack([view.corners_px for view in used]), views.size_px)
    corner_u = corner_u_px(solution.fit.lens, scatter.covariance, views.size_px)
    corner = corner_u if math.isfinite(corner_u) else None
    told = told_beside(solution.fit, lens, cover, len(used), corner)
    return LensCalibration(
        lens=lens,
        board=board,
        used=used,
        left_out=tuple(item.name for k, item in enumerate(chosen) if k not in set(kept.tolist())),
        seen=len(seen.boards),
        looked_at=seen.looked_at,
        cover=cover,
        terms=candidate.terms,
        held_out_px=tried,
        between_views=scatter.between_views,
        bend_mm=bend,
        bend_u_mm=bend_u,
        corner_u_px=corner,
        most_apart_deg=most_apart_deg(solution.fit),
        clip_sha256=seen.clip_sha256,
        warnings=(*seen.warnings, *([bent] if bent else []), *told),
    )


def _views(chosen: Sequence[SeenBoard], board: Board, seen: SeenBoards) -> BoardViews:
    """Found corners in px of the square picture."""
    pixels = np.array([item.sighting.corners_px for item in chosen])
    pixels = pixels * np.array([seen.pixel_aspect, 1.0])
    size = (float(round(seen.size[0] * seen.pixel_aspect)), float(seen.size[1]))
    return BoardViews(board.places_mm, pixels, size)


def _best(
    views: BoardViews, wanted: WantedModel
) -> tuple[Solution, BoardViews, NDArray[np.intp], Candidate, dict[str, float]]:
    """The model that foretells held-out views best, fitted to all views that agree."""
    starts: dict[LensModel, Solution] = {}
    for model in MODELS if wanted == "auto" else (wanted,):
        try:
            starts[model] = first_fit(views, model)
        except ValueError:  # this model cannot show these corners at all
            continue
    if not starts:
        raise LensError(
            "no lens explains the corners that were found; check the number of inner corners "
            "(--board), and that one camera took all pictures at one setting"
        )
    nearest = min(starts.values(), key=lambda s: s.rms_px)
    check_similar(nearest.fit)
    starts = {m: s for m, s in starts.items() if s.rms_px <= NO_START * nearest.rms_px}
    # What disagrees is dropped under whichever model fits better, once for both.
    rich = {m: refine(start, views, m, TERMS[m][-1]) for m, start in starts.items()}
    first = min(rich, key=lambda m: (-len(rich[m][2]), rich[m][0].sigma_px))
    _, kept_views, kept = rich[first]
    check_kept(len(kept), views.count)
    best: Candidate | None = None
    tried: dict[str, float] = {}
    found: dict[tuple[str, ...], Solution] = {}
    for model, start in starts.items():
        if rich[model][0].rms_px > HOPELESS * rich[first][0].rms_px:
            continue
        own: Candidate | None = None
        begin, sigma = start.fit.only(kept), rich[first][0].sigma_px
        for terms in TERMS[model]:
            fitted = solve(begin, kept_views, free_of(model, terms), sigma_px=sigma)
            begin = fitted.fit
            candidate = held_out(fitted, kept_views, model, terms)
            found[(model, *terms)] = fitted
            tried[f"{model} {' '.join(terms)}"] = candidate.rms_px
            if own is None or _clearly(own, candidate, fitted, views.size_px):
                own = candidate
        assert own is not None
        best = own if best is None else better(best, own)
    assert best is not None
    return found[(best.model, *best.terms)], kept_views, kept, best, tried


def _clearly(
    own: Candidate, richer: Candidate, fitted: Solution, size_px: tuple[float, float]
) -> bool:
    """Whether terms more are worth having: they foretell better, and hold up to the corners."""
    return richer.rms_px < own.rms_px and reaches_corners(fitted.fit.lens, size_px)


def _used(
    names: Sequence[SeenBoard],
    kept_views: BoardViews,
    solution: Solution,
    views: BoardViews,
    kept: NDArray[np.intp],
) -> list[UsedView]:
    used = []
    for number, item in enumerate(names):
        known = np.isfinite(kept_views.pixels[number, :, 0])
        before = int(np.isfinite(views.pixels[kept[number], :, 0]).sum())
        used.append(
            UsedView(
                item.name,
                item.frame,
                kept_views.pixels[number, known],
                solution.left_px[number, known],
                before - int(known.sum()),
            )
        )
    return used


def _bend_u_mm(flaws_u: FloatArray, length_mm: float) -> float:
    """Standard uncertainty of the peak-to-peak bend: the larger of the two even bends."""
    return float(length_mm * max(flaws_u[0], flaws_u[2]))
