"""How the camera looks at the plane of motion: estimate, and draws for Monte Carlo.

`view_from_promise` knows only that the camera stands square within some angle; `view_from_sheet`
has a sheet in, or parallel to, the plane of motion. Both give the same thing: a lens parameter
vector and a plane normal, with named sources of uncertainty that can be drawn together or alone.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import PlaneError
from clipmark.geometry.camera import Camera, Group
from clipmark.geometry.plane import Rectifier, normal_from_yaw_pitch, rectifier
from clipmark.geometry.sheet import MISFIT, SheetFit, fit_sheet
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.sheet_pose import SheetPose

FloatArray = NDArray[np.float64]

PROMISE = "square-on promise"
MAX_PROMISE_DEG = 45.0


class Viewing(ABC):
    """Camera and plane of motion as far as they are known."""

    @property
    @abstractmethod
    def camera(self) -> FloatArray:
        """Estimate of the lens parameter vector, shape (9,) or (8,)."""

    @property
    @abstractmethod
    def normal(self) -> FloatArray:
        """Estimate of the plane's unit normal facing the camera, shape (3,)."""

    @property
    @abstractmethod
    def groups(self) -> tuple[Group, ...]:
        """Independent sources of uncertainty."""

    @property
    @abstractmethod
    def warnings(self) -> tuple[str, ...]:
        """What an operator should know about this view."""

    @property
    def sheet(self) -> SheetPose | None:
        """The map to mm in the sheet's plane, where there is a sheet."""
        return None

    @abstractmethod
    def _draw(
        self, rng: np.random.Generator, n: int, groups: tuple[str, ...] | None
    ) -> tuple[FloatArray, FloatArray]: ...

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
        wanted = (groups,) if isinstance(groups, str) else groups
        if wanted is not None:
            known = [group.name for group in self.groups]
            for name in wanted:
                if name not in known:
                    raise ValueError(f"no source is called '{name}'; there are {', '.join(known)}")
        return self._draw(rng, n, None if wanted is None else tuple(wanted))

    def rectifier(self, middle_px: FloatArray | None = None) -> Rectifier:
        """Map to a flat picture seen square on, from the estimate."""
        return rectifier(self.camera, self.normal, middle_px)


@dataclass(frozen=True, eq=False)
class PromisedView(Viewing):
    """Nothing but a promise: yaw and pitch each rectangular within the angle promised."""

    camera_prior: Camera
    square_within_rad: float

    @cached_property
    def camera(self) -> FloatArray:
        """Estimate of the lens parameter vector."""
        return _estimate(self.camera_prior)

    @property
    def normal(self) -> FloatArray:
        """Square on."""
        return np.array([0.0, 0.0, -1.0])

    @property
    def groups(self) -> tuple[Group, ...]:
        """The promise, then the camera's sources."""
        own = Group(
            PROMISE,
            "B",
            math.inf,
            "put a sheet of known size in the plane of motion, or film from farther and squarer",
        )
        return ((own,) if self.square_within_rad > 0 else ()) + self.camera_prior.groups

    @property
    def warnings(self) -> tuple[str, ...]:
        """None: the promise is in the budget."""
        return ()

    def _draw(
        self, rng: np.random.Generator, n: int, groups: tuple[str, ...] | None
    ) -> tuple[FloatArray, FloatArray]:
        latents = self.camera_prior.draw_latents(rng, n, groups)
        limit = self.square_within_rad
        angles = rng.uniform(-limit, limit, (2, n))
        if groups is not None and PROMISE not in groups:
            angles[:] = 0.0
        return self.camera_prior.params(latents), normal_from_yaw_pitch(angles[0], angles[1])


@dataclass(frozen=True, eq=False)
class SheetView(Viewing):
    """A sheet in or parallel to the plane of motion."""

    fit: SheetFit

    @property
    def camera(self) -> FloatArray:
        """Estimate of the lens parameter vector, as corrected by the sheet."""
        return np.asarray(self.fit.pose.poses.camera[0], dtype=np.float64)

    @property
    def normal(self) -> FloatArray:
        """Normal of the sheet."""
        return self.fit.pose.normal

    @property
    def groups(self) -> tuple[Group, ...]:
        """Corners, size, then the camera's sources."""
        return self.fit.groups

    @property
    def sheet(self) -> SheetPose:
        """The map to mm in the sheet's plane."""
        return self.fit.pose

    @property
    def warnings(self) -> tuple[str, ...]:
        """Misfit of the sheet, and a mirrored pose that cannot be ruled out."""
        found = []
        if self.fit.chi_square > MISFIT:
            width, height = self.fit.corners.size_mm
            found.append(
                f"the sheet's corners do not fit a rectangle of {width:g} x {height:g} mm seen "
                f"through this lens (chi-square {self.fit.chi_square:.0f}, expected about 2); "
                "check the corners, the size and the lens"
            )
        if self.fit.ambiguous:
            found.append(
                "the sheet is seen so small or so square on that it cannot be told which of its "
                "sides is nearer; both views are in the uncertainty"
            )
        return tuple(found)

    def _draw(
        self, rng: np.random.Generator, n: int, groups: tuple[str, ...] | None
    ) -> tuple[FloatArray, FloatArray]:
        poses = self.fit.draw(rng, n, groups)
        return poses.camera, poses.normal


def view_from_promise(camera: Camera, square_within_deg: float) -> PromisedView:
    """The camera stands square to the plane of motion within an angle, and no more is known.

    Parameters
    ----------
    camera : Camera
    square_within_deg : float
        Half-width of the rectangular distributions of yaw and pitch; 0 takes square on as exact.

    Raises
    ------
    PlaneError
        If the angle is not between 0 and 45 deg.
    """
    if not 0.0 <= square_within_deg <= MAX_PROMISE_DEG:
        raise PlaneError(
            f"square within {square_within_deg:g} deg was promised, but the promise must lie "
            f"between 0 and {MAX_PROMISE_DEG:.0f}; put a sheet in the plane of motion instead"
        )
    return PromisedView(camera, math.radians(square_within_deg))


def view_from_sheet(camera: Camera, corners: SheetCorners) -> SheetView:
    """The plane of motion is parallel to a sheet; see `clipmark.geometry.sheet.fit_sheet`.

    Raises
    ------
    PlaneError, LensError
    """
    return SheetView(fit_sheet(camera, corners))


def _estimate(camera: Camera) -> FloatArray:
    """The parameter vector at all latents 0."""
    return np.asarray(camera.params(np.zeros((1, len(camera.latent_group))))[0], dtype=np.float64)
