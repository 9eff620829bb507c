"""The camera's own motion beside a platform that turns: what the platform carries is left out."""

import math

import numpy as np
import pytest

from clipmark.motion.steady_view import MOVING, STILL, UNKNOWN, WITH_PLATFORM, camera_beside

SIZE = (1280, 720)
FRAMES = 60
HINGE = np.array([300.0, 560.0])
WALL = np.array([[80, 90], [640, 60], [1180, 90], [1190, 380], [1170, 640], [90, 330]], float)
BOARD = np.array([[420, 600], [560, 590], [700, 610], [820, 585], [900, 600]], float)
TRUCK = np.array([700.0, 480.0])
U_PX = 0.03


def turned(points, angle_rad, about):
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return (points - about) @ np.array([[c, s], [-s, c]]) + about


def seen_by(rng, wall, board, platform_rad, roll_rad, sway_px):
    """Shifts of all pieces and the platform's ends, under a camera that rolls and sways."""
    middle = (np.array(SIZE) - 1) / 2
    points = np.vstack([wall, board])
    ends = np.array([[420.0, 560.0], [960.0, 560.0]])
    shifts, lines = [], []
    for angle, roll, sway in zip(platform_rad, roll_rad, sway_px, strict=True):
        now = np.vstack([wall, turned(board, angle, HINGE)])
        shifts.append(turned(now, roll, middle) + sway - points)
        lines.append(turned(turned(ends, angle, HINGE), roll, middle) + sway)
    noisy = np.array(shifts) + rng.normal(0, U_PX, (len(shifts), len(points), 2))
    return points, noisy, np.array(lines)


def camera(points, shifts, lines, believe_all=False):
    seen = np.ones(shifts.shape[:2], dtype=bool)
    u = np.full((len(points), 2), U_PX)
    times = np.arange(FRAMES) / 30
    return camera_beside(
        points, shifts, seen, u, times, SIZE, lines, 0, TRUCK, believe_all=believe_all
    )


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def tilting():
    return -np.radians(np.linspace(0, 20, FRAMES))


def swaying():
    t = np.arange(FRAMES) / 30
    roll = np.radians(0.4) * np.sin(2 * math.pi * 0.8 * t)
    return roll, 3.0 * np.column_stack([np.sin(5 * t), 1 - np.cos(4 * t)])


def test_a_camera_held_by_hand_is_read_from_the_wall_though_half_the_pieces_tilt(rng):
    roll, sway = swaying()
    view = camera(*seen_by(rng, WALL, BOARD, tilting(), roll, sway))
    assert view.judged == MOVING
    assert view.pieces == len(WALL)
    assert np.sqrt(np.mean((view.turn_rad - roll) ** 2)) < np.radians(0.01)


def test_a_place_of_the_platform_is_put_back_to_where_a_still_camera_sees_it(rng):
    roll, sway = swaying()
    points, shifts, lines = seen_by(rng, WALL, BOARD, tilting(), roll, sway)
    _, _, still = seen_by(rng, WALL, BOARD, tilting(), 0 * roll, 0 * sway)
    back = camera(points, shifts, lines).steady(lines[:, 1])
    apart = np.hypot(*(back - still[:, 1]).T)
    assert np.sqrt(np.mean(apart**2)) < 0.1


def test_a_camera_on_a_stand_is_judged_still_and_nothing_is_taken_out(rng):
    none = np.zeros(FRAMES)
    points, shifts, lines = seen_by(rng, WALL, BOARD, tilting(), none, np.zeros((FRAMES, 2)))
    view = camera(points, shifts, lines)
    assert view.judged == STILL
    assert view.steady(lines[:, 1]) is not None
    assert np.array_equal(view.steady(lines[:, 1]), lines[:, 1])


def test_where_only_the_platform_has_texture_the_camera_is_not_known(rng):
    roll, sway = swaying()
    points, shifts, lines = seen_by(rng, WALL[:0], BOARD, tilting(), roll * 0, sway * 0)
    assert camera(points, shifts, lines).judged == UNKNOWN


def test_a_background_that_turns_in_step_with_the_platform_is_not_believed(rng):
    angle = tilting()
    points, shifts, lines = seen_by(rng, WALL, BOARD, angle, 0.3 * angle, np.zeros((FRAMES, 2)))
    view = camera(points, shifts, lines)
    assert view.judged == WITH_PLATFORM
    assert np.array_equal(view.steady(lines[:, 0]), lines[:, 0])


def test_the_stated_uncertainty_of_the_turn_is_that_of_its_scatter(rng):
    roll, sway = swaying()
    view = camera(*seen_by(rng, WALL, BOARD, tilting(), roll, sway))
    ratio = np.std(view.turn_rad - roll) / np.median(view.u_turn_rad)
    assert 0.7 < ratio < 1.4


def test_a_board_that_stands_is_told_from_a_held_camera_by_what_lies_beyond_it(rng):
    roll, sway = swaying()
    points, shifts, lines = seen_by(rng, WALL, BOARD, 0 * tilting(), roll, sway)
    view = camera(points, shifts, lines, believe_all=True)
    assert view.judged == MOVING
    assert np.sqrt(np.mean((view.turn_rad - roll) ** 2)) < np.radians(0.01)


def test_frames_in_which_the_platform_was_not_seen_are_of_no_harm(rng):
    roll, sway = swaying()
    points, shifts, lines = seen_by(rng, WALL, BOARD, tilting(), roll, sway)
    lines[20:25] = np.nan
    view = camera(points, shifts, lines)
    assert view.judged == MOVING
    assert np.sqrt(np.mean((view.turn_rad - roll) ** 2)) < np.radians(0.01)
