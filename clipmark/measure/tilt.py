"""A side tilt: platform and chassis followed, the four events found where they occur.

The chain: platform line, chassis line and uphill tyres followed against the reference frame ->
angles in the plane of motion, gap under the tyres -> first motion by the unstable-turning model,
the gap, topple, slide -> the platform's angle at each, with everything that makes it uncertain.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np
import pandas as pd

from clipmark.clip import Clip, Frame
from clipmark.errors import FollowError, MarkError
from clipmark.marks import Patch, SheetLike, Span
from clipmark.measure.angle_marks import Repeated
from clipmark.measure.lens_file import LensSource
from clipmark.measure.tags import Tags
from clipmark.measure.tilt_follow import Followed, Progress, TiltTrace, follow_tilt, lay_out
from clipmark.measure.tilt_join import OtherTilt, join_runs, read_other
from clipmark.measure.tilt_marks import (
    GAP_MM,
    SLIDE_MM,
    TRACK_U_MM,
    LineLike,
    PreparedTilt,
    TiltMarks,
    prepare_tilt,
)
from clipmark.measure.tilt_reading import TiltEvent, TiltReading
from clipmark.measure.tilt_values import DRAWS, K_95, value_at
from clipmark.measure.tilt_words import rates_differ, sways_before, tilt_shakes, what_was_lost
from clipmark.measure.values import Value
from clipmark.motion.tilt_events import (
    BOTH_WHEELS,
    FIRST_MOTION,
    FIRST_WHEEL,
    Seen,
    TiltFacts,
    find_events,
)

__all__ = ["TiltMarks", "TiltReading", "measure_marked_tilt", "measure_tilt"]
SEED = 20_260_611
LEAST_SEEN = 0.3  # of the frames in which platform and chassis must be seen
PX_GAP, PX_SLIDE = 2.0, 4.0  # where there is no scale


def measure_tilt(
    clip: Clip,
    ordinal: int,
    *,
    platform: LineLike,
    chassis: LineLike,
    uphill_tyres: Sequence[Patch | Sequence[float]] = (),
    level: Repeated | None = None,
    plumb: Repeated | None = None,
    level_u_deg: float = 0.05,
    scale: LineLike | None = None,
    scale_mm: float | None = None,
    track_mm: float | None = None,
    track_u_mm: float = TRACK_U_MM,
    low_side: str | None = None,
    gap_mm: float = GAP_MM,
    span: Span | tuple[int, int] | None = None,
    join: OtherTilt | None = None,
    lens: LensSource | None = None,
    view_angle_deg: float | None = None,
    square_within_deg: float = 5.0,
    sheet: SheetLike | None = None,
    sheet_size: tuple[float, float] | None = None,
    sheet_u_mm: float = 0.5,
    tags: Tags | None = None,
    edge_fit: bool = True,
    by_ends: Collection[str] = (),
    progress: Progress | None = None,
    seed: int = SEED,
) -> TiltReading:
    """Follow a side tilt through a span and find what happened at which platform angle.

    Parameters
    ----------
    clip : Clip
        An open clip with frame times.
    ordinal : int
        Reference frame, in which everything was marked, with all wheels on the platform.
    platform, chassis : line
        Along the platform's edge, and a straight edge of the truck, px of the upright picture.
    uphill_tyres : sequence of Patch or of four numbers
        A textured part of each uphill tyre that is seen: left, top, width, height, px.
    level, plumb, level_u_deg
        Lines known to be level or plumb, as in `measure_angle`; without any, angles are not given,
        only turns.
    scale, scale_mm
        Two points a known length apart in the plane of motion; or a sheet (below).
    track_mm, track_u_mm : float, optional
        Between the tipping lines, and its standard uncertainty.
    low_side : {'left', 'right'}, optional
        Which side of the truck is low; as seen in the picture when not given.
    gap_mm : float
        Gap under an uphill tyre at which it counts as off.
    span : Span or pair, optional
        First and last frame; the whole clip when not given.
    join : path or mapping, optional
        What this gave (``to_dict()``) for the run with the other side low.
    lens, view_angle_deg, square_within_deg, sheet, sheet_size, sheet_u_mm, tags, edge_fit
        The view, as in `measure_angle`.
    by_ends : collection of {'platform', 'chassis'}
        Lines that show no straight edge: taken as marked, and followed by two patches at their
        ends.
    progress : callable, optional
        Called with frames done and frames in all.
    seed : int
        Of the Monte Carlo behind the intervals.

    Returns
    -------
    TiltReading

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError, FolderError
        A sentence each.
    """
    marks = TiltMarks(
        platform=platform,
        chassis=chassis,
        uphill_tyres=uphill_tyres,
        level=level,
        plumb=plumb,
        level_u_deg=level_u_deg,
        scale=scale,
        scale_mm=scale_mm,
        track_mm=track_mm,
        track_u_mm=track_u_mm,
        low_side=low_side,
        gap_mm=gap_mm,
        span=span,
        lens=lens,
        view_angle_deg=view_angle_deg,
        square_within_deg=square_within_deg,
        sheet=sheet,
        sheet_size=sheet_size,
        sheet_u_mm=sheet_u_mm,
        tags=tags,
        edge_fit=edge_fit,
        by_ends=by_ends,
    )
    return measure_marked_tilt(clip, ordinal, marks, join, progress, seed)


def measure_marked_tilt(
    clip: Clip,
    ordinal: int,
    marks: TiltMarks,
    join: OtherTilt | None = None,
    progress: Progress | None = None,
    seed: int = SEED,
) -> TiltReading:
    """The same as `measure_tilt`, from marks in one piece; raises the same."""
    other = None if join is None else read_other(join)
    if join is not None and marks.track_mm is None:
        raise MarkError(
            "joining left and right needs the track, the distance between the outer edges of the "
            "tyres' contact; give it (--track-mm)"
        )
    ready = prepare_tilt(clip, ordinal, marks)
    followed = follow_tilt(clip, ready, progress)
    _demand_seen(followed)
    trace = lay_out(ready, followed)
    facts = _facts(ready, trace, marks.gap_mm)
    proof = _ahead(clip, trace, facts, followed.prints)
    events, level_u = [], 0.0
    for number, seen in enumerate(facts.seen):
        event, own = _event(ready, trace, followed, facts, seen, seed + number)
        events.append(event)
        if seen.criterion == FIRST_MOTION:
            level_u = own
    first = next((item for item in events if item.criterion == FIRST_MOTION), None)
    by_gap = _by_gap(ready, events)
    low_side = marks.low_side or ("left" if trace.way > 0 else "right")
    joined = None
    warnings = [*ready.notes, *clip.warnings, *what_was_lost(followed, trace), *facts.notes]
    if other is not None:
        if first is None or first.tilt is None:
            raise MarkError(
                "this run has no angle of first motion, so left and right cannot be joined; "
                "measure it without the other run (--join) to see what it shows"
            )
        joined = join_runs(first.tilt, level_u, low_side, other, marks.track_mm, marks.track_u_mm)
        warnings += rates_differ(first.rate_deg_s, other.rate_deg_s)
    sways = sways_before(trace, [item.t_s for item in events])
    warnings += tilt_shakes(sways)
    fit = facts.growth.fit
    prints = dict(followed.prints)
    if proof is not None:
        proved = proof.result()
        prints[proved.ordinal] = proved.fingerprint
    return TiltReading(
        events=tuple(events),
        missing=facts.missing,
        first_motion=first,
        first_motion_ends_s=None if first is None or fit is None else (fit.low95_s, fit.high95_s),
        by_gap=by_gap,
        gap_mm=marks.gap_mm,
        growth_per_s=None if fit is None else fit.k_per_s,
        low_side=low_side,
        highest_tilt=_highest(ready, trace, followed, facts, seed),
        sways=sways,
        joined=joined,
        track_mm=marks.track_mm,
        table=_table(trace, followed, facts),
        frame=ready.reference.ordinal,
        clip_sha256=clip.sha256,
        fingerprints=prints,
        first_frame=ready.span.first,
        last_frame=ready.span.last,
        warnings=tuple(dict.fromkeys(warnings)),
        settings={
            **ready.settings,
            "low_side": low_side,
            "joined_with": None if other is None else other.to_dict(),
        },
        seed=seed,
        draws=DRAWS,
    )


def _ahead(
    clip: Clip, trace: TiltTrace, facts: TiltFacts, prints: Mapping[int, str]
) -> Future[Frame] | None:
    """The frame of first motion, decoded while the angles are worked out; None where at hand."""
    first = next((seen for seen in facts.seen if seen.criterion == FIRST_MOTION), None)
    if first is None:
        return None
    ordinal = _nearest(trace, first.t_s)
    if ordinal in prints:
        return None
    pool = ThreadPoolExecutor(1)
    future = pool.submit(clip.frame, ordinal)
    pool.shutdown(wait=False)
    return future


def _nearest(trace: TiltTrace, t_s: float) -> int:
    """Ordinal of the frame nearest to an instant."""
    return int(trace.ordinals[int(np.argmin(np.abs(trace.t_s - t_s)))])


def _demand_seen(followed: Followed) -> None:
    """Refuse where hardly anything was followed, with the reason most often given."""
    for what, track in (("platform", followed.platform), ("chassis", followed.chassis)):
        if track.seen.mean() >= LEAST_SEEN:
            continue
        reasons = Counter(filter(None, track.reasons)).most_common(1)
        why = reasons[0][0] if reasons else "not found"
        raise FollowError(
            f"the {what} line was seen in only {track.seen.mean():.0%} of the frames ({why}), so "
            "nothing can be said of this span; mark a longer, clearer edge, or give the frames in "
            "which it is seen (--span)"
        )


def _facts(ready: PreparedTilt, trace: TiltTrace, gap_mm: float) -> TiltFacts:
    """The events; without a scale their limits are px, and say so."""
    series = trace.events
    if trace.unit == "px":
        return find_events(series, PX_GAP, PX_SLIDE, f"{PX_GAP:g} px", f"{PX_SLIDE:g} px")
    return find_events(series, gap_mm, SLIDE_MM, f"{gap_mm:g} mm", f"{SLIDE_MM:g} mm")


def _event(
    ready: PreparedTilt,
    trace: TiltTrace,
    followed: Followed,
    facts: TiltFacts,
    seen: Seen,
    seed: int,
) -> tuple[TiltEvent, float]:
    """An event with its angle, and what level and view have in it."""
    with_budget = seen.event in (FIRST_WHEEL, BOTH_WHEELS)
    found = value_at(ready, trace, followed, seen, seed, with_budget)
    event = TiltEvent(
        event=seen.event,
        criterion=seen.criterion,
        t_s=seen.t_s,
        t_u95_s=K_95 * seen.u_t_s,
        frame=_nearest(trace, seen.t_s),
        tilt=found.value if ready.levelled else None,
        turned_deg=seen.tilt_deg - float(facts.platform.value[0]),
        rate_deg_s=seen.rate_deg_s,
        rate_u95_deg_s=K_95 * seen.u_rate_deg_s,
        budget=found.rows,
    )
    return event, found.level_u_deg


def _by_gap(ready: PreparedTilt, events: list[TiltEvent]) -> TiltEvent | None:
    """The stated gap under all marked tyres; under the first where only that left."""
    if ready.ruler is None:
        return None
    gaps = [item for item in events if item.criterion.startswith("gap")]
    both = [item for item in gaps if item.event == BOTH_WHEELS]
    return next(iter(both or gaps), None)


def _highest(
    ready: PreparedTilt, trace: TiltTrace, followed: Followed, facts: TiltFacts, seed: int
) -> Value | None:
    """The largest platform angle of the span."""
    if not ready.levelled or not math.isfinite(facts.highest_deg):
        return None
    k = int(np.argmax(facts.platform.value))
    top = facts.highest_deg
    u = float(facts.platform.u_value[k])
    seen = Seen("", "", float(trace.t_s[k]), 0.0, top, u, top, top, 0.0, 0.0)
    return value_at(ready, trace, followed, seen, seed, False).value


def _table(trace: TiltTrace, followed: Followed, facts: TiltFacts) -> pd.DataFrame:
    """The trace, one row a frame."""
    series = trace.events
    columns: dict[str, object] = {
        "t_s": trace.t_s,
        "platform_deg": trace.platform_deg,
        "u_platform_deg": trace.u_platform_deg,
        "chassis_deg": trace.chassis_deg,
        "u_chassis_deg": trace.u_chassis_deg,
        "chassis_to_platform_deg": series.turn_deg,
        "tilt_deg": facts.platform.value,
        "rate_deg_s": facts.platform.rate,
    }
    for number, (gap, slide) in enumerate(zip(series.gaps, series.slides, strict=True), 1):
        rest = _rest(gap, facts, number - 1)
        columns[f"tyre{number}_off_{trace.unit}"] = gap - rest
        first = slide[np.isfinite(slide)]
        columns[f"tyre{number}_down_{trace.unit}"] = slide - (first[0] if first.size else 0.0)
    columns["frame"] = trace.ordinals
    columns["platform_gap"] = list(followed.platform.reasons)
    columns["chassis_gap"] = list(followed.chassis.reasons)
    return pd.DataFrame(columns)


def _rest(gap: np.ndarray[tuple[int], np.dtype[np.float64]], facts: TiltFacts, n: int) -> float:
    crossing = facts.crossings[n] if n < len(facts.crossings) else None
    if crossing is not None:
        return crossing.base
    known = gap[np.isfinite(gap)]
    return float(np.median(known[:10])) if known.size else 0.0
