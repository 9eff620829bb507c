"""Whole sessions drawn and filmed: a board, a truck, hands that set it down and take it away.

Drawn with OpenCV, encoded as H.264, and shares nothing with what looks for attempts. Places are in
px of a picture 640 wide, whatever size is asked for; times in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

WIDE, HIGH = 640, 360
FOOT, TOP = np.array([150.0, 300.0]), np.array([520.0, 150.0])  # of the board
ALONG = (TOP - FOOT) / np.linalg.norm(TOP - FOOT)
BOARD = float(np.linalg.norm(TOP - FOOT))
TILT = math.atan2(-ALONG[1], ALONG[0])
SHOULDER = np.array([700.0, 40.0])


@dataclass
class Truth:
    """One attempt as it was drawn: first and last frame in which the truck moved by itself."""

    first: int
    last: int
    start: str
    end: str


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


@dataclass
class Session:
    """A story told in order; `shots` is filled as it is told."""

    look: Look
    seed: int = 0
    shots: list[Shot] = field(default_factory=list)
    truth: list[Truth] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self._at: np.ndarray | None = None
        self._turn = TILT
        self._spin = 0.0
        self._hand: np.ndarray | None = None
        self._board = 0.0

    # -- what happens -------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        for _ in range(self._frames(seconds)):
            self._shoot()

    def stand(self, along: float) -> None:
        """The truck stands on the board already."""
        self._at = self._on_board(along)

    def set_down(self, along: float = 40.0, hold: float = 0.4) -> None:
        """A hand brings the truck and goes."""
        target = self._on_board(along)
        start = SHOULDER + [20, 0] if self._at is None else self._at
        if self._at is None:
            self._hand = start.copy()
        self._turn = TILT
        for share in self._eased(1.4):
            self._at = start + (target - start) * share - [0, 60 * math.sin(math.pi * share)]
            self._hand = self._at - [0, 24]
            self._shoot()
        self._at = target
        for _ in range(self._frames(hold)):
            self._hand = target - [0, 24] + self.rng.normal(0, 0.3, 2)
            self._shoot()
        self._take_hand_away()

    def drive(
        self,
        to: float,
        speed: float,
        *,
        end: str = "rests",
        stall: tuple[float, float] | None = None,
        start: str = "moves-off",
        spins_s: float = 1.0,
    ) -> None:
        """The truck drives along the board, in px/s; `stall` is (where, how long)."""
        here = self._along()
        way = 1.0 if to > here else -1.0
        first = len(self.shots)
        while (to - here) * way > 0:
            if stall is not None and (here - stall[0]) * way > 0:
                self.wait(stall[1])
                stall = None
            step = speed / self.look.fps * (1 + 0.2 * math.sin(len(self.shots) * 0.3))
            here += way * step
            self._spin += way * step / 14
            self._at = self._on_board(here)
            self._shoot()
        if end == "spins":
            for _ in range(self._frames(spins_s)):
                self._spin += 8 / self.look.fps
                self._at = self._on_board(here + 0.5 * math.sin(len(self.shots)))
                self._shoot()
        if end == "falls":
            for share in np.linspace(0, 1, self._frames(0.55)):
                self._at = self._on_board(here + (20 - here) * share**2)
                self._turn = TILT + share * math.pi
                self._shoot()
        self.truth.append(
            Truth(first, len(self.shots) - 1, start, "rests" if end == "spins" else end)
        )
        if end == "leaves":
            self._at = None

    def enter(self, speed: float, to: float) -> None:
        """Drives in from the left along the floor, then up the board."""
        first = len(self.shots)
        here = -60.0
        while here < FOOT[0] - 30:
            here += speed / self.look.fps
            self._spin += speed / self.look.fps / 14
            self._at, self._turn = np.array([here, FOOT[1] - 20]), 0.0
            self._shoot()
        self._turn = TILT
        self.drive(to, speed)
        self.truth[-1].first, self.truth[-1].start = first, "enters"

    def take(self, back_to: float | None = None) -> None:
        """A hand fetches the truck: away, or back along the board to be set down there."""
        assert self._at is not None
        start = SHOULDER.copy()
        goal = self._at - [0, 24]
        for share in self._eased(0.9):
            self._hand = start + (goal - start) * share
            self._shoot()
        if back_to is not None:
            self.set_down(back_to)
            return
        start = self._at.copy()
        for share in self._eased(1.2):
            self._at = start + (SHOULDER + [60, 0] - start) * share
            self._hand = self._at - [0, 24]
            self._shoot()
        self._at = self._hand = None
        self._shoot()

    def point(self, near: float = 70.0) -> None:
        """A finger that points at the truck, and goes again, without touching it."""
        assert self._at is not None
        goal = self._at + [near, -near]
        for share in self._eased(0.8):
            self._hand = SHOULDER + (goal - SHOULDER) * share
            self._shoot()
        self.wait(0.5)
        self._take_hand_away()

    def raise_board(self, by: float = 6.0) -> None:
        """The setter comes to the top of the board and moves it."""
        goal = TOP + [10, -10]
        for share in self._eased(0.9):
            self._hand = SHOULDER + (goal - SHOULDER) * share
            self._shoot()
        start = self._board
        for share in self._eased(1.0):
            self._board = start + by * share
            self._hand = goal - [0, self._board]
            self._shoot()
        self._take_hand_away()

    def during(self, first: int, last: int, what: str, amount: float = 0.0) -> None:
        """Something beside it in frames already told: a person walks by, the light changes."""
        shots = self.shots[first : last + 1]
        for place, shot in enumerate(shots):
            share = place / max(len(shots) - 1, 1)
            if what == "walks":
                shot.person = -90 + 820 * share
            elif what == "light":
                shot.light *= 1 + amount * share
        if what == "light":
            for shot in self.shots[last + 1 :]:
                shot.light *= 1 + amount

    # -- pictures -----------------------------------------------------------------------------

    def write(self, path: Path) -> Path:
        """Draw and encode everything."""
        look = self.look
        height = look.width * HIGH // WIDE
        scenery = _Scenery(look, np.random.default_rng(self.seed + 1))
        shifts = self._shake()
        with av.open(str(path), "w") as container:
            stream = container.add_stream(
                "libx264", rate=look.fps,
                options={"preset": "ultrafast", "crf": str(look.crf), "g": "50"},
            )  # fmt: skip
            stream.width, stream.height, stream.pix_fmt = look.width, height, "yuv420p"
            stream.time_base = Fraction(1, look.fps)
            for place, shot in enumerate(self.shots):
                shot.shift = tuple(shifts[place])
                luma = scenery.draw(shot)
                if look.flicker:
                    luma *= 1 + look.flicker * math.sin(2 * math.pi * 7.3 * place / look.fps)
                luma += look.noise * scenery.grain(self.rng)
                frame = av.VideoFrame(look.width, height, "yuv420p")
                for plane, values in zip(frame.planes, (luma, None, None), strict=True):
                    held = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                    if values is None:
                        held[:] = 128
                    else:
                        held[:, : look.width] = np.clip(values, 16, 235).astype(np.uint8)
                frame.pts = place
                for packet in stream.encode(frame):
                    container.mux(packet)
            for packet in stream.encode(None):
                container.mux(packet)
        return path

    def _shake(self) -> np.ndarray:
        count = len(self.shots)
        rng = np.random.default_rng(self.seed + 2)
        if self.look.carried:
            steps = rng.normal(0, 1, (count, 3))
            slow = gaussian_filter1d(steps, 0.4 * self.look.fps, axis=0)
            slow *= np.array([9, 6, 0.01]) * 3
            return np.cumsum(slow, axis=0) * 25 / self.look.fps
        if not self.look.shake_px:
            return np.zeros((count, 3))
        steps = rng.normal(0, 1, (count, 3))
        smooth = gaussian_filter1d(steps, 0.12 * self.look.fps, axis=0)
        smooth /= smooth.std(axis=0)
        return smooth * self.look.shake_px * np.array([0.7, 0.7, 0.002])

    # -- inside -------------------------------------------------------------------------------

    def _frames(self, seconds: float) -> int:
        return max(1, round(seconds * self.look.fps))

    def _eased(self, seconds: float) -> Iterator[float]:
        for share in np.linspace(0, 1, self._frames(seconds)):
            yield float(share * share * (3 - 2 * share))

    def _on_board(self, along: float) -> np.ndarray:
        return FOOT + ALONG * along + np.array([ALONG[1], -ALONG[0]]) * 20

    def _along(self) -> float:
        assert self._at is not None
        return float((self._at - FOOT) @ ALONG)

    def _take_hand_away(self) -> None:
        assert self._hand is not None
        start = self._hand.copy()
        for share in self._eased(0.9):
            self._hand = start + (SHOULDER + [60, 0] - start) * share
            self._shoot()
        self._hand = None

    def _shoot(self) -> None:
        copy = None if self._at is None else self._at.copy()
        hand = None if self._hand is None else np.array(self._hand)
        self.shots.append(Shot(copy, self._turn, self._spin, hand, self._board))


class _Scenery:
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
        self._poly(picture, np.array([top + down, top + [12, 10], [532, 320], [520, 320]]), 70.0)

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
        ends = [tuple(self._points(each).tolist()) for each in (hand, wrist, SHOULDER + [80, -20])]
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


def drawn_by_lot(seed: int, **more: object) -> Session:
    """A session of three to five attempts, everything that may happen drawn by lot."""
    lot = np.random.default_rng(seed)
    look = Look(
        noise=float(lot.uniform(1, 4)),
        shake_px=float(lot.choice([0.0, 0.0, 1.5, 4.0])),
        truck_px=float(lot.uniform(55, 110)),
        flicker=float(lot.choice([0.0, 0.0, 0.03])),
        crf=int(lot.integers(18, 30)),
        **more,
    )  # fmt: skip
    told = Session(look, seed)
    told.wait(float(lot.uniform(0.5, 3)))
    count = int(lot.integers(3, 6))
    for number in range(count):
        enters = number == 0 and lot.random() < 0.3
        to, speed = float(lot.uniform(200, 360)), float(lot.uniform(12, 90))
        if enters:
            told.enter(max(speed, 40.0), to)
        else:
            told.set_down(float(lot.uniform(30, 60)), float(lot.uniform(0.2, 1.5)))
            told.wait(float(lot.uniform(0.4, 4)))
            stall = None
            if lot.random() < 0.35:
                stall = (float(lot.uniform(90, to - 60)), float(lot.uniform(1.0, 6.0)))
            end = str(lot.choice(["rests", "spins", "falls", "rests"]))
            told.drive(to, speed, end=end, stall=stall, spins_s=float(lot.uniform(0.5, 3)))
        first, last = told.truth[-1].first, told.truth[-1].last
        told.wait(float(lot.choice([0.0, 0.5, 2.5])))
        beside = lot.random()
        if beside < 0.25:
            at = int(lot.integers(first, last + 1))
            told.during(at, min(at + round(2.5 * look.fps), len(told.shots) - 1), "walks")
        elif beside < 0.45:
            at = int(lot.integers(first, last + 1))
            last_lit = min(at + int(lot.integers(1, 2 * look.fps)), len(told.shots) - 1)
            told.during(at, last_lit, "light", float(lot.uniform(-0.25, 0.3)))
        if lot.random() < 0.2:
            told.point()
        if number + 1 < count and lot.random() < 0.6:
            told.take(float(lot.uniform(30, 60)))
            told.wait(float(lot.uniform(0.4, 3)))
            told.drive(
                float(lot.uniform(200, 360)), float(lot.uniform(20, 90)),
                end=str(lot.choice(["rests", "falls", "spins"])),
            )  # fmt: skip
        told.take()
        told.wait(float(lot.uniform(0.5, 3)))
        if lot.random() < 0.3:
            told.raise_board(float(lot.uniform(3, 10)))
            told.wait(1.0)
    told.wait(1.5)
    return told
