"""Ramp, chassis and chassis-to-ramp angle on one frame, with an honest uncertainty.

The chain: marks in upright px -> edge and hub fits on the decoded luma -> pixel aspect -> lens ->
plane of motion -> angle from the level direction. See docs/method.md.
"""

from __future__ import annotations

import math
from functools import partial

from clipmark.clip import Clip, Frame
from clipmark.marks import SheetLike, as_sheets
from clipmark.measure.angle_marks import AngleMarks, Repeated
from clipmark.measure.angle_place import place_marks
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS, SEED, solve_angles
from clipmark.measure.lens_file import LensSource
from clipmark.measure.plumb_swing import swing_of
from clipmark.measure.tags import Tags
from clipmark.measure.view import Picture, ViewOptions


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
    # Not while a mark is moved: frames around this one are decoded for it.
    swings = partial(swing_of, clip, ordinal, picture) if budget_draws else None
    placed = place_marks(picture, marks, options, level_u_deg, edge_fit, rim_px, swings)
    turning_u_deg = abs(turning_deg_s) * _half_frame_s(clip, ordinal) / math.sqrt(3)
    model = placed.model(marks.facing, turning_u_deg)
    values, budget, linear = solve_angles(model, picture, seed, draws, budget_draws)
    return AngleReading(
        values=values,
        budget=budget,
        linear=linear,
        lines=placed.describe(),
        frame=ordinal,
        t_s=_time_s(clip, frame),
        clip_sha256=clip.sha256,
        fingerprint=frame.fingerprint,
        warnings=(*clip.warnings, *placed.warnings),
        seed=seed,
        draws=draws,
        settings={
            **options.describe(),
            "level_u_deg": level_u_deg,
            "edge_fit": edge_fit,
            "turning_deg_s": turning_deg_s,
            "facing": marks.facing,
            "rim_px": rim_px,
            "true_fps": clip.true_fps,
        },
        model=model,
    )


def _half_frame_s(clip: Clip, ordinal: int) -> float:
    """Half the time from this frame to the next (or from the one before), s; 0 without times."""
    if not clip.has_times or clip.frame_count < 2:
        return 0.0
    later = min(ordinal + 1, clip.frame_count - 1)
    return float(clip.times_s[later] - clip.times_s[later - 1]) / 2


def _time_s(clip: Clip, frame: Frame) -> float | None:
    return frame.time_s if clip.has_times else None
