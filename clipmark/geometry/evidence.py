"""All that is known of one view of the plane of motion, as one least-squares problem.

Sheets, lines known to be level or plumb, what was promised, and what is known of the camera are
residuals of one vector of unknowns, each divided by its standard uncertainty. Nothing else in
the package knows how the plane's normal follows from them.

Unknown are, in this order: three small turns of the plane's frame; the camera's latents; for each
sheet its place (3, in units of its diagonal), its two sides (in units of their standard
uncertainty) and its turn in the plane. Without a line the frame's turn in the plane has no
meaning of its own and the first sheet's turn is left out: the frame is then that sheet's.

The plane's frame, in camera axes (x right, y down, z forward), has as columns the level direction
pointing right, the downward direction in the plane, and the direction away from the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.camera import Camera
from clipmark.geometry.distortion import pixels_to_rays, rays_to_pixels
from clipmark.geometry.line_mark import Reference
from clipmark.geometry.plane import (
    angle_between,
    directions_of_rays,
    level_from_plumb,
    pointing_right,
)
from clipmark.geometry.sheet_corners import SheetCorners

FloatArray = NDArray[np.float64]

EXACT_RAD = 1e-7  # what is stated to be exact is held to this, so that the problem stays solvable
LINE_POINTS = 3  # first, middle and last: a straight line needs no more


@dataclass(frozen=True, eq=False)
class Evidence:
    """What is known of one view.

    Attributes
    ----------
    camera : Camera
        What is known of the camera beforehand.
    sheets : tuple of SheetCorners
        In the plane of motion, or in planes parallel to it.
    references : tuple of Reference
        Lines known to be level or plumb, likewise.
    square_within_rad : float or None
        Half-width of the rectangular distributions of yaw and pitch; None where sheets speak.
    """

    camera: Camera
    sheets: tuple[SheetCorners, ...]
    references: tuple[Reference, ...]
    square_within_rad: float | None

    @property
    def latents(self) -> slice:
        """Where the camera's latents lie in the unknowns."""
        return slice(3, 3 + len(self.camera.latent_group))

    def sheet_at(self, index: int) -> slice:
        """Where a sheet's place, sides and turn lie in the unknowns."""
        free = 6 if self.references or index else 5
        start = self.latents.stop
        if index:
            start += (6 if self.references else 5) + 6 * (index - 1)
        return slice(start, start + free)

    @cached_property
    def unknowns(self) -> int:
        """How many unknowns there are."""
        last = self.sheet_at(len(self.sheets) - 1) if self.sheets else self.latents
        return int(last.stop)

    @cached_property
    def line_rows(self) -> slice:
        """Where the lines' misfits lie among the residuals."""
        start = 10 * len(self.sheets) + len(self.camera.latent_group)
        return slice(start, start + len(self.references))

    @cached_property
    def promise_rows(self) -> slice:
        """Where yaw and pitch lie among the residuals; empty when nothing is promised."""
        stop = self.line_rows.stop
        return slice(stop, stop + (0 if self.square_within_rad is None else 2))

    @property
    def latent_rows(self) -> slice:
        """Where the camera's latents lie among the residuals."""
        return slice(10 * len(self.sheets), self.line_rows.start)

    @property
    def dof(self) -> int:
        """Degrees of freedom of the misfit: what over-determines the plane."""
        return int(self.promise_rows.stop) - self.unknowns

    @property
    def promise_u_rad(self) -> float:
        """Standard uncertainty of yaw and of pitch as promised."""
        return max((self.square_within_rad or 0.0) / math.sqrt(3.0), EXACT_RAD)

    def frame(self, turn: FloatArray, theta: FloatArray) -> FloatArray:
        """Frames of the plane, shape (n, 3, 3), at unknowns of shape (n, unknowns)."""
        return np.asarray(turn @ rotations(theta[:, :3]), dtype=np.float64)

    def sheet_rotation(
        self, frame: FloatArray, spins: FloatArray, theta: FloatArray, index: int
    ) -> FloatArray:
        """Columns: a sheet's x axis, its y axis, and the axis away from the camera, (n, 3, 3)."""
        turn = np.full(len(theta), spins[index])
        if self.references or index:
            turn += theta[:, self.sheet_at(index).start + 5]
        flat = np.zeros((len(theta), 3))
        flat[:, 2] = turn
        return np.asarray(frame @ rotations(flat), dtype=np.float64)

    def sides_mm(self, theta: FloatArray, index: int) -> FloatArray:
        """Sides of a sheet, shape (n, 2), mm."""
        sheet = self.sheets[index]
        start = self.sheet_at(index).start + 3
        stated = np.array(sheet.size_mm)
        sides = stated + sheet.side_u_mm * theta[:, start : start + 2]
        return np.asarray(np.maximum(sides, 0.01 * stated), dtype=np.float64)

    def place_mm(self, theta: FloatArray, index: int) -> FloatArray:
        """Middle of a sheet in camera axes, shape (n, 3), mm."""
        start = self.sheet_at(index).start
        unit = math.hypot(*self.sheets[index].size_mm)
        return np.asarray(theta[:, start : start + 3] * unit, dtype=np.float64)

    def residuals(self, turn: FloatArray, spins: FloatArray, theta: FloatArray) -> FloatArray:
        """Standardised misfits, shape (n, residuals).

        Parameters
        ----------
        turn : ndarray, shape (3, 3)
            Frame that the small turns are applied to.
        spins : ndarray, shape (sheets,)
            Turns of the sheets in the plane that theirs are added to, rad.
        theta : ndarray, shape (n, unknowns)

        Returns
        -------
        ndarray
            For each sheet 8 of corners and 2 of sides; latents; lines; yaw and pitch.
        """
        params = self.camera.params(theta[:, self.latents])
        frame = self.frame(turn, theta)
        found = []
        for index, sheet in enumerate(self.sheets):
            rotation = self.sheet_rotation(frame, spins, theta, index)
            flat = _object(self.sides_mm(theta, index), sheet.handed)
            seen = flat @ np.swapaxes(rotation[:, :, :2], 1, 2)
            seen = seen + self.place_mm(theta, index)[:, None, :]
            depth = np.maximum(seen[..., 2:], 1e-6)
            miss = rays_to_pixels(seen[..., :2] / depth, params) - sheet.corners_px
            found.append(np.einsum("kij,nkj->nki", sheet.whitening, miss).reshape(len(theta), 8))
            start = self.sheet_at(index).start + 3
            found.append(theta[:, start : start + 2])
        found.append(theta[:, self.latents])
        if self.references:
            found.append(self.line_misfits(self.line_rays(params), frame))
        if self.square_within_rad is not None:
            found.append(self.view_misfits(frame))
        return np.concatenate(found, axis=1)

    def line_rays(self, params: FloatArray) -> tuple[FloatArray, ...]:
        """Viewing rays along each line for cameras of shape (n, P), each of shape (n, 3, 2)."""
        found = []
        for item in self.references:
            points = item.line.points_px
            few = points[np.linspace(0, len(points) - 1, LINE_POINTS).round().astype(int)]
            found.append(pixels_to_rays(few, params))
        return tuple(found)

    def line_misfits(self, rays: tuple[FloatArray, ...], frame: FloatArray) -> FloatArray:
        """How far each line says level lies from the frame's, over its u, shape (n, lines)."""
        normal, level = -frame[:, :, 2], frame[:, :, 0]
        found = []
        for item, seen in zip(self.references, rays, strict=True):
            line = directions_of_rays(seen, normal)
            says = level_from_plumb(line, normal) if item.plumb else pointing_right(line)
            found.append(angle_between(level, says, normal) / max(item.u_rad, EXACT_RAD))
        return np.stack(found, axis=1)

    def view_misfits(self, frame: FloatArray) -> FloatArray:
        """Yaw and pitch over what is promised of them, shape (n, 2)."""
        return np.asarray(yaw_and_pitch(-frame[:, :, 2]) / self.promise_u_rad)


