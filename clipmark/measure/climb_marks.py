"""From the marks of a climb to what following needs: checked, with a ruler and the way up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line, Patch, SheetLike, Span, Wheel, as_line, as_sheets, check_line
from clipmark.measure.angle_marks import Repeated
from clipmark.measure.crawl_checks import WheelLike, as_wheels
from clipmark.measure.crawl_prepare import CrawlMarks, LineLike, Prepared, prepare
from clipmark.measure.crawl_ruler import SCALE_U_PX, FloatArray, Ruler
from clipmark.measure.crawl_wheels import WHEEL_U_MM
from clipmark.measure.lens_file import LensSource
from clipmark.measure.tags import Tags
from clipmark.measure.view import Picture, ViewOptions, bend, camera_of, straighten
from clipmark.motion.climb_facts import GIVE_UP_S

MODES = ("climb", "descend")
LEAST_LEAN_DEG = 3.0  # a line that leans less has no upper end for certain
FINISH_LEAST_DEG = 20.0  # between finish line and ramp: flatter, their crossing is nowhere
USUAL_WHEELBASE_MM = 133.0  # of a small crawler: sizes limits where nothing says what a px is
USUAL_WIDTH_MM = 1000.0  # of the picture, where not even hubs are marked
NEAR_HUB = 1.5  # times the rim: a hub marked nearer to a marked wheel is that wheel's


@dataclass(frozen=True, eq=False)
class ClimbMarks:
    """Everything marked and said for a climb; see `clipmark.measure.climb.measure_climb`."""

    patch: Patch | Sequence[float]
    ramp: LineLike
    hubs: LineLike | None = None
    wheels: Sequence[WheelLike] = ()
    wheel_mm: float | None = None
    wheel_u_mm: float = WHEEL_U_MM
    rim_mm: float | None = None
    finish: LineLike | None = None
    mode: str = "climb"
    facing: str | None = None
    level: Repeated | None = None
    plumb: Repeated | None = None
    level_u_deg: float = 0.05
    span: Span | tuple[int, int] | None = None
    scale: LineLike | None = None
    scale_mm: float | None = None
    scale_u_px: float = SCALE_U_PX
    scale_u_mm: float = 0.0
    lens: LensSource | None = None
    view_angle_deg: float | None = None
    square_within_deg: float = 5.0
    sheet: SheetLike | None = None
    sheet_size: tuple[float, float] | None = None
    sheet_u_mm: float = 0.5
    tags: Tags | None = None
    edge_fit: bool = True
    give_up_s: float = GIVE_UP_S

    def view(self) -> ViewOptions:
        """What was declared of the view."""
        return ViewOptions.declared(
            self.lens,
            self.view_angle_deg,
            self.square_within_deg,
            as_sheets(self.sheet, self.sheet_size, self.sheet_u_mm),
            self.tags,
        )


@dataclass(frozen=True, eq=False)
class ClimbReady:
    """Checked marks of a climb.

    Attributes
    ----------
    marks : ClimbMarks
    crawl : Prepared
        Patch, wheels, ruler and span, as a crawl uses them; its way is the ramp line.
    picture : Picture
        The reference frame.
    ramp : Line
        As marked.
    hubs_px : ndarray, shape (2, 2), or None
        Rear and front hub in the reference frame; None where neither hubs nor two wheels are
        marked.
    hub_wheels : tuple of int or None
        Which marked wheel, from 0, is at the rear and at the front; None where none is.
    finish : Line or None
    uphill : str
        The side of the picture where the board is higher.
    nose_up : bool
        Whether the nose points up the board.
    scaled : bool
        Whether lengths are mm; else one unit is about a mm and `unit_px` long.
    unit_px : float
    notes : tuple of str
    """

    marks: ClimbMarks
    crawl: Prepared
    picture: Picture
    ramp: Line
    hubs_px: FloatArray | None
    hub_wheels: tuple[int | None, int | None]
    finish: Line | None
    uphill: str
    nose_up: bool
    scaled: bool
    unit_px: float
    notes: tuple[str, ...]

    @property
    def ahead(self) -> str:
        """Where the truck is to go, ``left`` or ``right`` in the picture."""
        if self.marks.mode == "climb":
            return self.uphill
        return "left" if self.uphill == "right" else "right"

    def to_straight(self, points_px: FloatArray) -> FloatArray:
        """Straight px (pixel aspect and a known lens taken out) of upright px, shape (n, 2)."""
        camera = self._camera()
        if camera is None:
            return self.picture.to_square(points_px)
        return straighten(self.picture, camera, points_px)

    def from_straight(self, points_px: FloatArray) -> FloatArray:
        """Upright px of straight ones, shape (n, 2)."""
        camera = self._camera()
        if camera is None:
            return self.picture.from_square(points_px)
        return bend(self.picture, camera, points_px)

    def _camera(self) -> FloatArray | None:
        options = self.marks.view()
        return None if options.lens is None else camera_of(self.picture, options).centre


def prepare_climb(clip: Clip, ordinal: int, marks: ClimbMarks) -> ClimbReady:
    """Check the marks of a climb and make its ruler.

    Raises
    ------
    MarkError, FrameError, FollowError, FitError, LensError, PlaneError
        A sentence each.
    """
    if marks.mode not in MODES:
        raise MarkError(f"the mode '{marks.mode}' is not known; give climb or descend (--mode)")
    if not 0 <= marks.give_up_s < math.inf:
        raise MarkError(
            f"the time without progress is {marks.give_up_s:g} s; give 0 s or more (--give-up-s)"
        )
    ramp = as_line(marks.ramp, "the ramp line")
    check_line(ramp, clip.width, clip.height, "the ramp line")
    uphill = _uphill(ramp, float(clip.pixel_aspect))
    finish = None if marks.finish is None else as_line(marks.finish, "the finish line")
    if finish is not None:
        check_line(finish, clip.width, clip.height, "the finish line")
        _check_crosses(finish, ramp)
    frame = clip.frame(ordinal)
    levels = (float(clip.black_level), float(clip.white_level))
    picture = Picture(frame.luma, levels, float(clip.pixel_aspect))
    marked_hubs = None if marks.hubs is None else as_line(marks.hubs, "the hubs")
    if marked_hubs is not None:
        check_line(marked_hubs, clip.width, clip.height, "the line between the hubs")
    options = marks.view()
    scaled = marks.scale is not None or marks.scale_mm is not None or options.shows_plane
    scaled = scaled or (marks.rim_mm is not None and bool(marks.wheels))
    unit_px = 1.0
    nominal = None
    if not scaled:
        nominal, unit_px = _nominal_ruler(marks, options, picture, marked_hubs)
    crawl = prepare(clip, ordinal, _crawl_marks(marks, ramp, nominal))
    notes: list[str] = list(crawl.notes)
    if scaled:
        place = np.array([[crawl.patch.x, crawl.patch.y]])
        unit_px = 1.0 / math.sqrt(abs(float(np.linalg.det(crawl.ruler.stretch(place)[0]))))
    else:
        notes.append(
            "Nothing says how long a mm is in the picture, so lengths are given in px and as "
            "shares only; give two points with their distance (--scale and --scale-mm) or a sheet."
        )
    hubs_px, hub_wheels = _hubs(marked_hubs, crawl.wheels, uphill, marks)
    nose_up = _nose_up(hubs_px if marked_hubs is not None else None, uphill, marks)
    return ClimbReady(
        marks=marks,
        crawl=crawl,
        picture=picture,
        ramp=ramp,
        hubs_px=hubs_px,
        hub_wheels=hub_wheels,
        finish=finish,
        uphill=uphill,
        nose_up=nose_up,
        scaled=scaled,
        unit_px=unit_px,
        notes=tuple(notes),
    )


def _crawl_marks(marks: ClimbMarks, ramp: Line, nominal: Ruler | None) -> CrawlMarks:
    """The same marks as a crawl takes them, along the ramp line."""
    common = CrawlMarks(
        patch=marks.patch,
        span=marks.span,
        travel=ramp,
        edge_fit=marks.edge_fit,
        wheels=marks.wheels,
        wheel_mm=marks.wheel_mm if nominal is None else None,
        wheel_u_mm=marks.wheel_u_mm,
        rim_mm=marks.rim_mm if nominal is None else None,
        facing=marks.facing,
    )
    if nominal is not None:
        return replace(common, to_plane=nominal)
    return replace(
        common,
        scale=marks.scale,
        scale_mm=marks.scale_mm,
        scale_u_px=marks.scale_u_px,
        scale_u_mm=marks.scale_u_mm,
        lens=marks.lens,
        view_angle_deg=marks.view_angle_deg,
        square_within_deg=marks.square_within_deg,
        sheet=marks.sheet,
        sheet_size=marks.sheet_size,
        sheet_u_mm=marks.sheet_u_mm,
        tags=marks.tags,
    )


def _nominal_ruler(
    marks: ClimbMarks, options: ViewOptions, picture: Picture, hubs: Line | None
) -> tuple[Ruler, float]:
    """A ruler whose unit is about a mm, and how many px it is; for limits, never for figures."""
    ends = None if hubs is None else np.array(hubs.as_tuple()).reshape(2, 2)
    wheels = as_wheels(marks.wheels)
    if ends is None and len(wheels) >= 2:
        ends = np.array([[w.cx, w.cy] for w in wheels[:2]])
    if ends is None:
        unit_px = picture.width * picture.aspect / USUAL_WIDTH_MM
    else:
        step = picture.to_square(ends)
        unit_px = float(np.hypot(*(step[1] - step[0]))) / USUAL_WHEELBASE_MM
    camera = None if options.lens is None else camera_of(picture, options).centre

    def to_units(points_px: FloatArray) -> FloatArray:
        points = np.asarray(points_px, dtype=np.float64)
        straight = (
            picture.to_square(points) if camera is None else straighten(picture, camera, points)
        )
        return np.asarray(straight / unit_px, dtype=np.float64)

    return Ruler(to_units, (), {"scale_from": "nothing: px", "unit_px": unit_px}), unit_px


def _uphill(ramp: Line, aspect: float) -> str:
    """Which side of the picture the board is higher on; raises `MarkError` when it is level."""
    across, up = (ramp.x2 - ramp.x1) * aspect, ramp.y1 - ramp.y2
    lean = abs(math.degrees(math.atan2(up, across)))
    if min(lean, 180 - lean) < LEAST_LEAN_DEG:
        raise MarkError(
            f"the ramp line leans by only {min(lean, 180 - lean):.1f} deg in the picture, so that "
            "up and down cannot be told; mark the board's edge, or measure a crawl on the level "
            "(clipmark crawl)"
        )
    if up < 0:
        across = -across
    return "right" if across >= 0 else "left"


def _check_crosses(finish: Line, ramp: Line) -> None:
    apart = abs(finish.shown_deg - ramp.shown_deg) % 180
    if min(apart, 180 - apart) < FINISH_LEAST_DEG:
        raise MarkError(
            f"the finish line runs along the ramp line (only {min(apart, 180 - apart):.0f} deg "
            "between them), so it is crossed nowhere; mark it across the board (--finish)"
        )


def _hubs(
    marked: Line | None, wheels: tuple[Wheel, ...], uphill: str, marks: ClimbMarks
) -> tuple[FloatArray | None, tuple[int | None, int | None]]:
    """Rear and front hub, as fitted where a wheel is marked there, and those wheels' numbers."""
    if marked is None:
        if len(wheels) < 2:
            return None, (None, None)
        right = 1 if _nose_right(uphill, marks) else -1
        order = sorted(range(len(wheels)), key=lambda number: right * wheels[number].cx)
        rear, front = order[0], order[-1]
        places = [[wheels[k].cx, wheels[k].cy] for k in (rear, front)]
        return np.array(places, dtype=np.float64), (rear, front)
    hubs = np.array(marked.as_tuple(), dtype=np.float64).reshape(2, 2)
    numbers: list[int | None] = [None, None]
    for end in range(2):
        for number, wheel in enumerate(wheels):
            away = math.hypot(wheel.cx - hubs[end, 0], wheel.cy - hubs[end, 1])
            if away < NEAR_HUB * max(wheel.rx, wheel.ry):
                hubs[end] = wheel.cx, wheel.cy
                numbers[end] = number
    return hubs, (numbers[0], numbers[1])


def _nose_right(uphill: str, marks: ClimbMarks) -> bool:
    """Whether the nose points right: as said, else the way it is to go."""
    if marks.facing is not None:
        return marks.facing == "right"
    return (uphill == "right") == (marks.mode == "climb")


def _nose_up(hubs: FloatArray | None, uphill: str, marks: ClimbMarks) -> bool:
    """Whether the nose points up the board: by the marked hubs, else as said or as it is to go."""
    if hubs is not None:
        return bool((hubs[1, 0] > hubs[0, 0]) == (uphill == "right"))
    return _nose_right(uphill, marks) == (uphill == "right")
