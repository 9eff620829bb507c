"""Known angles on real photographs: the whole chain from pixel to angle in the plane.

OpenCV sample data, left01.jpg to left14.jpg (13 views of a printed board with 9 x 6 inner
corners 25 mm apart) and left_intrinsics.yml; Apache-2.0, see tests/data/chessboard/LICENCE.md.
Directions between corners 3 and 4 squares apart stand at atan(4/3) and atan(3/4) to the rows,
columns at 90 deg, diagonals at 45 deg. About 0.07 deg of what remains is common to all views
(board, print, corner finder), so 0.12 deg rms over everything is asked, 0.35 deg at most and
0.16 deg rms in any one view.
"""

import math
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from clipmark.geometry.camera import assumed_camera, camera_from_lens
from clipmark.geometry.lens import Lens
from clipmark.geometry.plane import angle_between, directions
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.viewing import view_from_sheet

FOLDER = Path(__file__).parent.parent / "data" / "chessboard"
PHOTOS = sorted(FOLDER.glob("left*.jpg"))
CORNER_U_PX = 0.1  # refined corners, window 5
BOARD_U_MM = 0.02  # a printed board; standard uncertainty of its 200 x 125 mm


def published_lens():
    """The lens as published with the photographs, without a covariance worth its name."""
    text = (FOLDER / "left_intrinsics.yml").read_text(encoding="utf-8")

    def numbers(key):
        found = re.search(rf"{key}:.*?data: \[(.*?)\]", text, re.DOTALL).group(1)
        return [float(item) for item in found.split(",")]

    k = numbers("camera_matrix")
    return Lens.from_dict(
        {
            "model": "ordinary",
            "fx": k[0],
            "fy": k[4],
            "cx": k[2],
            "cy": k[5],
            "distortion": numbers("distortion_coefficients"),
            "image_size": [640, 480],
        }
    )


@pytest.fixture(scope="module")
def board_corners():
    """Refined inner corners of every view, shape (6, 9, 2): rows, columns, (x, y)."""
    found = {}
    for path in PHOTOS:
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert seen, path.name
        corners = cv2.cornerSubPix(
            grey,
            corners,
            (5, 5),
            (-1, -1),
            (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 30, 0.001),
        )
        found[path.name] = corners.reshape(6, 9, 2).astype(np.float64)
    return found


def board_view(corners, camera):
    """View of the board through its four outermost inner corners."""
    outer = np.array([corners[0, 0], corners[0, 8], corners[5, 8], corners[5, 0]])
    covariance = np.tile(CORNER_U_PX**2 * np.eye(2), (4, 1, 1))
    return view_from_sheet(camera, SheetCorners(outer, covariance, (200.0, 125.0), BOARD_U_MM))


def placement_errors_deg(corners, camera, steps):
    """Error of every direction (columns, rows) apart, both diagonals, against the long side."""
    view = board_view(corners, camera)
    first = view.sheet.poses.rotation[0, :, 0]
    handed = view.sheet.poses.handed
    errors = []
    for columns, rows in steps:
        true = math.degrees(math.atan2(rows, columns))
        for r in range(6 - rows):
            for c in range(9 - columns):
                for start, end, sign in (
                    ((r, c), (r + rows, c + columns), 1.0),
                    ((r + rows, c), (r, c + columns), -1.0),
                ):
                    ends = np.array([corners[start], corners[end]])
                    line = directions(ends, view.camera, view.normal)
                    angle = -handed * math.degrees(angle_between(first, line, view.normal))
                    errors.append(angle - sign * true)
    return np.array(errors)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.fixture(scope="module")
def triangle_errors(board_corners):
    """Errors of all 54 placements of the 3-4-5 triangle, shape (13, 54), with the lens."""
    camera = camera_from_lens(published_lens(), 640, 480)
    steps = [(3, 4), (4, 3)]
    return np.array([placement_errors_deg(c, camera, steps) for c in board_corners.values()])


def test_all_placements_of_the_3_4_5_triangle_in_all_views(triangle_errors):
    assert triangle_errors.shape == (13, 54)
    assert rms(triangle_errors) <= 0.12
    assert np.abs(triangle_errors).max() <= 0.35


def test_no_single_view_is_much_worse_than_the_rest(triangle_errors):
    assert max(rms(view) for view in triangle_errors) <= 0.16


@pytest.mark.slow
def test_without_the_lens_the_same_angles_are_at_least_three_times_worse(
    board_corners, triangle_errors
):
    """The distortion left in, the focal length unknown, the sheet still there."""
    camera = assumed_camera(640, 480)
    steps = [(3, 4), (4, 3)]
    bare = [placement_errors_deg(c, camera, steps) for c in board_corners.values()]
    assert rms(bare) >= 3 * rms(triangle_errors)


def test_diagonals_stand_at_45_deg(board_corners):
    """Diagonals of 4 squares; the same bars as for the triangles."""
    camera = camera_from_lens(published_lens(), 640, 480)
    errors = [placement_errors_deg(c, camera, [(4, 4)]) for c in board_corners.values()]
    assert rms(errors) <= 0.12
    assert np.abs(errors).max() <= 0.35


def test_rows_stand_at_90_deg_to_columns(board_corners):
    """Lines through 9 and 6 corners; recomputed elsewhere 0.0747 deg rms with the lens."""
    camera = camera_from_lens(published_lens(), 640, 480)
    errors = []
    for corners in board_corners.values():
        view = board_view(corners, camera)
        rows = [directions(corners[r], view.camera, view.normal) for r in range(6)]
        columns = [directions(corners[:, c], view.camera, view.normal) for c in range(9)]
        for row in rows:
            for column in columns:
                angle = math.degrees(angle_between(row, column, view.normal))
                errors.append(abs(angle) - 90.0)
    assert rms(errors) <= 0.1


def test_all_corners_lie_where_they_were_printed(board_corners):
    """Recomputed elsewhere with the plain homography: 0.259 mm rms over all views."""
    camera = camera_from_lens(published_lens(), 640, 480)
    printed = np.stack(np.meshgrid(25.0 * np.arange(9), 25.0 * np.arange(6)), axis=-1)
    off = [
        board_view(corners, camera).sheet.to_mm(corners.reshape(-1, 2)) - printed.reshape(-1, 2)
        for corners in board_corners.values()
    ]
    assert rms(np.hypot(*np.concatenate(off).T)) <= 0.3