def yaw_and_pitch(normal: FloatArray) -> FloatArray:
    """Yaw and pitch, rad, shape (n, 2), of normals; see `plane.normal_from_yaw_pitch`."""
    yaw = np.arcsin(np.clip(normal[:, 0], -1.0, 1.0))
    pitch = np.arctan2(-normal[:, 1], -normal[:, 2])
    return np.stack([yaw, pitch], axis=1)


def rotations(turns: FloatArray) -> FloatArray:
    """Rotation matrices of rotation vectors, shape (n, 3) to (n, 3, 3) (Rodrigues)."""
    angle = np.linalg.norm(turns, axis=1)[:, None, None]
    safe = np.where(angle > 1e-12, angle, 1.0)
    w = np.zeros((len(turns), 3, 3))
    w[:, 0, 1], w[:, 0, 2], w[:, 1, 2] = -turns[:, 2], turns[:, 1], -turns[:, 0]
    w -= np.swapaxes(w, 1, 2)
    first = np.where(angle > 1e-12, np.sin(angle) / safe, 1.0)
    second = np.where(angle > 1e-12, (1 - np.cos(angle)) / safe**2, 0.5)
    return np.asarray(np.eye(3) + first * w + second * (w @ w), dtype=np.float64)


def _object(sides: FloatArray, handed: float) -> FloatArray:
    """Corners about the middle in the sheet's axes, shape (n, 4, 2), mm."""
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) / 2
    return np.asarray(sides[:, None, :] * signs * np.array([1.0, handed]), dtype=np.float64)
