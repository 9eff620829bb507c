"""A flat rectangle of roughly known size, seen by a roughly known camera: where it lies.

The problem and its sources are in `clipmark.geometry.sheet_solve`; here are the estimate and its
draws, which an angle or a length is carried through.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import PlaneError
from clipmark.geometry.camera import Camera, Group
from clipmark.geometry.sheet_corners import SheetCorners, check_corners
from clipmark.geometry.sheet_pose import Poses, SheetPose
from clipmark.geometry.sheet_solve import (
    Solution,
    residuals,
    rotations,
    sides_mm,
    solve,
    unit_mm,
)

__all__ = ["CORNERS", "SIZE", "Poses", "SheetCorners", "SheetFit", "SheetPose", "fit_sheet"]

FloatArray = NDArray[np.float64]

MAX_TILT_DEG = 75.0  # a sheet seen more steeply shows no edges to speak of
MISFIT = 13.8  # chi-square, 2 degrees of freedom, exceeded by chance once in 1000
CORNERS, SIZE = "sheet corners", "sheet size"


@dataclass(frozen=True, eq=False)
class SheetFit:
    """A solved sheet. Use `pose` for the estimate and `draw` for Monte Carlo.

    Attributes
    ----------
    camera_prior : Camera
    corners : SheetCorners
    chi_square : float
        Misfit of the corners, sides and camera at the solution, 2 degrees of freedom.
    """

    camera_prior: Camera
    corners: SheetCorners
    _solutions: tuple[Solution, ...]

    @property
    def chi_square(self) -> float:
        """Misfit at the best solution."""
        return 2 * self._solutions[0].cost

    @property
    def ambiguous(self) -> bool:
        """Whether a second, mirrored pose explains the corners nearly as well."""
        return len(self._solutions) > 1

    @cached_property
    def pose(self) -> SheetPose:
        """The deterministic estimate."""
        best = self._solutions[0]
        return SheetPose(self._poses(best, best.theta[None]))

    @property
    def groups(self) -> tuple[Group, ...]:
        """Sources of uncertainty that can be drawn alone."""
        corners = Group(
            CORNERS,
            self.corners.kind,
            self.corners.dof,
            "use a larger sheet, a sharper picture, or let the edge fit find its sides",
        )
        size = Group(SIZE, "B", math.inf, "measure the sheet's sides with a rule")
        own = (corners, size) if self.corners.side_u_mm > 0 else (corners,)
        return own + self.camera_prior.groups

    def draw(
        self, rng: np.random.Generator, n: int, groups: Collection[str] | None = None
    ) -> Poses:
        """Draw n poses from all groups, or from those named with the rest at the estimate.

        Corners, sides and camera latents are drawn from their own distributions and carried to
        the pose by the linear response of the least-squares solution, corrected by three steps
        with the same gain so that the curvature is followed too. With all groups drawn, a
        mirrored pose that the corners cannot rule out gets its share of the draws.
        """
        latents = self.camera_prior.draw_latents(rng, n, None if groups is None else tuple(groups))
        shifts = np.concatenate([rng.standard_normal((n, 10)), latents], axis=1)
        if groups is not None and CORNERS not in groups:
            shifts[:, :8] = 0.0
        if groups is not None and SIZE not in groups:
            shifts[:, 8:10] = 0.0
        which = np.zeros(n, dtype=np.intp)
        if groups is None and self.ambiguous:
            odds = np.exp([self._solutions[0].cost - item.cost for item in self._solutions])
            which = rng.choice(len(odds), size=n, p=odds / odds.sum())
        parts = [
            self._respond(item, shifts[which == index])
            for index, item in enumerate(self._solutions)
        ]
        joined = {
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in ("camera", "rotation", "centre_mm", "size_mm")
        }
        # As for the prior: a lens that took this picture cannot fold back inside it.
        folded = self.camera_prior.folds(joined["camera"])
        joined["camera"][folded] = self.pose.poses.camera[0]
        back = np.argsort(np.argsort(which, kind="stable"), kind="stable")
        return Poses(
            joined["camera"][back],
            joined["rotation"][back],
            joined["centre_mm"][back],
            joined["size_mm"][back],
            self.corners.handed,
        )

    def _respond(self, solution: Solution, shifts: FloatArray) -> Poses:
        """Poses after the data moved by `shifts`, shape (n, residuals), in standard units."""
        theta = solution.theta + shifts @ solution.gain.T
        linear = theta
        size = np.full(len(theta), np.inf)
        for _ in range(3):
            step = (
                residuals(self.camera_prior, self.corners, solution.turn, theta) - shifts
            ) @ solution.gain.T
            now = np.linalg.norm(step, axis=1)
            better = np.isfinite(now) & (now < size)
            theta = np.where(better[:, None], theta - step, theta)
            size = np.where(better, now, 0.0)  # one that got worse stops there
        theta = np.where(np.isfinite(theta).all(axis=1, keepdims=True), theta, linear)
        return self._poses(solution, theta)

    def _poses(self, solution: Solution, theta: FloatArray) -> Poses:
        corners = self.corners
        return Poses(
            self.camera_prior.params(theta[:, 8:]),
            solution.turn @ rotations(theta[:, :3]),
            theta[:, 3:6] * unit_mm(corners),
            sides_mm(corners, theta),
            corners.handed,
        )


def fit_sheet(camera: Camera, corners: SheetCorners) -> SheetFit:
    """Solve a sheet's pose, sides and camera together.

    Parameters
    ----------
    camera : Camera
        What is known of the camera beforehand.
    corners : SheetCorners
        The sheet as marked.

    Returns
    -------
    SheetFit

    Raises
    ------
    PlaneError
        If the corners are no sheet, fit much better with the sides exchanged, or the sheet is
        seen too steeply.
    LensError
        If a corner lies beyond the reach of the lens model.
    """
    check_corners(corners.corners_px)
    if not all(0 < side < math.inf for side in corners.size_mm):
        raise PlaneError(
            f"the sheet's size of {corners.size_mm[0]:g} x {corners.size_mm[1]:g} mm is not a "
            "size; both sides must be above 0 mm"
        )
    fit = SheetFit(camera, corners, solve(camera, corners))
    if fit.chi_square > MISFIT:
        _check_exchanged(fit)
    middle = fit.pose.poses.centre_mm[0]
    facing = abs(float(fit.pose.normal @ middle)) / fit.pose.distance_mm
    if facing < math.cos(math.radians(MAX_TILT_DEG)):
        raise PlaneError(
            f"the sheet is seen {math.degrees(math.acos(facing)):.0f} deg from square on, but at "
            f"most {MAX_TILT_DEG:.0f} deg can be used; check its corners and size, or film squarer"
        )
    return fit


def _check_exchanged(fit: SheetFit) -> None:
    """Refuse a size whose two lengths were given in the wrong order."""
    old = fit.corners
    width, height = old.size_mm
    swapped = SheetCorners(
        old.corners_px, old.covariance_px2, (height, width), old.side_u_mm, old.kind, old.dof
    )
    try:
        other = 2 * solve(fit.camera_prior, swapped)[0].cost
    except PlaneError:
        return
    if other < MISFIT or other < fit.chi_square / 20:
        raise PlaneError(
            f"the sheet's corners fit a sheet of {height:g} x {width:g} mm, not one of "
            f"{width:g} x {height:g} mm; give first the side from corner 1 to corner 2"
        )
