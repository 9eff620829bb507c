"""What a lens calibration cannot be made from, each a sentence, and what to be told beside one."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from clipmark.errors import LensError
from clipmark.geometry.board_judge import leaning, most_apart_deg, reaches_corners
from clipmark.geometry.board_model import BoardFit
from clipmark.geometry.lens import Lens
from clipmark.geometry.lens_cover import Cover
from clipmark.measure.lens_board import Board
from clipmark.measure.lens_views import SeenBoard, SeenBoards

FEWEST_VIEWS = 6
GOOD_VIEWS = 12
LEAST_SQUARE_PX = 8.0
LEAST_APART_DEG = 15.0
GOOD_APART_DEG = 30.0
LEAN_DEG = 12.0  # views that all lean further than this the same way see one side of the board
MOST_FOCAL_U = 0.02  # relative
BENT_REFUSED = 0.01  # of the board's length, peak to peak
BENT_TOLD = 0.002
BENT_SURE = 3.0  # standard uncertainties
POOR_RMS = 1.5  # px at a picture 1920 px long
LEAST_COVERED = 0.5


def check_found(seen: SeenBoards, board: Board) -> None:
    """Refuse when the board was in no picture, or in too few."""
    pictures = f"{seen.looked_at} picture{'s' if seen.looked_at != 1 else ''}"
    if not seen.boards and seen.other is not None:
        across, down = seen.other
        raise LensError(
            f"no board with {board.words} was found in {pictures}, but one with {across} x {down} "
            "inner corners was; give the number of inner corners of the board that was filmed "
            "(--board)"
        )
    if seen.boards and seen.other is not None:
        across, down = seen.other
        raise LensError(
            f"the board has {across} x {down} inner corners, but {board.across} x {board.down} "
            "were asked for: only a part of it would be used; give the number of inner corners of "
            "the board that was filmed (--board)"
        )
    if not seen.boards:
        raise LensError(
            f"no board with {board.words} was found in {pictures}; show the whole board with its "
            "white margin, sharp and evenly lit, and check the numbers (--board)"
        )
    if len(seen.boards) < FEWEST_VIEWS:
        raise LensError(
            f"the board was found in {len(seen.boards)} of {pictures}, but at least {FEWEST_VIEWS} "
            "different views are needed; film it longer, or take more photographs"
        )


def check_size(boards: Sequence[SeenBoard]) -> None:
    """Refuse a board too small in the picture."""
    sides = sorted(b.sighting.square_px for b in boards)
    middle = sides[len(sides) // 2]
    if middle < LEAST_SQUARE_PX:
        raise LensError(
            f"the board is too small in the picture: its squares are {middle:.1f} px wide, and "
            f"{LEAST_SQUARE_PX:g} px are needed; hold it nearer, or print larger squares"
        )


def check_sharp(sharp: Sequence[SeenBoard], boards: Sequence[SeenBoard]) -> None:
    """Refuse when too few of the sightings are sharp."""
    if len(sharp) >= FEWEST_VIEWS:
        return
    blurs = sorted(b.sighting.blur_px / b.sighting.square_px for b in boards)
    share = blurs[len(blurs) // 2]
    raise LensError(
        f"the board is blurred: its edges are spread over {100 * share:.0f} % of a square "
        f"(standard deviation), and only {len(sharp)} of {len(boards)} views are sharp enough; "
        "hold it still at each place, in better light, and let the camera focus"
    )


def check_similar(fit: BoardFit) -> None:
    """Refuse when all views show the board alike."""
    apart = most_apart_deg(fit)
    if apart >= LEAST_APART_DEG:
        return
    lean = leaning(fit).mean(axis=0)
    leans_deg = math.degrees(math.asin(min(1.0, float(np.hypot(*lean)))))
    if leans_deg > LEAN_DEG:
        raise LensError(
            f"the board is seen from one side only: all views lean the same way, by about "
            f"{leans_deg:.0f} deg, and the two most different are {apart:.0f} deg apart; tilt it "
            "to the left, right, up and down by 20 to 40 deg"
        )
    raise LensError(
        f"the views are too similar: the two most different show the board only {apart:.0f} deg "
        f"apart, and {LEAST_APART_DEG:g} deg are needed to tell the focal length; tilt it to the "
        "left, right, up and down by 20 to 40 deg"
    )


def check_kept(kept: int, chosen: int) -> None:
    """Refuse when most views disagree with each other."""
    if kept < FEWEST_VIEWS:
        raise LensError(
            f"only {kept} of {chosen} views agree with one lens, and {FEWEST_VIEWS} are needed; "
            "switch off zoom, focusing while filming and image stabilisation, hold the board "
            "still, and film it again"
        )


def check_bend(bend_mm: float, u_mm: float, board: Board) -> str | None:
    """Refuse a bent board, or the sentence that warns of a slight bend."""
    length = board.square_mm * (max(board.across, board.down) - 1)
    if bend_mm < max(BENT_TOLD * length, BENT_SURE * u_mm):
        return None
    told = f"the board is bent: it leaves its plane by {bend_mm:.1f} mm over {length:.0f} mm"
    if bend_mm > BENT_REFUSED * length:
        raise LensError(
            f"{told}, and {BENT_REFUSED * length:.1f} mm is the most that can be put right; glue "
            "it to something stiff and flat, and film it again"
        )
    return f"{told}; that was allowed for, but a stiff flat board gives a better lens"


def check_focal(lens: Lens) -> None:
    """Refuse a focal length that the views do not tell."""
    if lens.covariance is None:
        return
    u = math.sqrt(float(lens.covariance[0, 0])) / lens.fx
    if not u <= MOST_FOCAL_U:
        raise LensError(
            f"the views leave the focal length uncertain by {100 * u:.1f} % (standard), and "
            f"{100 * MOST_FOCAL_U:g} % is the most that is of use; show the board nearer, tilted "
            "more, and in more places"
        )


def told_beside(
    fit: BoardFit, lens: Lens, cover: Cover, used: int, corner_u_px: float | None
) -> list[str]:
    """Sentences that go with a calibration that was made."""
    told = []
    if used < GOOD_VIEWS:
        told.append(
            f"only {used} views carry the lens; {GOOD_VIEWS} or more make its stated uncertainty "
            "trustworthy"
        )
    apart = most_apart_deg(fit)
    if apart < GOOD_APART_DEG:
        told.append(
            f"the two most different views are {apart:.0f} deg apart; tilting the board by 20 to "
            "40 deg each way tells the focal length better"
        )
    if cover.share < LEAST_COVERED:
        told.append(
            f"the board covered {100 * cover.share:.0f} % of the picture; beyond that the lens is "
            "extrapolated"
        )
    if cover.empty:
        reach = (
            "the model does not reach there"
            if corner_u_px is None
            else f"there it is extrapolated, good to {1.96 * corner_u_px:.1f} px at best (95 %)"
        )
        told.append(
            f"no corner of the board came near the picture's {_listed(cover.empty)}; {reach}; hold "
            "the board into the corners of the picture, or keep marks away from them"
        )
    size = (float(lens.image_size[0]), float(lens.image_size[1]))
    if not reaches_corners(lens.params, size):
        told.append(
            f"the lens model folds back {lens.reach_px:.0f} px from its middle, before the "
            "picture's corners; marks beyond are refused"
        )
    limit = POOR_RMS * max(size) / 1920
    if lens.rms_px is not None and lens.rms_px > limit:
        told.append(
            f"corners are {lens.rms_px:.2f} px off where the lens puts them (RMS), more than "
            f"{limit:.2f} px; image stabilisation, focusing while filming or a moving board do that"
        )
    return told


def _listed(names: Sequence[str]) -> str:
    if len(names) == 1:
        return f"{names[0]} corner"
    return f"{', '.join(names[:-1])} and {names[-1]} corners"
