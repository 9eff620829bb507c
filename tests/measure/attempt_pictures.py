"""How a filmed session is drawn: a wall, a board, a truck, an arm, somebody who walks by."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

WIDE, HIGH = 640, 360
FOOT, TOP = np.array([150.0, 300.0]), np.array([520.0, 150.0])  # of the board
ALONG = (TOP - FOOT) / np.linalg.norm(TOP - FOOT)
BOARD = float(np.linalg.norm(TOP - FOOT))
TILT = math.atan2(-ALONG[1], ALONG[0])
SHOULDER = np.array([700.0, 40.0])
AWAY = SHOULDER + np.array([60.0, 0.0])  # where a hand is not seen
ELBOW = SHOULDER + np.array([80.0, -20.0])
HINGE = np.array([12.0, 10.0])  # of the board's leg


@dataclass
class Shot:
    """What one frame shows: the truck's place and turn, the hand, people, light."""

    truck: np.ndarray | None = None
    turn: float = 0.0
    spin: float = 0.0
    hand: np.ndarray | None = None
    board_px: float = 0.0
    person: float | None = None
    light: float = 1.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass
class Look:
    """How it was filmed."""

    width: int = 320
    fps: int = 25
    noise: float = 2.0
    shake_px: float = 0.0  # root mean square, of a picture 640 wide
    crf: int = 23
    truck_px: float = 80.0
    flicker: float = 0.0
    carried: bool = False
    depth: bool = False  # the far wall passes behind the board at half the pace


