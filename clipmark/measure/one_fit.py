"""One mark fitted on demand: a line, a hub or a wheel, as measuring would fit it.

What an operator sees while marking: where the fit puts the edge, how surely, and what else it
could have been. The fit is the very one that a measurement makes of the same mark.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.geometry.edge_fit import EdgeFit
from clipmark.geometry.hub_fit import HubFit, fit_hub
from clipmark.marks import Line, Point, check_inside, check_line
from clipmark.measure.lines_out import describe_line
from clipmark.measure.marked_line import EdgeKind, line_from_picture
from clipmark.measure.view import Look, Picture, ViewOptions, look_at

FloatArray = NDArray[np.float64]
LineName = Literal[
    "ramp", "level", "plumb", "chassis", "finish", "travel", "scale", "platform", "sheet side"
]
RoundName = Literal["hub", "wheel"]
LINE_NAMES: tuple[str, ...] = get_args(LineName)
KINDS: dict[str, EdgeKind] = {"ramp": "step", "sheet side": "step", "platform": "step"}
WORDS = {
    "ramp": "ramp line",
    "level": "level line",
    "plumb": "plumb line",
    "chassis": "chassis line",
    "finish": "finish line",
    "travel": "travel line",
    "scale": "scale mark",
    "platform": "platform line",
    "sheet side": "sheet's side",
}
RIM_POINTS_LEAST = 5  # an ellipse has five parameters


def fit_one_line(
    clip: Clip, ordinal: int, line: Line, what: LineName, options: ViewOptions | None = None
) -> dict[str, object]:
    """Fit one rough line on one frame.

    Parameters
    ----------
    clip : Clip
    ordinal : int
    line : Line
        As marked, px of the upright picture.
    what : str
        Which mark it is; says what kind of edge is looked for.
    options : ViewOptions, optional
        Lens, view angle, promise.

    Returns
    -------
    dict
        As a reading describes the line (``marked, measured, u_angle_deg, u_offset_px, edge_fit``),
        with ``picture_points`` (the fitted edge, bent as the lens bends it, px),
        ``runner_up_line`` (four px or None) and ``warnings``.

    Raises
    ------
    FrameError, MarkError, FitError, LensError
        A sentence each.
    """
    words = WORDS[what]
    check_line(line, clip.width, clip.height, f"the {words}")
    look = _look(clip, ordinal, options)
    marked = line_from_picture(
        look.picture.luma,
        line,
        words,
        look.picture.levels,
        look.to_straight,
        look.from_straight,
        KINDS.get(what, "auto"),
    )
    assert marked.fit is not None
    return {
        **describe_line(marked),
        "picture_points": marked.points_px.tolist(),
        "runner_up_line": _runner_up_line(look, marked.fit),
        "warnings": list(marked.warnings),
    }


def fit_one_wheel(
    clip: Clip,
    ordinal: int,
    rough: Point,
    what: RoundName,
    rim_px: float | None = None,
    options: ViewOptions | None = None,
) -> dict[str, object]:
    """Fit one hub, or a wheel with its rim, near a rough centre.

    Parameters
    ----------
    clip : Clip
    ordinal : int
    rough : Point
        Centre as marked, px of the upright picture.
    what : {'hub', 'wheel'}
    rim_px : float, optional
        Rough radius of the rim; found when not given.
    options : ViewOptions, optional
        Lens, view angle, promise, sheet.

    Returns
    -------
    dict
        ``marked`` and ``measured`` (x, y), ``radius_px``, ``rms_px``, ``used_fraction``, ``u_px``
        (standard uncertainty of the centre in its worst direction) and ``warnings``; for a wheel
        also ``wheel``: cx, cy, rx, ry, turn_deg of the rim as it is seen in the picture.

    Raises
    ------
    FrameError, MarkError, FitError, LensError, PlaneError
        A sentence each.
    """
    check_inside(rough.x, rough.y, clip.width, clip.height, f"the {what}")
    look = _look(clip, ordinal, options)
    place = np.array([rough.x, rough.y])
    flat = look.flat(place)
    fit = fit_hub(
        look.picture.luma,
        place,
        rim_px=rim_px,
        black=look.picture.levels[0],
        white=look.picture.levels[1],
        to_flat=flat.to_flat,
        from_flat=flat.from_flat,
    )
    found: dict[str, object] = {
        "marked": [rough.x, rough.y],
        "measured": [float(fit.centre_px[0]), float(fit.centre_px[1])],
        "radius_px": fit.radius_px,
        "rms_px": fit.rms_px,
        "used_fraction": fit.used_fraction,
        "u_px": math.sqrt(max(0.0, float(np.linalg.eigvalsh(fit.covariance)[-1]))),
        "warnings": list(fit.warnings),
    }
    if what == "wheel":
        found["wheel"] = _rim(fit)
    return found


def _look(clip: Clip, ordinal: int, options: ViewOptions | None) -> Look:
    """The frame through lens and plane; a sheet's corners are taken as marked here."""
    frame = clip.frame(ordinal)
    levels = (float(clip.black_level), float(clip.white_level))
    picture = Picture(frame.luma, levels, float(clip.pixel_aspect))
    return look_at(picture, options or ViewOptions(), edge_fit=False)


def _runner_up_line(look: Look, fit: EdgeFit) -> list[float] | None:
    """The other line that could have been meant, over the same extent, picture px."""
    other = fit.runner_up
    if other is None:
        return None
    cos, sin = math.cos(other.angle_rad), math.sin(other.angle_rad)
    along = cos * fit.direction + sin * fit.normal
    middle = fit.middle + other.offset_px * fit.normal
    ends = np.stack([middle - fit.half_length_px * along, middle + fit.half_length_px * along])
    seen = look.from_straight(ends).ravel()
    return [float(value) for value in seen] if np.isfinite(seen).all() else None


def _rim(fit: HubFit) -> list[float]:
    """The rim as an ellipse in the picture: cx, cy, rx, ry, turn_deg (counter-clockwise seen)."""
    cx, cy = (float(value) for value in fit.centre_px)
    points = fit.rim_points[fit.rim_used]
    if len(points) < RIM_POINTS_LEAST:
        return [cx, cy, fit.radius_px, fit.radius_px, 0.0]
    _, (first, second), turn_cw_deg = cv2.fitEllipseDirect(points.astype(np.float32)[:, None, :])
    radii = (float(first) / 2, float(second) / 2)
    if not all(math.isfinite(radius) and radius > 0 for radius in radii):
        raise MarkError(f"the rim near ({cx:.0f}, {cy:.0f}) is no ellipse; mark another wheel")
    turn = -float(turn_cw_deg)  # y points down in the picture
    return [cx, cy, *radii, (turn + 90.0) % 180.0 - 90.0]
