"""Evidence of a view that contradicts itself, in words, with what disagrees and by how much."""

from __future__ import annotations

import math

import numpy as np

from clipmark.geometry.evidence import Evidence
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
    if fit.evidence.references:
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
    """Lines that say level lies elsewhere than the rest of the evidence says."""
    off = fit.line_misfits_rad
    references = fit.evidence.references
    worst = int(np.argmax(np.abs(off) / [item.u_rad or 1.0 for item in references]))
    item = references[worst]
    rest = "the sheet and the other lines" if fit.evidence.sheets else "the other lines"
    return [
        f"the {item.name} and {rest} contradict one another: seen in one plane it is off by "
        f"{abs(math.degrees(off[worst])):.2f} deg after all are weighed (chi-square "
        f"{fit.chi_square:.0f}, expected about {fit.evidence.dof}); check whether it hangs still "
        "or is level, and whether all lie in or along the plane of motion"
    ]
