"""Repeating a reading from what the journal holds of it: marks, settings, lens, clip.

A reading says with every number where the marks lay and how it was measured; `repeat_reading`
calls the same measurement with exactly that. Nothing is taken from files of the event folder but
the clip, so that clip and journal alone suffice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import cast

from clipmark.clip import Clip
from clipmark.errors import AuditError, ClipmarkError
from clipmark.marks import Line, Sheet
from clipmark.measure.angle import measure_angle
from clipmark.measure.angle_reading import AngleReading
from clipmark.measure.angle_solve import BUDGET_DRAWS, DRAWS, SEED
from clipmark.measure.climb import ClimbReading, measure_climb
from clipmark.measure.crawl import CrawlReading, measure_crawl
from clipmark.measure.crawl_ruler import SCALE_U_PX
from clipmark.measure.marked_line import PlacedLine
from clipmark.measure.tags import Tags
from clipmark.measure.tilt import SEED as TILT_SEED
from clipmark.measure.tilt import TiltReading, measure_tilt
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading

Result = Mapping[str, object]
Progress = Callable[[int, int], None]
MOST_DRAWS = 5_000_000  # what a record can make a computer do; 250 times the usual
REPEATED = ("angle", "crawl")  # measures that can be marked again, or taken on another clip
REPLAYED = (*REPEATED, "tilt", "climb")  # measures that can be repeated from the journal


def true_fps_of(attempt: Attempt, reading: Reading) -> float | None:
    """The true rate to open the clip with, as it was declared when the reading was taken."""
    settings = reading.result.get("settings")
    if isinstance(settings, dict) and "true_fps" in settings:
        return _number(settings, "true_fps")
    return attempt.declared.true_fps if attempt.declared else None


def repeat_reading(
    clip: Clip,
    attempt: Attempt,
    reading: Reading,
    *,
    shift: int = 0,
    progress: Progress | None = None,
    crawled: Callable[[CrawlReading], None] | None = None,
) -> dict[str, object]:
    """Measure once more from the stored marks and settings.

    Parameters
    ----------
    clip : Clip
        Opened with `true_fps_of` the reading.
    attempt : Attempt
        The revision that holds the reading.
    reading : Reading
    shift : int
        Frames that were cut off before the first frame of `clip`; taken off every ordinal.
    progress : callable, optional
        Called with frames done and frames in all, of a crawl.
    crawled : callable, optional
        Given a crawl as soon as it is measured, with its trace.

    Returns
    -------
    dict
        As ``to_dict()`` of the measurement.

    Raises
    ------
    AuditError
        When this version cannot repeat such a reading, or the journal holds too little for it.
    ClipmarkError
        Of any kind that the measurement raises.
    """
    if reading.measure not in REPLAYED:
        raise AuditError(
            f"a {reading.measure} reading cannot be repeated by this version of clipmark; measure "
            f"it again with the marks that are recorded (it was taken by clipmark "
            f"{reading.versions.get('clipmark', 'of no named version')})"
        )
    try:
        if reading.measure == "angle":
            return repeat_angle(clip, attempt, reading, shift=shift).to_dict()
        if reading.measure == "tilt":
            return repeat_tilt(clip, reading, shift=shift, progress=progress).to_dict()
        if reading.measure == "climb":
            return repeat_climb(clip, reading, shift=shift, progress=progress).to_dict()
        crawl = repeat_crawl(clip, attempt, reading, shift=shift, progress=progress)
        if crawled is not None:
            crawled(crawl)
        return crawl.to_dict()
    except ClipmarkError:
        raise
    except (KeyError, TypeError, IndexError, ValueError, AttributeError) as error:
        raise AuditError(
            f"the {reading.measure} reading does not hold what it takes to repeat it "
            f"({type(error).__name__}: {error}); it was saved by another program, or changed"
        ) from error


def repeat_angle(clip: Clip, attempt: Attempt, reading: Reading, *, shift: int = 0) -> AngleReading:
    """The angles of `reading` once more, with the model behind them; see `repeat_reading`."""
    settings, lines = _settings(reading), cast(Result, reading.result["lines"])
    rim_px = _number(settings, "rim_px")
    if "rim_px" not in settings and attempt.declared is not None:
        rim_px = attempt.declared.rim_px
    return measure_angle(
        clip,
        _frame(reading) - shift,
        ramp=_marked(lines["ramp"]),
        chassis=_marked(lines["chassis"]) if "chassis" in lines else None,
        hubs=_marked(lines["hubs"]) if "hubs" in lines else None,
        rim_px=rim_px,
        facing=cast("str | None", settings.get("facing")),
        level=_references(lines, "level"),
        plumb=_references(lines, "plumb"),
        level_u_deg=cast(float, settings["level_u_deg"]),
        lens=cast("Mapping[str, object] | None", settings.get("lens")),
        view_angle_deg=_number(settings, "view_angle_deg"),
        square_within_deg=_square(settings),
        sheet=_sheets(settings) or None,
        tags=_tags(settings),
        edge_fit=settings["edge_fit"] is not False,
        turning_deg_s=_number(settings, "turning_deg_s") or 0.0,
        seed=_count(reading, "seed", SEED),
        draws=_count(reading, "draws", DRAWS),
        budget_draws=BUDGET_DRAWS if _has_budget(reading) else 0,
    )


def repeat_crawl(
    clip: Clip,
    attempt: Attempt,
    reading: Reading,
    *,
    shift: int = 0,
    progress: Progress | None = None,
) -> CrawlReading:
    """The crawl of `reading` once more, with its trace; see `repeat_reading`."""
    settings = _settings(reading)
    if "scale_from" not in settings:
        raise AuditError(
            "lengths of this crawl came from a map given in a program, which no journal holds; "
            "repeat it with that program"
        )
    first, last = cast("list[int]", settings["span"])
    band = cast("list[float]", settings["band_hz"])
    scaled = settings["scale_from"] == "scale mark" and _scale_marked(settings, attempt)
    return measure_crawl(
        clip,
        _frame(reading) - shift,
        patch=cast("list[float]", settings["patch"]),
        span=(first - shift, last - shift),
        travel=cast("list[float] | None", settings.get("travel")),
        scale=cast("list[float]", settings["scale"]) if scaled else None,
        scale_mm=_number(settings, "scale_mm") if scaled else None,
        scale_u_px=(_number(settings, "scale_u_px") if scaled else None) or SCALE_U_PX,
        scale_u_mm=(_number(settings, "scale_u_mm") if scaled else None) or 0.0,
        lens=cast("Mapping[str, object] | None", settings.get("lens")),
        view_angle_deg=_number(settings, "view_angle_deg"),
        square_within_deg=_square(settings),
        sheet=_sheets(settings) or None,
        tags=_tags(settings),
        edge_fit=settings["edge_fit"] is not False,
        wheels=cast("list[list[float]]", settings["wheels"]),
        wheel_mm=_number(settings, "wheel_mm"),
        wheel_u_mm=cast(float, settings["wheel_u_mm"]),
        rim_mm=_number(settings, "rim_mm"),
        hold_s=cast(float, settings["hold_s"]),
        band_hz=(band[0], band[1]),
        window_s=_number(settings, "window_given_s"),
        facing=cast("str | None", settings.get("facing")),
        progress=progress,
    )


def repeat_tilt(
    clip: Clip, reading: Reading, *, shift: int = 0, progress: Progress | None = None
) -> TiltReading:
    """The side tilt of `reading` once more; see `repeat_reading`."""
    settings = _settings(reading)
    first, last = cast("list[int]", settings["span"])
    low_side = cast("str | None", settings["low_side"])
    return measure_tilt(
        clip,
        cast(int, settings["frame"]) - shift,
        platform=cast("list[float]", settings["platform"]),
        chassis=cast("list[float]", settings["chassis"]),
        uphill_tyres=cast("list[list[float]]", settings["uphill_tyres"]),
        level=_lines(settings["level"]),
        plumb=_lines(settings["plumb"]),
        level_u_deg=cast(float, settings["level_u_deg"]),
        scale=cast("list[float] | None", settings["scale"]),
        scale_mm=_number(settings, "scale_mm"),
        track_mm=_number(settings, "track_mm"),
        track_u_mm=cast(float, settings["track_u_mm"]),
        low_side=low_side,
        gap_mm=cast(float, settings["gap_mm"]),
        span=(first - shift, last - shift),
        join=cast("Mapping[str, object] | None", settings.get("joined_with")),
        lens=cast("Mapping[str, object] | None", settings.get("lens")),
        view_angle_deg=_number(settings, "view_angle_deg"),
        square_within_deg=_square(settings),
        sheet=_sheets(settings) or None,
        tags=_tags(settings),
        edge_fit=settings["edge_fit"] is not False,
        by_ends=cast("list[str] | None", settings.get("by_ends")) or (),
        progress=progress,
        seed=_count(reading, "seed", TILT_SEED),
    )


def repeat_climb(
    clip: Clip, reading: Reading, *, shift: int = 0, progress: Progress | None = None
) -> ClimbReading:
    """The climb of `reading` once more; see `repeat_reading`."""
    settings = _settings(reading)
    first, last = cast("list[int]", settings["span"])
    return measure_climb(
        clip,
        _frame(reading) - shift,
        patch=cast("list[float]", settings["patch"]),
        ramp=cast("list[float]", settings["ramp"]),
        hubs=cast("list[float] | None", settings["hubs"]),
        wheels=cast("list[list[float]]", settings["wheels"]),
        wheel_mm=_number(settings, "wheel_mm"),
        wheel_u_mm=cast(float, settings["wheel_u_mm"]),
        rim_mm=_number(settings, "rim_mm"),
        finish=cast("list[float] | None", settings["finish"]),
        mode=cast(str, settings["mode"]),
        facing=cast("str | None", settings["facing"]),
        level=_lines(settings["level"]),
        plumb=_lines(settings["plumb"]),
        level_u_deg=cast(float, settings["level_u_deg"]),
        span=(first - shift, last - shift),
        scale=cast("list[float] | None", settings["scale"]),
        scale_mm=_number(settings, "scale_mm"),
        scale_u_px=cast(float, settings["scale_u_px"]),
        scale_u_mm=cast(float, settings["scale_u_mm"]),
        lens=cast("Mapping[str, object] | None", settings.get("lens")),
        view_angle_deg=_number(settings, "view_angle_deg"),
        square_within_deg=_square(settings),
        sheet=_sheets(settings) or None,
        tags=_tags(settings),
        edge_fit=settings["edge_fit"] is not False,
        give_up_s=cast(float, settings["give_up_s"]),
        progress=progress,
    )


def _lines(told: object) -> list[Line] | None:
    """Lines given by their ends; None for none."""
    found = [Line(*(float(value) for value in ends)) for ends in cast("list[list[float]]", told)]
    return found or None


def _settings(reading: Reading) -> Result:
    found = reading.result.get("settings")
    if not isinstance(found, dict):
        raise AuditError(
            f"the {reading.measure} reading does not say how it was measured; it cannot be repeated"
        )
    return found


def _count(reading: Reading, name: str, usual: int) -> int:
    """Seed or draws: beside the result, else in it, else the usual."""
    for value in (getattr(reading, name), reading.result.get(name)):
        if isinstance(value, int):
            if name == "draws" and not 0 < value <= MOST_DRAWS:
                raise AuditError(
                    f"the reading names {value} draws of its Monte Carlo, but 1 to {MOST_DRAWS} "
                    "can be repeated"
                )
            return value
    return usual


def _has_budget(reading: Reading) -> bool:
    """Whether it was measured with a budget; a quick look from a program has none."""
    budget = reading.result.get("budget")
    return isinstance(budget, dict) and any(budget.values())


def _frame(reading: Reading) -> int:
    if reading.frame is None:
        raise AuditError(f"the {reading.measure} reading names no frame; it cannot be repeated")
    return reading.frame


def _number(settings: Result, name: str) -> float | None:
    value = settings.get(name)
    return float(value) if isinstance(value, (int, float)) else None


def _square(settings: Result) -> float:
    """What was promised of yaw and pitch; not used, and not kept, where a sheet shows the plane."""
    found = _number(settings, "square_within_deg")
    return 5.0 if found is None else found


def _scale_marked(settings: Result, attempt: Attempt) -> bool:
    """Whether the scale was marked, and not taken from a wheel of known size."""
    if "scale_marked" in settings:
        return settings["scale_marked"] is True
    return attempt.mark("scale") is not None


def _marked(described: object) -> list[Line]:
    """Every marking of one line, as it was set."""
    told = cast(Result, described)
    marked = cast("list[list[float]]", told["marked"])
    carried = cast("list[Result]", told.get("carried") or [])
    if carried:
        return [_placed(ends, more) for ends, more in zip(marked, carried, strict=True)]
    return [Line(*(float(value) for value in ends)) for ends in marked]


def _placed(ends: Sequence[float], more: Result) -> PlacedLine:
    points = cast("list[list[float]]", more["points_px"])
    dof = _number(more, "dof")
    x1, y1, x2, y2 = (float(value) for value in ends)
    return PlacedLine(
        x1,
        y1,
        x2,
        y2,
        points_px=tuple((float(x), float(y)) for x, y in points),
        half_length_px=cast(float, more["half_length_px"]),
        u_offset_px=cast(float, more["u_offset_px"]),
        u_angle_rad=cast(float, more["u_angle_rad"]),
        dof=math.inf if dof is None else dof,
    )


def _references(lines: Result, kind: str) -> list[Line] | None:
    """Level or plumb lines: one, several, or none."""
    found = lines.get(kind)
    if found is None:
        return None
    several = found if isinstance(found, list) else [found]
    return [line for item in several for line in _marked(item)]


def _sheets(settings: Result) -> tuple[Sheet, ...]:
    told = [settings.get("sheet"), *cast("list[object]", settings.get("further_sheets") or [])]
    return tuple(_sheet(cast(Result, item)) for item in told if item is not None)


def _sheet(told: Result) -> Sheet:
    size = cast("list[float]", told["size_mm"])
    return Sheet.from_values(
        cast("list[list[float]]", told["corners"]),
        (float(size[0]), float(size[1])),
        cast(float, told["side_u_mm"]),
    )


def _tags(settings: Result) -> Tags | None:
    told = settings.get("tags")
    return None if told is None else Tags.from_dict(cast(Result, told))
