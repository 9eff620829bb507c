"""What is refused of sheets: sizes that are none, sides exchanged, a view too steep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from clipmark.errors import PlaneError
from clipmark.geometry.evidence import Evidence
from clipmark.geometry.plane_fit import PlaneFit, fit_plane
from clipmark.geometry.sheet_corners import SheetCorners, check_corners

MAX_TILT_DEG = 75.0  # a sheet seen more steeply shows no edges to speak of
MUCH_BETTER = 20.0  # a chi-square smaller by this factor leaves no doubt which side is which


def check_sheets(sheets: Sequence[SheetCorners]) -> None:
    """Refuse corners that are no sheet and sizes that are none; raises `PlaneError`."""
    for sheet in sheets:
        check_corners(sheet.corners_px)
        if not all(0 < side < math.inf for side in sheet.size_mm):
            raise PlaneError(
                f"the sheet's size of {sheet.size_mm[0]:g} x {sheet.size_mm[1]:g} mm is not a "
                "size; both sides must be above 0 mm"
            )


def check_fit(fit: PlaneFit) -> None:
    """Refuse sheets whose sides were exchanged, or that are seen too steeply.

    Raises
    ------
    PlaneError
    """
    for sheet in fit.evidence.sheets:
        alone = fit
        if len(fit.evidence.sheets) > 1 or fit.evidence.references:
            if fit.chi_square <= fit.misfit_limit:
                continue
            alone = fit_plane(Evidence(fit.evidence.camera, (sheet,), (), None))
        if alone.chi_square > alone.misfit_limit:
            _check_exchanged(alone, sheet)
    for poses in fit.best.sheets:
        middle = poses.centre_mm[0]
        facing = abs(float(poses.normal[0] @ middle)) / math.hypot(*middle)
        if facing < math.cos(math.radians(MAX_TILT_DEG)):
            raise PlaneError(
                f"the sheet is seen {math.degrees(math.acos(facing)):.0f} deg from square on, but "
                f"at most {MAX_TILT_DEG:.0f} deg can be used; check its corners and size, or film "
                "squarer"
            )


def _check_exchanged(alone: PlaneFit, sheet: SheetCorners) -> None:
    """Refuse a size whose two lengths were given in the wrong order."""
    width, height = sheet.size_mm
    swapped = replace(sheet, size_mm=(height, width))
    try:
        other = fit_plane(Evidence(alone.evidence.camera, (swapped,), (), None))
    except PlaneError:
        return
    if other.chi_square < other.misfit_limit or other.chi_square < alone.chi_square / MUCH_BETTER:
        raise PlaneError(
            f"the sheet's corners fit a sheet of {height:g} x {width:g} mm, not one of "
            f"{width:g} x {height:g} mm; give first the side from corner 1 to corner 2"
        )
