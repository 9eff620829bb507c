"""What is true of a rendered clip, as one JSON-ready dictionary, and marks as a hand sets them.

Layout (docstring of `scene_truth`): positions are upright px with the centre of the top-left pixel
at (0, 0); signs as everywhere in this project: a line is positive when its right end is higher,
a chassis when its nose is up.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clipmark.sample.camera import Camera
from clipmark.sample.hidden import covers_truth, hidden_truth
from clipmark.sample.moving import motion_truth, wheel_truth
from clipmark.sample.scene import TABLE_FRONT_Z, Plumb, ScaleMark, Scene, Sheet

Array = NDArray[np.float64]
Truth = dict[str, Any]
PATCH_MIDDLE_MM = (-2.0, 41.0)  # on the cab and door, off the wheels
PATCH_MM = (64.0, 52.0)
POINTS = 33  # along every line
EDGE_PX = 30.0  # rough lines keep this far from the picture's border


def lens_form(camera: Camera) -> Truth:
    """The camera's exact lens in the form of the project's lens files.

    Focal lengths and centre are px of the square picture (pixel aspect applied).
    """
    k1, k2, p1, p2, k3 = camera.distortion
    cx, cy = camera.centre_px
    return {
        "model": "ordinary",
        "fx": camera.focal_px,
        "fy": camera.focal_px,
        "cx": cx,
        "cy": cy,
        "distortion": {"k1": k1, "k2": k2, "p1": p1, "p2": p2, "k3": k3},
        "covariance": [[0.0] * 9 for _ in range(9)],
        "rms_px": 0.0,
        "views": 0,
        "image_size": [round(camera.width * camera.aspect), camera.height],
        "covered": 1.0,
    }


def scene_truth(scene: Scene, reference_frame: int = 0) -> Truth:
    """Everything known about a scene's clip.

    Parameters
    ----------
    scene : Scene
    reference_frame : int
        The frame whose px positions of lines, sheet, hubs and patch are given at the top level.

    Returns
    -------
    dict
        ``camera``, ``lens``; ``ramp_deg`` (signed as a line), ``chassis_deg``,
        ``chassis_to_ramp_deg`` (nose up), ``heading``; ``lines_px``: x1, y1, x2, y2 by name
        (``ramp``, ``level``, ``plumb``, ``rail``, ``scale``, ``travel``); ``points_px``: points
        along each (a bent lens bends them); ``sheet``, ``scale``, ``hubs_px`` (rear, front),
        ``rim_px``, ``wheels``, ``patch``; ``frames`` with lists over all frames: ``pts``,
        ``times_s``, ``taken_s`` (when the picture was taken: earlier where it repeats one),
        ``s_mm``, ``speed_mm_s`` (at ``times_s``), ``hubs_px``, ``patch_px`` (where the body point
        in the patch's middle is, in the picture), ``wheel_deg``, ``wheel_deg_s``, ``slip`` (see
        `wheel_truth`), ``body_pitch_deg``, ``rear_deg``; ``motion``: ``distance_mm``,
        ``mean_speed_mm_s``, ``stalls``, ``ripple``, ``phases`` and more (see `motion_truth`).
        With covers also ``covers`` and, in ``frames``, what they hide (see `hidden_truth`).
    """
    scene = scene.settled()
    camera, board = scene.camera, scene.board
    times = scene.timing.times_s()
    now = float(times[scene.timing.pictured()][reference_frame])
    truth: Truth = {
        "format": "clipmark sample truth 1",
        "frame_count": len(times),
        "width": camera.width,
        "height": camera.height,
        "pixel_aspect": list(camera.pixel_aspect),
        "stored_turn": scene.encoding.stored_turn,
        "reference_frame": reference_frame,
        "camera": _camera_truth(camera),
        "lens": lens_form(camera),
        "ramp_deg": board.ramp_deg * board.side,
        "rises": board.rises,
        "look": asdict(scene.look),
    }
    points = {name: _px_points(scene, ends, now) for name, ends in _lines(scene, now).items()}
    truth["points_px"] = {name: value.tolist() for name, value in points.items()}
    truth["lines_px"] = {name: [*v[0].tolist(), *v[-1].tolist()] for name, v in points.items()}
    if isinstance(scene.sheet, Sheet):
        truth["sheet"] = _sheet_truth(scene.sheet, camera, now)
    if isinstance(scene.scale, ScaleMark):
        scale = scene.scale
        truth["scale"] = {
            "line_px": truth["lines_px"]["scale"],
            "length_mm": scale.length_mm,
            "z_mm": scale.z_mm,
        }
    if scene.truck is not None:
        truth.update(_truck_truth(scene, now))
        truth["frames"] = _frames_truth(scene, times)
        truth["motion"] = motion_truth(scene, times)
    if scene.covers:
        truth["covers"] = covers_truth(scene, now)
    return truth


def _camera_truth(camera: Camera) -> Truth:
    value: Truth = {key: item for key, item in asdict(camera).items() if key != "tremor"}
    value["target_mm"] = camera.target()[:2].tolist()
    value["tremor_rms_deg"] = camera.tremor.rms_deg if camera.tremor else 0.0
    value["place_mm"] = camera.place_mm().tolist()
    value["world_to_camera"] = camera.rotation().tolist()
    return value


def _lines(scene: Scene, now: float) -> dict[str, Array]:
    """World ends, shape (2, 3) mm, of every line of the scene."""
    board, camera = scene.board, scene.camera
    wide = camera.distance_mm * camera.width * camera.aspect / 2 / camera.focal_px
    x = float(camera.target()[0])
    lines = {
        "ramp": np.array([board.at(0.0), board.at(board.length_mm)]),
        "level": np.array([[x + s * 0.9 * wide, 0.0, TABLE_FRONT_Z] for s in (-1, 1)]),
    }
    if isinstance(scene.plumb, Plumb):
        p = scene.plumb
        lines["plumb"] = np.array([[p.x_mm, y, p.z_mm] for y in (p.top_mm / 2, p.bob_mm + 8.0)])
    if isinstance(scene.scale, ScaleMark):
        lines["scale"] = scene.scale.ends()
    if scene.truck is not None:
        lines["rail"] = np.array([scene.body_point_mm(now, x, 5.0) for x in (-84.0, 86.0)])
        lines["travel"] = scene.hubs_mm(now)
        way = scene.board.along * scene.truck.sense * 150.0
        lines["travel"] = np.array([lines["travel"].mean(axis=0)] * 2)
        lines["travel"][1, :2] += way
    return lines


def _px_points(scene: Scene, ends: Array, now: float) -> Array:
    """Px of points along a line, shape (n, 2), those inside the picture where it leaves it."""
    camera = scene.camera
    share = np.linspace(0.0, 1.0, 40 * POINTS)[:, None]
    px = camera.project(ends[0] * (1 - share) + ends[1] * share, now)
    inside = np.all((px > -0.5) & (px < (camera.width - 0.5, camera.height - 0.5)), axis=1)
    if inside.sum() < 2:
        inside[:] = True
    first, last = np.flatnonzero(inside)[[0, -1]]
    span = np.linspace(share[first, 0], share[last, 0], POINTS)[:, None]
    return camera.project(ends[0] * (1 - span) + ends[1] * span, now)


def _sheet_truth(sheet: Sheet, camera: Camera, now: float) -> Truth:
    value: Truth = {
        "corners_px": camera.project(sheet.corners(), now).ravel().tolist(),
        "size_mm": [sheet.width_mm, sheet.height_mm],
        "z_mm": sheet.z_mm,
        "turn_deg": sheet.turn_deg,
    }
    if sheet.border_mm is not None:
        inset = sheet.border_mm
        value["border_px"] = camera.project(sheet.corners(inset), now).ravel().tolist()
        value["border_mm"] = [sheet.width_mm - 2 * inset, sheet.height_mm - 2 * inset]
    return value


def _truck_truth(scene: Scene, now: float) -> Truth:
    truck, camera = scene.need_truck(), scene.camera
    hubs = scene.hubs_mm(now)
    wheels = []
    for hub in hubs:
        around = np.linspace(0.0, 2 * math.pi, 73)[:-1]
        ring = truck.rim_radius_mm * np.column_stack([np.cos(around), np.sin(around)])
        rim = camera.project(hub + np.column_stack([ring, np.zeros(72)]), now)
        wheels.append(_ellipse(rim))
    to_board = truck.chassis_to_ramp_deg
    climb = scene.board.ramp_deg * truck.sense
    return {
        "heading": "right" if scene.heading() > 0 else "left",
        "chassis_deg": climb + to_board,
        "chassis_to_ramp_deg": to_board,
        "wheelbase_mm": truck.wheelbase_mm,
        "wheel_mm": truck.wheel_mm,
        "rim_radius_mm": truck.rim_radius_mm,
        "spokes": truck.spokes,
        "hubs_px": camera.project(hubs, now).ravel().tolist(),
        "wheels": wheels,
        "rim_px": float(np.mean([w[2] for w in wheels] + [w[3] for w in wheels])),
        "patch": _patch(scene, now),
    }


def _ellipse(rim: Array) -> list[float]:
    """Centre, half axes and turn (counter-clockwise as seen, deg) of the rim's picture."""
    middle = rim.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov((rim - middle).T, bias=True))
    major = vectors[:, 1]
    turn = math.degrees(math.atan2(-major[1], major[0]))
    turn = 90.0 - (90.0 - turn) % 180.0
    rx, ry = np.sqrt(2.0 * values[::-1])
    return [float(middle[0]), float(middle[1]), float(rx), float(ry), turn]


