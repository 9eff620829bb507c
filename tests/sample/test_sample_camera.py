"""The renderer's camera keeps the conventions and formulas that the measuring side is told."""

import math

import numpy as np
import pytest

from clipmark.errors import LensError
from clipmark.sample import Board, Camera, Scene, Tremor, scene_truth
from clipmark.sample.camera import distort, undistort

BENT = (-0.12, 0.05, 0.001, -0.0007, 0.01)


def shown_deg(points):
    (x1, y1), (x2, y2) = points[0], points[-1]
    return 90.0 - (90.0 - math.degrees(math.atan2(y1 - y2, x2 - x1))) % 180.0


def line_through(camera, middle_mm, angle_deg, half_mm=100.0):
    step = half_mm * np.array(
        [math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg)), 0]
    )
    middle = np.array([*middle_mm, 0.0])
    return camera.project(np.array([middle - step, middle + step]))


def test_square_on_the_axis_lands_on_the_middle_of_the_pixel_grid():
    camera = Camera(width=1280, height=720, target_mm=(12.0, 34.0))
    assert camera.project([[12.0, 34.0, 0.0]])[0] == pytest.approx([639.5, 359.5], abs=1e-9)


def test_the_view_angle_spans_the_outer_edges_of_the_outer_pixels():
    camera = Camera(width=1000, height=500, view_deg=40.0, distance_mm=1000.0, target_mm=(0, 0))
    edge = 1000.0 * math.tan(math.radians(20.0))
    assert camera.project([[edge, 0, 0]])[0, 0] == pytest.approx(999.5, abs=1e-9)


def test_x_runs_right_and_y_runs_down():
    camera = Camera(target_mm=(0, 0))
    left_low, right_high = camera.project([[-10.0, -10.0, 0.0], [10.0, 10.0, 0.0]])
    assert right_high[0] > left_low[0]
    assert right_high[1] < left_low[1]


@pytest.mark.parametrize("yaw_deg", [-8.0, 3.0, 10.0])
@pytest.mark.parametrize("true_deg", [0.0, 30.0, 53.0])
def test_yaw_through_the_centre_shows_the_tangent_over_the_cosine(yaw_deg, true_deg):
    camera = Camera(yaw_deg=yaw_deg, target_mm=(0, 0))
    shown = shown_deg(line_through(camera, (0.0, 0.0), true_deg))
    expected = math.tan(math.radians(true_deg)) / math.cos(math.radians(yaw_deg))
    assert math.tan(math.radians(shown)) == pytest.approx(expected, abs=1e-12)


def test_yaw_leans_a_level_line_off_the_axis_to_first_order():
    """tan(shown) = (tan(true) - (y0/f) sin psi) / cos psi, psi > 0 with the right side farther."""
    camera = Camera(yaw_deg=5.0, target_mm=(0, 0), distance_mm=1500.0)
    below = line_through(camera, (0.0, -250.0), 0.0)
    y0 = camera.centre_px[1] - camera.project([[0.0, -250.0, 0.0]])[0, 1]
    psi = math.radians(5.0)
    expected = -(y0 / camera.focal_px) * math.sin(psi) / math.cos(psi)
    assert math.tan(math.radians(shown_deg(below))) == pytest.approx(expected, abs=1e-12)
    assert shown_deg(below) == pytest.approx(0.835, abs=0.001)


def test_pitch_shows_the_tangent_times_the_cosine_and_spares_level_lines():
    camera = Camera(pitch_deg=10.0, target_mm=(0, 0))
    shown = shown_deg(line_through(camera, (0.0, 0.0), 45.0))
    assert math.tan(math.radians(shown)) == pytest.approx(math.cos(math.radians(10.0)), abs=1e-12)
    assert shown_deg(line_through(camera, (0.0, 150.0), 0.0)) == pytest.approx(0.0, abs=1e-12)


def test_pitch_from_above_brings_the_top_nearer():
    camera = Camera(pitch_deg=10.0, target_mm=(0, 0))
    assert camera.place_mm()[1] > 0
    top, bottom = (line_through(camera, (0.0, y), 0.0) for y in (200.0, -200.0))
    assert np.ptp(top[:, 0]) > np.ptp(bottom[:, 0])


def test_roll_turns_every_line_counter_clockwise_by_itself():
    camera = Camera(roll_deg=1.25, target_mm=(0, 0))
    assert shown_deg(line_through(camera, (50.0, 80.0), 20.0)) == pytest.approx(21.25, abs=1e-10)


def test_wide_pixels_show_steeper_lines_in_the_stored_picture():
    """At 4:3 pixel aspect a 45 deg board shows as 53.1 deg."""
    camera = Camera(pixel_aspect=(4, 3), target_mm=(0, 0))
    shown = shown_deg(line_through(camera, (0.0, 0.0), 45.0))
    assert shown == pytest.approx(math.degrees(math.atan(4 / 3)), abs=1e-10)


def test_distortion_and_its_inverse_agree_to_a_billionth():
    rng = np.random.default_rng(4)
    straight = rng.uniform(-0.5, 0.5, (500, 2))
    bent = distort(straight, BENT)
    back = np.column_stack(undistort(bent[:, 0], bent[:, 1], BENT))
    assert np.abs(back - straight).max() < 1e-11


def test_a_lens_that_folds_back_inside_the_picture_is_refused():
    camera = Camera(view_deg=90.0, distortion=(-0.6, 0.0, 0.0, 0.0, 0.0))
    with pytest.raises(LensError) as refusal:
        camera.straight_grid(np.array([0.0, 1279.0]), np.array([0.0, 719.0]))
    assert str(refusal.value) == (
        "the lens of the scene folds back inside the picture; "
        "use weaker distortion coefficients or a narrower view"
    )


def test_the_lens_in_the_truth_projects_like_the_camera():
    camera = Camera(distortion=BENT, principal_px=(3.0, -2.0), target_mm=(0, 0), yaw_deg=4.0)
    lens = scene_truth(Scene(camera=camera, truck=None))["lens"]
    world = np.array([[100.0, 50.0, 0.0], [-220.0, 90.0, -30.0]])
    seen = (world - camera.place_mm()) @ camera.rotation().T
    x, y = (seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2])
    k1, k2, p1, p2, k3 = (lens["distortion"][name] for name in ("k1", "k2", "p1", "p2", "k3"))
    r2 = x**2 + y**2
    radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
    u = lens["fx"] * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x**2)) + lens["cx"]
    v = lens["fy"] * (y * radial + p1 * (r2 + 2 * y**2) + 2 * p2 * x * y) + lens["cy"]
    assert camera.project(world) == pytest.approx(np.column_stack([u, v]), abs=1e-9)


def test_tremor_has_the_stated_spread_and_is_the_same_every_time():
    tremor = Tremor(rms_deg=0.1, seed=8)
    angles = np.degrees(tremor.angles_rad(np.arange(0, 400, 0.02)))
    assert angles.std(axis=0) == pytest.approx(0.1, rel=0.05)  # 160 of its slowest swings
    again = np.degrees(Tremor(rms_deg=0.1, seed=8).angles_rad(np.arange(0, 400, 0.02)))
    assert np.array_equal(angles, again)


@pytest.mark.parametrize(("rises", "sign"), [("right", 1), ("left", -1)])
def test_the_ramp_is_positive_when_its_right_end_is_higher(rises, sign):
    truth = scene_truth(Scene(board=Board(ramp_deg=33.0, rises=rises)))
    assert truth["ramp_deg"] == sign * 33.0
    assert shown_deg(truth["points_px"]["ramp"]) == pytest.approx(sign * 33.0, abs=1e-9)
