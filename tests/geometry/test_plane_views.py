"""Views of the plane of motion: promise and sheet, their refusals, draws and budgets."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.errors import PlaneError
from clipmark.geometry.camera import assumed_camera, camera_from_lens, camera_from_view_angle
from clipmark.geometry.lens import Lens
from clipmark.geometry.plane import angle_between, directions
from clipmark.geometry.sheet_corners import SheetCorners, check_corners
from clipmark.geometry.viewing import view_from_promise, view_from_sheet

F_PX, CX, CY = 1500.0, 959.5, 539.5
EXACT_LENS = Lens("ordinary", F_PX, F_PX, CX, CY, (0.0,) * 5, (1920, 1080), np.zeros((9, 9)))
LEVEL_MM = np.array([[-300.0, 180.0], [300.0, 180.0]])


def scene_px(flat_mm, yaw_deg, pitch_deg, distance=2000.0, k1=0.0):
    """Projection of plane positions (x right, y down); right and top farther when positive."""
    a, b = np.radians([yaw_deg, pitch_deg])
    yaw = np.array([[np.cos(a), 0, -np.sin(a)], [0, 1, 0], [np.sin(a), 0, np.cos(a)]])
    pitch = np.array([[1, 0, 0], [0, np.cos(b), np.sin(b)], [0, -np.sin(b), np.cos(b)]])
    space = np.atleast_2d(flat_mm) @ (pitch @ yaw)[:, :2].T + [0, 0, distance]
    ray = space[:, :2] / space[:, 2:]
    return F_PX * ray * (1 + k1 * np.sum(ray**2, axis=1))[:, None] + [CX, CY]


def sheet_mm(width=297.0, height=210.0, at=(40.0, -30.0), lean_deg=3.0):
    a = math.radians(lean_deg)
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, height / 2]
    return box @ turn.T + np.asarray(at)


def ramp_mm(angle_deg):
    a = math.radians(angle_deg)
    return np.array([20.0, -50.0]) + np.outer([-250, 250], [math.cos(a), -math.sin(a)])


def corners_of(px, size=(297.0, 210.0), u_px=0.2, side_u_mm=0.5):
    return SheetCorners(px, np.tile(u_px**2 * np.eye(2), (4, 1, 1)), size, side_u_mm)


def read_deg(view, yaw, pitch, angle_deg, draws=None, groups=None, seed=1):
    level, ramp = scene_px(LEVEL_MM, yaw, pitch), scene_px(ramp_mm(angle_deg), yaw, pitch)
    if draws is None:
        camera, normal = view.camera, view.normal
    else:
        camera, normal = view.draw(np.random.default_rng(seed), draws, groups)
    first, second = directions(level, camera, normal), directions(ramp, camera, normal)
    return np.degrees(angle_between(first, second, normal))


# --- the sheet --------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    yaw=st.floats(-30, 30),
    pitch=st.floats(-30, 30),
    angle=st.floats(-80, 80),
    lean=st.floats(-180, 180),
)
def test_angle_comes_back_through_a_sheet_in_any_pose(yaw, pitch, angle, lean):
    """1e-7 deg with exact corners and a known lens, whichever corner comes first.

    The mirrored pose may win only where the view is square on and both are one.
    """
    sheet = scene_px(sheet_mm(lean_deg=lean), yaw, pitch)
    view = view_from_sheet(camera_from_lens(EXACT_LENS, 1920, 1080), corners_of(sheet))
    assert read_deg(view, yaw, pitch, angle) == pytest.approx(angle, abs=1e-7)


def test_corners_may_go_round_either_way():
    """The other winding starts along the other side, so the size is given the other way too."""
    sheet = scene_px(sheet_mm(), 12, -6)
    camera = camera_from_lens(EXACT_LENS, 1920, 1080)
    one = view_from_sheet(camera, corners_of(sheet))
    other = view_from_sheet(camera, corners_of(sheet[[0, 3, 2, 1]], (210.0, 297.0)))
    assert other.normal == pytest.approx(one.normal, abs=1e-9)
    assert other.sheet.to_mm(sheet)[1] == pytest.approx([0.0, 297.0], abs=1e-6)


def test_sheet_maps_to_mm_and_back():
    sheet = scene_px(sheet_mm(), 12, -6)
    pose = view_from_sheet(camera_from_lens(EXACT_LENS, 1920, 1080), corners_of(sheet)).sheet
    assert pose.to_mm(sheet) == pytest.approx(
        np.array([[0, 0], [297, 0], [297, 210], [0, 210]]), abs=1e-6
    )
    points = np.array([[-100.0, 50.0], [400.0, 300.0]])
    assert pose.to_mm(pose.to_picture(points)) == pytest.approx(points, abs=1e-8)


def test_local_scale_is_the_distance_between_neighbouring_positions():
    sheet = scene_px(sheet_mm(), 25, 0)
    pose = view_from_sheet(camera_from_lens(EXACT_LENS, 1920, 1080), corners_of(sheet)).sheet
    for at in ([700.0, 500.0], [1300.0, 600.0]):
        pair = pose.to_mm(np.array([at, [at[0] + 0.01, at[1]]]))
        step = np.hypot(*(pair[1] - pair[0])) / 0.01
        assert pose.mm_per_px(np.array(at), np.array([1.0, 0.0])) == pytest.approx(step, rel=1e-4)


@pytest.mark.parametrize("which", ["assumed", "view angle"])
def test_an_unknown_camera_with_a_sheet_is_the_plain_homography(which):
    """Square on, exact corners: nothing pulls at the focal length, and the angle is exact."""
    camera = (
        assumed_camera(1920, 1080)
        if which == "assumed"
        else camera_from_view_angle(1920, 1080, 70.0)
    )
    view = view_from_sheet(camera, corners_of(scene_px(sheet_mm(), 0, 0)))
    assert read_deg(view, 0, 0, 45.0) == pytest.approx(45.0, abs=1e-6)
    assert view.camera[0] == pytest.approx(camera.centre[0], rel=1e-6)


def test_keystone_of_a_steep_sheet_teaches_the_focal_length():
    """A true f of 1500 px where the prior says 1371 +- 27 px: the sheet pulls towards it."""
    camera = camera_from_view_angle(1920, 1080, 70.0)
    sheet = scene_px(sheet_mm(400, 400), 35, 25)
    view = view_from_sheet(camera, corners_of(sheet, (400.0, 400.0), u_px=0.02, side_u_mm=0.05))
    assert camera.centre[0] + 40 < view.camera[0] < 1510


def test_size_given_in_the_wrong_order_is_refused():
    sheet = scene_px(sheet_mm(), 6, 4)
    with pytest.raises(PlaneError) as refused:
        view_from_sheet(camera_from_lens(EXACT_LENS, 1920, 1080), corners_of(sheet, (210.0, 297.0)))
    assert str(refused.value) == (
        "the sheet's corners fit a sheet of 297 x 210 mm, not one of 210 x 297 mm; "
        "give first the side from corner 1 to corner 2"
    )


def test_a_sheet_that_fits_no_rectangle_is_warned_of():
    sheet = scene_px(sheet_mm(), 6, 4)
    sheet[2] += [25.0, -18.0]
    view = view_from_sheet(camera_from_lens(EXACT_LENS, 1920, 1080), corners_of(sheet))
    assert len(view.warnings) == 1
    assert view.warnings[0].startswith(
        "the sheet's corners do not fit a rectangle of 297 x 210 mm seen through this lens"
    )


@pytest.mark.slow
def test_good_sheet_has_no_warning_and_an_expected_misfit():
    """Chi-square with 2 degrees of freedom has mean 2; sd 2: 120 sheets allow 0.6."""
    rng = np.random.default_rng(3)
    camera = camera_from_lens(EXACT_LENS, 1920, 1080)
    found = []
    for _ in range(120):
        size = np.array([297.0, 210.0]) + 0.5 * rng.normal(size=2)
        sheet = scene_px(sheet_mm(*size), 9, -5) + 0.2 * rng.normal(size=(4, 2))
        found.append(view_from_sheet(camera, corners_of(sheet)).fit.chi_square)
    assert np.mean(found) == pytest.approx(2.0, abs=0.6)


@pytest.mark.parametrize(
    ("corners", "sentence"),
    [
        (
            [[100, 100], [400, 320], [400, 100], [100, 320]],
            "the sheet's corners are marked in crossing order, so its sides cross; "
            "mark them one after the other going round the sheet",
        ),
        (
            [[100, 100], [400, 100], [190, 160], [100, 320]],
            "one of the sheet's corners lies inside the triangle of the other three; "
            "check the corners, since a flat rectangle never looks like that",
        ),
        (
            [[100, 100], [400, 100], [700, 110], [100, 320]],
            "three of the sheet's corners lie nearly on one line at corner 2, "
            "so the sheet shows no plane; check the corners, or film it less steeply",
        ),
        (
            [[100, 100], [400, 100], [400, 112], [100, 112]],
            "the sheet's side from corner 2 to 3 is 12.0 px long, but at least 20 px is needed; "
            "use a larger sheet or film it from nearer",
        ),
        (
            [[100, 100], [400, math.nan], [400, 300], [100, 300]],
            "a sheet needs four corners with finite positions; mark all four, in order",
        ),
    ],
)
def test_corners_that_are_no_sheet_are_refused_with_a_sentence(corners, sentence):
    with pytest.raises(PlaneError) as refused:
        check_corners(np.array(corners, dtype=float))
    assert str(refused.value) == sentence


def test_sheet_without_a_size_is_refused():
    with pytest.raises(PlaneError, match="not a size; both sides must be above 0 mm"):
        view_from_sheet(
            assumed_camera(1920, 1080), corners_of(scene_px(sheet_mm(), 0, 0), (297.0, 0.0))
        )


# --- draws ------------------------------------------------------------------------------------


def make_view(kind):
    sheet = corners_of(scene_px(sheet_mm(), 10, -6))
    covariance = np.diag([9.0, 9, 16, 16, 4e-6, 0, 0, 0, 0])
    lens = Lens("ordinary", F_PX, F_PX, CX, CY, (0.0,) * 5, (1920, 1080), covariance)
    if kind == "promise":
        return view_from_promise(assumed_camera(1920, 1080), 3.0)
    if kind == "sheet, lens":
        return view_from_sheet(camera_from_lens(lens, 1920, 1080), sheet)
    return view_from_sheet(assumed_camera(1920, 1080), sheet)


@pytest.mark.parametrize("kind", ["promise", "sheet, lens", "sheet, unknown camera"])
@pytest.mark.slow
def test_sources_drawn_alone_add_up_to_all_drawn_together(kind):
    """Variances add for independent sources and a nearly linear model: 8 % of u."""
    view = make_view(kind)
    total = np.std(read_deg(view, 10, -6, 40.0, 20_000))
    alone = [
        np.std(read_deg(view, 10, -6, 40.0, 20_000, group.name, seed=2)) for group in view.groups
    ]
    assert math.hypot(*alone) == pytest.approx(total, rel=0.08)


def test_same_seed_gives_the_same_draws():
    view = make_view("sheet, unknown camera")
    one = view.draw(np.random.default_rng(9), 100)
    other = view.draw(np.random.default_rng(9), 100)
    assert np.array_equal(one[0], other[0])
    assert np.array_equal(one[1], other[1])


def test_promise_is_rectangular_in_yaw_and_pitch():
    _, normal = make_view("promise").draw(np.random.default_rng(1), 40_000, "square-on promise")
    yaw = np.degrees(np.arcsin(normal[:, 0]))
    pitch = np.degrees(np.arctan2(-normal[:, 1], -normal[:, 2]))
    for angle in (yaw, pitch):
        assert np.abs(angle).max() == pytest.approx(3.0, abs=0.01)
        assert angle.std() == pytest.approx(3 / math.sqrt(3), rel=0.02)


def test_promise_of_exactly_square_on_is_no_source():
    view = view_from_promise(camera_from_lens(EXACT_LENS, 1920, 1080), 0.0)
    assert view.groups == ()
    camera, normal = view.draw(np.random.default_rng(1), 5)
    assert (normal == [0.0, 0.0, -1.0]).all()
    assert (camera == EXACT_LENS.params).all()


def test_sources_are_named_with_kind_and_advice():
    view = make_view("sheet, unknown camera")
    assert [group.name for group in view.groups] == [
        "sheet corners",
        "sheet size",
        "view angle",
        "picture centre",
        "lens distortion",
    ]
    assert all(group.kind in "AB" and group.advice for group in view.groups)


def test_unknown_source_is_a_mistake_of_the_program():
    with pytest.raises(ValueError, match="no source is called 'wind'"):
        make_view("promise").draw(np.random.default_rng(1), 5, "wind")


def test_a_small_far_sheet_leaves_both_mirrored_views_open_and_says_so():
    """At 8 m an A4 sheet with 0.5 px corners cannot tell which side is nearer."""
    sheet = scene_px(sheet_mm(), 25, 0, distance=8000.0)
    camera = camera_from_lens(EXACT_LENS, 1920, 1080)
    view = view_from_sheet(camera, corners_of(sheet, u_px=0.5, side_u_mm=0.3))
    assert "cannot be told which of its sides is nearer" in view.warnings[0]
    _, normal = view.draw(np.random.default_rng(1), 4000)
    share = np.mean(normal[:, 0] < 0)
    assert 0.02 < share < 0.5


def test_promise_beyond_reason_is_refused():
    with pytest.raises(PlaneError) as refused:
        view_from_promise(assumed_camera(1920, 1080), 60.0)
    assert str(refused.value) == (
        "square within 60 deg was promised, but the promise must lie between 0 and 45; "
        "put a sheet in the plane of motion instead"
    )


def cut_a4_error_deg(camera, side_u_mm):
    """ISO 216 lets A4 be 299 x 208 mm; called 297 x 210 it errs by up to 0.47 deg at 45 deg."""
    sheet = scene_px(sheet_mm(299.0, 208.0, lean_deg=0.0), 0, 0)
    view = view_from_sheet(camera, corners_of(sheet, side_u_mm=side_u_mm))
    return read_deg(view, 0, 0, 45.0) - 45.0


def test_badly_cut_paper_taken_as_exact_turns_the_angle():
    """The plain homography errs by 0.4664 deg; the corners' own perspective takes off a little."""
    assert cut_a4_error_deg(assumed_camera(1920, 1080), 0.0) == pytest.approx(0.4664, abs=0.03)


