"""The plane model: truth from a projection written here, which shares no code with the package."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.errors import LensError
from clipmark.geometry.plane import (
    angle_between,
    directions,
    level_from_plumb,
    normal_from_yaw_pitch,
    pointing_right,
    rectifier,
)

F_PX, CX, CY = 1400.0, 959.5, 539.5
PINHOLE = np.array([F_PX, F_PX, CX, CY, 0, 0, 0, 0, 0])
SQUARE_ON = np.array([0.0, 0.0, -1.0])


def turned(yaw_deg, pitch_deg):
    """Columns: the plane's right, its down, and away; right farther for yaw, top for pitch."""
    a, b = math.radians(yaw_deg), math.radians(pitch_deg)
    yaw = np.array([[math.cos(a), 0, -math.sin(a)], [0, 1, 0], [math.sin(a), 0, math.cos(a)]])
    pitch = np.array([[1, 0, 0], [0, math.cos(b), math.sin(b)], [0, -math.sin(b), math.cos(b)]])
    return pitch @ yaw


def line_px(turn, distance, middle_mm, angle_deg, half_mm=250.0, k1=0.0):
    """Nine picture positions of a line in the turned plane, counter-clockwise angle."""
    way = np.array([math.cos(math.radians(angle_deg)), -math.sin(math.radians(angle_deg))])
    flat = np.asarray(middle_mm) + np.outer(np.linspace(-half_mm, half_mm, 9), way)
    space = flat @ turn[:, :2].T + [0, 0, distance]
    ray = space[:, :2] / space[:, 2:]
    ray = ray * (1 + k1 * np.sum(ray**2, axis=1))[:, None]
    return F_PX * ray + [CX, CY]


def read_deg(level, ramp, camera=PINHOLE, normal=SQUARE_ON):
    first, second = (directions(points, camera, normal) for points in (level, ramp))
    return math.degrees(angle_between(first, second, normal))


# --- truth comes back -------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(
    yaw=st.floats(-35, 35),
    pitch=st.floats(-35, 35),
    true_deg=st.floats(-89, 89),
    distance=st.floats(1200, 5000),
    low=st.tuples(st.floats(-200, 200), st.floats(-200, 200)),
    high=st.tuples(st.floats(-200, 200), st.floats(-200, 200)),
    k1=st.floats(-0.1, 0.1),
)
def test_angle_comes_back_from_any_view(yaw, pitch, true_deg, distance, low, high, k1):
    """1e-7 deg, with the plane's normal and the lens known."""
    turn = turned(yaw, pitch)
    level = line_px(turn, distance, low, 0.0, k1=k1)
    ramp = line_px(turn, distance, high, true_deg, k1=k1)
    camera = PINHOLE.copy()
    camera[4] = k1
    normal = normal_from_yaw_pitch(math.radians(yaw), math.radians(pitch))
    assert read_deg(level, ramp, camera, normal) == pytest.approx(true_deg, abs=1e-7)


def test_every_parallel_plane_gives_the_same_angle():
    turn = turned(9, -4)
    normal = normal_from_yaw_pitch(math.radians(9), math.radians(-4))
    angles = [
        read_deg(
            line_px(turn, distance, (0, 150), 0.0),
            line_px(turn, distance + 130, (40, -60), 41.0),
            PINHOLE,
            normal,
        )
        for distance in (1500, 1650, 4000)
    ]
    assert angles == pytest.approx([41.0] * 3, abs=1e-9)


def test_plumb_line_gives_the_same_level_as_a_level_line():
    turn = turned(-7, 5)
    normal = normal_from_yaw_pitch(math.radians(-7), math.radians(5))
    level = directions(line_px(turn, 1800, (30, 200), 0.0), PINHOLE, normal)
    for angle in (90.0, -90.0):  # hung from either end
        plumb = directions(line_px(turn, 1800, (-350, 0), angle), PINHOLE, normal)
        assert level_from_plumb(plumb, normal) == pytest.approx(level, abs=1e-12)


def test_direction_runs_from_the_first_point_to_the_last():
    turn = turned(12, 3)
    normal = normal_from_yaw_pitch(math.radians(12), math.radians(3))
    points = line_px(turn, 1800, (50, 40), 130.0)
    way = directions(points, PINHOLE, normal)
    back = directions(points[::-1], PINHOLE, normal)
    true = turn[:, :2] @ [math.cos(math.radians(130)), -math.sin(math.radians(130))]
    assert way == pytest.approx(true, abs=1e-12)
    assert back == pytest.approx(-true, abs=1e-12)
    assert pointing_right(way)[0] > 0


