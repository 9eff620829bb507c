"""The picture of a calibration: where the board was seen, and how far corners are off.

The same calibration gives the same bytes on the same versions.
"""

from __future__ import annotations

import textwrap
from os import PathLike
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from clipmark.errors import FolderError
from clipmark.measure.lens_result import LensCalibration
from clipmark.report import ink
from clipmark.report.figure_file import house_style, png_bytes, write_figure

FloatArray = NDArray[np.float64]

WIDTH_MM, LEFT_MM, RIGHT_MM = 180.0, 14.0, 5.0
TOP_MM, AXIS_MM, LEGEND_MM, LINE_MM = 9.0, 12.0, 6.0, 3.6
MM_PER_INCH = 25.4
DOTS_PER_INCH = 160
LETTERS_A_LINE = 122
ARROW_SHARE = 0.035  # of the picture's width: how long a large residual is drawn
LARGE = 0.95  # which residual that is, as a share of all
STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"


def draw_lens(calibration: LensCalibration, path: str | PathLike[str]) -> None:
    """Draw a calibration and write the picture, whole or not at all.

    Parameters
    ----------
    calibration : LensCalibration
    path : path
        Where to; a name that ends in ``.png``.

    Raises
    ------
    FolderError
        When the name ends otherwise, or the file cannot be written.
    """
    target = Path(path)
    check_picture_name(target)
    with house_style():
        drawn = png_bytes(_figure(calibration), DOTS_PER_INCH)
    write_figure(target, drawn, "picture")


def check_picture_name(target: Path) -> None:
    """Refuse a name that is none of a picture."""
    if target.suffix.lower() != ".png":
        raise FolderError(
            f"the picture '{target.name}' cannot be drawn: its name must end in .png; give it that"
        )


def _figure(calibration: LensCalibration) -> Figure:
    width, height = calibration.lens.image_size
    across = WIDTH_MM - LEFT_MM - RIGHT_MM
    tall = across * height / width
    foot = [
        line
        for text in _foot(calibration)
        for line in textwrap.wrap(text, LETTERS_A_LINE, break_on_hyphens=False)
    ]
    below = AXIS_MM + LEGEND_MM + LINE_MM * len(foot) + 3.0
    total = TOP_MM + tall + below
    figure = Figure(figsize=(WIDTH_MM / MM_PER_INCH, total / MM_PER_INCH))
    axes = figure.add_axes((LEFT_MM / WIDTH_MM, below / total, across / WIDTH_MM, tall / total))
    _cells(axes, calibration)
    shown = _arrows(axes, calibration)
    _middle(axes, calibration)
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    axes.set_aspect("equal")
    axes.set_xlabel("across the square picture, px")
    axes.set_ylabel("down, px")
    left = LEFT_MM / WIDTH_MM
    handles, labels = axes.get_legend_handles_labels()
    handles.append(Patch(facecolor=ink.BODY_BAND, edgecolor=ink.BODY, linewidth=0.5))
    labels.append("covered by the board")
    handles.append(Patch(facecolor="none", edgecolor=ink.HATCH, hatch="//////", linewidth=0.5))
    labels.append("not covered: extrapolated")
    figure.legend(
        handles, labels, loc="upper left", ncols=4, frameon=False, borderpad=0.0,
        borderaxespad=0.0, bbox_to_anchor=(left, (below - AXIS_MM) / total),
    )  # fmt: skip
    views = len(calibration.used)
    head = f"Lens, {views} views of the board; arrows {shown:.0f} times as long as the residuals"
    figure.text(left, 1 - 4.5 / total, head, va="center", weight="bold")
    figure.text(
        left, 2.0 / total, "\n".join(foot), va="bottom", size=7.0, color=ink.QUIET, linespacing=1.3
    )
    return figure


def _cells(axes: Axes, calibration: LensCalibration) -> None:
    """Cells of the cover: filled where the board was, hatched where it never was."""
    width, height = calibration.lens.image_size
    cells = calibration.cover.cells
    rows, columns = cells.shape
    x = np.linspace(0, width, columns + 1) - 0.5
    y = np.linspace(0, height, rows + 1) - 0.5
    for r in range(rows):
        for c in range(columns):
            box = (x[c], y[r])
            size = (x[c + 1] - x[c], y[r + 1] - y[r])
            whole = cells[r, c] >= 0.5
            axes.add_patch(
                _box(box, size, face=ink.BODY_BAND, edge=ink.BODY)
                if whole
                else _box(box, size, face="none", edge=ink.HATCH, hatch="//////")
            )


def _box(
    place: tuple[float, float],
    size: tuple[float, float],
    *,
    face: str,
    edge: str,
    hatch: str | None = None,
) -> Patch:
    return Rectangle(
        place, *size, facecolor=face, edgecolor=edge, hatch=hatch, linewidth=0.2, zorder=0
    )


def _arrows(axes: Axes, calibration: LensCalibration) -> float:
    """Residuals as arrows, with one drawn to scale; returns how many times enlarged."""
    corners = np.vstack([view.corners_px for view in calibration.used])
    left = np.vstack([view.left_px for view in calibration.used])
    width = calibration.lens.image_size[0]
    large = max(float(np.quantile(np.hypot(*left.T), LARGE)), 1e-6)
    enlarged = ARROW_SHARE * width / large
    axes.plot(*corners.T, ".", color=ink.BLUE, markersize=1.6, label="corner found", zorder=2)
    arrows = axes.quiver(
        *corners.T, *(left.T * enlarged), angles="xy", scale_units="xy", scale=1.0,
        color=ink.VERMILLION, width=0.0012, headwidth=4, zorder=3,
    )  # fmt: skip
    step = min(STEPS, key=lambda s: abs(np.log(s / large)))
    axes.quiverkey(
        arrows, 0.93, 1.025, step * enlarged, f"{step:g} px", labelpos="W", coordinates="axes",
        color=ink.VERMILLION, fontproperties={"size": 8.0},
    )  # fmt: skip
    return enlarged


def _middle(axes: Axes, calibration: LensCalibration) -> None:
    lens = calibration.lens
    axes.plot(
        [lens.cx], [lens.cy], "+", color=ink.BLACK, markersize=9, label="optical centre", zorder=4
    )


def _foot(calibration: LensCalibration) -> list[str]:
    lens = calibration.lens
    told = calibration.to_dict()
    u95 = told["u95"]
    assert isinstance(u95, dict)
    figures = "; ".join(
        f"{name} {getattr(lens, name):.1f} {PLUS_MINUS} {u95[name]:.1f} px"
        for name in ("fx", "fy", "cx", "cy")
    )
    terms = ", ".join(
        f"{name} {value:.4g}"
        for name, value in zip(lens.names[4:], lens.distortion, strict=True)
        if name in calibration.terms
    )
    return [
        f"{lens.model} lens for {lens.image_size[0]} x {lens.image_size[1]} px: {figures}; "
        f"{terms}. {PLUS_MINUS}: expanded uncertainty, 95 %.",
        f"Corners {lens.rms_px:.3f} px off (RMS). The board covered "
        f"{100 * calibration.cover.share:.0f} % of the picture.",
    ]
