"""Lens calibration on real photographs, against the calibration published with them and others.

OpenCV sample data, left01.jpg to left14.jpg (13 views, 9 x 6 inner corners, 25 mm squares) and
left_intrinsics.yml; Apache-2.0, see tests/data/chessboard/LICENCE.md. What is called recomputed
was made with OpenCV 5.0.0 (corner window 5, `calibrateCamera`, all terms free).
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from clipmark.geometry.camera import camera_from_lens
from clipmark.geometry.distortion import pixels_to_rays
from clipmark.geometry.plane import angle_between, directions
from clipmark.measure.lens_board import board_of
from clipmark.measure.lens_calibrate import lens_from
from clipmark.measure.lens_views import look
from tests.published.test_chessboard import (
    PHOTOS,
    board_view,
    placement_errors_deg,
    published_lens,
    rms,
)

BOARD = board_of("9x6", 25.0)
RECOMPUTED = np.array(
    [532.8269, 532.9457, 342.4871, 233.8562, -0.280881, 0.025172, 0.001217, -0.000135, 0.163447]
)
RECOMPUTED_RMS_PX = 0.195431
STEPS = [(3, 4), (4, 3)]
FOLDS = 3


@pytest.fixture(scope="module")
def seen():
    return look(PHOTOS, BOARD)


@pytest.fixture(scope="module")
def whole(seen):
    return lens_from(seen, BOARD)


@pytest.fixture(scope="module")
def held_out(seen):
    """Views that the lens was not fitted to, with that lens: [(corners, camera)]."""
    pairs = []
    for fold in range(FOLDS):
        rest = tuple(b for k, b in enumerate(seen.boards) if k % FOLDS != fold)
        lens = lens_from(replace(seen, boards=rest), BOARD, model="ordinary").lens
        camera = camera_from_lens(lens, 640, 480)
        own = [b for k, b in enumerate(seen.boards) if k % FOLDS == fold]
        pairs += [(b.sighting.corners_px.reshape(6, 9, 2), camera) for b in own]
    return pairs


def test_all_thirteen_photographs_are_used_and_the_lens_is_ordinary(whole):
    assert len(whole.used) == 13
    assert whole.lens.model == "ordinary"
    assert whole.left_out == ()


def test_focal_length_and_centre_are_those_recomputed_elsewhere(whole):
    """0.5 px and 0.7 px: windows 3 to 9 agree within 0.8 px in f among themselves."""
    found = whole.lens.params
    assert np.abs(found[:2] - RECOMPUTED[:2]).max() <= 0.6
    assert np.abs(found[2:4] - RECOMPUTED[2:4]).max() <= 0.7
    assert abs(found[4] - RECOMPUTED[4]) <= 0.01


def test_corners_are_no_further_off_than_elsewhere(whole):
    assert whole.lens.rms_px <= RECOMPUTED_RMS_PX


def test_the_published_focal_length_lies_within_its_spread(whole):
    """The published 535.9 px comes of a window that spoils six corners of left02 (its RMS there
    is 1.18 px); 3 sd of ours reach it."""
    u = math.sqrt(whole.lens.covariance[0, 0])
    assert abs(published_lens().fx - whole.lens.fx) <= 3 * u


def test_positions_are_straightened_as_elsewhere(whole):
    """0.15 px RMS apart from a turn of the camera; coefficients trade off, directions do not."""
    corners = np.vstack([view.corners_px for view in whole.used])
    ours, theirs = (sight_lines(corners, params) for params in (whole.lens.params, RECOMPUTED))
    u, _, vt = np.linalg.svd(ours.T @ theirs)  # the turn between them, after Kabsch
    off_px = 533.0 * np.linalg.norm(ours @ (u @ vt) - theirs, axis=1)
    assert rms(off_px) <= 0.15
    assert off_px.max() <= 0.4


def sight_lines(corners, params):
    """Unit viewing rays of picture positions, shape (M, 3)."""
    rays = pixels_to_rays(corners, params[None])[0]
    rays = np.column_stack([rays, np.ones(len(rays))])
    return rays / np.linalg.norm(rays, axis=1, keepdims=True)


def test_triangles_in_held_out_views_stand_at_their_angles(held_out):
    """All 54 placements in all 13 views; a careful script reached 0.093 deg, 0.37 without lens."""
    errors = np.array([placement_errors_deg(c, camera, STEPS) for c, camera in held_out])
    assert errors.shape == (13, 54)
    assert rms(errors) <= 0.10
    assert np.abs(errors).max() <= 0.35


def angles_deg(ends, side, cameras, normals):
    first, line = (directions(points, cameras, normals) for points in (side, ends))
    return np.abs(np.degrees(angle_between(first, line, normals)))


def test_stated_intervals_hold_the_triangles_of_held_out_views(held_out):
    """Four placements a view, 52 angles: 95 % would be 49; fewer than 45 is a rarity (2 %)."""
    inside = []
    for number, (corners, camera) in enumerate(held_out):
        view = board_view(corners, camera)
        rng = np.random.default_rng(number)
        cameras, normals = view.draw(rng, 500)
        side = np.array([corners[5, 0], corners[5, 8]])
        for columns, rows, r, c in ((3, 4, 0, 0), (4, 3, 1, 2), (3, 4, 1, 5), (4, 3, 2, 0)):
            ends = np.array([corners[r, c], corners[r + rows, c + columns]])
            noise = rng.normal(0, 0.1, (2, 500, 2, 2))  # 0.1 px, as the board's own corners
            drawn = angles_deg(ends + noise[0], side + noise[1], cameras, normals)
            found = angles_deg(ends, side, view.camera, view.normal)
            true = math.degrees(math.atan2(rows, columns))
            inside.append(abs(float(found) - true) <= 1.96 * float(np.nanstd(drawn)))
    assert len(inside) == 52
    assert sum(inside) >= 45
