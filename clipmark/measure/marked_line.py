"""One marked line as it is measured: where it lies in the picture and how surely.

A line is kept as points along it in picture px with an offset and a turning uncertainty, so
that it can be looked at through any lens and plane that the Monte Carlo draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FitError
from clipmark.geometry.edge_band import Luma
from clipmark.geometry.edge_fit import EdgeFit, fit_edge
from clipmark.marks import Line

FloatArray = NDArray[np.float64]
EdgeKind = Literal["auto", "step", "string"]
PointMap = Callable[[FloatArray], FloatArray]
MARK_U_PX = 1.0  # one marked end, per axis, without edge fit (common practice, no source)
POINTS_ALONG = 9


@dataclass(frozen=True)
class MarkedLine:
    """A line ready for measuring.

    Attributes
    ----------
    what : str
        Name for people: "ramp line", "plumb line", ...
    points_px : ndarray, shape (K, 2)
        Points on the line, evenly along it, picture px; first to last as marked.
    half_length_px : float
        Half of the extent that carried the fit, px.
    u_offset_px, u_angle_rad : float
        Standard uncertainty of the place across the line at its middle, and of its turn.
    correlation : float
        Between the two, in the sense of `points_px`.
    dof : float
        Degrees of freedom behind them (inf when they are declared).
    kind : str
        "A" when found by a fit or repeated marks, "B" when declared.
    fit : EdgeFit or None
        The fit behind it.
    repeat_u_rad, repeat_dof : float
        Standard uncertainty of the mean turn over repeated marks, 0 when marked once.
    """

    what: str
    marked: tuple[Line, ...]
    points_px: FloatArray
    half_length_px: float
    u_offset_px: float
    u_angle_rad: float
    dof: float
    kind: str
    correlation: float = 0.0
    fit: EdgeFit | None = None
    repeat_u_rad: float = 0.0
    repeat_dof: float = math.inf
    warnings: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class PlacedLine(Line):
    """A line that was fitted in another picture of the same camera position, and carried over.

    It is taken as it lies; what it was fitted to may be gone from this picture.

    Attributes
    ----------
    points_px : tuple of (float, float)
        Points on it, first to last, picture px.
    half_length_px, u_offset_px, u_angle_rad, dof
        As of a `MarkedLine`, carrying over included.
    """

    points_px: tuple[tuple[float, float], ...] = ()
    half_length_px: float = 0.0
    u_offset_px: float = MARK_U_PX
    u_angle_rad: float = 0.0
    dof: float = math.inf


def line_as_placed(line: PlacedLine, what: str) -> MarkedLine:
    """A carried line ready for measuring."""
    return MarkedLine(
        what=what,
        marked=(line,),
        points_px=np.array(line.points_px, dtype=np.float64),
        half_length_px=line.half_length_px,
        u_offset_px=line.u_offset_px,
        u_angle_rad=line.u_angle_rad,
        dof=line.dof,
        kind="A" if math.isfinite(line.dof) else "B",
    )


def line_from_marks(line: Line, what: str) -> MarkedLine:
    """Take the marked ends as they are, each with `MARK_U_PX` per axis (Type B).

    u(angle) = sqrt(2) MARK_U_PX / length, u(offset at the middle) = MARK_U_PX / sqrt(2)
    (JCGM 100:2008, equation 10).
    """
    ends = np.array([[line.x1, line.y1], [line.x2, line.y2]])
    along = np.linspace(0.0, 1.0, POINTS_ALONG)[:, None]
    return MarkedLine(
        what=what,
        marked=(line,),
        points_px=ends[0] * (1 - along) + ends[1] * along,
        half_length_px=line.length_px / 2,
        u_offset_px=MARK_U_PX / math.sqrt(2),
        u_angle_rad=math.sqrt(2) * MARK_U_PX / line.length_px,
        dof=math.inf,
        kind="B",
    )


def line_from_picture(
    luma: Luma,
    line: Line,
    what: str,
    levels: tuple[float, float],
    to_straight: PointMap,
    from_straight: PointMap,
    kind: EdgeKind = "auto",
) -> MarkedLine:
    """Move a rough line onto the true edge or string; raises `FitError` naming the line."""
    rough = np.array([[line.x1, line.y1], [line.x2, line.y2]])
    try:
        fit = fit_edge(
            luma,
            rough,
            kind=kind,
            black=levels[0],
            white=levels[1],
            to_straight=to_straight,
            from_straight=from_straight,
        )
    except FitError as error:
        raise FitError(f"{what}: {error}") from error
    notes = [f"{what}: {note}" for note in fit.warnings]
    return MarkedLine(
        what=what,
        marked=(line,),
        points_px=np.asarray(fit.picture_points, dtype=np.float64),
        half_length_px=fit.half_length_px,
        u_offset_px=fit.u_offset_px,
        u_angle_rad=fit.u_angle_rad,
        dof=fit.dof,
        kind="A",
        correlation=float(fit.covariance[0, 1] / (fit.u_offset_px * fit.u_angle_rad)),
        fit=fit,
        warnings=tuple(notes),
    )


def mean_line(repeats: list[MarkedLine]) -> MarkedLine:
    """Combine repeated markings of one line: their mean, with Type A scatter beside the fit's own.

    The mean is taken point by point. The standard uncertainty of the mean turn is s / sqrt(n)
    with n - 1 degrees of freedom (JCGM 100:2008, 4.2.3). Declared click uncertainty is replaced
    by the scatter, since repeating is what it stood for.
    """
    first = repeats[0]
    if len(repeats) == 1:
        return first
    points = np.mean([_same_way(item.points_px, first.points_px) for item in repeats], axis=0)
    turns = np.array([_turn_rad(item.points_px, first.points_px) for item in repeats])
    count = len(repeats)
    fitted = first.kind == "A"
    return MarkedLine(
        what=first.what,
        marked=tuple(mark for item in repeats for mark in item.marked),
        points_px=points,
        half_length_px=float(np.mean([item.half_length_px for item in repeats])),
        u_offset_px=float(np.mean([item.u_offset_px for item in repeats])),
        u_angle_rad=float(np.mean([item.u_angle_rad for item in repeats])) if fitted else 0.0,
        dof=first.dof,
        kind=first.kind,
        correlation=first.correlation,
        fit=first.fit,
        repeat_u_rad=float(np.std(turns, ddof=1) / math.sqrt(count)),
        repeat_dof=float(count - 1),
        warnings=tuple(dict.fromkeys(note for item in repeats for note in item.warnings)),
    )


def _same_way(points: FloatArray, like: FloatArray) -> FloatArray:
    """`points` in the direction of `like`, so that repeated marks may start at either end."""
    forward = float(np.dot(points[-1] - points[0], like[-1] - like[0])) >= 0
    return points if forward else points[::-1]


def _turn_rad(points: FloatArray, like: FloatArray) -> float:
    """Angle from `like` to `points`, rad, small."""
    a = like[-1] - like[0]
    b = _same_way(points, like)
    b = b[-1] - b[0]
    return float(np.arctan2(a[0] * b[1] - a[1] * b[0], float(np.dot(a, b))))