def test_badly_cut_paper_with_its_tolerance_stated_does_no_harm():
    """Within 2 mm (rectangular) the missing keystone shows that it was the size that was wrong."""
    for camera in (assumed_camera(1920, 1080), camera_from_lens(EXACT_LENS, 1920, 1080)):
        assert abs(cut_a4_error_deg(camera, 2 / math.sqrt(3))) < 0.02


def test_no_draw_loses_a_mark_that_the_estimate_can_use():
    """A strongly bent, badly known lens: marks out to the usable reach stay finite in all draws."""
    covariance = np.diag([25.0, 25, 25, 25, 0.03**2, 0.03**2, 1e-8, 1e-8, 0])
    lens = Lens("ordinary", 700, 700, 640, 360, (-0.3, 0.02, 0, 0, 0), (1280, 720), covariance)
    camera = camera_from_lens(lens, 1280, 720)
    corners = corners_of(np.array([[500.0, 280], [790, 290], [780, 490], [505, 480]]))
    edge = 640 + 0.969 * lens.reach_px * np.array([-1.0, 1.0])
    line = np.stack([edge, [360.0, 360.0]], axis=1)
    for view in (view_from_promise(camera, 5.0), view_from_sheet(camera, corners)):
        cameras, normals = view.draw(np.random.default_rng(2), 4000)
        assert np.isfinite(directions(line, cameras, normals)).all()
