"""Rendered attempts at a board with known outcomes, and what a hurried operator marks on them.

Truth is that of the renderer: the rear contact point's way, the instants at which things began.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

import clipmark
from clipmark.sample import (
    Board,
    Camera,
    Cover,
    Encoding,
    Leg,
    Lock,
    Look,
    Motion,
    Rear,
    Renderer,
    Roll,
    Scene,
    Spin,
    Timing,
    Tremor,
    Truck,
)
from clipmark.sample.encode import write_clip
from clipmark.sample.truth import rough_marks, scene_truth


@dataclass(frozen=True)
class Attempt:
    """One attempt: how the truck moves, where the finish is, what else happens."""

    motion: Motion
    seconds: float = 3.0
    ramp_deg: float = 38.0
    rises: str = "right"
    start_mm: float = 190.0
    finish_mm: float | None = 420.0
    faces: str = "up"
    fps: int = 30
    size: tuple[int, int] = (640, 360)
    covers: tuple[Cover, ...] = ()
    steeper_deg: float = 0.0
    moves_at_s: float = 1.5
    seed: int = 5
    grain: float = 1.2
    fine: int = 2
    tremor_deg: float = 0.0  # of a camera held by hand

    def scene(self) -> Scene:
        return Scene(
            camera=Camera(
                width=self.size[0],
                height=self.size[1],
                view_deg=30.0,
                distance_mm=1500.0,
                tremor=Tremor(self.tremor_deg, seed=self.seed) if self.tremor_deg else None,
            ),
            board=Board(ramp_deg=self.ramp_deg, rises=self.rises),
            truck=Truck(start_mm=self.start_mm, faces=self.faces, seed=3 + self.seed),
            motion=self.motion,
            timing=Timing(Fraction(self.fps), frames=round(self.seconds * self.fps)),
            look=Look(grain_levels=self.grain, supersample=self.fine),
            encoding=Encoding(bit_rate=6_000_000),
            sheet=None,
            seed=self.seed,
            covers=self.covers,
        ).settled()


def moving(leg_s: float, speed: float = 70.0, **more) -> Motion:
    """Up the board for so long, from rest, and what follows."""
    return Motion(legs=(Leg(0.2, leg_s, speed),), **more)


HAND = Cover(
    middle_mm=(450.0, 235.0),
    size_mm=(170.0, 120.0),
    velocity_mm_s=(-300.0, 0.0),
    z_mm=60.0,
    colour=(0.55, 0.36, 0.27),
)


@dataclass(frozen=True, eq=False)
class Shot:
    """A rendered attempt with its truth and marks."""

    path: Path
    scene: Scene
    truth: dict
    marks: dict
    attempt: Attempt
    options: dict = field(default_factory=dict)

    def rear_mm(self, t: float) -> float:
        """True place of the lower axle's contact point along the board."""
        hub = min(
            self.scene.hubs_mm(t)[:, :2], key=lambda place: float(place[1]), default=np.zeros(2)
        )
        return float((hub - self.scene.board.foot) @ self.scene.board.along)

    def finish_t_s(self) -> float:
        """When that point passed the finish line, to 0.1 ms."""
        times = np.arange(0, self.attempt.seconds, 1e-3)
        past = np.array([self.rear_mm(float(t)) for t in times]) - self.attempt.finish_mm
        k = int(np.flatnonzero((past[1:] > 0) & (past[:-1] <= 0))[0])
        return float(times[k] + 1e-3 * past[k] / (past[k] - past[k + 1]))

    def read(self, leave_out: tuple[str, ...] = (), **more):
        options = {k: v for k, v in self.options.items() if k not in leave_out} | more
        with clipmark.open_clip(self.path) as clip:
            return clipmark.measure_climb(clip, self.marks["frame"], **options)


def shoot(attempt: Attempt, path: Path) -> Shot:
    """Render, with the board lifted under the truck where it is to move, and mark."""
    scene = attempt.scene()
    renderer = Renderer(scene)
    lifted = None
    if attempt.steeper_deg:
        board = replace(
            scene.board,
            ramp_deg=attempt.ramp_deg + attempt.steeper_deg,
            foot_mm=tuple(scene.board.foot.tolist()),
        )
        lifted = Renderer(replace(scene, board=board))
    times = scene.timing.times_s()

    def frames():
        for k in range(len(renderer)):
            which = lifted if lifted and times[k] >= attempt.moves_at_s else renderer
            yield which.frame(k)

    write_clip(scene, frames(), path)
    truth = scene_truth(scene)
    marks = rough_marks(truth, np.random.default_rng([attempt.seed, 9]), 3.0, 0.7)
    options = {
        "patch": marks["patch"],
        "ramp": marks["ramp"],
        "plumb": marks["plumb"],
        "hubs": marks["hubs"],
        "wheels": marks["wheels"],
        "wheel_mm": marks["wheel_mm"],
        "scale": truth["scale"]["line_px"],
        "scale_mm": truth["scale"]["length_mm"],
        "square_within_deg": 1.0,
    }
    if attempt.finish_mm is not None:
        options["finish"] = finish_line(scene, attempt.finish_mm)
    return Shot(path, scene, truth, marks, attempt, options)


