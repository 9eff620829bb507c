"""What is drawn lies where the truth says, judged by estimators of the tests' own.

Linear light, no grain, plain surfaces: what is left is a few thousandths of a px from sampling, so
0.03 px would show a slip of convention (half a px) or of geometry at once.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from clipmark.sample import (
    Board,
    Motion,
    Renderer,
    Scene,
    Sheet,
    Timing,
    Tremor,
    Truck,
    rough_marks,
    scene_truth,
)

SQUARE_ON = {"pitch_deg": 0.0}
TURNED = {
    "yaw_deg": 8.0,
    "pitch_deg": 3.0,
    "roll_deg": 2.0,
    "distortion": (-0.12, 0.05, 0.001, -0.0007, 0.01),
}
AWAY = Board(ramp_deg=10.0, foot_mm=(5000.0, 21.0))


@pytest.mark.parametrize("view", [SQUARE_ON, TURNED], ids=["square on", "turned, bent"])
@pytest.mark.parametrize(("ramp_deg", "rises"), [(28.0, "right"), (55.0, "left")])
def test_the_ramp_edge_is_drawn_where_the_truth_says(
    view, ramp_deg, rises, plain_scene, plain_surfaces, edge_offsets, luma_of
):
    scene = plain_scene(Board(ramp_deg=ramp_deg, rises=rises, depth_mm=1e-3), **view)
    points = scene_truth(scene)["points_px"]["ramp"]
    offset, _ = edge_offsets(luma_of(scene), points, upright=ramp_deg > 45)
    assert abs(offset) < 0.03


@pytest.mark.parametrize("view", [{"pitch_deg": 5.0}, TURNED], ids=["square on", "turned, bent"])
def test_level_edge_plumb_string_and_sheet_are_drawn_where_the_truth_says(
    view, plain_scene, plain_surfaces, edge_offsets, string_offset, luma_of
):
    scene = plain_scene(AWAY, **view)
    truth, luma = scene_truth(scene), luma_of(scene)
    level, _ = edge_offsets(luma, truth["points_px"]["level"], upright=False)
    assert abs(level) < 0.03
    assert abs(string_offset(luma, truth["points_px"]["plumb"])) < 0.03
    settled = scene.settled()
    corners = settled.sheet.corners()
    for i in range(4):
        side = np.linspace(corners[i], corners[(i + 1) % 4], 60)[3:-3]
        offset, _ = edge_offsets(luma, settled.camera.project(side), upright=i % 2 == 1)
        assert abs(offset) < 0.03, f"side {i}"


@pytest.mark.parametrize("place", [(-251.3, 333.7), (101.9, 402.2)])
def test_the_centroid_of_a_white_square_is_its_centre_in_the_truths_px(
    place, plain_scene, plain_surfaces, luma_of
):
    """Independent of all edges: fixes that (0, 0) is the centre of the top-left pixel."""
    scene = replace(plain_scene(AWAY), sheet=Sheet(*place, 0.0, 8.0, 8.0), plumb=None)
    middle = scene.settled().camera.project([scene.sheet.corners().mean(axis=0)])[0]
    x0, y0 = np.round(middle).astype(int) - 11
    window = luma_of(scene)[y0 : y0 + 23, x0 : x0 + 23].astype(float)
    light = window - np.median(window)
    ys, xs = np.mgrid[y0 : y0 + 23, x0 : x0 + 23]
    centroid = [(light * xs).sum() / light.sum(), (light * ys).sum() / light.sum()]
    assert centroid == pytest.approx(list(middle), abs=0.03)


def rim_centre(luma, near, radius):
    """Middle of the steepest falls of light from rim to tyre along 180 spokes."""
    found = []
    for angle in np.linspace(0, 2 * np.pi, 181)[:-1]:
        r = np.arange(radius - 2.5, radius + 3.5, 0.05)
        xs = (near[0] + r * np.cos(angle)).astype(np.float32)
        ys = (near[1] + r * np.sin(angle)).astype(np.float32)
        line = cv2.remap(luma, xs, ys, cv2.INTER_CUBIC).ravel()
        fall = np.maximum(-np.gradient(line), 0) ** 2
        reach = (fall * r).sum() / fall.sum()
        found.append([reach * np.cos(angle), reach * np.sin(angle)])
    return near + 2 * np.mean(found, axis=0)


@pytest.mark.slow
def test_the_hubs_are_drawn_where_the_truth_says(plain_scene, plain_surfaces, luma_of):
    scene = plain_scene(truck=Truck(), view_deg=22.0)
    truth, luma = scene_truth(scene), luma_of(scene)
    for hub in np.array(truth["hubs_px"]).reshape(2, 2):
        started_off = np.add(hub, (0.6, -0.4))  # the estimate must not depend on the start
        centre = rim_centre(luma, started_off, truth["rim_px"])
        # bolts, spokes' ends and the far tyre behind leave 0.05 px
        assert np.abs(centre - hub).max() < 0.06


def lk_shift(before, after, points):
    first, second = (np.clip(np.rint(v), 0, 255).astype(np.uint8) for v in (before, after))
    start = np.asarray(points, np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-4)
    moved, found, _ = cv2.calcOpticalFlowPyrLK(
        first, second, start, None, winSize=(21, 21), maxLevel=2, criteria=criteria
    )
    kept = found.ravel() == 1
    return (moved - start)[kept, 0], kept


def patch_points(patch):
    x, y, w, h = patch
    return [(x + w * i / 5, y + h * j / 5) for i in range(6) for j in range(6)]


@pytest.mark.slow
def test_the_body_moves_as_the_truth_says(plain_scene):
    motion = Motion(speed_mm_s=30.0, ripple=0.2)
    scene = plain_scene(truck=Truck(), motion=motion, frames=12)
    renderer, truth = Renderer(scene), scene_truth(scene)
    first, last = renderer.codes(0)[0], renderer.codes(11)[0]
    shifts, _ = lk_shift(first, last, patch_points(truth["patch"]))
    path = np.array(truth["frames"]["patch_px"])
    # 36 overlapping windows on rounded pixels agree to 0.02 px in the median
    assert np.median(shifts, axis=0) == pytest.approx(path[11] - path[0], abs=0.03)


@pytest.mark.slow
def test_truth_positions_follow_a_hand_held_camera_with_a_rolling_shutter(plain_scene):
    scene = plain_scene(
        truck=Truck(),
        motion=Motion(speed_mm_s=30.0),
        frames=10,
        tremor=Tremor(rms_deg=0.1, seed=3),
        readout_s=0.02,
    )
    renderer, truth = Renderer(scene), scene_truth(scene)
    first, last = renderer.codes(0)[0], renderer.codes(9)[0]
    shifts, _ = lk_shift(first, last, patch_points(truth["patch"]))
    path = np.array(truth["frames"]["patch_px"])
    assert np.median(shifts, axis=0) == pytest.approx(path[9] - path[0], abs=0.05)
    wall = scene.settled().camera.project([[-60.0, 420.0, -420.0]], 0.0)
    still, _ = lk_shift(first, last, wall + np.mgrid[-30:31:15, -30:31:15].reshape(2, -1).T)
    later = scene.settled().camera.project([[-60.0, 420.0, -420.0]], float(renderer.times_s[9]))
    assert np.median(still, axis=0) == pytest.approx((later - wall)[0], abs=0.05)


def test_wheels_turn_with_the_travel_and_the_stated_slip():
    scene = Scene(motion=Motion(speed_mm_s=30.0, slip=0.2), timing=Timing(frames=61))
    frames = scene_truth(scene)["frames"]
    rolled = np.radians(frames["wheel_deg"][-1]) * 27.0
    assert 1.0 - frames["s_mm"][-1] / rolled == pytest.approx(0.2, abs=1e-9)


def test_chassis_and_board_add_up_whichever_way_the_truck_faces():
    for faces, rises, heading, climb in (
        ("up", "right", "right", 20.0),
        ("up", "left", "left", 20.0),
        ("down", "right", "left", -20.0),
    ):
        scene = Scene(
            board=Board(ramp_deg=20.0, rises=rises),
            truck=Truck(faces=faces, chassis_to_ramp_deg=2.5),
        )
        truth = scene_truth(scene)
        assert truth["heading"] == heading
        assert truth["chassis_deg"] == pytest.approx(climb + 2.5)
        rear_x, rear_y, front_x, front_y = truth["hubs_px"]
        nose_up = np.degrees(np.arctan2(rear_y - front_y, abs(front_x - rear_x)))
        assert nose_up == pytest.approx(truth["chassis_deg"], abs=1e-9)
        assert (front_x > rear_x) == (heading == "right")


def test_rough_lines_stay_within_the_stated_slips():
    scene = Scene()
    truth = scene_truth(scene)
    worst_turn, worst_offset = 0.0, 0.0
    for seed in range(200):
        marks = rough_marks(truth, np.random.default_rng(seed), offset_px=6.0, turn_deg=1.5)
        x1, y1, x2, y2 = marks["ramp"]
        a, b = np.array(truth["points_px"]["ramp"])[[0, -1]]
        way = (b - a) / np.hypot(*(b - a))
        middle = np.array([(x1 + x2) / 2, (y1 + y2) / 2])
        worst_offset = max(
            worst_offset, abs(float(way[0] * (middle - a)[1] - way[1] * (middle - a)[0]))
        )
        turn = np.arctan2(y2 - y1, x2 - x1) - np.arctan2(way[1], way[0])
        worst_turn = max(worst_turn, abs(np.degrees(turn)))
    # marks are rounded to 0.1 px
    assert 4.0 < worst_offset < 6.1
    assert 1.2 < worst_turn < 1.53


def test_rough_wheels_are_circles_half_as_far_off_as_other_marks():
    """A hub within 3 px and a rim within 4 % are what measuring moves onto the true hub."""
    truth = scene_truth(Scene())
    true = np.array(truth["wheels"])
    away, sizes = [], []
    for seed in range(200):
        marks = rough_marks(truth, np.random.default_rng(seed), offset_px=6.0)
        wheels = np.array(marks["wheels"])
        assert marks["wheel_mm"] == truth["wheel_mm"]
        assert (wheels[:, 2] == wheels[:, 3]).all()
        assert (wheels[:, 4] == 0).all()
        away += np.hypot(*(wheels - true)[:, :2].T).tolist()
        sizes += (wheels[:, 2] / np.sqrt(true[:, 2] * true[:, 3])).tolist()
    # marks are rounded to 0.1 px
    assert 2.7 < max(away) < 3.1
    assert 0.955 < min(sizes) < 0.965
    assert 1.035 < max(sizes) < 1.045
