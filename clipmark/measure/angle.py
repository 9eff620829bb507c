"""Ramp, chassis and chassis-to-ramp angle on one frame, with an honest uncertainty.

The chain: marks in upright px -> edge and hub fits on the decoded luma -> pixel aspect -> lens ->
plane of motion -> angle from the level direction. See docs/method.md.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip, Frame
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.marks import Line, SheetLike, as_sheets
from clipmark.measure.angle_marks import AngleMarks, Repeated
from clipmark.measure.angle_model import AngleModel, HubsMark
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS, SEED, solve_angles
from clipmark.measure.lens_file import LensSource
from clipmark.measure.lines_out import describe_hubs, describe_line
from clipmark.measure.marked_hubs import MarkedHubs, hubs_as_marked, hubs_from_picture
from clipmark.measure.marked_line import (
    EdgeKind,
    MarkedLine,
    line_from_marks,
    line_from_picture,
    mean_line,
)
from clipmark.measure.tags import Tags
from clipmark.measure.view import (
    Picture,
    ViewOptions,
    bend,
    camera_of,
    look_at,
    straighten,
)

FloatArray = NDArray[np.float64]


def measure_angle(
    clip: Clip,
    ordinal: int,
    *,
    ramp: Repeated,
    chassis: Repeated | None = None,
    hubs: Repeated | None = None,
    rim_px: float | None = None,
    facing: str | None = None,
    level: Repeated | None = None,
    plumb: Repeated | None = None,
    level_u_deg: float = 0.05,
    lens: LensSource | None = None,
    view_angle_deg: float | None = None,
    square_within_deg: float = 5.0,
    sheet: SheetLike | None = None,
    sheet_size: tuple[float, float] | None = None,
    sheet_u_mm: float = 0.5,
    tags: Tags | None = None,
    edge_fit: bool = True,
    turning_deg_s: float = 0.0,
    seed: int = SEED,
    draws: int = DRAWS,
    budget_draws: int = BUDGET_DRAWS,
) -> AngleReading:
    """Measure the board's and the chassis' angle on one frame.

    Parameters
    ----------
    clip : Clip
        An open clip.
    ordinal : int
        Frame, in presentation order from 0.
    ramp, chassis, hubs : line or sequence of lines
        ``(x1, y1, x2, y2)`` in px of the upright picture; several lines are repeated marks of the
        same thing, whose scatter enters as Type A. `hubs` are rear then front; `chassis` is a
        rail. Give at most one of the two.
    rim_px : float, optional
        Rough rim radius.
    facing : {'left', 'right'}, optional
        Which way the truck faces; told from the hubs when not given.
    level, plumb : line or sequence of lines
        Lines known to be horizontal, or vertical: at least one of either. Several are different
        lines, in the plane of motion or along it; together they show how the plane is turned.
    level_u_deg : float
        Standard uncertainty of each such line itself.
    lens : Lens, mapping or path, optional
    view_angle_deg : float, optional
        Horizontal view angle of the upright picture.
    square_within_deg : float
        Half-width of what is promised of yaw and pitch; not used when there is a sheet.
    sheet, sheet_size, sheet_u_mm
        Four corners in order, the sides in mm, their standard uncertainty; or several `Sheet`.
    tags : Tags, optional
        Printed tags of known size in the plane of motion, which are looked for in the frame.
    edge_fit : bool
        Move rough lines and hubs onto what the picture shows; otherwise take them as marked.
    turning_deg_s : float
        Turning rate of a moving board; half a frame's time at this rate enters.
    seed, draws : int
        Of the Monte Carlo that makes the intervals; the estimate does not depend on them.
    budget_draws : int
        For each line of the budget; 0 leaves the budget and the linear result out, for a quick
        look while a mark is moved.

    Returns
    -------
    AngleReading

    Raises
    ------
    FrameError, MarkError, FitError, LensError, PlaneError
        A sentence each.
    """
    marks = AngleMarks.checked(clip, ramp, chassis, hubs, level, plumb, facing, level_u_deg)
    frame = clip.frame(ordinal)
    picture = Picture(
        frame.luma, (float(clip.black_level), float(clip.white_level)), float(clip.pixel_aspect)
    )
    options = ViewOptions.declared(
        lens, view_angle_deg, square_within_deg, as_sheets(sheet, sheet_size, sheet_u_mm), tags
    )
    camera = camera_of(picture, options).centre
    placed = [
        _place(picture, camera, (item.line,), item.name, "auto", edge_fit)
        for item in marks.references
    ]
    references = tuple(
        Reference(
            item.name, item.kind == "plumb", _line_mark(picture, line), math.radians(level_u_deg)
        )
        for item, line in zip(marks.references, placed, strict=True)
    )
    look = look_at(picture, options, edge_fit, references)
    ramp_line = _place(picture, camera, marks.ramp, "ramp line", "step", edge_fit)
    rail = None
    if marks.chassis:
        rail = _place(picture, camera, marks.chassis, "chassis line", "auto", edge_fit)
    pair: MarkedHubs | None = None
    if marks.hubs:
        pairs = list(marks.hubs)
        pair = hubs_from_picture(look, pairs, rim_px) if edge_fit else hubs_as_marked(pairs)
    model = AngleModel(
        viewing=look.viewing,
        ramp=_line_mark(picture, ramp_line),
        references=references,
        chassis=_chassis_mark(picture, rail, pair),
        facing=marks.facing,
        turning_u_deg=abs(turning_deg_s) * _half_frame_s(clip, ordinal) / math.sqrt(3),
    )
    values, budget, linear = solve_angles(model, picture, seed, draws, budget_draws)
    lines: dict[str, object] = {"ramp": describe_line(ramp_line)}
    for kind in ("level", "plumb"):
        told = [
            describe_line(line)
            for item, line in zip(marks.references, placed, strict=True)
            if item.kind == kind
        ]
        if told:
            lines[kind] = told[0] if len(told) == 1 else told
    if rail is not None:
        lines["chassis"] = describe_line(rail)
    if pair is not None:
        lines["hubs"] = describe_hubs(pair)
    if look.sheet_sides:
        lines["sheet"] = [describe_line(side) for side in look.sheet_sides]
    found = [ramp_line.warnings, *(line.warnings for line in placed), look.warnings]
    found += [item.warnings for item in (rail, pair) if item is not None]
    return AngleReading(
        values=values,
        budget=budget,
        linear=linear,
        lines=lines,
        frame=ordinal,
        t_s=_time_s(clip, frame),
        clip_sha256=clip.sha256,
        fingerprint=frame.fingerprint,
        warnings=(*clip.warnings, *(note for notes in found for note in notes)),
        seed=seed,
        draws=draws,
        settings={
            **options.describe(),
            "level_u_deg": level_u_deg,
            "edge_fit": edge_fit,
            "turning_deg_s": turning_deg_s,
            "facing": marks.facing,
        },
    )


def _place(
    picture: Picture,
    camera: FloatArray,
    marked: tuple[Line, ...],
    what: str,
    kind: EdgeKind,
    edge_fit: bool,
) -> MarkedLine:
    """Fit, or take as marked, every marking of one line, and combine them."""
    if not edge_fit:
        return mean_line([line_from_marks(line, what) for line in marked])
    return mean_line(
        [
            line_from_picture(
                picture.luma,
                line,
                what,
                picture.levels,
                lambda points: straighten(picture, camera, points),
                lambda points: bend(picture, camera, points),
                kind,
            )
            for line in marked
        ]
    )


def _line_mark(picture: Picture, line: MarkedLine) -> LineMark:
    return LineMark(
        points_px=picture.to_square(line.points_px),
        u_offset_px=line.u_offset_px,
        u_turn_rad=line.u_angle_rad,
        dof=line.dof,
        correlation=line.correlation,
        repeat_u_rad=line.repeat_u_rad,
        repeat_dof=line.repeat_dof,
    )


def _chassis_mark(
    picture: Picture, rail: MarkedLine | None, pair: MarkedHubs | None
) -> LineMark | HubsMark | None:
    if rail is not None:
        return _line_mark(picture, rail)
    if pair is None:
        return None
    stretch = np.diag([picture.aspect, 1.0])
    spread = stretch @ pair.covariance_px2 @ stretch
    return HubsMark(picture.to_square(pair.centres_px), spread, pair.dof)


def _half_frame_s(clip: Clip, ordinal: int) -> float:
    """Half the time from this frame to the next (or from the one before), s; 0 without times."""
    if not clip.has_times or clip.frame_count < 2:
        return 0.0
    later = min(ordinal + 1, clip.frame_count - 1)
    return float(clip.times_s[later] - clip.times_s[later - 1]) / 2


def _time_s(clip: Clip, frame: Frame) -> float | None:
    return frame.time_s if clip.has_times else None
