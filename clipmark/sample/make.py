"""Makes the sample event `Tarn Hollow Pocket Trials`: clips, truth, marks, lenses, attempts.

Run as ``python -m clipmark.sample.make FOLDER``. Every seed is fixed; the same versions of the
libraries give the same files. Event, trucks and people are invented.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from clipmark.sample.attempt import DIPPER, SISKIN, WHINFELL, Attempt
from clipmark.sample.camera import Camera, Tremor
from clipmark.sample.clips import render_clip
from clipmark.sample.make_followed import followed_attempts
from clipmark.sample.motion import Motion, Stop
from clipmark.sample.scene import (
    Board,
    Encoding,
    Look,
    Plumb,
    ScaleMark,
    Scene,
    Sheet,
    Timing,
)
from clipmark.sample.tilt import TiltScene, rough_tilt_marks, tilt_truth
from clipmark.sample.tilt_render import render_tilt
from clipmark.sample.truth import lens_form, rough_marks, save_json, scene_truth

EVENT = "Tarn Hollow Pocket Trials"
# What a careful calibration of such a camera knows: standard deviations in the lens file's order
# fx, fy, cx, cy, k1, k2, p1, p2, k3 (px; the coefficients have no unit).
LENS_U = (0.6, 0.6, 0.8, 0.8, 0.0015, 0.004, 0.00005, 0.00005, 0.002)


def _encoding(bits: int, **more: Any) -> Encoding:
    limits = (("maxrate", str(bits)), ("bufsize", str(bits // 2)))
    return Encoding(bit_rate=bits, preset="medium", gop=120, bframes=3, extra=limits, **more)


def varying_pts(count: int, seed: int) -> tuple[int, ...]:
    """Time stamps (1/90000 s) of a phone that drops from 60 to 30 and 24 frames/s and back."""
    rng = np.random.default_rng(seed)
    steps = np.full(count - 1, 1500)
    steps[count // 3 : count // 2] = 3000
    steps[count // 2 : count * 5 // 8] = 3750
    steps = steps + rng.integers(-90, 91, count - 1)
    return (0, *(int(v) for v in np.cumsum(steps)))


def attempts() -> list[Attempt]:
    """The committed clips, in the order of the event."""
    return [_climb(), _creep(), _stall(), _portrait(), _varying(), *followed_attempts()]


def _climb() -> Attempt:
    camera = Camera(
        width=1920,
        height=1080,
        view_deg=33.0,
        distance_mm=1750.0,
        distortion=(-0.11, 0.06, 0.0004, -0.0003, 0.0),
        principal_px=(6.5, -4.25),
    )
    scene = Scene(
        camera=camera,
        board=Board(ramp_deg=35.27),
        truck=replace(SISKIN, start_mm=330.0, chassis_to_ramp_deg=2.35),
        timing=Timing(fps=Fraction(60), frames=42),
        sheet=None,
        encoding=_encoding(9_000_000),
        seed=101,
    )
    return Attempt(
        1, "siskin-climb", scene, "Siskin", "board ladder", "sealed birch", 35.0, 35.2, "cleared",
        lens="harrier-wide", reference="plumb", square_within=1.0, drop=("scale", "scale_mm"),
    )  # fmt: skip


def _creep() -> Attempt:
    camera = Camera(
        view_deg=32.0,
        distance_mm=1400.0,
        yaw_deg=7.0,
        pitch_deg=1.5,
        roll_deg=0.6,
        distortion=(-0.06, 0.02, 0.0, 0.0, 0.0),
        principal_px=(-3.0, 2.5),
        exposure_s=1 / 250,
    )
    scene = Scene(
        camera=camera,
        board=Board(ramp_deg=11.64),
        truck=replace(DIPPER, start_mm=405.0, chassis_to_ramp_deg=1.1),
        motion=Motion(speed_mm_s=22.0, ripple=0.18, ripple_hz=2.2, length_s=6.0),
        timing=Timing(fps=Fraction(60), frames=240),
        sheet=Sheet(x_mm=-330.0, y_mm=122.0, turn_deg=0.8),
        scale=None,
        encoding=_encoding(8_000_000),
        seed=102,
    )
    return Attempt(
        2, "dipper-creep", scene, "Dipper", "creep", "cord mat", 12.0, 11.6, "cleared",
        lens="pipit-720", reference="level", kinds=("angle", "crawl"),
    )  # fmt: skip


def _stall() -> Attempt:
    camera = Camera(
        view_deg=33.0, distance_mm=1450.0, yaw_deg=1.4, pitch_deg=-0.8, roll_deg=-0.4,
        exposure_s=1 / 250,
    )  # fmt: skip
    scene = Scene(
        camera=camera,
        board=Board(ramp_deg=18.42),
        truck=replace(SISKIN, start_mm=230.0, chassis_to_ramp_deg=1.6),
        motion=Motion(
            speed_mm_s=30.0,
            ripple=0.10,
            ripple_hz=1.6,
            stops=(Stop(0.95, 0.45), Stop(2.2, 0.62)),
            length_s=6.0,
        ),
        timing=Timing(fps=Fraction(60), frames=204),
        sheet=None,
        scale=ScaleMark(x_mm=-120.0, y_mm=285.0),
        encoding=_encoding(8_000_000),
        seed=103,
    )
    return Attempt(
        3, "siskin-stall", scene, "Siskin", "creep", "sealed birch", 18.0, 18.5, "failed",
        reference="plumb", square_within=3.0, kinds=("angle", "crawl"), reason="stalled", try_no=2,
    )  # fmt: skip


def _portrait() -> Attempt:
    camera = Camera(
        width=1080,
        height=1920,
        view_deg=23.0,
        distance_mm=1750.0,
        target_mm=(0.0, 310.0),
        yaw_deg=-6.4,
        pitch_deg=2.0,
        roll_deg=0.9,
        distortion=(-0.10, 0.05, -0.0003, 0.0004, 0.0),
        principal_px=(4.0, 7.0),
    )
    scene = Scene(
        camera=camera,
        board=Board(ramp_deg=46.31),
        truck=replace(DIPPER, start_mm=300.0, chassis_to_ramp_deg=3.2, squash_mm=2.5),
        timing=Timing(fps=Fraction(60), frames=42),
        sheet=Sheet(x_mm=-330.0, y_mm=470.0, turn_deg=-0.5),
        scale=None,
        plumb=Plumb(x_mm=305.0, bob_mm=190.0),
        banner="",
        encoding=_encoding(9_000_000, stored_turn=1),
        seed=104,
    )
    return Attempt(
        4, "dipper-climb-upright", scene, "Dipper", "board ladder", "cord mat",
        46.0, 46.2, "failed",
        lens="harrier-upright", reference="plumb", reason="spun",
    )  # fmt: skip


def _varying() -> Attempt:
    camera = Camera(
        view_deg=33.0,
        distance_mm=1400.0,
        yaw_deg=-1.1,
        pitch_deg=1.2,
        tremor=Tremor(rms_deg=0.012, band_hz=(0.5, 4.0), seed=5),
        readout_s=0.012,
        exposure_s=1 / 200,
    )
    scene = Scene(
        camera=camera,
        board=Board(ramp_deg=8.93, rises="left"),
        truck=replace(WHINFELL, start_mm=250.0, chassis_to_ramp_deg=0.7),
        motion=Motion(speed_mm_s=34.0, ripple=0.07, ripple_hz=1.4, length_s=5.0),
        timing=Timing(pts=varying_pts(96, 6)),
        sheet=None,
        scale=ScaleMark(x_mm=120.0, y_mm=262.0),
        look=Look(tone="scurve", grain_levels=2.0),
        encoding=_encoding(8_000_000),
        seed=105,
    )
    return Attempt(
        5, "whinfell-creep-varying", scene, "Whinfell", "creep", "sealed birch",
        9.0, 8.9, "cleared",
        reference="level", square_within=3.0, kinds=("angle", "crawl"),
    )  # fmt: skip


def lens_file(camera: Camera) -> dict[str, Any]:
    """The exact lens with the covariance of a careful calibration."""
    lens = lens_form(camera)
    lens["covariance"] = np.diag(np.square(LENS_U)).tolist()
    lens["rms_px"] = 0.17
    lens["views"] = 26
    lens["covered"] = 0.93
    return lens


def operator_marks(attempt: Attempt, truth: dict[str, Any]) -> dict[str, Any]:
    """Marks as set by hand, with what is known of the view; named as on the command line."""
    rng = np.random.default_rng(900 + attempt.attempt)
    if isinstance(attempt.scene, TiltScene):
        marks = rough_tilt_marks(truth, rng) | {"square_within": attempt.square_within}
        return {"clip": f"{attempt.clip}.mp4", "measure": list(attempt.kinds), **marks}
    if "climb" in attempt.kinds:
        return _climb_marks(attempt, attempt.scene, rough_marks(truth, rng, 3.0, 0.7, 0.4))
    marks = rough_marks(truth, rng, 5.0, 1.2, 0.4)
    left_out = {*attempt.drop, {"plumb": "level", "level": "plumb"}[attempt.reference]}
    if "crawl" not in attempt.kinds:
        left_out |= {"patch", "span", "travel", "wheels", "wheel_mm"}
    marks = {key: value for key, value in marks.items() if key not in left_out}
    if attempt.lens is not None:
        marks["lens"] = f"{attempt.lens}.json"
    if attempt.square_within is not None:
        marks["square_within"] = attempt.square_within
    return {"clip": f"{attempt.clip}.mp4", "measure": list(attempt.kinds), **marks}


def _climb_marks(attempt: Attempt, scene: Scene, marks: dict[str, Any]) -> dict[str, Any]:
    """What `clipmark climb` is given: board, hubs, wheels, patch, finish, string, scale."""
    wanted = ("frame", "patch", "ramp", "hubs", "wheels", "wheel_mm", "plumb", "scale", "scale_mm",
              "span")  # fmt: skip
    found = {key: marks[key] for key in wanted if key in marks}
    if attempt.finish_mm is not None:
        settled = scene.settled()
        ends = np.array([settled.board.at(attempt.finish_mm, w) for w in (-30.0, 30.0)])
        found["finish"] = np.round(settled.camera.project(ends, 0.0).ravel(), 1).tolist()
    found |= {"mode": attempt.mode, "square_within": attempt.square_within}
    return {"clip": f"{attempt.clip}.mp4", "measure": list(attempt.kinds), **found}


def truth_of(attempt: Attempt) -> dict[str, Any]:
    """What is true of an attempt's clip, without the file itself."""
    scene = attempt.scene
    found = tilt_truth(scene) if isinstance(scene, TiltScene) else scene_truth(scene)
    return found | attempt.told


