"""A printed board of squares held before a camera: pictures and clips with exactly known truth.

Board coordinates: a across, b down, mm, from the first inner corner; the pattern has one square
more each way than inner corners. A pose turns board coordinates ``(a, b, 0)`` about the board's
middle into the camera frame. A bent board is part of a cylinder about its own b axis. Nothing here
is shared with the code that the rendered boards test.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.sample.board_camera import BoardCamera
from clipmark.sample.camera import Camera
from clipmark.sample.encode import write_clip
from clipmark.sample.picture import tone_table
from clipmark.sample.scene import Encoding, Look, Scene, Timing

Array = NDArray[np.float64]
Grid = NDArray[np.float32]
Bits = NDArray[np.bool_]
PAPER, INK, ROOM = 0.78, 0.035, 0.16  # linear light


@dataclass(frozen=True, eq=False)
class PrintedBoard:
    """The board as it is in the world.

    Attributes
    ----------
    inner : (int, int)
        Inner corners across and down.
    square_mm : float
    margin_mm : float
        White paper around the outermost squares.
    radius_mm : float
        Radius of the cylinder it is bent to, positive when its left and right ends come towards
        the camera; inf is flat.
    dark_first : bool
        Whether the top-left square is dark.
    markers : ndarray of bool, shape (n, m, m), or None
        Pictures of markers, True is white, for the light squares row by row from the top left.
    marker_mm : float
    """

    inner: tuple[int, int] = (9, 6)
    square_mm: float = 25.0
    margin_mm: float = 18.0
    radius_mm: float = math.inf
    dark_first: bool = True
    markers: Bits | None = None
    marker_mm: float = 18.0

    def corners_mm(self) -> Array:
        """Inner corners on the paper, row by row, shape (N, 2) mm."""
        across, down = self.inner
        a, b = np.meshgrid(np.arange(across) * self.square_mm, np.arange(down) * self.square_mm)
        return np.column_stack([a.ravel(), b.ravel()])

    @property
    def middle_mm(self) -> Array:
        """Middle of the pattern, shape (2,) mm."""
        return (np.array(self.inner) - 1) * self.square_mm / 2

    def in_space(self, paper_mm: ArrayLike) -> Array:
        """Points of the paper about its middle, shape (N, 3) mm, bent as the board is."""
        points = np.asarray(paper_mm, dtype=np.float64) - self.middle_mm
        if math.isinf(self.radius_mm):
            return np.column_stack([points, np.zeros(len(points))])
        turn = points[:, 0] / self.radius_mm
        away = -self.radius_mm * (1.0 - np.cos(turn))
        return np.column_stack([self.radius_mm * np.sin(turn), points[:, 1], away])

    def light(self, a: Grid, b: Grid, step_a: Grid, step_b: Grid) -> Grid:
        """Linear light of paper places; NaN places and those off the paper are -1.

        `step_a` and `step_b` are how far the places go from one sample to the next, mm: a sample
        that a line between squares runs through takes its share of both.
        """
        across, down = self.inner
        u, v = a / np.float32(self.square_mm) + 1, b / np.float32(self.square_mm) + 1
        inside = (u >= 0) & (u < across + 1) & (v >= 0) & (v < down + 1)
        same = _wave(u, step_a / np.float32(self.square_mm))
        same = same * _wave(v, step_b / np.float32(self.square_mm))
        share = (1 + same) / 2 if self.dark_first else (1 - same) / 2
        light = np.where(inside, INK * share + PAPER * (1 - share), PAPER).astype(np.float32)
        dark = inside & (share > 0.5)
        if self.markers is not None:
            light[self._marker_dark(u, v, inside & ~dark)] = INK
        edge = np.float32(self.margin_mm / self.square_mm)
        off = (u < -edge) | (v < -edge) | (u > across + 1 + edge) | (v > down + 1 + edge)
        light[off | ~np.isfinite(u)] = -1
        return np.asarray(light, np.float32)

    def _marker_dark(self, u: Grid, v: Grid, where: Bits) -> Bits:
        markers = self.markers
        if markers is None:
            return np.zeros_like(where)
        across, down = self.inner
        columns, rows = np.meshgrid(np.arange(across + 1), np.arange(down + 1))
        white = ((columns + rows) % 2 == 1) == self.dark_first
        number = np.where(white, np.cumsum(white).reshape(white.shape) - 1, -1)
        cells = markers.shape[1]
        dark = np.zeros_like(where)
        column, row = np.floor(u[where]).astype(int), np.floor(v[where]).astype(int)
        share = self.marker_mm / self.square_mm
        x = ((u[where] - column - 0.5) / share + 0.5) * cells
        y = ((v[where] - row - 0.5) / share + 0.5) * cells
        on = (x >= 0) & (y >= 0) & (x < cells) & (y < cells)
        which = number[row, column]
        cell_x, cell_y = np.clip(x, 0, cells - 1).astype(int), np.clip(y, 0, cells - 1).astype(int)
        dark[where] = on & ~markers[np.maximum(which, 0), cell_y, cell_x]
        return dark


@dataclass(frozen=True, eq=False)
class BoardPose:
    """Where the board is: `turn`, shape (3, 3), and the place of its middle, shape (3,) mm."""

    turn: Array
    place_mm: Array

    def points(self, board: PrintedBoard, paper_mm: ArrayLike) -> Array:
        """Camera-frame points of places on the paper, shape (N, 3) mm."""
        return np.asarray(board.in_space(paper_mm) @ self.turn.T + self.place_mm)


@dataclass(frozen=True)
class BoardLook:
    """How the camera renders light: blur (a Gaussian's sigma), grain, tone, motion."""

    blur_px: float = 0.8
    grain_levels: float = 1.5
    tone: str = "srgb"
    supersample: int = 2
    slant: float = 0.25  # how much darker one side of the board is lit than the other


def corners_px(board: PrintedBoard, camera: BoardCamera, pose: BoardPose) -> Array:
    """True upright px of the inner corners, row by row, shape (N, 2)."""
    return camera.project(pose.points(board, board.corners_mm()))


class BoardPictures:
    """Renders one board before one camera."""

    def __init__(
        self, board: PrintedBoard, camera: BoardCamera, look: BoardLook | None = None, seed: int = 5
    ) -> None:
        self.board, self.camera = board, camera
        self.look = look or BoardLook()
        self._rays = camera.rays(
            np.arange(-1.0, camera.width + 1), np.arange(-1.0, camera.height + 1)
        )
        self._room = _room(camera, seed)
        self._seed = seed
        self._tone = tone_table(Look(tone=self.look.tone))

    def luma(self, poses: Sequence[BoardPose], number: int = 0) -> NDArray[np.uint16]:
        """Luma of one picture, 16 to 235, shape (H, W).

        Several poses are those passed through while the shutter is open, averaged as light.
        `number` chooses the grain.
        """
        light: Grid = np.asarray(np.mean([self._light(p) for p in poses], axis=0), np.float32)
        if self.look.blur_px > 0:
            size = 2 * (int(np.ceil(4.0 * self.look.blur_px)) + 1) + 1
            blurred = cv2.GaussianBlur(
                light, (size, size), self.look.blur_px, borderType=cv2.BORDER_REPLICATE
            )
            light = np.asarray(blurred, np.float32)
        steps = len(self._tone) - 1
        code = np.interp(np.clip(light, 0, 1), np.arange(steps + 1) / steps, self._tone)
        rng = np.random.default_rng((self._seed, number))
        grain = self.look.grain_levels * rng.standard_normal(code.shape, dtype=np.float32)
        return np.clip(np.rint(16 + 219 * code + grain), 0, 255).astype(np.uint16)

    def _light(self, pose: BoardPose) -> Grid:
        light = self._room.copy()
        box = self._box(pose)
        if box is None:
            return light
        x0, y0, x1, y1 = box
        a, b = self._meet(pose, self._rays[y0 : y1 + 2, x0 : x1 + 2])
        ss = self.look.supersample
        size = ((x1 - x0 + 2) * ss, (y1 - y0 + 2) * ss)
        # Places on the paper change so evenly from pixel to pixel that going straight between
        # pixel centres is good to 1e-4 px.
        fine = [
            np.asarray(
                cv2.resize(values.astype(np.float32), size, interpolation=cv2.INTER_LINEAR),
                np.float32,
            )
            for values in (a, b, _step(a) / ss, _step(b) / ss)
        ]
        inner = (slice(ss, -ss), slice(ss, -ss))
        seen = self.board.light(*(values[inner] for values in fine))
        lit = np.float32(1.0) + np.float32(self.look.slant) * (
            fine[0][inner] / np.float32(self.board.square_mm * (self.board.inner[0] + 1))
            - np.float32(0.5)
        )
        under = np.repeat(np.repeat(light[y0:y1, x0:x1], ss, axis=0), ss, axis=1)
        whole = np.where(seen < 0, under, seen * lit)
        light[y0:y1, x0:x1] = cv2.resize(whole, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
        return light

    def _box(self, pose: BoardPose) -> tuple[int, int, int, int] | None:
        """Whole px around the paper, ends excluded; None when it is out of the picture."""
        board, camera = self.board, self.camera
        low = -board.square_mm - board.margin_mm
        high = np.array(board.inner) * board.square_mm + board.margin_mm
        a, b = np.linspace(low, high[0], 25), np.linspace(low, high[1], 25)
        rim = np.concatenate(
            [
                np.column_stack([a, np.full(25, low)]),
                np.column_stack([a, np.full(25, high[1])]),
                np.column_stack([np.full(25, low), b]),
                np.column_stack([np.full(25, high[0]), b]),
            ]
        )
        points = pose.points(board, rim)
        if points[:, 2].min() <= 1.0:
            return 0, 0, camera.width, camera.height
        px = camera.project(points)
        x0, y0 = np.floor(px.min(axis=0) - 3).astype(int)
        x1, y1 = np.ceil(px.max(axis=0) + 4).astype(int)
        x0, y0 = max(int(x0), 0), max(int(y0), 0)
        x1, y1 = min(int(x1), camera.width), min(int(y1), camera.height)
        return None if x1 <= x0 or y1 <= y0 else (x0, y0, x1, y1)

    def _meet(self, pose: BoardPose, rays: Array) -> tuple[Array, Array]:
        """Paper places, mm, where viewing rays meet the board; NaN where they do not."""
        eye = -pose.turn.T @ pose.place_mm
        way = rays @ pose.turn
        c = 0.0 if math.isinf(self.board.radius_mm) else 1.0 / self.board.radius_mm
        # The cylinder x^2 + (z + R)^2 = R^2 times 1/R, so that a flat board is no special case.
        square = c * (way[..., 0] ** 2 + way[..., 2] ** 2)
        linear = 2 * c * (eye[0] * way[..., 0] + eye[2] * way[..., 2]) + 2 * way[..., 2]
        rest = c * (eye[0] ** 2 + eye[2] ** 2) + 2 * eye[2]
        with np.errstate(invalid="ignore", divide="ignore"):
            root = np.sqrt(linear**2 - 4 * square * rest)
            far = -2 * rest / (linear + np.sign(linear) * root)
            far = np.where(far > 0, far, np.nan)
            x, y, z = (eye[i] + far * way[..., i] for i in range(3))
            along = x if c == 0.0 else np.arctan2(c * x, 1.0 + c * z) / c
        return along + self.board.middle_mm[0], y + self.board.middle_mm[1]


def varied_poses(
    board: PrintedBoard,
    camera: BoardCamera,
    count: int,
    seed: int = 1,
    *,
    tilt_deg: tuple[float, float] = (0.0, 40.0),
    across: tuple[float, float] = (0.25, 0.6),
    inset_px: float = 4.0,
) -> list[BoardPose]:
    """Random poses with all inner corners in the picture.

    The board's middle wanders over the whole picture; `across` is its width over the picture's;
    `tilt_deg` the range of its tilt, about any axis.
    """
    rng = np.random.default_rng(seed)
    found: list[BoardPose] = []
    size = (np.array(board.inner) - 1) * board.square_mm
    x, y = np.arange(0.0, camera.width, 8), np.arange(0.0, camera.height, 8)
    rays = camera.rays(x, y).reshape(-1, 3)
    while len(found) < count:
        ray = rays[rng.integers(len(rays))]
        share = rng.uniform(*across)
        away = size[0] * camera.fx / (share * camera.width * camera.aspect)
        tilt, about = math.radians(rng.uniform(*tilt_deg)), rng.uniform(0, 2 * math.pi)
        lean = _turn(np.array([math.cos(about), math.sin(about), 0.0]) * tilt)
        roll = _turn(np.array([0.0, 0.0, rng.normal(0.0, 0.25)]))
        pose = BoardPose(_facing(ray) @ lean @ roll, away * ray)
        points = pose.points(board, board.corners_mm())
        if points[:, 2].min() <= 0:
            continue
        px = camera.project(points)
        low, high = px.min(axis=0), px.max(axis=0)
        limit = np.array([camera.width, camera.height]) - 1 - inset_px
        if (low >= inset_px).all() and (high <= limit).all():
            found.append(pose)
    return found


def pose_path(poses: Sequence[BoardPose], frames: int) -> list[BoardPose]:
    """A smooth way through `poses`: slower at each, quicker between, `frames` poses in all."""
    at = np.linspace(0.0, len(poses) - 1, frames)
    way = []
    for place in at:
        k = min(int(place), len(poses) - 2)
        part = place - k
        ease = part * part * (3.0 - 2.0 * part)
        one, two = poses[k], poses[k + 1]
        turn = one.turn @ _turn(ease * _axis(one.turn.T @ two.turn))
        way.append(BoardPose(turn, one.place_mm + ease * (two.place_mm - one.place_mm)))
    return way


def write_board_clip(
    pictures: BoardPictures,
    poses: Sequence[BoardPose],
    path: Path,
    *,
    fps: int = 30,
    open_share: float = 0.0,
    encoding: Encoding | None = None,
) -> None:
    """Encode a clip of the board along `poses`, one a frame.

    `open_share` is the open time of the shutter over the frame interval (motion blur, five
    instants). Raises `FootageError` or `FolderError` as `write_clip` does.
    """
    camera = pictures.camera
    scene = Scene(
        camera=Camera(width=camera.width, height=camera.height, pixel_aspect=camera.pixel_aspect),
        timing=Timing(fps=Fraction(fps), frames=len(poses)),
        encoding=encoding or Encoding(crf=18.0, preset="veryfast"),
    )
    grey = np.full((camera.height // 2, camera.width // 2, 2), 128, np.uint16)

    def frames() -> Iterator[tuple[NDArray[np.uint16], NDArray[np.uint16]]]:
        for k, pose in enumerate(poses):
            during = [pose]
            if open_share > 0 and k + 1 < len(poses):
                ahead = pose_path([pose, poses[k + 1]], 101)
                during = [ahead[round(100 * open_share * j / 4)] for j in range(5)]
            yield pictures.luma(during, k), grey

    write_clip(scene, frames(), path)


def write_board_photos(
    pictures: BoardPictures, poses: Sequence[BoardPose], folder: Path
) -> list[Path]:
    """Write one PNG a pose into `folder`, full range, and return the paths."""
    written = []
    for k, pose in enumerate(poses):
        code = (pictures.luma([pose], k).astype(np.float64) - 16) * (255 / 219)
        path = folder / f"board{k + 1:02d}.png"
        cv2.imwrite(str(path), np.clip(np.rint(code), 0, 255).astype(np.uint8))
        written.append(path)
    return written


def bent_board(board: PrintedBoard, rise_mm: float) -> PrintedBoard:
    """`board` bent so that its middle stands `rise_mm` off the chord between its outer corners."""
    half = (board.inner[0] - 1) * board.square_mm / 2
    return replace(board, radius_mm=half * half / (2.0 * rise_mm))


def _wave(u: Grid, step: Grid) -> Grid:
    """1 in even squares, -1 in odd ones, going over evenly within one step of the line between."""
    line = np.round(u)
    ramp = np.clip(2 * (u - line) / np.maximum(step, np.float32(1e-9)), -1, 1)
    return np.asarray(np.where(line % 2 == 0, ramp, -ramp), np.float32)


def _step(values: Array) -> Array:
    """How far values go from one place of a grid to the next, shape as given."""
    down, across = np.gradient(values)
    return np.asarray(np.hypot(down, across), np.float64)


def _room(camera: BoardCamera, seed: int) -> Grid:
    """A soft, dull room behind the board."""
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(0.4, 1.6, (9, 16)).astype(np.float32)
    room = cv2.resize(coarse, (camera.width, camera.height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(ROOM * np.clip(room, 0.1, 2.0), np.float32)


def _turn(axis_rad: Array) -> Array:
    return np.asarray(cv2.Rodrigues(np.asarray(axis_rad, dtype=np.float64))[0], np.float64)


def _axis(turn: Array) -> Array:
    axis = cv2.Rodrigues(np.asarray(turn, dtype=np.float64))[0]
    return np.asarray(axis, np.float64).ravel()


def _facing(ray: Array) -> Array:
    """A turn that lays the board square to a viewing ray, upright."""
    z = ray / np.linalg.norm(ray)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])
