"""Which single change to a planned stand helps most, each worked out anew."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from clipmark.errors import ClipmarkError
from clipmark.geometry.lens import Lens
from clipmark.geometry.paper import paper_size_mm
from clipmark.measure.angle_solve import SEED, solve_angles
from clipmark.measure.plan_model import Planned, plan_model
from clipmark.measure.plan_setup import PlannedLine, PlannedSheet, Setup
from clipmark.measure.values import Value

DRAWS = 3_000  # U is then good to about 3 %
WORTH = 0.97  # a change that leaves more than this share is not worth a sentence
SHEET_U_MM, RULED_U_MM = 0.5, 0.1
OFF_SHARE = 0.05  # of the picture: a line nearer the middle than this is not moved
LEAST_PROMISE_DEG = 2.0  # nobody stands squarer by eye (common practice, no source)


@dataclass(frozen=True)
class Change:
    """One change and what it would leave; expanded uncertainties (95 %), deg."""

    change: str
    ramp_u95_deg: float
    chassis_to_ramp_u95_deg: float | None

    def to_dict(self) -> dict[str, str | float | None]:
        """What ``--json`` prints."""
        return dict(self.__dict__)


def changes(planned: Planned, now: dict[str, Value]) -> tuple[Change, ...]:
    """Changes that make the ramp angle surer, the best first.

    Parameters
    ----------
    planned : Planned
    now : dict of Value
        What is expected without a change, deg.
    """
    found = []
    for words, setup in _candidates(planned):
        try:
            changed = plan_model(setup)
            values, _, _ = solve_angles(changed.model, changed.picture, SEED, DRAWS, 0)
        except ClipmarkError:
            continue  # it would not fit into the picture
        to_ramp = values.get("chassis_to_ramp")
        if values["ramp"].u95 < WORTH * now["ramp"].u95:
            left = None if to_ramp is None else to_ramp.u95
            found.append(Change(words, values["ramp"].u95, left))
    return tuple(sorted(found, key=lambda item: item.ramp_u95_deg))


def _candidates(planned: Planned) -> Iterator[tuple[str, Setup]]:
    setup = planned.setup
    yield from _lines_to_the_middle(planned)
    yield from _sheets(setup)
    if setup.lens is None:
        yield (
            "calibrate the lens and give its file",
            replace(setup, lens=_calibrated(planned), view_angle_deg=None),
        )
    if not setup.sheets and setup.square_within_deg > LEAST_PROMISE_DEG:
        askew = max(abs(setup.yaw_deg), abs(setup.pitch_deg))
        squarer = max(LEAST_PROMISE_DEG, setup.square_within_deg / 2, askew)
        if squarer < setup.square_within_deg:
            yield (
                f"stand square within {squarer:g} deg and promise it",
                replace(setup, square_within_deg=squarer),
            )
    yield "stand twice as far away and zoom in", _farther(planned)
    if setup.level_u_deg > 0:
        half = setup.level_u_deg / 2
        yield (
            f"let the plumb line or level edge be good to {half:g} deg (standard)",
            replace(setup, level_u_deg=half),
        )
    yield "fill more of the picture: zoom in by a quarter", _nearer(planned)


def _lines_to_the_middle(planned: Planned) -> Iterator[tuple[str, Setup]]:
    setup = planned.setup
    wide, high = (size / planned.px_per_mm for size in setup.size_px)
    for number, line in enumerate(setup.plumbs):
        if abs(line.at_mm[0]) > OFF_SHARE * wide:
            moved = replace(line, at_mm=(0.0, line.at_mm[1]))
            lines = (*setup.plumbs[:number], moved, *setup.plumbs[number + 1 :])
            yield "put the plumb line at the middle column", replace(setup, plumbs=lines)
    for number, line in enumerate(setup.levels):
        if abs(line.at_mm[1]) > OFF_SHARE * high:
            moved = replace(line, at_mm=(line.at_mm[0], 0.0))
            lines = (*setup.levels[:number], moved, *setup.levels[number + 1 :])
            yield "put the level line at the middle row", replace(setup, levels=lines)
    if not setup.plumbs:
        yield (
            "hang a plumb line at the middle column as well",
            replace(setup, plumbs=(PlannedLine((0.0, 0.0)),)),
        )
    elif len(setup.plumbs) == 1:
        side = -0.4 if setup.plumbs[0].at_mm[0] >= 0 else 0.4
        second = PlannedLine((side * wide, 0.0))
        yield (
            f"hang a second plumb line {side * wide:.0f} mm from the axis",
            replace(setup, plumbs=(*setup.plumbs, second)),
        )
    if not setup.levels:
        yield (
            "show a levelled edge at the middle row as well",
            replace(setup, levels=(PlannedLine((0.0, 0.0)),)),
        )


def _sheets(setup: Setup) -> Iterator[tuple[str, Setup]]:
    if not setup.sheets:
        sheet = PlannedSheet(paper_size_mm("A4"), None, SHEET_U_MM)
        yield "put an A4 sheet in the plane of motion", replace(setup, sheets=(sheet,))
        return
    larger = tuple(
        replace(sheet, size_mm=(sheet.size_mm[0] * math.sqrt(2), sheet.size_mm[1] * math.sqrt(2)))
        for sheet in setup.sheets
    )
    yield "take a sheet of the next larger size, such as A3 for A4", replace(setup, sheets=larger)
    if any(sheet.side_u_mm > RULED_U_MM for sheet in setup.sheets):
        ruled = tuple(replace(sheet, side_u_mm=RULED_U_MM) for sheet in setup.sheets)
        yield (
            f"measure the sheet's sides with a rule, to {RULED_U_MM:g} mm (standard)",
            replace(setup, sheets=ruled),
        )


def _calibrated(planned: Planned) -> Lens:
    """A lens file as good as one that states no covariance is taken to be."""
    centre = planned.camera.centre
    fx, fy, cx, cy = (float(value) for value in centre[:4])
    distortion = tuple(float(value) for value in centre[4:])
    return Lens("ordinary", fx, fy, cx, cy, distortion, planned.setup.size_px)


def _zoomed(planned: Planned, by: float) -> Setup:
    """The same camera with its view narrower by a factor."""
    setup = planned.setup
    if setup.lens is not None:
        # What a narrower view shows of the lens is nearer its axis, where it bends less.
        lens = setup.lens
        scale = np.array([by, by, 1.0, 1.0] + [1.0] * len(lens.distortion))
        covariance = lens.covariance
        if covariance is not None:
            covariance = covariance * np.outer(scale, scale)
        zoomed = replace(lens, fx=lens.fx * by, fy=lens.fy * by, covariance=covariance)
        return replace(setup, lens=zoomed)
    half = setup.size_px[0] / 2 / (float(planned.camera.centre[0]) * by)
    return replace(setup, view_angle_deg=2 * math.degrees(math.atan(half)))


def _farther(planned: Planned) -> Setup:
    return replace(_zoomed(planned, 2.0), distance_mm=2 * planned.setup.distance_mm)


def _nearer(planned: Planned) -> Setup:
    return _zoomed(planned, 1.25)
