"""The lens: against OpenCV as reference library, its folds, its file, its change of size."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.errors import LensError
from clipmark.geometry.distortion import (
    distort_many,
    fold_squares,
    pixels_to_rays,
    undistort_many,
)
from clipmark.geometry.lens import Lens

ACTION = Lens("ordinary", 900.0, 905.0, 641.0, 357.0, (-0.3, 0.11, 4e-4, -3e-4, -0.02), (1280, 720))
ROUND = Lens("fisheye", 600.0, 602.0, 640.0, 360.0, (0.04, -0.012, 0.003, -0.0006), (1280, 720))


def grid(lens, step=80):
    width, height = lens.image_size
    x, y = np.meshgrid(np.arange(0.0, width, step), np.arange(0.0, height, step))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def opencv_pixels(lens, straight):
    """Reference: OpenCV's own forward model."""
    rays = (straight - [lens.cx, lens.cy]) / [lens.fx, lens.fy]
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1.0]])
    k = np.array(lens.distortion)
    if lens.model == "fisheye":
        solid = np.column_stack([rays, np.ones(len(rays))])[:, None]
        return cv2.fisheye.projectPoints(solid, np.zeros(3), np.zeros(3), matrix, k)[0][:, 0]
    solid = np.column_stack([rays, np.ones(len(rays))])
    return cv2.projectPoints(solid, np.zeros(3), np.zeros(3), matrix, k)[0][:, 0]


@pytest.mark.parametrize("lens", [ACTION, ROUND], ids=["ordinary", "fisheye"])
def test_forward_model_is_opencvs(lens):
    """1e-9 px: both evaluate the same polynomial in double precision."""
    straight = grid(lens)
    assert lens.distort(straight) == pytest.approx(opencv_pixels(lens, straight), abs=1e-9)


@pytest.mark.parametrize("lens", [ACTION, ROUND], ids=["ordinary", "fisheye"])
def test_undistorting_undoes_distorting_to_a_billionth_of_a_pixel(lens):
    """The whole picture, corners included."""
    picture = grid(lens)
    assert opencv_pixels(lens, lens.undistort(picture)) == pytest.approx(picture, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-0.28, 0.25),
    st.floats(-0.1, 0.1),
    st.floats(-1e-3, 1e-3),
    st.floats(-1e-3, 1e-3),
    st.floats(-0.05, 0.05),
)
def test_any_plausible_lens_comes_back_or_is_refused(k1, k2, p1, p2, k3):
    """Inside the fold the round trip is exact to 1e-9 px; outside there is no number at all."""
    params = np.array([[1000.0, 1000.0, 639.5, 359.5, k1, k2, p1, p2, k3]])
    rays = (grid(ACTION) - params[0, 2:4]) / 1000.0
    inside = np.sum(rays**2, axis=1) < 0.97 * fold_squares(params)[0]
    straight = grid(ACTION)[inside]
    picture = distort_many(straight, params)
    assert undistort_many(picture[0], params)[0] == pytest.approx(straight, abs=1e-9)


def test_many_lenses_at_once_are_each_lens_by_itself():
    rng = np.random.default_rng(3)
    params = ACTION.params + rng.normal(size=(50, 9)) * [3, 3, 2, 2, 0.01, 0.01, 1e-4, 1e-4, 0.01]
    points = grid(ACTION, 160)
    together = undistort_many(points, params)
    assert together.shape == (50, len(points), 2)
    for index in (0, 17, 49):
        alone = undistort_many(points, params[index : index + 1])[0]
        assert together[index] == pytest.approx(alone, abs=1e-12)


def test_each_lens_may_have_its_own_points():
    params = np.stack([ACTION.params, ACTION.params])
    points = np.stack([grid(ACTION, 200), grid(ACTION, 200) + 3.0])
    both = undistort_many(points, params)
    assert both[1] == pytest.approx(ACTION.undistort(points[1]), abs=1e-12)


def test_barrel_lens_folds_where_its_derivative_vanishes():
    """k1 alone: 1 + 3 k1 r^2 = 0, so r = 1.0541 and 376.603 px at f = 535.9."""
    lens = Lens("ordinary", 535.9, 535.9, 320.0, 240.0, (-0.3, 0, 0, 0, 0), (640, 480))
    r = (1 / 0.9) ** 0.5
    assert lens.reach_px == pytest.approx(535.9 * r * (1 - 0.3 * r * r), rel=1e-12)


