"""The still part of the scene: wall, table, board, sheet, strings, marks and odds and ends.

Each layer is a plane with bounds and a painter; layers are laid over one another back to front.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.paint import (
    Canvas,
    Grid,
    box,
    disc,
    lettering,
    polygon,
    stick,
    tint,
    without,
)
from clipmark.sample.scene import TABLE_FRONT_Z, WALL_Z, Board, Plumb, ScaleMark, Scene, Sheet

Painter = Callable[[Canvas], None]
FAR = 4000.0
INK = (0.015, 0.016, 0.02)


@dataclass(frozen=True)
class Plane:
    """A plane by origin and two unit axes, world mm; plane coordinates are (a, b)."""

    origin: tuple[float, float, float]
    e1: tuple[float, float, float]
    e2: tuple[float, float, float]

    @classmethod
    def facing(cls, z_mm: float) -> Plane:
        """Parallel to the plane of motion: a = X, b = Y."""
        return cls((0.0, 0.0, z_mm), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))

    @property
    def faces(self) -> bool:
        """True when parallel to the plane of motion."""
        return self.e1[2] == 0 and self.e2[2] == 0

    def world(self, ab: NDArray[np.float64]) -> NDArray[np.float64]:
        """World points, shape (N, 3), of plane coordinates, shape (N, 2)."""
        return np.asarray(
            np.array(self.origin) + ab[:, :1] * np.array(self.e1) + ab[:, 1:] * np.array(self.e2)
        )


@dataclass(frozen=True)
class Layer:
    """One painted plane.

    ``bounds`` (a0, b0, a1, b1) holds all paint; ``group`` is ``back``, ``board`` (takes the truck's
    shadow) or ``front`` (may hide the truck).
    """

    plane: Plane
    bounds: tuple[float, float, float, float]
    paint: Painter
    group: str = "back"


def stage_layers(scene: Scene) -> list[Layer]:
    """All still layers of a settled scene, back to front."""
    layers = [*_room(scene), *_odds_and_ends(scene)]
    sheet, scale, plumb = scene.sheet, scene.scale, scene.plumb
    if isinstance(sheet, Sheet):
        layers.append(_sheet(sheet))
    marks = _scale(scale) if isinstance(scale, ScaleMark) else []
    layers += [*marks[:1], *_board(scene), *marks[1:]]
    if isinstance(plumb, Plumb):
        layers.append(_plumb(plumb))
    layers.append(_table_front(scene))
    return layers


def lamp(canvas: Canvas, seed: int) -> Grid:
    """Uneven light: broad soft patches around 1."""
    return np.asarray(1.0 + canvas.cloud(seed, [(310.0, 0.13), (140.0, 0.07)]), np.float32)


def _soft(sd: Grid, width: float) -> Grid:
    """1 deep inside a shape, 0 outside, soft over `width` mm."""
    share = np.clip(0.5 - sd / width, 0, 1)
    return np.asarray(share * share * (3 - 2 * share), np.float32)


def _board_outline(board: Board, dx: float = 0.0, dy: float = 0.0) -> list[tuple[float, float]]:
    corners = [(0.0, 0.0), (board.length_mm, 0.0)]
    corners += [(board.length_mm, -board.thickness_mm), (0.0, -board.thickness_mm)]
    placed = [board.at(q, w)[:2] for q, w in corners]
    return [(float(x) + dx, float(y) + dy) for x, y in placed]


def _room(scene: Scene) -> list[Layer]:
    board, seed = scene.board, scene.seed

    def wall(canvas: Canvas) -> None:
        light = 0.92 + canvas.cloud(
            seed, [(210, 0.17), (74, 0.11), (27, 0.055), (9, 0.04), (3.4, 0.03)]
        )
        fall = canvas.soft(lambda a, b: 1.0 + 0.00022 * (b - 250) + 0.00025 * a)
        light = light * lamp(canvas, seed + 5) * fall
        light = np.clip(light, 0.34, 1.7)
        outline = _board_outline(board, dx=70.0 * board.side, dy=-60.0)
        light = light * canvas.soft(lambda a, b: 1.0 - 0.33 * _soft(polygon(a, b, outline), 110.0))
        if isinstance(scene.sheet, Sheet):
            x, y = scene.sheet.x_mm, scene.sheet.y_mm
            w, h = scene.sheet.width_mm, scene.sheet.height_mm
            light = light * canvas.soft(
                lambda a, b: (
                    1.0 - 0.25 * _soft(box(a, b, x + 40, y - 60, x + w + 60, y + h - 20), 90.0)
                )
            )
        canvas.flood(tint((0.235, 0.262, 0.25), light))
        for number, x in enumerate(range(-900, 1000, 260)):
            if canvas.a.min() - 20 < x < canvas.a.max() + 20:
                left = x - 9.0 + 7.0 * math.sin(3.0 * number)
                canvas.fill(
                    box(canvas.a, canvas.b, left, -300, x, 2000), (0.07, 0.075, 0.075), 0.75
                )

    def table(canvas: Canvas) -> None:
        grain = canvas.cloud(seed + 20, [(16, 0.12), (6, 0.07), (2.4, 0.05)], stretch=9)
        light = (0.9 + grain + canvas.cloud(seed + 21, [(55, 0.08), (12, 0.05)])) * lamp(
            canvas, seed + 6
        )
        foot, tip = board.foot[0], board.at(board.length_mm)[0]
        left, right = min(foot, tip) + 20, max(foot, tip)
        light = light * canvas.soft(
            lambda a, b: (
                (1.0 - 0.42 * _soft(box(a, b, left, -board.depth_mm - 20, right, -12), 60.0))
                * (1.0 - 0.3 * _soft(box(a, b, -FAR, WALL_Z - 9, FAR, WALL_Z + 10), 70.0))
            )
        )
        canvas.flood(tint((0.40, 0.295, 0.185), light))

    tx, ty = (float(v) for v in scene.camera.target()[:2])
    x0, y0 = tx + (120.0 if board.side > 0 else -390.0), ty + 150.0

    def banner(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        plate = box(a, b, x0 - 22, y0 - 66, x0 + 292, y0 + 50, 8)
        canvas.fill(plate, tint((0.05, 0.10, 0.13), lamp(canvas, seed + 1)))
        for number, line in enumerate(scene.banner.split("/")):
            letters = lettering(a, b, line, x0, y0 - 48.0 * number, 30.0, 5.0)
            canvas.fill(letters, tint((0.46, 0.43, 0.33), lamp(canvas, seed + 2)))

    sign = [Layer(Plane.facing(WALL_Z + 1), (x0 - 24, y0 - 68, x0 + 294, y0 + 52), banner)]
    top = Plane((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    return [
        Layer(Plane.facing(WALL_Z), (-FAR, -FAR, FAR, FAR), wall),
        *(sign if scene.banner else []),
        Layer(top, (-1400.0, WALL_Z, 1400.0, TABLE_FRONT_Z), table),
    ]


def _table_front(scene: Scene) -> Layer:
    seed = scene.seed

    def paint(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        grain = canvas.cloud(seed + 30, [(9, 0.15), (3.2, 0.08)], stretch=7)
        light = (0.95 + grain) * lamp(canvas, seed + 7)
        canvas.fill(box(a, b, -FAR, -FAR, FAR, 0.0), tint((0.062, 0.043, 0.03), light))
        shade = tint((0.02, 0.018, 0.017), np.maximum(1.0 + 0.004 * (b + 70.0), 0.1))
        canvas.fill(box(a, b, -FAR, -FAR, FAR, -72.0), shade)

    return Layer(Plane.facing(TABLE_FRONT_Z), (-FAR, -FAR, FAR, 2.0), paint, "front")


def _odds_and_ends(scene: Scene) -> list[Layer]:
    board, seed, side = scene.board, scene.seed, scene.board.side
    target_x = float(scene.camera.target()[0])

    def toolbox(canvas: Canvas) -> None:
        a, b = (canvas.a - target_x) * side, canvas.b
        wear = 1.0 + canvas.cloud(seed + 40, [(22, 0.16), (6, 0.12), (2.6, 0.08)])
        canvas.fill(box(a, b, 300, 0, 500, 92, 6), tint((0.07, 0.16, 0.17), wear))
        canvas.fill(box(a, b, 300, 66, 500, 70), INK, 0.8)
        grip = without(box(a, b, 355, 88, 445, 122, 14), box(a, b, 367, 80, 433, 110, 10))
        canvas.fill(grip, (0.03, 0.03, 0.032))
        for x in (322.0, 478.0):
            canvas.fill(box(a, b, x - 9, 52, x + 9, 78, 2), (0.5, 0.48, 0.44))
        canvas.fill(
            lettering(a * side, b, "SPARES", 335 * side - (130 if side < 0 else 0), 24, 22, 4),
            (0.5, 0.45, 0.3),
        )

    def cones(canvas: Canvas) -> None:
        a, b = (canvas.a - target_x) * side, canvas.b
        for x, tall in ((-395.0, 74.0), (-318.0, 60.0), (205.0, 66.0)):
            light = 0.95 + 0.016 * (a - x) + canvas.cloud(seed + 41, [(12, 0.1), (4, 0.08)])
            body = polygon(a, b, [(x - 20, 5), (x + 20, 5), (x + 4, tall), (x - 4, tall)])
            canvas.fill(body, tint((0.55, 0.16, 0.03), light))
            band = np.maximum(body, np.abs(b - tall * 0.52) - 7)
            canvas.fill(band.astype(np.float32), tint((0.72, 0.7, 0.66), light))
            canvas.fill(box(a, b, x - 28, 0, x + 28, 7, 2), tint((0.09, 0.05, 0.03), light))

    def prop(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        light = 1.0 + canvas.cloud(seed + 42, [(14, 0.12), (4, 0.08)])
        if y > 30:
            canvas.fill(box(a, b, x - 11, 0, x + 11, y), tint((0.15, 0.15, 0.16), light))
            for hole in np.arange(24.0, y - 10, 22.0):
                canvas.fill(disc(a, b, float(x), float(hole), 3.4), INK)
            canvas.fill(box(a, b, x - 46, 0, x + 46, 8, 2), tint((0.12, 0.12, 0.13), light))

    x, y = (float(v) for v in board.at(board.length_mm * 0.78, -board.thickness_mm)[:2])
    box_x, cone_x = target_x + 400.0 * side, target_x - 95.0 * side
    return [
        Layer(Plane.facing(-330.0), (box_x - 104, -5.0, box_x + 104, 130.0), toolbox),
        Layer(Plane.facing(-260.0), (cone_x - 335, -5.0, cone_x + 335, 85.0), cones),
        Layer(Plane.facing(-90.0), (x - 50.0, -5.0, x + 50.0, y + 5.0), prop),
    ]


def _board(scene: Scene) -> list[Layer]:
    board, seed = scene.board, scene.seed
    (ux, uy), (nx, ny) = board.along, board.normal
    x, y, _ = board.at(0.0)
    length, thick, depth = board.length_mm, board.thickness_mm, board.depth_mm

    def grip(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        light = 1.0 + canvas.cloud(seed + 50, [(40, 0.2), (7, 0.2), (2.2, 0.25)])
        canvas.fill(box(a, b, 0, 0, length, depth), tint((0.045, 0.045, 0.048), light))

    def face(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        grain = canvas.cloud(seed + 51, [(4.5, 0.05), (1.7, 0.05)], stretch=11)
        light = (
            0.98
            + grain
            + canvas.cloud(seed + 52, [(120, 0.06), (33, 0.05), (8, 0.03), (2.6, 0.025)])
        )
        edge = box(a, b, 0, -thick, length, 0)
        canvas.fill(edge, tint((0.62, 0.59, 0.50), light))
        for mark in range(50, int(length) - 5, 50):
            canvas.fill(box(a, b, mark - 0.6, -thick + 1, mark + 0.6, -thick + 6), INK, 0.7)

    top = Plane((x, y, 0.0), (ux, uy, 0.0), (0.0, 0.0, -1.0))
    below = board.at(0.0, -thick)
    under = Plane((below[0], below[1], 0.0), (ux, uy, 0.0), (0.0, 0.0, -1.0))
    front = Plane((x, y, 0.0), (ux, uy, 0.0), (nx, ny, 0.0))
    above = float((scene.camera.place_mm()[:2] - board.foot) @ board.normal) > 0
    slabs = [Layer(under, (0.0, 0.0, length, depth), grip, "board")]
    slabs += [Layer(top, (0.0, 0.0, length, depth), grip, "board")] if above else []
    return [*slabs, Layer(front, (-2.0, -thick - 2.0, length + 2.0, 2.0), face, "board")]


def _sheet(sheet: Sheet) -> Layer:
    turn = math.radians(sheet.turn_deg)
    e1 = (math.cos(turn), math.sin(turn), 0.0)
    plane = Plane((sheet.x_mm, sheet.y_mm, sheet.z_mm), e1, (-e1[1], e1[0], 0.0))
    w, h, card = sheet.width_mm, sheet.height_mm, sheet.card_mm

    def paint(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        board = tint((0.055, 0.058, 0.062), 1.0 + canvas.cloud(71, [(30, 0.12), (3, 0.1)]))
        canvas.fill(box(a, b, -card, -card, w + card, h + card, 3), board)
        paper = tint((0.80, 0.80, 0.78), 0.97 + canvas.cloud(72, [(170, 0.05), (60, 0.02)]))
        canvas.fill(box(a, b, 0, 0, w, h), paper)
        if sheet.border_mm is not None:
            i = sheet.border_mm
            line = without(
                box(a, b, i, i, w - i, h - i), box(a, b, i + 1.4, i + 1.4, w - i - 1.4, h - i - 1.4)
            )
            canvas.fill(line, INK)

    return Layer(plane, (-card, -card, w + card, h + card), paint)


def _scale(scale: ScaleMark) -> list[Layer]:
    turn = math.radians(scale.turn_deg)
    e1 = (math.cos(turn), math.sin(turn), 0.0)
    plane = Plane((scale.x_mm, scale.y_mm, scale.z_mm), e1, (-e1[1], e1[0], 0.0))
    half = scale.length_mm / 2

    def paint(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        strip = tint((0.74, 0.73, 0.68), 0.97 + canvas.cloud(73, [(90, 0.05), (20, 0.02)]))
        canvas.fill(box(a, b, -half - 16, -13, half + 16, 13, 2), strip)
        for x in (-half, half):
            canvas.fill(box(a, b, x - 7, -0.9, x + 7, 0.9), INK)
            canvas.fill(box(a, b, x - 0.9, -7, x + 0.9, 7), INK)
        canvas.fill(lettering(a, b, f"{scale.length_mm:g} mm", -22, -5, 11, 1.6), INK)

    def posts(canvas: Canvas) -> None:
        for x in (scale.x_mm - half * 0.6, scale.x_mm + half * 0.6):
            post = box(canvas.a, canvas.b, x - 2, 0, x + 2, scale.y_mm)
            canvas.fill(post, (0.10, 0.09, 0.08))

    low = (scale.x_mm - half, 0.0, scale.x_mm + half, scale.y_mm + 2.0)
    return [
        Layer(Plane.facing(scale.z_mm - 40.0), low, posts),
        Layer(plane, (-half - 18, -15.0, half + 18, 15.0), paint),
    ]


def _plumb(plumb: Plumb) -> Layer:
    x, low = plumb.x_mm, plumb.bob_mm

    def paint(canvas: Canvas) -> None:
        a, b = canvas.a, canvas.b
        half = plumb.width_mm / 2
        canvas.fill(box(a, b, x - half, low, x + half, plumb.top_mm), (0.012, 0.014, 0.03))
        light = 0.9 + 0.05 * (a - x)
        cone = polygon(
            a, b, [(x - 8, low), (x + 8, low), (x + 7, low - 18), (x, low - 40), (x - 7, low - 18)]
        )
        canvas.fill(cone, tint((0.42, 0.31, 0.12), light))
        canvas.fill(stick(a, b, x - 4, low + 3, x + 4, low + 3, 5), tint((0.35, 0.27, 0.12), light))

    return Layer(Plane.facing(plumb.z_mm), (x - 10, low - 42, x + 10, plumb.top_mm), paint, "front")