def finish_line(scene: Scene, at_mm: float) -> list[float]:
    """Across the board at `at_mm` from its foot, 60 mm long, as it is seen."""
    ends = np.array([scene.board.at(at_mm, w) for w in (-30.0, 30.0)])
    return scene.camera.project(ends, 0.0).ravel().tolist()


def outcomes() -> dict[str, Attempt]:
    """One attempt of every kind, by name."""
    up = moving(1.7)
    return {
        "cleared": Attempt(moving(2.9, 100.0), finish_mm=260.0),
        "stalled": Attempt(up),
        "spun": Attempt(moving(1.7, spins=(Spin(1.5, 1.5, 160.0),))),
        "slid": Attempt(moving(1.3, rolls=(Roll(1.7, 0.8, -150.0),), locks=(Lock(1.5, 1.5),))),
        "rolled": Attempt(moving(1.3, rolls=(Roll(1.7, 0.8, -150.0),))),
        "tipped": Attempt(moving(1.5, rears=(Rear(1.2, 0.8, 100.0),))),
        "lifted and came down": Attempt(
            moving(2.9, 100.0, rears=(Rear(0.8, 0.4, 15.0, 0.1, 0.2),)), finish_mm=260.0
        ),
        "board moved": Attempt(moving(2.9, 100.0), finish_mm=260.0, steeper_deg=1.0),
        "hand": Attempt(moving(2.9, 60.0), covers=(HAND,)),
        "still moving": Attempt(moving(2.9, 50.0)),
        "nothing": Attempt(Motion(), seconds=1.5),
    }


EXPECTED = {  # proposed, reason code, ended by; None: not asked
    "cleared": ("cleared", "cleared", None),
    "stalled": ("failed", "stalled", "drive"),
    "spun": ("failed", "spun", "grip"),
    "slid": ("failed", "slid-back", "grip"),
    "rolled": ("failed", "slid-back", "drive"),
    "tipped": ("failed", "tipped-back", "balance"),
    "lifted and came down": ("cleared", "cleared", None),
    "board moved": ("cleared", "cleared", None),
    "hand": ("unclear", None, None),
    "still moving": ("unclear", None, None),
    "nothing": ("unclear", None, None),
}


def drawn_by_lot(kind: str, rng: np.random.Generator) -> Attempt:
    """An attempt of a kind with everything else drawn: slope, side, speeds, rate, size, grain."""
    speed = float(rng.uniform(35, 110))
    stop = float(rng.uniform(1.3, 1.7))
    go = (Leg(0.2, stop, speed),)
    on = (Leg(0.2, 2.9, speed),)
    reach = speed * 2.4
    start = float(rng.uniform(150, 230))
    back = -float(rng.uniform(90, 220))
    motions = {
        "cleared": Motion(legs=on),
        "stalled": Motion(legs=go),
        "spun": Motion(legs=go, spins=(Spin(stop - 0.2, 4.0, float(rng.uniform(60, 150))),)),
        "slid": Motion(legs=go, rolls=(Roll(stop + 0.2, 0.7, back),), locks=(Lock(stop, 4.0),)),
        "rolled": Motion(legs=go, rolls=(Roll(stop + 0.2, 0.7, back),)),
        "tipped": Motion(
            legs=go,
            rears=(Rear(stop - 0.3, float(rng.uniform(0.6, 1.0)), float(rng.uniform(80, 120))),),
        ),
        "lifted and came down": Motion(
            legs=on, rears=(Rear(0.8, 0.4, float(rng.uniform(10, 20)), 0.1, 0.2),)
        ),
        "board moved": Motion(legs=on),
        "hand": Motion(legs=go),
        "still moving": Motion(legs=(Leg(0.2, 9.0, speed),)),
    }
    clears = kind in ("cleared", "lifted and came down", "board moved")
    finish = start - 68.0 + reach * float(rng.uniform(0.45, 0.8)) if clears else 400.0
    attempt = Attempt(
        motions[kind],
        seconds=3.0,
        ramp_deg=float(rng.uniform(20, 46)),
        rises=str(rng.choice(["right", "left"])),
        start_mm=start,
        finish_mm=finish,
        fps=int(rng.choice([24, 30, 50])),
        size=[(640, 360), (720, 404), (768, 432)][int(rng.integers(3))],
        seed=int(rng.integers(1000)),
        grain=float(rng.uniform(0.6, 2.0)),
        steeper_deg=float(rng.uniform(0.4, 1.5)) if kind == "board moved" else 0.0,
    )
    if kind != "hand":
        return attempt
    at = float(rng.uniform(1.0, 1.5))
    there = attempt.scene().body_point_mm(at, -2.0, 41.0)
    hand = replace(HAND, middle_mm=(float(there[0]) + 300 * at, float(there[1])))
    return replace(attempt, covers=(hand,))


KINDS = tuple(kind for kind in EXPECTED if kind != "nothing")
