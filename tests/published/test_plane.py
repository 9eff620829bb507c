"""Angles measured through a sheet of known size, and the error of a turned camera without one.

Geometry after R. Hartley, A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., ch. 2
(homographies, vanishing line). The figures were derived and computed once, independently of this
package, in double precision; the yaw and pitch relations are exact for a far camera.
"""

import math

import numpy as np
import pytest

from clipmark.geometry.camera import assumed_camera, camera_from_lens
from clipmark.geometry.lens import Lens
from clipmark.geometry.plane import angle_between, directions, normal_from_yaw_pitch
from clipmark.geometry.sheet_corners import SheetCorners
from clipmark.geometry.viewing import view_from_sheet

PINHOLE = Lens("ordinary", 1600.0, 1600.0, 959.5, 539.5, (0.0,) * 5, (1920, 1080), np.zeros((9, 9)))
SHEET_PX = np.array(
    [[927.5, 563.5], [1167.046403, 567.939565], [1164.097141, 740.50284], [922.844505, 732.446555]]
)
LINES_PX = {  # true angle in the plane's own axes (y down), shown angle, printed pixels
    "ramp 30": (30.0, 30.741654, [[814.884371, 346.036513], [1296.337571, 632.376123]]),
    "ramp 3-4-5": (
        53.130102354,
        54.105799,
        [[889.135296, 264.358637], [1216.962767, 717.33104]],
    ),
    "ramp 30 in a plane 150 mm behind": (
        30.0,
        30.77264,
        [[839.733397, 367.106611], [1288.185841, 634.147754]],
    ),
    "level": (0.0, 2.28108, [[724.81344, 797.809912], [1377.233017, 823.798005]]),
}


def sheet_view(corners_px, camera=None):
    exact = np.tile(0.1**2 * np.eye(2), (4, 1, 1))
    known = camera or camera_from_lens(PINHOLE, 1920, 1080)
    return view_from_sheet(known, SheetCorners(corners_px, exact, (297.0, 210.0), 0.5))


def turn_z_x_y():
    """Rz(1.5 deg) Rx(-4 deg) Ry(8 deg)."""
    z, x, y = np.radians([1.5, -4.0, 8.0])
    rz = [[math.cos(z), -math.sin(z), 0], [math.sin(z), math.cos(z), 0], [0, 0, 1]]
    rx = [[1, 0, 0], [0, math.cos(x), -math.sin(x)], [0, math.sin(x), math.cos(x)]]
    ry = [[math.cos(y), 0, math.sin(y)], [0, 1, 0], [-math.sin(y), 0, math.cos(y)]]
    return np.array(rz) @ np.array(rx) @ np.array(ry)


def seen_px(flat_mm, behind_mm=0.0):
    """Projection of the example: f 1600 px, translation (-40, 30, 2000) mm."""
    flat = np.atleast_2d(flat_mm)
    solid = np.column_stack([flat, np.full(len(flat), behind_mm)])
    space = solid @ turn_z_x_y().T + [-40.0, 30.0, 2000.0]
    return 1600.0 * space[:, :2] / space[:, 2:] + [959.5, 539.5]


def rectified_deg(view, line_px):
    """Clockwise angle from the sheet's first side, as the example counts (y down)."""
    first = view.sheet.poses.rotation[0, :, 0]
    line = directions(np.asarray(line_px, dtype=float), view.camera, view.normal)
    return -math.degrees(angle_between(first, line, view.normal))


@pytest.mark.parametrize("name", LINES_PX)
def test_rectified_angles_from_the_printed_pixels(name):
    """1e-5 deg: the pixels are printed to 1e-6."""
    true_deg, shown_deg, line_px = LINES_PX[name]
    (x1, y1), (x2, y2) = line_px
    assert math.degrees(math.atan2(y2 - y1, x2 - x1)) == pytest.approx(shown_deg, abs=1e-5)
    assert rectified_deg(sheet_view(SHEET_PX), line_px) == pytest.approx(true_deg, abs=1e-5)


@pytest.mark.parametrize("behind_mm", [0.0, 150.0, -200.0])
@pytest.mark.parametrize("true_deg", [0.0, 15.0, 30.0, 53.130102354, 80.0, -40.0])
def test_rectified_angles_from_unrounded_pixels(true_deg, behind_mm):
    """1e-6 deg, in the sheet's plane and in parallel ones."""
    sheet = seen_px([[0, 0], [297, 0], [297, 210], [0, 210]])
    way = np.array([math.cos(math.radians(true_deg)), math.sin(math.radians(true_deg))])
    line = seen_px(np.array([[100.0, -60.0]]) + np.outer([-350.0, 350.0], way), behind_mm)
    assert rectified_deg(sheet_view(sheet), line) == pytest.approx(true_deg, abs=1e-6)


