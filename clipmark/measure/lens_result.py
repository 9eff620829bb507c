"""A finished calibration: the lens, what it stands on, and its JSON form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.lens import Lens
from clipmark.geometry.lens_cover import Cover
from clipmark.measure.lens_board import Board

FloatArray = NDArray[np.float64]
COVERAGE = 1.96  # factor for 95 % of a normal distribution


@dataclass(frozen=True, eq=False)
class UsedView:
    """One view of the board as it went into the lens.

    Attributes
    ----------
    name : str
        ``frame 412``, or the photograph's file name.
    frame : int or None
    corners_px : ndarray, shape (M, 2)
        Corners used, px of the square picture.
    left_px : ndarray, shape (M, 2)
        Found minus expected.
    dropped : int
        Corners that disagreed.
    """

    name: str
    frame: int | None
    corners_px: FloatArray
    left_px: FloatArray
    dropped: int

    @property
    def rms_px(self) -> float:
        """Root mean square distance of corners from where they are expected."""
        return float(np.sqrt(np.mean(np.sum(np.square(self.left_px), axis=1))))


@dataclass(frozen=True, eq=False)
class LensCalibration:
    """What a calibration found.

    Attributes
    ----------
    lens : Lens
        With its covariance; `to_dict` of this class is a lens file.
    board : Board
    used : tuple of UsedView
    left_out : tuple of str
        Names of chosen views that disagreed with the rest.
    seen, looked_at : int
        Pictures the board was found in, and pictures searched.
    cover : Cover
    terms : tuple of str
        Distortion coefficients fitted; the others are 0.
    held_out_px : dict
        RMS of views not fitted to, for each model tried.
    between_views : float
        By how much variances were raised because views disagree.
    bend_mm, bend_u_mm : float
        How far the board is from flat, peak to peak, and its standard uncertainty.
    corner_u_px : float or None
        Standard uncertainty of the bending at the picture's worst corner; None beyond the reach.
    most_apart_deg : float
        Largest angle between two views of the board.
    clip_sha256 : str or None
    warnings : tuple of str
    """

    lens: Lens
    board: Board
    used: tuple[UsedView, ...]
    left_out: tuple[str, ...]
    seen: int
    looked_at: int
    cover: Cover
    terms: tuple[str, ...]
    held_out_px: dict[str, float]
    between_views: float
    bend_mm: float
    bend_u_mm: float
    corner_u_px: float | None
    most_apart_deg: float
    clip_sha256: str | None
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """The lens file, which is also what ``--json`` prints."""
        lens = self.lens
        sd = np.zeros(len(lens.names)) if lens.covariance is None else np.sqrt(
            np.diag(lens.covariance)
        )  # fmt: skip
        board = self.board
        return {
            **lens.to_dict(),
            "u95": {n: COVERAGE * float(u) for n, u in zip(lens.names, sd, strict=True)},
            "views": len(self.used),
            "covered": self.cover.share,
            "covered_cells": np.round(self.cover.cells, 3).tolist(),
            "corner_u95_px": None if self.corner_u_px is None else COVERAGE * self.corner_u_px,
            "fitted": list(self.terms),
            "held_out_px": self.held_out_px,
            "between_views": self.between_views,
            "most_apart_deg": self.most_apart_deg,
            "bend_mm": self.bend_mm,
            "bend_u95_mm": COVERAGE * self.bend_u_mm,
            "board": {
                "inner_corners": [board.across, board.down],
                "square_mm": board.square_mm,
                "dictionary": board.dictionary,
                "marker_mm": board.marker_mm,
            },
            "view_list": [
                {
                    "name": view.name,
                    "frame": view.frame,
                    "corners": len(view.corners_px),
                    "dropped": view.dropped,
                    "rms_px": view.rms_px,
                }
                for view in self.used
            ],
            "left_out": list(self.left_out),
            "pictures_with_board": self.seen,
            "pictures_searched": self.looked_at,
            "clip_sha256": self.clip_sha256,
            "frame": None,
            "t_s": None,
            "fingerprint": None,
            "warnings": list(self.warnings),
        }