def _patch(scene: Scene, now: float) -> list[float]:
    """Left, top, width, height of an upright rectangle inside the textured body, whole px."""
    middle = scene.body_point_mm(now, *PATCH_MIDDLE_MM)
    probe = middle + np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]])
    px = scene.camera.project(probe, now)
    scale_x = float(np.hypot(*(px[1] - px[0])))
    scale_y = float(np.hypot(*(px[2] - px[0])))
    truck = scene.need_truck()
    lean = math.radians(scene.board.ramp_deg) * truck.sense + truck.squat_rad
    side = min(PATCH_MM) / (abs(math.cos(lean)) + abs(math.sin(lean)))
    w, h = round(side * scale_x), round(side * scale_y)
    return [float(round(px[0, 0] - w / 2)), float(round(px[0, 1] - h / 2)), float(w), float(h)]


def _frames_truth(scene: Scene, times: Array) -> Truth:
    camera, motion = scene.camera, scene.motion
    taken = times[scene.timing.pictured()]
    hubs, patches = [], []
    for time in taken:
        row = np.full(3, (camera.height - 1) / 2.0)
        for _ in range(3):  # a rolling shutter sees each point at its own row's time
            seen = [float(time + t) for t in camera.row_time_s(row)]
            world = np.array(
                [
                    scene.hubs_mm(seen[0])[0],
                    scene.hubs_mm(seen[1])[1],
                    scene.body_point_mm(seen[2], *PATCH_MIDDLE_MM),
                ]
            )
            px = camera.project(world, float(time))
            row = px[:, 1]
            if not camera.readout_s:
                break
        hubs.append(px[:2].ravel().tolist())
        patches.append(px[2].tolist())
    travel = motion.travel(times)
    return {
        "pts": list(scene.timing.all_pts()),
        "time_base": [scene.timing.time_base.numerator, scene.timing.time_base.denominator],
        "times_s": times.tolist(),
        "taken_s": taken.tolist(),
        "s_mm": travel.tolist(),
        "speed_mm_s": motion.speed(times).tolist(),
        "hubs_px": hubs,
        "patch_px": patches,
        **wheel_truth(scene, times),
        "body_pitch_deg": np.degrees(motion.pitch_rad(times)).tolist(),
        "rear_deg": np.degrees(motion.rear_rad(times)).tolist(),
        **(hidden_truth(scene, taken, PATCH_MIDDLE_MM) if scene.covers else {}),
    }


