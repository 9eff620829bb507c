"""The plane of motion from the evidence there is: estimate, misfit, and possible planes.

One estimator for every case; the problem is in `clipmark.geometry.evidence`, its minimum in
`clipmark.geometry.plane_solve`. Here the minimum is carried to draws. Where a sheet speaks, each
source is drawn from its own distribution and carried to the plane by the response of the solution
(the linear one, corrected for curvature). Where only lines and a promise speak, what is promised is
a hard bound that a linear response cannot know: `clipmark.geometry.plane_promise` weighs
possible views instead. A source drawn alone always goes by the response.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from clipmark.geometry.camera import Group, Kind
from clipmark.geometry.evidence import Evidence
from clipmark.geometry.plane_promise import weighed_views
from clipmark.geometry.plane_solve import Solution, solve
from clipmark.geometry.sheet_pose import Poses

__all__ = ["CORNERS", "PROMISE", "SIZE", "PlaneDraws", "PlaneFit", "fit_plane"]

FloatArray = NDArray[np.float64]

CORNERS, SIZE, PROMISE = "sheet corners", "sheet size", "square-on promise"
MISFIT_CHANCE = 1e-3  # a misfit that good evidence exceeds by chance this often is reported
CORRECTIONS = 3


@dataclass(frozen=True, eq=False)
class PlaneDraws:
    """n possible views.

    Attributes
    ----------
    camera : ndarray, shape (n, P)
    frame : ndarray, shape (n, 3, 3)
        See `clipmark.geometry.evidence`: columns level, down, away from the camera.
    sheets : tuple of Poses
        Where each sheet lies.
    """

    camera: FloatArray
    frame: FloatArray
    sheets: tuple[Poses, ...]

    @property
    def normal(self) -> FloatArray:
        """Unit normals facing the camera, shape (n, 3)."""
        return np.asarray(-self.frame[:, :, 2], dtype=np.float64)

    @property
    def level(self) -> FloatArray:
        """Level directions in the plane, pointing right, shape (n, 3); meant only with lines."""
        return np.asarray(self.frame[:, :, 0], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """A solved view. Use `best` for the estimate and `draw` for Monte Carlo."""

    evidence: Evidence
    _solutions: tuple[Solution, ...]

    @property
    def chi_square(self) -> float:
        """Misfit of all the evidence at the best solution."""
        return 2 * self._solutions[0].cost

    @property
    def misfit_limit(self) -> float:
        """Misfit that good evidence exceeds once in a thousand; inf when nothing is left over."""
        dof = self.evidence.dof
        return float(chdtri(dof, MISFIT_CHANCE)) if dof > 0 else math.inf

    @property
    def ambiguous(self) -> bool:
        """Whether a second, mirrored pose explains the evidence nearly as well."""
        return len(self._solutions) > 1

    @cached_property
    def best(self) -> PlaneDraws:
        """The deterministic estimate, as a single draw."""
        best = self._solutions[0]
        return self._views(best, best.theta[None])

    @property
    def groups(self) -> tuple[Group, ...]:
        """Sources of uncertainty that can be drawn alone."""
        own: list[Group] = []
        sheets = self.evidence.sheets
        if sheets:
            kinds: set[Kind] = {sheet.kind for sheet in sheets}
            kind: Kind = "A" if kinds == {"A"} else "B"
            dof = min(sheet.dof for sheet in sheets)
            advice = "use a larger sheet, a sharper picture, or let the edge fit find its sides"
            own.append(Group(CORNERS, kind, dof, advice))
            if any(sheet.side_u_mm > 0 for sheet in sheets):
                own.append(Group(SIZE, "B", math.inf, "measure the sheet's sides with a rule"))
        elif self.evidence.square_within_rad:
            advice = (
                "put a sheet of known size in the plane of motion, or film from farther and squarer"
            )
            own.append(Group(PROMISE, "B", math.inf, advice))
        for item in self.evidence.references:
            if item.picture_u_rad:
                kind = "B" if math.isinf(item.line.dof) else "A"
                advice = "mark a longer stretch of it, nearer or sharper in the picture"
                own.append(Group(item.in_picture, kind, item.line.dof, advice))
            if item.itself_u_rad:
                own.append(Group(item.itself, "B", math.inf, item.advice))
        return (*own, *self.evidence.camera.groups)

    def draw(
        self, rng: np.random.Generator, n: int, groups: Collection[str] | None = None
    ) -> PlaneDraws:
        """Draw n views from all sources, or from those named with the rest at the estimate.

        With all sources drawn, a mirrored pose that cannot be ruled out gets its share.
        """
        evidence = self.evidence
        if groups is None and not evidence.sheets:
            best = self._solutions[0]
            return self._views(best, weighed_views(evidence, best, rng, n))
        shifts = self._shifts(rng, n, groups)
        which = np.zeros(n, dtype=np.intp)
        if groups is None and self.ambiguous:
            odds = np.exp([self._solutions[0].cost - item.cost for item in self._solutions])
            which = rng.choice(len(odds), size=n, p=odds / odds.sum())
        parts = [
            self._views(item, self._respond(item, shifts[which == index]))
            for index, item in enumerate(self._solutions)
        ]
        back = np.argsort(np.argsort(which, kind="stable"), kind="stable")
        return _joined(parts, back, self._unfolded(parts))

    def _shifts(
        self, rng: np.random.Generator, n: int, groups: Collection[str] | None
    ) -> FloatArray:
        """By how much the evidence is off in each draw, standard units, shape (n, residuals)."""
        evidence = self.evidence

        def on(name: str) -> bool:
            return groups is None or name in groups

        latents = evidence.camera.draw_latents(rng, n, None if groups is None else tuple(groups))
        sheets = rng.standard_normal((n, len(evidence.sheets), 10))
        if not on(CORNERS):
            sheets[:, :, :8] = 0.0
        if not on(SIZE):
            sheets[:, :, 8:] = 0.0
        columns = [sheets.reshape(n, -1), latents]
        for item in evidence.references:
            first, second = rng.standard_normal((2, n))
            off = on(item.in_picture) * item.picture_u_rad * first
            off = off + on(item.itself) * item.itself_u_rad * second
            columns.append((off / max(item.u_rad, 1e-300))[:, None])
        if evidence.square_within_rad is not None:
            columns.append(rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), (n, 2)) * on(PROMISE))
        return np.concatenate(columns, axis=1)

    def _respond(self, solution: Solution, shifts: FloatArray) -> FloatArray:
        """Unknowns after the evidence moved by `shifts`, shape (n, residuals)."""
        evidence = self.evidence
        theta = solution.theta + shifts @ solution.gain.T
        linear = theta
        size = np.full(len(theta), np.inf)
        for _ in range(CORRECTIONS):
            if not len(theta):
                break
            off = evidence.residuals(solution.turn, solution.spins, theta) - shifts
            step = off @ solution.gain.T
            now = np.linalg.norm(step, axis=1)
            better = np.isfinite(now) & (now < size)
            theta = np.where(better[:, None], theta - step, theta)
            size = np.where(better, now, 0.0)  # one that got worse stops there
        return np.where(np.isfinite(theta).all(axis=1, keepdims=True), theta, linear)

    def _views(self, solution: Solution, theta: FloatArray) -> PlaneDraws:
        evidence = self.evidence
        camera = evidence.camera.params(theta[:, evidence.latents])
        frame = evidence.frame(solution.turn, theta)
        sheets = tuple(
            Poses(
                camera,
                evidence.sheet_rotation(frame, solution.spins, theta, index),
                evidence.place_mm(theta, index),
                evidence.sides_mm(theta, index),
                sheet.handed,
            )
            for index, sheet in enumerate(evidence.sheets)
        )
        return PlaneDraws(camera, frame, sheets)

    def _unfolded(self, parts: list[PlaneDraws]) -> FloatArray:
        """Cameras of all parts; as for the prior, a lens cannot fold back inside its picture."""
        camera = np.concatenate([part.camera for part in parts])
        camera[self.evidence.camera.folds(camera)] = self.best.camera[0]
        return camera


def fit_plane(evidence: Evidence) -> PlaneFit:
    """Solve for the plane of motion.

    Raises
    ------
    PlaneError, LensError
        See `clipmark.geometry.plane_solve.solve`.
    """
    return PlaneFit(evidence, solve(evidence))


def _joined(parts: list[PlaneDraws], back: NDArray[np.intp], camera: FloatArray) -> PlaneDraws:
    """Draws of several solutions in the order in which they were drawn."""
    camera = camera[back]
    sheets = []
    for poses in zip(*(part.sheets for part in parts), strict=True):
        rotation, centre, size = (
            np.concatenate([getattr(pose, name) for pose in poses])[back]
            for name in ("rotation", "centre_mm", "size_mm")
        )
        sheets.append(Poses(camera, rotation, centre, size, poses[0].handed))
    frame = np.concatenate([part.frame for part in parts])[back]
    return PlaneDraws(camera, frame, tuple(sheets))