def test_fold_is_the_first_of_several_roots():
    """Checked against a fine scan of the radial polynomial."""
    params = np.array([[1.0, 1, 0, 0, -0.5, 0.3, 0, 0, -0.06]])
    r = np.linspace(0, 3, 300_001)
    growing = np.diff(r * (1 - 0.5 * r**2 + 0.3 * r**4 - 0.06 * r**6)) > 0
    first = r[np.argmin(growing)]
    assert np.sqrt(fold_squares(params)[0]) == pytest.approx(first, abs=2e-5)


def test_points_beyond_the_fold_are_refused_with_a_sentence():
    lens = Lens("ordinary", 535.9, 535.9, 320.0, 240.0, (-0.3, 0, 0, 0, 0), (640, 480))
    with pytest.raises(LensError) as refused:
        lens.undistort(np.array([[320.0, 240.0], [630.0, 470.0]]))
    assert str(refused.value) == (
        "the picture position (630.0, 470.0) px lies beyond the usable reach of the lens model, "
        "which folds back 377 px from its middle; mark points nearer the middle, or calibrate "
        "the lens with the board in the corners of the picture"
    )


def test_points_beyond_the_fold_do_not_project_into_the_picture():
    """The trap: without the test of reach, a ray 70 deg off the axis would land inside."""
    lens = Lens("ordinary", 535.9, 535.9, 320.0, 240.0, (-0.3, 0, 0, 0, 0), (640, 480))
    far = 535.9 * 1.7
    assert abs(535.9 * 1.7 * (1 - 0.3 * 1.7**2)) < 320  # where the bare polynomial puts it
    with pytest.raises(LensError, match="straight position"):
        lens.distort(np.array([[320.0 + far, 240.0]]))


def test_draws_beyond_the_fold_are_nan_and_the_others_are_not():
    params = np.array([[535.9, 535.9, 320.0, 240.0, k1, 0, 0, 0, 0] for k1 in (-0.3, -0.1)])
    rays = pixels_to_rays(np.array([[630.0, 470.0]]), params)
    assert np.isnan(rays[0]).all()
    assert np.isfinite(rays[1]).all()


# --- the file ---------------------------------------------------------------------------------

FILE = {
    "model": "ordinary",
    "fx": 900.0,
    "fy": 905.0,
    "cx": 641.0,
    "cy": 357.0,
    "distortion": {"k1": -0.3, "k2": 0.11, "p1": 4e-4, "p2": -3e-4, "k3": -0.02},
    "covariance": None,
    "rms_px": 0.21,
    "views": 14,
    "image_size": [1280, 720],
    "covered": 0.71,
}


def test_file_form_is_read_and_unknown_entries_are_ignored():
    lens = Lens.from_dict(FILE)
    assert lens.params == pytest.approx(ACTION.params, abs=0)
    assert lens.image_size == (1280, 720)
    assert lens.covariance is None
    assert lens.rms_px == 0.21


def test_what_is_written_is_read_back_the_same():
    covariance = np.diag(np.arange(1.0, 10.0)) * 1e-3
    covariance[0, 1] = covariance[1, 0] = 1e-4
    lens = Lens("ordinary", 900, 905, 641, 357, ACTION.distortion, (1280, 720), covariance, 0.2)
    back = Lens.from_dict(lens.to_dict())
    assert back.params == pytest.approx(lens.params, abs=0)
    assert back.covariance == pytest.approx(covariance, abs=0)
    assert back.rms_px == 0.2


def test_written_lens_survives_a_reader_that_sorts_the_keys():
    """Canonical JSON sorts k1, k2, k3, p1, p2; the covariance must still belong to its rows."""
    covariance = np.diag([1.0, 2, 3, 4, 5, 6, 7, 8, 9])
    written = Lens(
        "ordinary", 900, 905, 641, 357, ACTION.distortion, (1280, 720), covariance
    ).to_dict()
    distortion = written["distortion"]
    shuffled = {**written, "distortion": dict(sorted(distortion.items()))}
    assert list(shuffled["distortion"]) == ["k1", "k2", "k3", "p1", "p2"]
    assert np.diag(Lens.from_dict(shuffled).covariance) == pytest.approx(np.diag(covariance))


def test_covariance_without_named_rows_follows_the_order_the_distortion_is_written_in():
    other = {"k1": -0.3, "k2": 0.11, "k3": -0.02, "p1": 4e-4, "p2": -3e-4}
    rows = np.diag([1.0, 2, 3, 4, 5, 6, 7, 8, 9]).tolist()
    lens = Lens.from_dict({**FILE, "distortion": other, "covariance": rows})
    assert np.diag(lens.covariance) == pytest.approx([1, 2, 3, 4, 5, 6, 8, 9, 7])


