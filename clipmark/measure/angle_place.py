"""The marks of an angle where the picture shows them: lines and hubs fitted, the view solved."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.bend_of_lines import BowedLine, bend_of_lines
from clipmark.geometry.camera import Camera
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.marks import Line
from clipmark.measure.angle_marks import AngleMarks, ReferenceKind
from clipmark.measure.angle_model import AngleModel, Facing, HubsMark
from clipmark.measure.lines_out import describe_hubs, describe_line
from clipmark.measure.marked_hubs import MarkedHubs, hubs_as_marked, hubs_from_picture
from clipmark.measure.marked_line import (
    EdgeKind,
    MarkedLine,
    PlacedLine,
    line_as_placed,
    line_from_marks,
    line_from_picture,
    mean_line,
)
from clipmark.measure.plumb_swing import Swing
from clipmark.measure.rim_check import rims_contradict
from clipmark.measure.view import (
    Look,
    Picture,
    ViewOptions,
    bend,
    camera_of,
    look_at,
    straighten,
)

FloatArray = NDArray[np.float64]
# Standard bow that a thing itself may have over its length: a string hangs straight, a board sags
# and warps by a millimetre in a metre (common practice, no source).
STRING_BOW, EDGE_BOW = 0.0001, 0.001
BEND_PASSES = 4
BEND_SETTLED = 0.2  # of its standard uncertainty
SwingCheck = Callable[[FloatArray, MarkedLine, MarkedLine], Swing | None]


@dataclass(frozen=True, eq=False)
class PlacedReference:
    """A level or plumb line as fitted, and as it enters the angle."""

    kind: ReferenceKind
    line: MarkedLine
    reference: Reference


@dataclass(frozen=True, eq=False)
class PlacedMarks:
    """Everything marked for an angle, placed in one picture.

    Attributes
    ----------
    look : Look
        The picture through camera and plane of motion.
    ramp : MarkedLine
    references : tuple of PlacedReference
    rail : MarkedLine or None
    hubs : MarkedHubs or None
    notes : tuple of str
        What was seen besides, in words.
    """

    look: Look
    ramp: MarkedLine
    references: tuple[PlacedReference, ...]
    rail: MarkedLine | None
    hubs: MarkedHubs | None
    notes: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """What an operator should know of any of the marks."""
        found = [self.ramp.warnings, *(item.line.warnings for item in self.references)]
        found += [self.look.warnings]
        found += [item.warnings for item in (self.rail, self.hubs) if item is not None]
        return (*(note for notes in found for note in notes), *self.notes)

    def model(self, facing: Facing | None, turning_u_deg: float) -> AngleModel:
        """The angles' model of these marks."""
        picture = self.look.picture
        return AngleModel(
            viewing=self.look.viewing,
            ramp=_line_mark(picture, self.ramp),
            references=tuple(item.reference for item in self.references),
            chassis=_chassis_mark(picture, self.rail, self.hubs),
            facing=facing,
            turning_u_deg=turning_u_deg,
        )

    def describe(self) -> dict[str, object]:
        """The lines as plain data; several of a kind are a list."""
        lines: dict[str, object] = {"ramp": describe_line(self.ramp)}
        for kind in ("level", "plumb"):
            told = [describe_line(item.line) for item in self.references if item.kind == kind]
            if told:
                lines[kind] = told[0] if len(told) == 1 else told
        if self.rail is not None:
            lines["chassis"] = describe_line(self.rail)
        if self.hubs is not None:
            lines["hubs"] = describe_hubs(self.hubs)
        if self.look.sheet_sides:
            lines["sheet"] = [describe_line(side) for side in self.look.sheet_sides]
        return lines


