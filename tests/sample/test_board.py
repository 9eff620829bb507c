"""Rendered boards are where their truth says: what every test of lens calibration leans on."""

import math

import cv2
import numpy as np
import pytest

from clipmark.sample.board import (
    BoardLook,
    BoardPictures,
    BoardPose,
    PrintedBoard,
    bent_board,
    corners_px,
    varied_poses,
)
from clipmark.sample.board_camera import BoardCamera, barrel

CLEAN = BoardLook(blur_px=1.2, grain_levels=0.0, tone="linear", slant=0.0)


@pytest.mark.parametrize(
    "camera",
    [
        BoardCamera(640, 480, 540, 530, 322, 236, (-0.2, 0.05, 0.001, -0.002, 0.01)),
        BoardCamera(640, 480, 330, 330, 318, 242, (0.03, -0.01, 0.004, -0.001), "fisheye"),
    ],
    ids=["ordinary", "fisheye"],
)
def test_a_ray_meets_the_picture_where_it_came_from(camera):
    x, y = np.arange(0.0, 640, 53), np.arange(0.0, 480, 47)
    rays = camera.rays(x, y).reshape(-1, 3)
    back = camera.project(700.0 * rays)
    want = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    assert np.abs(back - want).max() < 1e-9


def test_both_lens_models_are_those_of_the_published_formulas():
    """OpenCV's own projection, an outside opinion."""
    points = np.random.default_rng(1).normal(0, 150, (40, 3))
    points[:, 2] += 600
    k = (-0.2, 0.05, 0.001, -0.002, 0.01)
    matrix = np.array([[540.0, 0, 322], [0, 530, 236], [0, 0, 1]])
    none = np.zeros(3)
    want = cv2.projectPoints(points, none, none, matrix, np.array(k))[0].reshape(-1, 2)
    assert np.allclose(BoardCamera(640, 480, 540, 530, 322, 236, k).project(points), want)
    k4 = (0.03, -0.01, 0.004, -0.001)
    want = cv2.fisheye.projectPoints(points[:, None], none, none, matrix, np.array(k4))[0]
    camera = BoardCamera(640, 480, 540, 530, 322, 236, k4, "fisheye")
    assert np.allclose(camera.project(points), want.reshape(-1, 2))


@pytest.mark.parametrize("bend_mm", [0.0, 6.0])
def test_corners_are_drawn_where_the_truth_says(bend_mm):
    """0.01 px on average; 0.025 px RMS is what OpenCV's saddle search scatters by itself."""
    camera = barrel(0.1, BoardCamera(640, 480, 560, 560, 322, 236))
    board = bent_board(PrintedBoard(), bend_mm) if bend_mm else PrintedBoard()
    for pose in varied_poses(board, camera, 2, seed=4, tilt_deg=(10, 25), across=(0.5, 0.6)):
        true = corners_px(board, camera, pose)
        picture = BoardPictures(board, camera, CLEAN).luma([pose]).astype(np.uint8)
        found = cv2.cornerSubPix(
            picture,
            true[:, None].astype(np.float32) + 0.5,
            (4, 4),
            (-1, -1),
            (3, 60, 1e-4),
        ).reshape(-1, 2)
        assert np.abs((found - true).mean(axis=0)).max() < 0.01
        assert np.sqrt(np.square(found - true).mean()) < 0.025


def test_a_barrel_pulls_the_corner_in_by_the_share_asked_for():
    camera = barrel(0.2, BoardCamera(640, 480, 560, 560, 319.5, 239.5))
    corner = math.hypot(320, 240)
    straight = corner / 0.8 / 560
    seen = camera.project([[straight * 0.8, straight * 0.6, 1.0]])[0]
    assert math.hypot(*(seen - (319.5, 239.5))) == pytest.approx(corner, abs=1e-6)


def test_a_board_out_of_the_picture_leaves_the_room():
    camera = BoardCamera(320, 240, 300, 300, 159.5, 119.5)
    pictures = BoardPictures(PrintedBoard(), camera, CLEAN)
    away = BoardPose(np.eye(3), np.array([5000.0, 0.0, 600.0]))
    assert pictures.luma([away]).max() < 170  # no white paper