def test_distortion_may_be_a_list_and_shorter_than_five():
    lens = Lens.from_dict({**FILE, "distortion": [-0.3, 0.11]})
    assert lens.distortion == (-0.3, 0.11, 0.0, 0.0, 0.0)


def test_missing_coefficients_are_certain_zeros_in_the_covariance():
    rows = np.diag([1.0, 1, 1, 1, 0.01]).tolist()
    lens = Lens.from_dict({**FILE, "distortion": {"k1": -0.3}, "covariance": rows})
    assert lens.covariance.shape == (9, 9)
    assert np.diag(lens.covariance) == pytest.approx([1, 1, 1, 1, 0.01, 0, 0, 0, 0])


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"model": "magic"},
            "the lens file names the model 'magic', but only 'ordinary' and 'fisheye' are known; "
            "calibrate the lens with one of them",
        ),
        ({"fx": None}, "the lens file has no 'fx'; calibrate the lens anew"),
        (
            {"cx": "641"},
            "the lens file has 'cx' = '641', which is not a finite number; calibrate the lens anew",
        ),
        (
            {"fy": -905.0},
            "the lens file has a focal length of -905 px, but it must be above 0; "
            "calibrate the lens anew",
        ),
        ({"distortion": None}, "the lens file has no 'distortion'; calibrate the lens anew"),
        (
            {"distortion": {"k1": -0.3, "q": 1.0}},
            "the lens file has the distortion coefficient 'q', but the ordinary model has "
            "k1, k2, p1, p2, k3; calibrate the lens anew",
        ),
        (
            {"model": "fisheye", "distortion": [0, 0, 0, 0, 0]},
            "the lens file has 5 distortion coefficients, but the fisheye model has 4 "
            "(k1, k2, k3, k4); calibrate the lens anew",
        ),
        (
            {"image_size": None},
            "the lens file has no 'image_size' of two numbers, so it cannot be told which pictures "
            "it belongs to; add the width and height in px it was made at",
        ),
        (
            {"covariance": [[1.0, 0.0], [0.0, 1.0]]},
            "the lens file has a covariance that is not 9 x 9 numbers for fx, fy, cx, cy, k1, k2, "
            "p1, p2, k3; calibrate the lens anew, or set it to null",
        ),
        (
            {"covariance": np.diag([1.0, 1, 1, 1, -1, 1, 1, 1, 1]).tolist()},
            "the lens file has a covariance that is no covariance (not symmetric, or with a "
            "negative variance); calibrate the lens anew, or set it to null",
        ),
    ],
)
def test_malformed_files_are_refused_with_a_sentence(change, sentence):
    with pytest.raises(LensError) as refused:
        Lens.from_dict({**FILE, **change})
    assert str(refused.value) == sentence


def test_file_that_is_no_object_is_refused():
    with pytest.raises(LensError, match="not a JSON object"):
        Lens.from_dict([1, 2, 3])


# --- another size -----------------------------------------------------------------------------


def test_scaling_keeps_what_is_seen_where_it_is_seen():
    """A picture of twice the size: pixel edges, not centres, correspond; angles stay."""
    large = ACTION.scaled_to(2560, 1440)
    small_px = np.array([[10.0, 20.0], [1200.0, 700.0]])
    large_px = (small_px + 0.5) * 2 - 0.5
    small_rays = pixels_to_rays(small_px, ACTION.params[None])[0]
    assert pixels_to_rays(large_px, large.params[None])[0] == pytest.approx(small_rays, abs=1e-12)


def test_scaling_scales_the_covariance():
    lens = Lens("ordinary", 900, 905, 641, 357, ACTION.distortion, (1280, 720), np.eye(9), 0.2)
    large = lens.scaled_to(1920, 1080)
    assert np.diag(large.covariance) == pytest.approx([2.25] * 4 + [1.0] * 5)
    assert large.rms_px == pytest.approx(0.3)


def test_shape_may_differ_by_a_line_that_the_encoder_added():
    assert ACTION.scaled_to(1920, 1082).image_size == (1920, 1082)


def test_lens_of_another_shape_is_refused_with_both_sizes():
    with pytest.raises(LensError) as refused:
        ACTION.scaled_to(1080, 1920)
    assert str(refused.value) == (
        "the lens file is for pictures of 1280 x 720 px, but this clip is 1080 x 1920 px; "
        "give a lens file of this camera made held the same way up"
    )
