"""From a planned stand to the measurement model that a reading of it would have."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import MarkError
from clipmark.geometry.bend_of_lines import BowedLine, bend_of_lines
from clipmark.geometry.camera import Camera
from clipmark.geometry.hub_fit import SMALLEST_RIM_PX
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.geometry.planned_edge import (
    FIT_DOF,
    EdgeQuality,
    at_scale,
    corner_covariance,
    thin_string,
)
from clipmark.geometry.pose import Stand
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.viewing import view_from_evidence
from clipmark.measure.angle_marks import name_of_reference
from clipmark.measure.angle_model import AngleModel, HubsMark
from clipmark.measure.angle_place import EDGE_BOW, STRING_BOW
from clipmark.measure.marked_line import MARK_U_PX, POINTS_ALONG
from clipmark.measure.plan_setup import PlannedLine, PlannedSheet, Setup
from clipmark.measure.tags import LEAST_SIDE_PX
from clipmark.measure.view import Picture, ViewOptions, camera_of

FloatArray = NDArray[np.float64]

EDGE_PX = 8.0  # lines are not fitted nearer than this to the picture's border
LEAST_LINE_PX = 40.0
ALONG = 400  # places tried along a line that may leave the picture
BOARD_TRIM = 0.03  # of the board's edge left out at each end
HUB_OVER_BOARD_MM = 26.0  # of a pocket crawler (common practice, no source); of no weight here
SHEET_AT = (-0.29, 0.13)  # of the width and height that are seen: beside a board that rises right


@dataclass(frozen=True, eq=False)
class Planned:
    """A planned stand with the model of its reading.

    Attributes
    ----------
    setup : Setup
    stand : Stand
    camera : Camera
        What will be known of it.
    picture : Picture
        Its size; there is nothing in it yet.
    model : AngleModel
    warnings : tuple of str
    """

    setup: Setup
    stand: Stand
    camera: Camera
    picture: Picture
    model: AngleModel
    warnings: tuple[str, ...]

    @property
    def px_per_mm(self) -> float:
        """Scale on the optical axis."""
        return float(self.camera.centre[0] / self.setup.distance_mm)


def plan_model(setup: Setup) -> Planned:
    """Lay everything out in the picture, and make the model that a reading would have.

    Raises
    ------
    MarkError, LensError, PlaneError
        A sentence each: what would not be seen, and what to change.
    """
    setup.check()
    width, height = setup.size_px
    picture = Picture(np.broadcast_to(np.uint8(0), (height, width)), (0.0, 255.0), 1.0)
    camera = camera_of(picture, ViewOptions(setup.lens, setup.view_angle_deg))
    stand = Stand(
        camera.centre, setup.distance_mm, math.radians(setup.yaw_deg), math.radians(setup.pitch_deg)
    )
    ramp = _ramp(setup, stand)
    references = _references(setup, stand)
    camera = _narrowed(camera, ramp, references)
    sheets = tuple(_sheet(item, setup, stand) for item in setup.sheets)
    hubs, notes = _hubs(setup, stand)
    viewing = view_from_evidence(
        camera,
        sheets=sheets,
        references=references if len(references) > 1 else (),
        square_within_deg=setup.square_within_deg,
    )
    model = AngleModel(viewing, ramp, references, hubs, None if hubs is None else "right")
    if camera.source == "assumed":
        across = 2 * math.degrees(math.atan(width / 2 / float(camera.centre[0])))
        notes = (
            *notes,
            f"planned for a camera without zoom that sees {across:.0f} deg across; give its view "
            "angle (--view-angle) or lens file (--lens) if it is another",
        )
    return Planned(setup, stand, camera, picture, model, (*notes, *viewing.warnings))


def _shown_mm(setup: Setup, stand: Stand) -> tuple[float, float]:
    """Width and height of the plane of motion that the picture shows, mm, seen square on."""
    per_px = setup.distance_mm / float(stand.camera[0])
    return setup.size_px[0] * per_px, setup.size_px[1] * per_px


def _inside(points_px: FloatArray, setup: Setup, border: float = EDGE_PX) -> NDArray[np.bool_]:
    limit = np.array(setup.size_px) - 1.0 - border
    with np.errstate(invalid="ignore"):
        inside: NDArray[np.bool_] = np.all((points_px >= border) & (points_px <= limit), axis=1)
    return inside


def _ways(ramp_deg: float) -> tuple[FloatArray, FloatArray]:
    """Unit vectors along the ramp and off it, in the plane."""
    a = math.radians(ramp_deg)
    return np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])


def _ramp(setup: Setup, stand: Stand) -> LineMark:
    along, _ = _ways(setup.ramp_deg)
    reach = (0.5 - BOARD_TRIM) * setup.board_mm
    ends = np.array(setup.ramp_at_mm) + np.array([[-0.5], [0.5]]) * setup.board_mm * along
    if not _inside(stand.to_px(ends), setup, 0.0).all():
        wide, high = _shown_mm(setup, stand)
        across, up = (abs(float(value)) * setup.board_mm for value in along)
        raise MarkError(
            f"the board of {setup.board_mm:g} mm at {setup.ramp_deg:g} deg takes {across:.0f} x "
            f"{up:.0f} mm, but at {setup.distance_mm:g} mm the picture shows {wide:.0f} x "
            f"{high:.0f} mm; stand farther, zoom out, move the board to the middle, or "
            "give the length that is in view (--board-mm)"
        )
    steps = np.linspace(-reach, reach, POINTS_ALONG)[:, None]
    quality = setup.quality.ramp
    if setup.quality.by_scale:
        quality = at_scale(quality, float(stand.camera[0]) / setup.distance_mm)
    return _mark(stand.to_px(np.array(setup.ramp_at_mm) + steps * along), quality)


def _mark(points_px: FloatArray, quality: EdgeQuality) -> LineMark:
    length = float(np.hypot(*(points_px[-1] - points_px[0])))
    return LineMark(points_px, quality.u_offset_px(length), quality.u_turn_rad(length), FIT_DOF)


def _references(setup: Setup, stand: Stand) -> tuple[Reference, ...]:
    """In the order in which a reading has them: level lines, then plumb lines."""
    string = thin_string(
        setup.quality.plumb, setup.string_mm * float(stand.camera[0]) / setup.distance_mm
    )
    found = []
    for plumb, lines in ((False, setup.levels), (True, setup.plumbs)):
        quality = string if plumb else setup.quality.level
        for number, line in enumerate(lines):
            name = name_of_reference("plumb" if plumb else "level", number)
            points = _visible(line, plumb, name, setup, stand)
            mark = _mark(points, quality)
            found.append(Reference(name, plumb, mark, math.radians(setup.level_u_deg)))
    return tuple(found)


def _narrowed(camera: Camera, ramp: LineMark, references: tuple[Reference, ...]) -> Camera:
    """The camera as the lines will narrow its bend in a reading: found as straight as expected.

    For noise alike all along, a quadratic that is fitted beside a line has a sagitta of
    ``u = (sqrt(45) / 2) u(offset)`` where ``u(angle) = sqrt(12) u(offset) / L``.
    """
    marks = [(ramp, False), *((item.line, item.plumb) for item in references)]
    lines = []
    for mark, string in marks:
        along = mark.points_px[-1] - mark.points_px[0]
        normal = np.array([along[1], -along[0]]) / mark.length_px
        u_bow = math.sqrt(45.0 / 48.0) * mark.u_turn_rad * mark.length_px
        own = (STRING_BOW if string else EDGE_BOW) * mark.length_px
        lines.append(BowedLine(mark.points_px, normal, 0.0, u_bow, own))
    found = bend_of_lines(camera, lines)
    return camera if found is None else found.camera


def _visible(line: PlannedLine, plumb: bool, name: str, setup: Setup, stand: Stand) -> FloatArray:
    """Points along the part of a line that lies in the picture, shape (K, 2)."""
    diagonal = math.hypot(*setup.size_px) * setup.distance_mm / float(stand.camera[0])
    half = min(line.length_mm / 2, diagonal)
    way = np.array([0.0, 1.0]) if plumb else np.array([1.0, 0.0])
    middle = np.array(line.at_mm)
    places = np.linspace(-half, half, ALONG)
    inside = np.flatnonzero(_inside(stand.to_px(middle + places[:, None] * way), setup))
    if inside.size >= 2:
        steps = np.linspace(places[inside[0]], places[inside[-1]], POINTS_ALONG)[:, None]
        points = stand.to_px(middle + steps * way)
        if float(np.hypot(*(points[-1] - points[0]))) >= LEAST_LINE_PX:
            return points
    wide, high = _shown_mm(setup, stand)
    raise MarkError(
        f"the {name} at {line.at_mm[0]:g},{line.at_mm[1]:g} mm would show less than "
        f"{LEAST_LINE_PX:.0f} px of itself in the picture, which shows {wide:.0f} x {high:.0f} mm "
        "about the axis; put it nearer the middle, or stand farther"
    )


def placed(sheet: PlannedSheet, setup: Setup, stand: Stand) -> PlannedSheet:
    """The sheet in a definite place."""
    if sheet.at_mm is not None:
        return sheet
    wide, high = _shown_mm(setup, stand)
    side = 1.0 if setup.ramp_deg >= 0 else -1.0
    return replace(sheet, at_mm=(side * SHEET_AT[0] * wide, SHEET_AT[1] * high))


def _sheet(wanted: PlannedSheet, setup: Setup, stand: Stand) -> SheetCorners:
    sheet = placed(wanted, setup, stand)
    assert sheet.at_mm is not None
    wide, high = sheet.size_mm
    signs = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
    corners = stand.to_px(np.array(sheet.at_mm) + signs * [wide, high])
    what = "tag" if sheet.tag else "sheet"
    if not _inside(corners, setup).all():
        shows = _shown_mm(setup, stand)
        raise MarkError(
            f"the {what} of {wide:g} x {high:g} mm at {sheet.at_mm[0]:.0f},{sheet.at_mm[1]:.0f} mm "
            f"would reach out of the picture, which shows {shows[0]:.0f} x {shows[1]:.0f} mm about "
            "the axis; put it nearer the middle (A4@x,y), take a smaller one, or stand farther"
        )
    sides = np.roll(corners, -1, axis=0) - corners
    shortest = float(np.hypot(sides[:, 0], sides[:, 1]).min())
    if sheet.tag and shortest < LEAST_SIDE_PX:
        raise MarkError(
            f"the tag of {wide:g} mm would be {shortest:.0f} px a side, but at least "
            f"{LEAST_SIDE_PX:.0f} px is needed; print it larger or film from nearer"
        )
    spread = corner_covariance(corners, setup.quality.sheet)
    return SheetCorners(corners, spread, (wide, high), sheet.side_u_mm, "A", FIT_DOF)


def _hubs(setup: Setup, stand: Stand) -> tuple[HubsMark | None, tuple[str, ...]]:
    """Both hubs on the middle of the board, rear first, facing right; and what is odd of them."""
    if setup.wheelbase_mm is None:
        return None, ()
    along, off = _ways(setup.ramp_deg)
    middle = np.array(setup.ramp_at_mm) + HUB_OVER_BOARD_MM * off
    points = stand.to_px(middle + np.array([[-0.5], [0.5]]) * setup.wheelbase_mm * along)
    if not _inside(points, setup).all():
        raise MarkError(
            f"a truck of {setup.wheelbase_mm:g} mm wheelbase on the middle of the board would "
            "reach out of the picture; stand farther, or move the board to the middle"
        )
    rim_px = setup.rim_mm / 2 * float(stand.camera[0]) / setup.distance_mm
    u_px = setup.quality.hub_u_px
    notes: tuple[str, ...] = ()
    if rim_px < SMALLEST_RIM_PX:
        u_px = MARK_U_PX
        notes = (
            f"the rims would be {rim_px:.1f} px in radius, but {SMALLEST_RIM_PX:.0f} px is needed "
            f"to find hubs; they are planned as marked by hand, each good to {MARK_U_PX:g} px",
        )
    spread = np.broadcast_to(u_px**2 * np.eye(2), (2, 2, 2)).copy()
    return HubsMark(points, spread), notes
