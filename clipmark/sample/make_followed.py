"""Clips of the sample event in which something is followed: side tilts, descents, a climb."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from clipmark.sample.attempt import DIPPER, SISKIN, WHINFELL, Attempt
from clipmark.sample.camera import Camera
from clipmark.sample.motion import Leg, Lock, Motion, Roll, Spin
from clipmark.sample.scene import Board, Encoding, Look, Scene, Timing, Truck
from clipmark.sample.tilt import TiltScene

DOWN = Leg(0.2, 1.1, 70.0)


def followed_attempts() -> list[Attempt]:
    """Side tilts of two trucks to either side, two descents, a climb that slides back."""
    return [
        *_tilts(6, "Siskin", SISKIN, height_mm=60.0, offset_mm=1.5),
        *_tilts(8, "Dipper", DIPPER, height_mm=56.0, offset_mm=-2.0),
        _descent(
            10, "Siskin", SISKIN, "cleared", Motion(legs=(DOWN, Leg(1.8, 2.7, -60.0))), 3,
            {"reverse_call": "reversed"},
        ),
        _descent(
            11, "Dipper", DIPPER, "failed", Motion(legs=(DOWN,), spins=(Spin(1.8, 0.9, -90.0),)), 1,
            {"reverse_call": "not reversed"}, reason="spun",
        ),
        _slides_back(),
    ]  # fmt: skip


def _small_camera() -> Camera:
    return Camera(width=800, height=450, view_deg=30.0, distance_mm=1450.0, yaw_deg=0.3)


def _crf(value: float) -> Encoding:
    return Encoding(crf=value, preset="medium", gop=120, bframes=3)


def _tilts(
    first: int, entry: str, truck: Truck, height_mm: float, offset_mm: float
) -> list[Attempt]:
    """Both sides of one truck, the left side low first."""
    found = []
    for number, side in enumerate(("left", "right")):
        scene = TiltScene(
            truck=truck,
            side=side,
            rate_deg_s=1.5,
            timing=Timing(fps=Fraction(30), frames=84),
            encoding=_crf(20),
            look=Look(grain_levels=1.2),
            seed=200 + first + number,
            height_mm=height_mm,
            offset_mm=offset_mm,
        )
        scene = replace(scene, start_deg=round(scene.balance_deg - 2.7, 1))
        name = entry.lower()
        found.append(
            Attempt(
                first + number,
                f"{name}-tilt-{side}",
                scene,
                entry,
                "side tilt",
                "platform",
                None,
                None,
                "",
                square_within=0.6,
                kinds=("tilt",),
                try_no=number + 1,
                join=f"{name}-tilt-left" if side == "right" else "",
            )
        )
    return found


def _descent(
    number: int,
    entry: str,
    truck: Truck,
    verdict: str,
    motion: Motion,
    grade: int,
    told: dict[str, Any],
    reason: str = "",
) -> Attempt:
    scene = Scene(
        camera=_small_camera(),
        board=Board(ramp_deg=22.0),
        truck=replace(truck, start_mm=380.0, faces="down", chassis_to_ramp_deg=1.5),
        motion=motion,
        timing=Timing(fps=Fraction(30), frames=84),
        look=Look(grain_levels=1.2),
        encoding=_crf(22),
        sheet=None,
        seed=100 + number,
    )
    return Attempt(
        number, f"{entry.lower()}-descent", scene, entry, "descent", "sealed birch", None, 22.1,
        verdict, square_within=1.0, kinds=("climb",), mode="descend", grade=grade, told=told,
        reason=reason,
    )  # fmt: skip


def _slides_back() -> Attempt:
    motion = Motion(
        legs=(Leg(0.2, 1.2, 75.0),), rolls=(Roll(1.5, 0.8, -140.0),), locks=(Lock(1.2, 1.6),)
    )
    scene = Scene(
        camera=_small_camera(),
        board=Board(ramp_deg=39.8),
        truck=replace(WHINFELL, start_mm=200.0, chassis_to_ramp_deg=2.6),
        motion=motion,
        timing=Timing(fps=Fraction(30), frames=90),
        look=Look(grain_levels=1.2),
        encoding=_crf(22),
        sheet=None,
        seed=112,
    )
    return Attempt(
        12, "whinfell-climb", scene, "Whinfell", "board ladder", "sealed birch", 40.0, 39.9,
        "failed", square_within=1.0, kinds=("climb",), mode="climb", finish_mm=420.0,
        reason="slid-back",
    )  # fmt: skip
