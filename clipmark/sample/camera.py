"""The sample renderer's own camera: pinhole, Brown-Conrady distortion, tremor.

World: mm, X right, Y up, Z towards the camera; the plane of motion is Z = 0. Camera frame: x right,
y down, z forward. Upright picture px with the centre of the top-left pixel at (0, 0). The "square"
picture is the upright one with x multiplied by the pixel aspect.

Nothing here is shared with the code that the rendered clips test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import LensError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Tremor:
    """Smooth random turning of a hand-held camera.

    ``rms_deg`` is the RMS of each of yaw, pitch and roll over time, ``band_hz`` where it lies.
    """

    rms_deg: float = 0.1
    band_hz: tuple[float, float] = (0.4, 6.0)
    seed: int = 1
    tones: int = 24

    def angles_rad(self, times_s: ArrayLike) -> Array:
        """Yaw, pitch and roll, shape (..., 3) rad, at `times_s` of any shape."""
        times = np.asarray(times_s, dtype=np.float64)
        rng = np.random.default_rng(self.seed)
        low, high = self.band_hz
        hz = np.exp(rng.uniform(math.log(low), math.log(high), (3, self.tones)))
        phase = rng.uniform(0.0, 2 * math.pi, (3, self.tones))
        weight = rng.rayleigh(1.0, (3, self.tones)) / np.sqrt(hz)
        weight *= math.sqrt(2.0) / np.sqrt((weight**2).sum(axis=1, keepdims=True))
        waves = np.sin(2 * math.pi * hz * times[..., None, None] + phase)
        return np.asarray((waves * weight).sum(axis=-1) * math.radians(self.rms_deg))


@dataclass(frozen=True)
class Camera:
    """A camera looking at the plane of motion.

    The optical axis meets the plane at ``target_mm`` (None: the scene chooses) at
    ``distance_mm``. ``yaw_deg`` > 0 has the right side of the plane farther away,
    ``pitch_deg`` > 0 looks down from above (top nearer),
    ``roll_deg`` > 0 shows lines turned counter-clockwise. ``view_deg`` is the horizontal view angle
    of the upright picture without distortion; ``principal_px`` shifts the principal point from
    the picture's middle, px of the square picture. ``distortion`` is k1, k2, p1, p2, k3.
    ``readout_s`` is the rolling shutter's time from first to last row (the frame's time is that
    of the middle row), ``exposure_s`` the open time, centred on the row's time.
    """

    width: int = 1280
    height: int = 720
    view_deg: float = 34.0
    distance_mm: float = 1600.0
    target_mm: tuple[float, float] | None = None
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    principal_px: tuple[float, float] = (0.0, 0.0)
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    pixel_aspect: tuple[int, int] = (1, 1)
    tremor: Tremor | None = None
    readout_s: float = 0.0
    exposure_s: float = 0.0
    sub_times: int = 3

    @property
    def aspect(self) -> float:
        """Width over height of one upright pixel."""
        return self.pixel_aspect[0] / self.pixel_aspect[1]

    @property
    def focal_px(self) -> float:
        """Focal length, px of the square picture."""
        return self.width * self.aspect / 2.0 / math.tan(math.radians(self.view_deg) / 2.0)

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point, px of the square picture."""
        return (
            (self.width - 1) / 2.0 * self.aspect + self.principal_px[0],
            (self.height - 1) / 2.0 + self.principal_px[1],
        )

    def target(self) -> Array:
        """Where the axis meets the plane of motion, shape (3,) mm."""
        x, y = self.target_mm if self.target_mm is not None else (0.0, 0.0)
        return np.array([x, y, 0.0])

    def rotation(self) -> Array:
        """World to camera at rest, shape (3, 3)."""
        flip = np.diag([1.0, -1.0, -1.0])
        return turn(self.yaw_deg, self.pitch_deg, self.roll_deg) @ flip

    def place_mm(self) -> Array:
        """Centre of projection in the world, shape (3,) mm."""
        return np.asarray(self.target() - self.rotation().T @ np.array([0, 0, self.distance_mm]))

    def tremor_matrix(self, time_s: ArrayLike) -> Array:
        """Extra turn of the camera frame at `time_s`, shape (..., 3, 3)."""
        times = np.asarray(time_s, dtype=np.float64)
        if self.tremor is None:
            return np.broadcast_to(np.eye(3), (*times.shape, 3, 3))
        yaw, pitch, roll = np.moveaxis(self.tremor.angles_rad(times), -1, 0)
        return turn_rad(yaw, pitch, roll)

    def row_time_s(self, y_px: ArrayLike) -> Array:
        """Time of a row relative to its frame's time, s."""
        rows = np.asarray(y_px, dtype=np.float64)
        return np.asarray(self.readout_s * (rows - (self.height - 1) / 2.0) / self.height)

    def project(self, world_mm: ArrayLike, time_s: float | None = None) -> Array:
        """Upright px, shape (N, 2), of world points, shape (N, 3) mm.

        With `time_s` (the frame's time) the tremor at that instant and row is applied; without,
        the camera is at rest.
        """
        points = np.atleast_2d(np.asarray(world_mm, dtype=np.float64))
        at_rest = (points - self.place_mm()) @ self.rotation().T
        if time_s is None or self.tremor is None:
            return self._to_px(at_rest)
        rows = np.full(len(points), (self.height - 1) / 2.0)
        result = self._to_px(at_rest)
        for _ in range(4 if self.readout_s else 1):
            moved = np.einsum(
                "nij,nj->ni", self.tremor_matrix(time_s + self.row_time_s(rows)), at_rest
            )
            result = self._to_px(moved)
            rows = result[:, 1]
        return result

    def _to_px(self, camera_mm: Array) -> Array:
        """Upright px of points in the camera frame, shape (N, 3)."""
        bent = distort(camera_mm[:, :2] / camera_mm[:, 2:3], self.distortion)
        cx, cy = self.centre_px
        x = (bent[:, 0] * self.focal_px + cx) / self.aspect
        return np.column_stack([x, bent[:, 1] * self.focal_px + cy])

    def straight_grid(self, x_px: Array, y_px: Array) -> tuple[Array, Array]:
        """Normalised straight coordinates of a grid of upright px.

        Parameters
        ----------
        x_px, y_px : shapes (w,) and (h,)
            Columns and rows, px of the upright picture; may be fractions.

        Returns
        -------
        xn, yn : shape (h, w)

        Raises
        ------
        LensError
            If the distortion folds back inside the picture.
        """
        cx, cy = self.centre_px
        bent_x, bent_y = np.meshgrid(
            (x_px * self.aspect - cx) / self.focal_px, (y_px - cy) / self.focal_px
        )
        return undistort(bent_x, bent_y, self.distortion)