def place_marks(
    picture: Picture,
    marks: AngleMarks,
    options: ViewOptions,
    level_u_deg: float,
    edge_fit: bool,
    rim_px: float | None,
    swings: SwingCheck | None = None,
    as_marked: Collection[str] = (),
) -> PlacedMarks:
    """Fit every mark in one picture, or take it as marked.

    Parameters
    ----------
    picture : Picture
    marks : AngleMarks
    options : ViewOptions
    level_u_deg : float
        Standard uncertainty of each level or plumb line itself.
    edge_fit : bool
        Move rough lines and hubs onto what the picture shows.
    rim_px : float, optional
        Rough radius of the rims.
    swings : callable, optional
        Tells from the lens and the fitted plumb and ramp lines whether a plumb line swings.
    as_marked : collection of {'ramp', 'chassis'}
        Lines that show no straight edge, taken as marked though others are fitted.

    Raises
    ------
    MarkError, FitError, LensError, PlaneError
        A sentence each.
    """
    camera = camera_of(picture, options)
    notes: tuple[str, ...] = ()
    ramp_fit = edge_fit and "ramp" not in as_marked
    lines = _fitted(picture, camera, marks, edge_fit, ramp_fit)
    for _ in range(BEND_PASSES):
        bend_found = bend_of_lines(
            camera, [_bowed(picture, line) for line in lines if line.fit is not None]
        )
        if bend_found is None:
            break
        camera = bend_found.camera
        lines = _fitted(picture, camera, marks, edge_fit, ramp_fit, lines)
        notes = (bend_found.sentence,) if bend_found.beyond else ()
        if not bend_found.beyond or bend_found.moved < BEND_SETTLED:
            break
    ramp, *told = lines
    references = []
    for item, line in zip(marks.references, told, strict=True):
        mark = _line_mark(picture, line)
        known = Reference(item.name, item.kind == "plumb", mark, math.radians(level_u_deg))
        seen_here = not isinstance(item.line, PlacedLine)
        if known.plumb and swings is not None and seen_here:
            known, said = _swung(known, line, ramp, camera.centre, swings)
            notes += said
        references.append(PlacedReference(item.kind, line, known))
    look = look_at(picture, options, edge_fit, [item.reference for item in references], camera)
    rail = None
    if marks.chassis:
        rail_fit = edge_fit and "chassis" not in as_marked
        rail = _place(picture, camera.centre, marks.chassis, "chassis line", "auto", rail_fit)
    pairs = list(marks.hubs)
    hubs = None
    if pairs:
        hubs = hubs_from_picture(look, pairs, rim_px) if edge_fit else hubs_as_marked(pairs)
    if hubs is not None and swings is not None and look.viewing.fit.best.sheets:
        odd = rims_contradict(look, hubs.fits)
        notes += (odd,) if odd else ()
    return PlacedMarks(
        look=look,
        ramp=ramp,
        references=tuple(references),
        rail=rail,
        hubs=hubs,
        notes=notes,
    )


def _fitted(
    picture: Picture,
    camera: Camera,
    marks: AngleMarks,
    edge_fit: bool,
    ramp_fit: bool,
    before: list[MarkedLine] | None = None,
) -> list[MarkedLine]:
    """The ramp line, then every level and plumb line, through one camera.

    An edge stays an edge and a string a string as they were found `before`.
    """
    ramp = _place(picture, camera.centre, marks.ramp, "ramp line", "step", ramp_fit)
    told = [
        line_as_placed(item.line, item.name)
        if isinstance(item.line, PlacedLine)
        else _place(picture, camera.centre, (item.line,), item.name, kind, edge_fit)
        for item, kind in zip(marks.references, _kinds(marks, before), strict=True)
    ]
    return [ramp, *told]


def _kinds(marks: AngleMarks, before: list[MarkedLine] | None) -> list[EdgeKind]:
    """What each level and plumb line is fitted as."""
    if before is None:
        return ["auto"] * len(marks.references)
    return ["auto" if line.fit is None else line.fit.kind for line in before[1:]]


def _bowed(picture: Picture, line: MarkedLine) -> BowedLine:
    """A fitted line as it speaks for the bend of the lens."""
    fit = line.fit
    assert fit is not None
    own = (STRING_BOW if fit.kind == "string" else EDGE_BOW) * 2 * fit.half_length_px
    return BowedLine(picture.to_square(line.points_px), fit.normal, fit.bow_px, fit.u_bow_px, own)


def _swung(
    known: Reference, line: MarkedLine, ramp: MarkedLine, camera: FloatArray, swings: SwingCheck
) -> tuple[Reference, tuple[str, ...]]:
    """A plumb line with what its swinging adds to its uncertainty, and what to say of it."""
    swing = swings(camera, line, ramp)
    if swing is None:
        return known, ()
    u_rad = math.hypot(known.itself_u_rad, math.radians(swing.u_deg))
    return replace(known, itself_u_rad=u_rad), (swing.sentence(known.name),)


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
