"""An attempt at a climbing board, or a descent from it: what happened, and a proposed verdict.

One decoding pass follows body, wheels, background and the board's own line. Body and wheels become
a crawl along the ramp line (`clipmark.measure.crawl`); from it, the hubs and the chassis angle
follow the facts, and from these, by two tables, the proposal. A person gives the verdict.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from clipmark.clip import Clip
from clipmark.marks import Patch, SheetLike, Span, as_line
from clipmark.measure.angle_marks import Repeated, lines_told
from clipmark.measure.climb_board import describe_board, read_board, start_board
from clipmark.measure.climb_descend import read_descent
from clipmark.measure.climb_marks import ClimbMarks, ClimbReady, prepare_climb
from clipmark.measure.climb_place import Placed, place_truck
from clipmark.measure.climb_reading import ClimbReading
from clipmark.measure.climb_table import climb_table
from clipmark.measure.climb_values import (
    back_value,
    finish_time,
    progress,
    run_up,
    tip_time,
)
from clipmark.measure.climb_words import Proposal, climb_notes, propose
from clipmark.measure.crawl import Crawled, read_followed
from clipmark.measure.crawl_checks import WheelLike
from clipmark.measure.crawl_prepare import LineLike
from clipmark.measure.crawl_ruler import SCALE_U_PX
from clipmark.measure.crawl_wheels import WHEEL_U_MM
from clipmark.measure.lens_file import LensSource
from clipmark.measure.tags import Tags
from clipmark.measure.values import Value
from clipmark.motion.climb_facts import GIVE_UP_S, read_ending
from clipmark.motion.climb_series import Ending
from clipmark.motion.passes import Observer, follow

Progress = Callable[[int, int], None]


def measure_climb(
    clip: Clip,
    ordinal: int,
    *,
    patch: Patch | Sequence[float],
    ramp: LineLike,
    hubs: LineLike | None = None,
    wheels: Sequence[WheelLike] = (),
    wheel_mm: float | None = None,
    wheel_u_mm: float = WHEEL_U_MM,
    rim_mm: float | None = None,
    finish: LineLike | None = None,
    mode: str = "climb",
    facing: str | None = None,
    level: Repeated | None = None,
    plumb: Repeated | None = None,
    level_u_deg: float = 0.05,
    span: Span | tuple[int, int] | None = None,
    scale: LineLike | None = None,
    scale_mm: float | None = None,
    scale_u_px: float = SCALE_U_PX,
    scale_u_mm: float = 0.0,
    lens: LensSource | None = None,
    view_angle_deg: float | None = None,
    square_within_deg: float = 5.0,
    sheet: SheetLike | None = None,
    sheet_size: tuple[float, float] | None = None,
    sheet_u_mm: float = 0.5,
    tags: Tags | None = None,
    edge_fit: bool = True,
    give_up_s: float = GIVE_UP_S,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> ClimbReading:
    """Follow one attempt and say what happened in it.

    Parameters
    ----------
    clip : Clip
        An open clip with frame times.
    ordinal : int
        Reference frame, on which everything was marked.
    patch : Patch or four numbers
        Left, top, width, height of a textured part of the body, px of the upright picture.
    ramp : line
        Along the edge of the board; its lower end counts as the foot.
    hubs : line, optional
        Rear and front hub, in this order. Without hubs and without two wheels no contact point of
        a tyre is known, so that a finish cannot be told.
    wheels, wheel_mm, wheel_u_mm, rim_mm
        As in `measure_crawl`. Without a declared rolling diameter slip is told against the wheel's
        own rolling on the way up.
    finish : line, optional
        Across the board where all wheels must be over.
    mode : {'climb', 'descend'}
    facing : {'left', 'right'}, optional
        Where the nose points in the picture; without it and without hubs, where it is to go.
    level, plumb, level_u_deg
        As in `measure_angle`; without them no angle is given.
    span : Span or pair, optional
        First and last frame, both included; the whole clip when not given.
    scale, scale_mm, scale_u_px, scale_u_mm, lens, view_angle_deg, square_within_deg, sheet,
    sheet_size, sheet_u_mm, tags, edge_fit
        As in `measure_crawl`. Without any scale lengths are px and shares.
    give_up_s : float
        How long a truck must be seen without progress, to the end of what is seen, for its
        attempt to count as over.
    progress, observer : callable, optional
        As in `measure_crawl`.

    Returns
    -------
    ClimbReading

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError
        A sentence each.
    """
    marks = ClimbMarks(
        patch=patch,
        ramp=ramp,
        hubs=hubs,
        wheels=wheels,
        wheel_mm=wheel_mm,
        wheel_u_mm=wheel_u_mm,
        rim_mm=rim_mm,
        finish=finish,
        mode=mode,
        facing=facing,
        level=level,
        plumb=plumb,
        level_u_deg=level_u_deg,
        span=span,
        scale=scale,
        scale_mm=scale_mm,
        scale_u_px=scale_u_px,
        scale_u_mm=scale_u_mm,
        lens=lens,
        view_angle_deg=view_angle_deg,
        square_within_deg=square_within_deg,
        sheet=sheet,
        sheet_size=sheet_size,
        sheet_u_mm=sheet_u_mm,
        tags=tags,
        edge_fit=edge_fit,
        give_up_s=give_up_s,
    )
    return measure_climb_marked(clip, ordinal, marks, progress, observer)


def measure_climb_marked(
    clip: Clip,
    ordinal: int,
    marks: ClimbMarks,
    progress: Progress | None = None,
    observer: Observer | None = None,
) -> ClimbReading:
    """The same as `measure_climb`, from marks in one piece; raises the same."""
    ready = prepare_climb(clip, ordinal, marks)
    follower, why = start_board(clip, ready)
    crawl = ready.crawl
    following = follow(
        clip,
        ordinal,
        crawl.patch,
        crawl.span,
        progress,
        observer,
        crawl.wheels,
        feeds=() if follower is None else (follower.feed,),
    )
    board = read_board(clip, ready, follower, following.ordinals, why)
    crawled = read_followed(clip, crawl, following, facing=ready.ahead)
    placed = place_truck(ready, crawled, following, board.ramp_px, board.turn_rad)
    board = board.steadied(following, ordinal, (clip.width, clip.height))
    ending = read_ending(placed.series, marks.give_up_s)
    descend: dict[str, object] = {}
    if marks.mode == "descend":
        descend, proposal = read_descent(ready, crawled, placed, ending)
    else:
        proposal = propose(ready, placed, ending)
    frame = None if proposal.decided is None else int(placed.frames[proposal.decided])
    values, told = _values(ready, placed, crawled, ending)
    other = set(crawled.figures.notes)  # of figures that a climb does not give
    notes = [
        note for note in crawled.reading.warnings if note not in other and "ripple" not in note
    ]
    notes += [*ready.notes, *board.notes]
    notes += climb_notes(ready, placed, ending)
    return ClimbReading(
        proposed=proposal.proposed,
        reason=proposal.reason,
        reason_code=proposal.code or None,
        ended_by=proposal.ended_by,
        ended_by_why=proposal.ended_by_why,
        values=values,
        facts=_facts(ready, placed, ending, proposal, frame) | told,
        descend=descend,
        board_moved=describe_board(board, frame),
        crawl=crawled.reading,
        scaled=ready.scaled,
        unit_px=ready.unit_px,
        table=climb_table(crawled.reading.table, placed, board, scaled=ready.scaled),
        board=board,
        ending=ending,
        warnings=tuple(dict.fromkeys(notes)),
        settings=_settings(ready),
    )


def _values(
    ready: ClimbReady, placed: Placed, crawled: Crawled, ending: Ending
) -> tuple[dict[str, Value | None], dict[str, object]]:
    """Figures with uncertainties, and what belongs to them."""
    speed, where, at = run_up(ready, placed, crawled)
    crossed, crossing_speed = finish_time(ready, placed, ending)
    backs = ending.backs
    told = all(back.rolled is not None for back in backs)
    slid = [back for back in backs if back.rolled is False]
    rolled = [back for back in backs if back.rolled]
    values: dict[str, Value | None] = {
        "run_up_mm_s": speed,
        "finish_t_s": crossed,
        "tip_over_t_s": tip_time(placed, ending),
        "progress_mm": progress(ready, placed, ending),
        "slide_back_mm": back_value(ready, placed, slid) if told else None,
        "roll_back_mm": back_value(ready, placed, rolled) if told else None,
        "went_back_mm": back_value(ready, placed, backs),
    }
    share = None
    if placed.finish_mm is not None and placed.rear_mm is not None and values["progress_mm"]:
        first = next((float(v) for v in placed.series.travel_mm if v == v), None)
        if first is not None and abs(placed.finish_mm - first) > 1e-9:
            share = values["progress_mm"].estimate / abs(placed.finish_mm - first)
    return values, {
        "run_up_at": where,
        "run_up_t_s": at if at == at else None,
        "progress_share": share,
        "finish_point": placed.point or None,
        "finish_speed_mm_s": crossing_speed if crossed is not None and ready.scaled else None,
    }


def _facts(
    ready: ClimbReady, placed: Placed, ending: Ending, proposal: Proposal, frame: int | None
) -> dict[str, object]:
    """What was seen, beside the figures."""
    nose, frames = ending.nose, placed.frames
    finished = proposal.proposed == "cleared" and ending.decided is not None
    return {
        "mode": ready.marks.mode,
        "decided_frame": frame,
        "decided_t_s": proposal.t_s,
        "finish_frame": int(frames[ending.decided]) if finished and ending.decided else None,
        "tip_over_frame": None if nose.tipped is None else int(frames[nose.tipped.first]),
        "front_lifts": [
            {
                "t_s": lift.t_s,
                "until_s": lift.until_s,
                "frame": int(frames[lift.first]),
                "most_deg": lift.most_deg,
                "came_down": lift.came_down,
            }
            for lift in nose.lifts
        ],
        "front_lift_limit_deg": nose.limit_deg,
        "chassis_to_ramp_usual_deg": nose.usual_deg if nose.usual_deg == nose.usual_deg else None,
        "went_back": [
            {
                "t_s": float(placed.series.times_s[back.first]),
                "until_s": float(placed.series.times_s[back.last]),
                "frame": int(frames[back.first]),
                "how": {True: "rolled", False: "slid", None: "not told"}[back.rolled],
                "mm" if ready.scaled else "px": back.mm * (1.0 if ready.scaled else ready.unit_px),
            }
            for back in ending.backs
        ],
        "end_facts": {
            "front": ending.front,
            "slip": ending.slip,
            "wheels": ending.wheels,
            "slip_share": ending.slip_share,
            "slip_wheel": placed.slip_wheel,
            "rolling_radius_from": placed.radius_from or None,
        },
        "entered_patch": list(placed.entries),
    }


def _settings(ready: ClimbReady) -> dict[str, object]:
    marks = ready.marks
    return {
        **ready.crawl.settings,
        "ramp": list(ready.ramp.as_tuple()),
        "hubs": None if marks.hubs is None else list(as_line(marks.hubs, "the hubs").as_tuple()),
        "finish": None if ready.finish is None else list(ready.finish.as_tuple()),
        "mode": marks.mode,
        "facing": marks.facing,
        "level": lines_told(marks.level),
        "plumb": lines_told(marks.plumb),
        "scale": None if marks.scale is None else list(as_line(marks.scale, "").as_tuple()),
        "scale_mm": marks.scale_mm,
        "scale_u_px": marks.scale_u_px,
        "scale_u_mm": marks.scale_u_mm,
        "level_u_deg": marks.level_u_deg,
        "give_up_s": marks.give_up_s,
        "lengths": "mm" if ready.scaled else "px",
        "wheel_mm": marks.wheel_mm,
        "wheel_u_mm": marks.wheel_u_mm,
        "rim_mm": marks.rim_mm,
    }


__all__ = ["ClimbMarks", "ClimbReading", "Observer", "measure_climb", "measure_climb_marked"]