def turn(yaw_deg: float, pitch_deg: float, roll_deg: float) -> Array:
    """Camera-frame turn of a view: yaw first, then pitch, then roll; signs as in `Camera`."""
    return turn_rad(math.radians(yaw_deg), math.radians(pitch_deg), math.radians(roll_deg))


def turn_rad(yaw: ArrayLike, pitch: ArrayLike, roll: ArrayLike) -> Array:
    """As `turn`, radians, for arrays of any one shape; returns shape (..., 3, 3)."""
    yaw, pitch, roll = np.broadcast_arrays(yaw, pitch, roll)
    zero, one = np.zeros(yaw.shape), np.ones(yaw.shape)

    def stack(rows: list[list[Array]]) -> Array:
        return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)

    c, s = np.cos(yaw), np.sin(yaw)
    r_yaw = stack([[c, zero, -s], [zero, one, zero], [s, zero, c]])
    c, s = np.cos(pitch), np.sin(pitch)
    r_pitch = stack([[one, zero, zero], [zero, c, -s], [zero, s, c]])
    c, s = np.cos(roll), np.sin(roll)
    r_roll = stack([[c, s, zero], [-s, c, zero], [zero, zero, one]])
    return np.asarray(r_roll @ r_pitch @ r_yaw)


def distort(straight: ArrayLike, coefficients: tuple[float, ...]) -> Array:
    """Brown-Conrady distortion of normalised points, shape (N, 2).

    D. C. Brown, Photogrammetric Engineering 37 (1971) 855-866, in the order k1, k2, p1, p2, k3.
    """
    points = np.asarray(straight, dtype=np.float64)
    bent_x, bent_y = _bend(points[:, 0], points[:, 1], coefficients)
    return np.column_stack([bent_x, bent_y])


def _bend(x: Array, y: Array, coefficients: tuple[float, ...]) -> tuple[Array, Array]:
    k1, k2, p1, p2, k3 = coefficients
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
        y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
    )


def undistort(x: Array, y: Array, coefficients: tuple[float, ...]) -> tuple[Array, Array]:
    """Invert `distort` on arrays of one shape by Newton steps, to 1e-12.

    Raises
    ------
    LensError
        If a point lies beyond the reach of the distortion, where it folds back.
    """
    if not any(coefficients):
        return x.copy(), y.copy()
    k1, k2, _, _, k3 = coefficients
    sx, sy = x.copy(), y.copy()
    for _ in range(20):
        bent_x, bent_y = _bend(sx, sy, coefficients)
        r2 = sx * sx + sy * sy
        slope = 1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + 7.0 * r2 * k3))
        if float(slope.min()) < 0.05:
            raise LensError(
                "the lens of the scene folds back inside the picture; "
                "use weaker distortion coefficients or a narrower view"
            )
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        # Newton along the radius with the radial slope, across it with the radial factor.
        ex, ey = x - bent_x, y - bent_y
        along = np.where(r2 > 0, (ex * sx + ey * sy) / np.maximum(r2, 1e-30), 0.0)
        gain = along * (1.0 / slope - 1.0 / radial)
        step_x, step_y = ex / radial + gain * sx, ey / radial + gain * sy
        sx, sy = sx + step_x, sy + step_y
        if max(float(np.abs(step_x).max()), float(np.abs(step_y).max())) < 1e-12:
            return sx, sy
    raise LensError(
        "the lens of the scene cannot be inverted all over the picture; "
        "use weaker distortion coefficients or a narrower view"
    )