def event_record() -> dict[str, Any]:
    """The event: entries, and every attempt with what the judge wrote."""
    return {
        "event": EVENT,
        "place": "Tarn Hollow, back room",
        "date": "2026-05-16",
        "called_by": "R. Aldous",
        "entries": ["Siskin", "Dipper", "Whinfell"],
        "attempts": [
            {
                "attempt": item.attempt,
                "clip": f"{item.clip}.mp4",
                "marks": f"marks/{item.clip}.json",
                "truth": f"truth/{item.clip}.json",
                "entry": item.entry,
                "setup": item.setup,
                "test": item.test,
                "surface": item.surface,
                "try_no": item.try_no,
                "step_deg": item.step_deg,
                "set_start_deg": item.set_start_deg,
                "verdict": item.verdict,
                "reason": item.reason,
                "measure": list(item.kinds),
                **({} if item.grade is None else {"grade": item.grade}),
                **({"join": f"{item.join}.mp4"} if item.join else {}),
            }
            for item in attempts()
        ],
    }


def make_media(folder: Path, names: tuple[str, ...] = ()) -> None:
    """Write the whole set, or only the clips named, into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for item in attempts():
        if names and item.clip not in names:
            continue
        sys.stderr.write(f"{item.clip}\n")
        path = folder / f"{item.clip}.mp4"
        if isinstance(item.scene, TiltScene):
            truth = render_tilt(item.scene, path)
        else:
            truth = render_clip(item.scene, path)
        truth |= item.told
        save_json(truth, folder / "truth" / f"{item.clip}.json")
        save_json(operator_marks(item, truth), folder / "marks" / f"{item.clip}.json")
        if item.lens is not None and isinstance(item.scene, Scene):
            save_json(lens_file(item.scene.camera), folder / "lenses" / f"{item.lens}.json")
    save_json(event_record(), folder / "event.json")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit(
            "say which folder to make: python -m clipmark.sample.make FOLDER [CLIP ...]"
        )
    make_media(Path(sys.argv[1]), tuple(sys.argv[2:]))