def rough_marks(
    truth: Truth,
    rng: np.random.Generator,
    offset_px: float = 6.0,
    turn_deg: float = 1.5,
    click_px: float = 0.5,
) -> Truth:
    """Marks as a hurried operator would set them.

    Lines are shifted across by up to `offset_px` and turned by up to `turn_deg` about their
    middle, hubs and sheet corners are off by up to `offset_px`, wheels, marked as circles, by half
    of it and 4 % of the rim; the ends of the scale mark, which nothing refines, by `click_px`
    (standard deviation).

    Returns
    -------
    dict
        ``frame``, ``ramp``, ``level``, ``plumb``, ``hubs``, ``rim_px``, ``sheet``, ``sheet_size``,
        ``patch``, ``span``, ``travel``, ``scale``, ``scale_mm``, ``wheels`` (each cx, cy, rx, ry,
        turn), ``wheel_mm``: those that the clip has, named as marks files name them; numbers in
        lists.
    """
    marks: Truth = {"frame": truth["reference_frame"]}
    size = (truth["width"], truth["height"])
    for name in ("ramp", "level", "plumb"):
        if name in truth["points_px"]:
            points = np.array(truth["points_px"][name])
            marks[name] = _rough_line(points, size, rng, offset_px, turn_deg)
    if "hubs_px" in truth:
        hubs = np.array(truth["hubs_px"]).reshape(2, 2) + _disc(rng, 2, offset_px)
        marks["hubs"] = np.round(hubs.ravel(), 1).tolist()
        marks["rim_px"] = round(truth["rim_px"] * float(rng.uniform(0.96, 1.04)), 1)
        left, top, w, h = truth["patch"]
        shift = rng.integers(-2, 3, 2)
        marks["patch"] = [left + float(shift[0]), top + float(shift[1]), w, h]
        marks["span"] = [0, truth["frame_count"] - 1]
        travel = np.array(truth["lines_px"]["travel"]) + rng.uniform(-2, 2, 4)
        marks["travel"] = np.round(travel, 1).tolist()
    if "sheet" in truth:
        corners = np.array(truth["sheet"]["corners_px"]).reshape(4, 2) + _disc(rng, 4, offset_px)
        marks["sheet"] = np.round(corners.ravel(), 1).tolist()
        marks["sheet_size"] = truth["sheet"]["size_mm"]
    if "scale" in truth:
        ends = np.array(truth["scale"]["line_px"]) + click_px * rng.standard_normal(4)
        marks["scale"] = np.round(ends, 2).tolist()
        marks["scale_mm"] = truth["scale"]["length_mm"]
    if "wheels" in truth:
        marks["wheels"] = [_rough_wheel(wheel, rng, offset_px / 2) for wheel in truth["wheels"]]
        marks["wheel_mm"] = truth["wheel_mm"]
    return marks


