"""Evidence of a view that contradicts itself, in words, with what disagrees and by how much."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from clipmark.geometry.evidence import Evidence
from clipmark.geometry.line_mark import Reference
from clipmark.geometry.plane import angle_between, directions, level_from_plumb, pointing_right
from clipmark.geometry.plane_fit import PlaneFit, fit_plane


def contradictions(fit: PlaneFit) -> tuple[str, ...]:
    """What an operator should know of a solved view, a sentence each."""
    found: list[str] = []
    if fit.chi_square > fit.misfit_limit:
        found += _misfits(fit)
    if fit.ambiguous:
        found.append(
            "the sheet is seen so small or so square on that it cannot be told which of its "
            "sides is nearer; both views are in the uncertainty"
        )
    return tuple(found)


def _misfits(fit: PlaneFit) -> list[str]:
    """Which of the evidence disagrees with the rest."""
    found = []
    sheets = fit.evidence.sheets
    several = len(sheets) > 1 or bool(fit.evidence.references)
    for number, sheet in enumerate(sheets, 1):
        alone = fit
        if several:
            alone = fit_plane(Evidence(fit.evidence.camera, (sheet,), (), None))
        if alone.chi_square > alone.misfit_limit:
            width, height = sheet.size_mm
            which = f"sheet {number}'s" if len(sheets) > 1 else "the sheet's"
            found.append(
                f"{which} corners do not fit a rectangle of {width:g} x {height:g} mm seen "
                f"through this lens (chi-square {alone.chi_square:.0f}, expected about 2); "
                "check the corners, the size and the lens"
            )
    if found or not several:
        return found
    if len(sheets) > 1:
        found += _sheets_apart(fit)
    if len(fit.evidence.references) > 1:
        found += _lines_apart(fit)
    return found or [
        "the sheets and lines of this view contradict one another "
        f"(chi-square {fit.chi_square:.0f}, expected about {fit.evidence.dof}); check which of "
        "them does not lie in the plane of motion"
    ]


def _sheets_apart(fit: PlaneFit) -> list[str]:
    """Sheets whose own planes are turned against one another."""
    normals = [
        fit_plane(Evidence(fit.evidence.camera, (sheet,), (), None)).best.normal[0]
        for sheet in fit.evidence.sheets
    ]
    turn = max(
        math.degrees(math.acos(float(np.clip(one @ other, -1, 1))))
        for index, one in enumerate(normals)
        for other in normals[:index]
    )
    return [
        f"the sheets do not lie in parallel planes: by their own corners they are turned by "
        f"{turn:.1f} deg against one another (chi-square {fit.chi_square:.0f}, expected about "
        f"{fit.evidence.dof}); take out the one that is not flat against the board"
    ]


def _lines_apart(fit: PlaneFit) -> list[str]:
    """The line without which the rest of the evidence agrees best, and by how much it is off."""
    evidence = fit.evidence
    without = [
        fit_plane(replace(evidence, references=_left_out(evidence.references, index)))
        for index in range(len(evidence.references))
    ]
    worst = int(np.argmin([rest.chi_square for rest in without]))
    item, rest = evidence.references[worst], without[worst].best
    seen = directions(item.line.points_px, rest.camera[0], rest.normal[0])
    says = level_from_plumb(seen, rest.normal[0]) if item.plumb else pointing_right(seen)
    off_deg = math.degrees(float(angle_between(rest.level[0], says, rest.normal[0])))
    others = "the sheet and the other lines" if evidence.sheets else "the other lines"
    return [
        f"the {item.name} contradicts {others}: seen in their plane it is off by "
        f"{abs(off_deg):.2f} deg (chi-square {fit.chi_square:.0f}, expected about {evidence.dof}); "
        f"check whether it {'hangs still' if item.plumb else 'is level'} "
        "and lies in or along the plane of motion, and the lens file"
    ]


def _left_out(references: tuple[Reference, ...], index: int) -> tuple[Reference, ...]:
    return (*references[:index], *references[index + 1 :])
