"""How the camera looks at the plane of motion: estimate, and draws for Monte Carlo.

`view_from_evidence` takes whatever is known: sheets in, or parallel to, the plane of motion; lines
known to be level or plumb; and where there is no sheet, that the camera stands square within some
angle. One estimator stands behind all of them (`clipmark.geometry.plane_fit`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import PlaneError
from clipmark.geometry.camera import Camera, Group
from clipmark.geometry.evidence import Evidence
from clipmark.geometry.line_mark import Reference
from clipmark.geometry.plane import Rectifier, rectifier
from clipmark.geometry.plane_fit import PROMISE, PlaneDraws, PlaneFit, fit_plane
from clipmark.geometry.sheet_checks import check_fit, check_sheets
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.sheet_pose import SheetPose
from clipmark.geometry.view_words import contradictions

__all__ = ["PROMISE", "Viewing", "view_from_evidence", "view_from_promise", "view_from_sheet"]

FloatArray = NDArray[np.float64]

MAX_PROMISE_DEG = 45.0


@dataclass(frozen=True, eq=False)
class Viewing:
    """Camera and plane of motion as far as they are known.

    Attributes
    ----------
    fit : PlaneFit
        The estimator, solved.
    """

    fit: PlaneFit

    @cached_property
    def camera(self) -> FloatArray:
        """Estimate of the lens parameter vector, shape (9,) or (8,), as corrected by sheets."""
        return np.asarray(self.fit.best.camera[0], dtype=np.float64)

    @cached_property
    def normal(self) -> FloatArray:
        """Estimate of the plane's unit normal facing the camera, shape (3,)."""
        return np.asarray(self.fit.best.normal[0], dtype=np.float64)

    @property
    def references(self) -> tuple[Reference, ...]:
        """Lines that speak for the plane and give its level direction; often none."""
        return self.fit.evidence.references

    @property
    def level(self) -> FloatArray | None:
        """Level direction in the plane, pointing right, shape (3,); None without lines."""
        if not self.references:
            return None
        return np.asarray(self.fit.best.level[0], dtype=np.float64)

    @property
    def groups(self) -> tuple[Group, ...]:
        """Independent sources of uncertainty."""
        return self.fit.groups

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """What an operator should know: evidence that contradicts itself, a mirrored pose."""
        return contradictions(self.fit)

    @cached_property
    def sheet(self) -> SheetPose | None:
        """The map to mm in the plane of the first sheet, where there is one."""
        sheets = self.fit.best.sheets
        return SheetPose(sheets[0]) if sheets else None

    def draw_all(
        self,
        rng: np.random.Generator,
        n: int,
        groups: str | Collection[str] | None = None,
    ) -> PlaneDraws:
        """Draw possible views, with level direction and sheets; see `draw`."""
        wanted = (groups,) if isinstance(groups, str) else groups
        if wanted is not None:
            known = [group.name for group in self.groups]
            for name in wanted:
                if name not in known:
                    raise ValueError(f"no source is called '{name}'; there are {', '.join(known)}")
        return self.fit.draw(rng, n, None if wanted is None else tuple(wanted))

    def draw(
        self,
        rng: np.random.Generator,
        n: int,
        groups: str | Collection[str] | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Draw possible cameras and normals.

        Parameters
        ----------
        rng : numpy.random.Generator
        n : int
            Number of draws.
        groups : str or collection of str, optional
            Sources to draw from, by name; the others stay at their estimate. All by default.

        Returns
        -------
        camera : ndarray, shape (n, 9) or (n, 8)
        normal : ndarray, shape (n, 3)

        Raises
        ------
        ValueError
            If a group is named that this view does not have.
        """
        found = self.draw_all(rng, n, groups)
        return found.camera, found.normal

    def rectifier(self, middle_px: FloatArray | None = None) -> Rectifier:
        """Map to a flat picture seen square on, from the estimate."""
        return rectifier(self.camera, self.normal, middle_px)


def view_from_evidence(
    camera: Camera,
    *,
    sheets: Sequence[SheetCorners] = (),
    references: Sequence[Reference] = (),
    square_within_deg: float = 5.0,
) -> Viewing:
    """Camera and plane of motion from everything that is known of them.

    Parameters
    ----------
    camera : Camera
        What is known of the camera beforehand.
    sheets : sequence of SheetCorners
        In the plane of motion or parallel to it; several must agree.
    references : sequence of Reference
        Lines known to be level or plumb that shall speak for the plane. A single one says nothing
        of it, only where level is, and may as well be left out.
    square_within_deg : float
        Half-width of the rectangular distributions of yaw and pitch; 0 takes square on as exact.
        Used only where there is no sheet.

    Raises
    ------
    PlaneError
        If the promise is not between 0 and 45 deg, a sheet is no sheet, fits much better with its
        sides exchanged or is seen too steeply, or no plane explains the evidence.
    LensError
        If a sheet's corner lies beyond the reach of the lens model.
    """
    if not sheets and not 0.0 <= square_within_deg <= MAX_PROMISE_DEG:
        raise PlaneError(
            f"square within {square_within_deg:g} deg was promised, but the promise must lie "
            f"between 0 and {MAX_PROMISE_DEG:.0f}; put a sheet in the plane of motion instead"
        )
    check_sheets(sheets)
    promise = None if sheets else math.radians(square_within_deg)
    fit = fit_plane(Evidence(camera, tuple(sheets), tuple(references), promise))
    check_fit(fit)
    return Viewing(fit)


def view_from_promise(camera: Camera, square_within_deg: float) -> Viewing:
    """The camera stands square to the plane within an angle, and no more is known."""
    return view_from_evidence(camera, square_within_deg=square_within_deg)


def view_from_sheet(camera: Camera, corners: SheetCorners) -> Viewing:
    """The plane of motion is parallel to one sheet."""
    return view_from_evidence(camera, sheets=(corners,))