class Scenery:
    """Everything that stands, and how the rest is drawn over it."""

    def __init__(self, look: Look, rng: np.random.Generator) -> None:
        self.look, self.scale = look, look.width / WIDE
        rows, columns = look.width * HIGH // WIDE, look.width
        pad = self.pad = round(60 * self.scale) if not look.carried else round(400 * self.scale)
        rough = rng.normal(0, 1, (rows + 2 * pad, columns + 2 * pad)).astype(np.float32)
        wall = (
            120
            + 10 * cv2.GaussianBlur(rough, (0, 0), 6) * 6
            + 6 * cv2.GaussianBlur(rough, (0, 0), 1.2)
        )
        for _ in range(14 if not look.carried else 90):
            x, y = rng.integers(0, columns + 2 * pad), rng.integers(0, (rows + 2 * pad) * 3 // 4)
            w, h = rng.integers(20, 90, 2) * self.scale
            cv2.rectangle(
                wall, (int(x), int(y)), (int(x + w), int(y + h)), float(rng.uniform(60, 190)), -1
            )
        wall[pad + round(320 * self.scale) :] *= 0.75
        self.wall = cv2.GaussianBlur(wall, (0, 0), 0.7)
        wood = 160 + 8 * cv2.GaussianBlur(rough, (0, 0), sigmaX=8, sigmaY=0.8) * 5
        self.wood = wood
        self.cloth = 150 + 12 * cv2.GaussianBlur(rough, (0, 0), 2.5) * 4
        self.noise = rng.normal(0, 1, (3, rows * 2, columns * 2)).astype(np.float32)

    def grain(self, rng: np.random.Generator) -> np.ndarray:
        rows, columns = self.noise.shape[1] // 2, self.noise.shape[2] // 2
        y, x = rng.integers(0, rows), rng.integers(0, columns)
        return self.noise[rng.integers(0, 3), y : y + rows, x : x + columns]

    def draw(self, shot: Shot) -> np.ndarray:
        if self.look.depth:
            return self._in_depth(shot)
        picture = self.wall.copy()
        if shot.person is not None:
            self._person(picture, shot.person)
        self._board(picture, shot.board_px)
        if shot.truck is not None:
            self._truck(picture, shot)
        if shot.hand is not None:
            self._arm(picture, shot.hand)
        picture *= shot.light
        rows, columns = self.wall.shape
        dx, dy, turn = shot.shift
        inner = (rows - 2 * self.pad, columns - 2 * self.pad)
        if self.look.carried or dx or dy or turn:
            middle = (columns / 2, rows / 2)
            move = cv2.getRotationMatrix2D(middle, math.degrees(turn), 1.0)
            move[:, 2] += np.array([dx, dy]) * self.scale - self.pad
            flags = cv2.INTER_LINEAR
            return cv2.warpAffine(
                picture, move, inner[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT
            )
        return picture[self.pad : rows - self.pad, self.pad : columns - self.pad].copy()

    def _in_depth(self, shot: Shot) -> np.ndarray:
        """From a carried camera: the wall far behind goes at half the pace of what is near."""
        rows, columns = self.wall.shape
        near = self.wall.copy()
        mask = np.zeros(near.shape, np.float32)
        rng = np.random.default_rng(5)
        for _ in range(60):  # things that stand between
            x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
            w, h = (int(each) for each in rng.integers(20, 60, 2))
            cv2.rectangle(mask, (x, y), (x + w, y + h), 1.0, -1)
            cv2.rectangle(near, (x, y), (x + w, y + h), float(rng.uniform(40, 200)), -1)
        self._board(near, shot.board_px)
        if shot.truck is not None:
            self._truck(near, shot)
        dx, dy, turn = shot.shift
        inner = (columns - 2 * self.pad, rows - 2 * self.pad)
        seen = []
        for layer, pace in ((self.wall, 0.5), (near, 1.2), (mask, 1.2)):
            move = cv2.getRotationMatrix2D((columns / 2, rows / 2), math.degrees(turn), 1.0)
            move[:, 2] += np.array([dx, dy]) * self.scale * pace - self.pad
            seen.append(cv2.warpAffine(layer, move, inner, borderMode=cv2.BORDER_REFLECT))
        far, close, share = seen
        return far + share * (close - far)

    def _points(self, places: np.ndarray) -> np.ndarray:
        return np.round((np.asarray(places) * self.scale + self.pad) * 16).astype(np.int32)

    def _poly(self, picture: np.ndarray, places: np.ndarray, tone: float) -> None:
        cv2.fillPoly(picture, [self._points(places)], tone, cv2.LINE_AA, 4)

    def _board(self, picture: np.ndarray, raised: float) -> None:
        top = TOP - [0, raised]
        down = np.array([0.0, 10.0])
        mask = np.zeros(picture.shape, np.float32)
        self._poly(mask, np.array([FOOT, top, top + down, FOOT + down]), 1.0)
        picture += mask * (self.wood - picture)
        self._poly(picture, np.array([top + down, top + HINGE, [532, 320], [520, 320]]), 70.0)

    def _truck(self, picture: np.ndarray, shot: Shot) -> None:
        size = self.look.truck_px / 80
        turn = np.array(
            [
                [math.cos(shot.turn), math.sin(shot.turn)],
                [-math.sin(shot.turn), math.cos(shot.turn)],
            ]
        )

        def at(places: list[list[float]]) -> np.ndarray:
            return np.asarray(places) * size @ turn.T + shot.truck

        self._poly(
            picture,
            at([[-38, -4], [36, -4], [38, -16], [14, -20], [6, -34], [-28, -34], [-38, -18]]),
            205.0,
        )
        self._poly(picture, at([[-24, -30], [2, -30], [8, -20], [-24, -20]]), 45.0)
        self._poly(picture, at([[-34, -10], [34, -10], [34, -6], [-34, -6]]), 80.0)
        for hub in (-24.0, 24.0):
            middle = self._points(at([[hub, 4]])[0])
            radius = round(14 * size * self.scale * 16)
            cv2.circle(picture, tuple(middle.tolist()), radius, 30.0, -1, cv2.LINE_AA, 4)
            cv2.circle(picture, tuple(middle.tolist()), radius // 2, 150.0, -1, cv2.LINE_AA, 4)
            for spoke in range(3):
                angle = shot.spin + spoke * 2 * math.pi / 3
                tip = at([[hub + 12 * math.cos(angle), 4 + 12 * math.sin(angle)]])[0]
                thick = max(1, round(3 * self.scale))
                ends = tuple(middle.tolist()), tuple(self._points(tip).tolist())
                cv2.line(picture, *ends, 90.0, thick, cv2.LINE_AA, 4)

    def _arm(self, picture: np.ndarray, hand: np.ndarray) -> None:
        mask = np.zeros(picture.shape, np.float32)
        wrist = hand + (SHOULDER - hand) * 0.22
        ends = [tuple(self._points(each).tolist()) for each in (hand, wrist, ELBOW)]
        cv2.line(mask, ends[0], ends[1], 1.0, max(2, round(26 * self.scale)), cv2.LINE_AA, 4)
        cv2.circle(mask, ends[0], round(20 * self.scale * 16), 1.0, -1, cv2.LINE_AA, 4)
        picture += mask * (self.cloth * 1.15 - picture)
        sleeve = np.zeros(picture.shape, np.float32)
        cv2.line(sleeve, ends[1], ends[2], 1.0, max(2, round(44 * self.scale)), cv2.LINE_AA, 4)
        picture += sleeve * (self.cloth * 0.45 - picture)

    def _person(self, picture: np.ndarray, x: float) -> None:
        step = 18 * math.sin(x / 22)
        for leg in (-step, step):
            self._poly(
                picture,
                np.array([[x - 14, 190], [x + 14, 190], [x + 10 + leg, 380], [x - 14 + leg, 380]]),
                60.0,
            )
        self._poly(
            picture, np.array([[x - 30, 20], [x + 30, 20], [x + 26, 200], [x - 26, 200]]), 95.0
        )
        self._poly(
            picture, np.array([[x - 16, -40], [x + 16, -40], [x + 16, 18], [x - 16, 18]]), 170.0
        )