def test_counter_clockwise_as_seen_is_positive():
    """Picture y points down: up and to the right is +45 deg."""
    level = np.array([[100.0, 500.0], [300.0, 500.0]])
    ramp = np.array([[100.0, 500.0], [300.0, 300.0]])
    assert read_deg(level, ramp) == pytest.approx(45.0, abs=1e-12)


def test_many_draws_are_each_draw_by_itself():
    rng = np.random.default_rng(8)
    camera = PINHOLE + rng.normal(size=(40, 9)) * [20, 20, 9, 9, 0.01, 0, 0, 0, 0]
    normal = normal_from_yaw_pitch(*rng.uniform(-0.1, 0.1, (2, 40)))
    points = line_px(turned(2, 1), 1800, (50, 40), 30.0) + rng.normal(size=(40, 9, 2))
    together = directions(points, camera, normal)
    assert together.shape == (40, 3)
    for i in (0, 23):
        alone = directions(points[i], camera[i], normal[i])
        assert together[i] == pytest.approx(alone, abs=1e-12)


def test_a_mark_beyond_the_lens_is_refused_not_guessed():
    camera = np.array([536.0, 536.0, 320.0, 240.0, -0.3, 0, 0, 0, 0])
    with pytest.raises(LensError, match="beyond the usable reach of the lens model"):
        directions(np.array([[320.0, 240.0], [630.0, 470.0]]), camera, SQUARE_ON)


# --- what a turned camera does to an angle ----------------------------------------------------


@settings(max_examples=80, deadline=None)
@given(
    psi=st.floats(-20, 20),
    true_deg=st.floats(-80, 80),
    y0_mm=st.floats(-300, 300),
    distance=st.floats(1000, 4000),
)
def test_near_form_of_the_yaw_relation(psi, true_deg, y0_mm, distance):
    """tan(shown) = (tan(true) - (y0/f) sin psi) / cos psi, y0 over the middle column, up positive.

    The right side is farther for psi > 0. The line's place on the middle column is where it
    crosses the plane's own upright through the axis, since yaw leaves that upright in place.
    """
    points = line_px(turned(psi, 0), distance, (0.0, -y0_mm), true_deg, half_mm=200.0)
    shown = math.radians(read_deg(np.array([[0.0, 0.0], [1.0, 0.0]]), points))
    p = math.radians(psi)
    y0_px = F_PX * y0_mm / distance
    expected = (math.tan(math.radians(true_deg)) - y0_px / F_PX * math.sin(p)) / math.cos(p)
    assert math.tan(shown) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    # and the model, told the yaw, takes it out again
    normal = normal_from_yaw_pitch(p, 0.0)
    level = line_px(turned(psi, 0), distance, (0.0, 0.0), 0.0)
    assert read_deg(level, points, PINHOLE, normal) == pytest.approx(true_deg, abs=1e-7)


def shown_deg(yaw, pitch, distance, middle_mm, true_deg):
    return read_deg(
        np.array([[0.0, 0.0], [1.0, 0.0]]),
        line_px(turned(yaw, pitch), distance, middle_mm, true_deg, half_mm=1.0),
    )


FAR_MM = 1e7


@pytest.mark.parametrize(
    ("yaw", "pitch", "distance", "y_down_mm", "at_45", "at_53"),
    [
        (5, 0, FAR_MM, 0, 0.11, 0.10),
        (10, 0, FAR_MM, 0, 0.44, 0.42),
        (15, 0, FAR_MM, 0, 0.99, 0.95),
        (0, 5, FAR_MM, 0, -0.11, -0.11),
        (0, 10, FAR_MM, 0, -0.44, -0.42),
        (0, 15, FAR_MM, 0, -0.99, -0.96),
        (10, 0, 1500, 200, 1.09, 0.89),
        (10, 0, 1500, -200, -0.23, -0.06),
    ],
)
def test_error_of_a_ramp_read_square_on(yaw, pitch, distance, y_down_mm, at_45, at_53):
    """Errors in degrees, worked out for filming advice; 0.01 deg is how they are printed."""
    for true_deg, error in ((45.0, at_45), (53.0, at_53)):
        found = shown_deg(yaw, pitch, distance, (0, y_down_mm), true_deg) - true_deg
        assert found == pytest.approx(error, abs=0.01)