def _rough_wheel(wheel: list[float], rng: np.random.Generator, offset_px: float) -> list[float]:
    """Hub and rim of a wheel as a circle, the hub off by up to `offset_px`."""
    hub = np.array(wheel[:2]) + _disc(rng, 1, offset_px)[0]
    rim = math.sqrt(wheel[2] * wheel[3]) * float(rng.uniform(0.96, 1.04))
    return [*np.round(hub, 1).tolist(), round(rim, 1), round(rim, 1), 0.0]


def _disc(rng: np.random.Generator, count: int, radius: float) -> Array:
    """Random offsets within a disc, shape (count, 2)."""
    angle = rng.uniform(0, 2 * math.pi, count)
    reach = radius * np.sqrt(rng.uniform(0, 1, count))
    return np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])


def _rough_line(
    points: Array, size: tuple[int, int], rng: np.random.Generator, offset: float, turn: float
) -> list[float]:
    top = np.array(size) - 1.0 - EDGE_PX
    inside = np.flatnonzero(np.all((points > EDGE_PX) & (points < top), axis=1))
    if inside.size < 3:
        inside = np.arange(len(points))
    trim = max(1, inside.size // 14)
    a, b = points[inside[trim - 1]], points[inside[-trim]]
    middle, half = (a + b) / 2, (b - a) / 2
    angle = math.radians(float(rng.uniform(-turn, turn)))
    c, s = math.cos(angle), math.sin(angle)
    across = np.array([-half[1], half[0]]) / np.hypot(*half)
    middle = middle + across * float(rng.uniform(-offset, offset))
    half = np.array([c * half[0] - s * half[1], s * half[0] + c * half[1]])
    limit = np.array(size) - 1.0
    ends = np.clip(np.array([middle - half, middle + half]), 0.0, limit)
    return np.round(ends.ravel(), 1).tolist()  # type: ignore[no-any-return]


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def save_json(value: Truth, path: Path) -> None:
    """Write a dictionary as JSON, numbers rounded to 9 decimals, one key a line."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = (f" {json.dumps(key)}: {json.dumps(_plain(item))}" for key, item in value.items())
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 9)
    return value