def test_lengths_hold_in_the_sheets_plane_and_not_behind_it():
    """700 mm comes back as 700 mm in the plane and as 650.527702 mm 150 mm behind it."""
    pose = sheet_view(SHEET_PX).sheet
    for name, length_mm in (("ramp 30", 700.0), ("ramp 30 in a plane 150 mm behind", 650.527702)):
        ends = pose.to_mm(np.array(LINES_PX[name][2]))
        assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(length_mm, abs=2e-5)


def test_an_unknown_camera_makes_little_difference_when_a_sheet_is_there():
    """The wide prior instead of the true focal length: within 0.1 deg of the truth here."""
    view = sheet_view(SHEET_PX, assumed_camera(1920, 1080))
    assert rectified_deg(view, LINES_PX["ramp 3-4-5"][2]) == pytest.approx(53.1301, abs=0.1)


YAW_FAR = {  # error in deg of tan(shown) = tan(true) / cos(yaw), by true angle and yaw
    15: {1: 0.00218, 2: 0.00873, 3: 0.01966, 5: 0.0547, 10: 0.22074, 15: 0.50409},
    30: {1: 0.00378, 2: 0.01512, 3: 0.03404, 5: 0.09468, 10: 0.38126, 15: 0.86748},
    45: {1: 0.00436, 2: 0.01746, 3: 0.03929, 5: 0.10922, 10: 0.43855, 15: 0.99297},
    53: {1: 0.00419, 2: 0.01678, 3: 0.03776, 5: 0.10494, 10: 0.42067, 15: 0.94998},
    60: {1: 0.00378, 2: 0.01512, 3: 0.03401, 5: 0.0945, 10: 0.37835, 15: 0.85257},
}
PITCH_FAR = {  # error in deg of tan(shown) = tan(true) cos(pitch)
    30: {1: -0.00378, 3: -0.03401, 5: -0.0945, 10: -0.37835},
    45: {1: -0.00436, 3: -0.03929, 5: -0.10922, 10: -0.43855},
    53: {1: -0.00419, 3: -0.03777, 5: -0.10505, 10: -0.42245},
}
FAR = np.array([1e8, 1e8, 0.0, 0.0, 0, 0, 0, 0, 0])  # a camera so far that nothing converges


def angle_through_plane(shown_deg, yaw_deg, pitch_deg):
    """What the plane model makes of a far line shown at an angle, against a level line."""
    normal = normal_from_yaw_pitch(math.radians(yaw_deg), math.radians(pitch_deg))
    lean = math.radians(shown_deg)
    line = 100.0 * np.outer([-1.0, 1.0], [math.cos(lean), -math.sin(lean)])
    level = np.array([[-100.0, 0.0], [100.0, 0.0]])
    first, second = directions(level, FAR, normal), directions(line, FAR, normal)
    return math.degrees(angle_between(first, second, normal))


@pytest.mark.parametrize("true_deg", YAW_FAR)
def test_far_yaw_makes_the_angle_look_steeper_by_the_tabulated_error(true_deg):
    """Table printed to 1e-5 deg; the far camera is good to 1e-6 deg."""
    for yaw, error in YAW_FAR[true_deg].items():
        for side in (yaw, -yaw):
            found = angle_through_plane(true_deg + error, side, 0.0)
            assert found == pytest.approx(true_deg, abs=2e-5)


@pytest.mark.parametrize("true_deg", PITCH_FAR)
def test_far_pitch_makes_the_angle_look_flatter_by_the_tabulated_error(true_deg):
    for pitch, error in PITCH_FAR[true_deg].items():
        for side in (pitch, -pitch):
            found = angle_through_plane(true_deg + error, 0.0, side)
            assert found == pytest.approx(true_deg, abs=2e-5)


@pytest.mark.parametrize(("true_deg", "stored_deg"), [(30.0, 37.589089), (45.0, 53.130102)])
def test_pixel_aspect_of_4_3_is_no_small_error(true_deg, stored_deg):
    """tan(stored) = tan(true) 4/3; made square first, the true angle comes back."""
    camera = assumed_camera(1440, 1080, pixel_aspect=4 / 3)
    params = camera.params(np.zeros((1, 4)))[0]
    way = np.array([math.cos(math.radians(stored_deg)), -math.sin(math.radians(stored_deg))])
    stored = np.array([719.5, 539.5]) + np.outer([-200.0, 200.0], way)
    normal = np.array([0.0, 0.0, -1.0])
    square = directions(stored * [4 / 3, 1.0], params, normal)
    right = np.array([1.0, 0.0, 0.0])
    assert math.degrees(angle_between(right, square, normal)) == pytest.approx(true_deg, abs=1e-6)