@pytest.mark.parametrize(
    ("yaw", "distance", "at_45", "at_53"),
    [(5, 1500, -0.73, -0.74), (10, 1500, -1.24, -1.26), (5, 4000, -0.20, -0.21)],
)
def test_level_line_250_mm_below_the_axis_misleads_near_the_camera(yaw, distance, at_45, at_53):
    """The ramp through the middle read against that level line, the camera taken as square on.

    With the right side farther, a line below the axis rises to the right.
    """
    for true_deg, error in ((45.0, at_45), (53.0, at_53)):
        ramp = shown_deg(yaw, 0, distance, (0, 0), true_deg)
        level = shown_deg(yaw, 0, distance, (0, 250), 0.0)
        assert ramp - level - true_deg == pytest.approx(error, abs=0.011)


@pytest.mark.parametrize(
    ("pitch", "distance", "lean"), [(5, 1500, 1.34), (10, 1500, 2.69), (5, 4000, 0.50)]
)
def test_plumb_line_400_mm_to_the_side_leans_with_pitch(pitch, distance, lean):
    found = shown_deg(0, pitch, distance, (400, 0), 90.0)
    assert abs(abs(found) - 90.0) == pytest.approx(lean, abs=0.01)


def test_plumb_line_is_immune_to_yaw_and_level_line_to_pitch():
    assert abs(shown_deg(12, 0, 1500, (400, 150), 90.0)) == pytest.approx(90.0, abs=1e-9)
    assert shown_deg(0, 12, 1500, (400, 150), 0.0) == pytest.approx(0.0, abs=1e-9)


def test_yaw_and_pitch_together_lean_a_far_level_line():
    """Yaw 10 and pitch 5 deg: 0.88 deg."""
    assert abs(shown_deg(10, 5, FAR_MM, (0, 0), 0.0)) == pytest.approx(0.88, abs=0.01)


# --- the flat picture -------------------------------------------------------------------------


def circle_px(turn, distance, middle_mm, radius_mm, k1):
    angle = np.linspace(0, 2 * math.pi, 60, endpoint=False)
    flat = np.asarray(middle_mm) + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    space = flat @ turn[:, :2].T + [0, 0, distance]
    ray = space[:, :2] / space[:, 2:]
    ray = ray * (1 + k1 * np.sum(ray**2, axis=1))[:, None]
    middle = np.asarray(middle_mm) @ turn[:, :2].T + [0, 0, distance]
    seen = middle[:2] / middle[2]
    seen = seen * (1 + k1 * np.sum(seen**2))
    return F_PX * ray + [CX, CY], F_PX * seen + [CX, CY]


@pytest.mark.parametrize(("yaw", "pitch", "k1"), [(15, 0, 0.0), (-20, 8, -0.08), (5, -12, 0.05)])
def test_wheels_in_any_parallel_plane_are_circles_about_their_hub_in_the_flat_picture(
    yaw, pitch, k1
):
    """In the picture the rim's ellipse is not centred on the hub; flat, it is, to 1e-8 px."""
    camera = PINHOLE.copy()
    camera[4] = k1
    view = rectifier(camera, normal_from_yaw_pitch(math.radians(yaw), math.radians(pitch)))
    rim, hub = circle_px(turned(yaw, pitch), 1700, (180, 120), 27, k1)
    assert np.hypot(*(rim.mean(axis=0) - hub)) > 0.005
    distances = np.hypot(*(view.to_flat(rim) - view.to_flat(hub[None])).T)
    assert np.ptp(distances) < 1e-8


def test_flat_picture_keeps_place_scale_and_uprightness_in_the_middle():
    middle = np.array([900.0, 500.0])
    normal = normal_from_yaw_pitch(0.2, -0.1)
    view = rectifier(PINHOLE, normal, middle)
    around = middle + 1e-3 * np.array([[0.0, 0], [1, 0], [0, 1]])
    flat = view.to_flat(around)
    assert flat[0] == pytest.approx(middle, abs=1e-9)
    jacobian = (flat[1:] - flat[0]).T / 1e-3
    assert np.linalg.det(jacobian) == pytest.approx(1.0, abs=1e-3)
    assert abs(math.atan2(jacobian[0, 1], jacobian[1, 1])) < math.radians(1.5)


def test_flat_picture_and_back():
    """1e-9 px, lens included."""
    camera = np.array([1000.0, 1000, 640, 360, -0.2, 0.05, 1e-4, 0, 0])
    view = rectifier(camera, normal_from_yaw_pitch(0.15, 0.1))
    points = np.random.default_rng(2).uniform([0, 0], [1280, 720], (50, 2))
    assert view.from_flat(view.to_flat(points)) == pytest.approx(points, abs=1e-9)
