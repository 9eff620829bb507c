"""What is known of the camera: each prior draws what it declares."""

import math

import numpy as np
import pytest

from clipmark.errors import LensError
from clipmark.geometry.camera import (
    assumed_camera,
    camera_from_lens,
    camera_from_view_angle,
)
from clipmark.geometry.distortion import rays_to_pixels, reach_px
from clipmark.geometry.lens import Lens

N = 40_000


def drawn(camera, groups=None, n=N, seed=1):
    latents = camera.draw_latents(np.random.default_rng(seed), n, groups)
    return camera.params(latents)


def estimate(camera):
    return camera.params(np.zeros((1, len(camera.latent_group))))[0]


def test_unknown_camera_has_its_long_side_between_50_and_85_deg():
    """Rectangular: both ends reached, mean 67.5, sd 35 / sqrt(12)."""
    for size in ((1920, 1080), (1080, 1920)):
        params = drawn(assumed_camera(*size), ["view angle"])
        view = np.degrees(2 * np.arctan(1920 / 2 / params[:, 0]))
        assert view.min() == pytest.approx(50, abs=0.01)
        assert view.max() == pytest.approx(85, abs=0.01)
        assert view.mean() == pytest.approx(67.5, abs=0.2)
        assert view.std() == pytest.approx(35 / math.sqrt(12), rel=0.01)


def test_unknown_camera_bends_the_corner_by_up_to_2_percent_whatever_its_focal_length():
    camera = assumed_camera(1920, 1080)
    params = drawn(camera, ["view angle", "lens distortion"])
    corner = np.hypot(1920, 1080) / 2
    bend = params[:, 4] * (corner / params[:, 0]) ** 2
    assert np.abs(bend).max() == pytest.approx(0.02, rel=0.001)
    assert bend.std() == pytest.approx(0.02 / math.sqrt(3), rel=0.01)
    ray = np.array([[[corner / params[0, 0], 0.0]]])
    moved = rays_to_pixels(ray, params[:1])[0, 0, 0] - params[0, 2]
    assert moved / corner - 1 == pytest.approx(bend[0], rel=1e-9)


def test_principal_point_of_an_uncalibrated_camera_is_the_middle_within_1_percent():
    params = drawn(assumed_camera(1920, 1080), ["picture centre"])
    assert params[:, 2:4].mean(axis=0) == pytest.approx([959.5, 539.5], abs=0.4)
    assert params[:, 2:4].std(axis=0) == pytest.approx([19.2, 19.2], rel=0.02)


def test_declared_view_angle_gives_the_focal_length_within_2_percent():
    camera = camera_from_view_angle(1920, 1080, 60.0)
    focal = 960 / math.tan(math.radians(30))
    assert estimate(camera)[0] == pytest.approx(focal, rel=1e-12)
    params = drawn(camera, ["view angle"])
    assert params[:, 0].std() / focal == pytest.approx(0.02, rel=0.02)
    assert params[:, 0] == pytest.approx(params[:, 1])


def test_declared_view_angle_is_that_of_the_horizontal_side_also_held_upright():
    camera = camera_from_view_angle(1080, 1920, 40.0)
    assert estimate(camera)[0] == pytest.approx(540 / math.tan(math.radians(20)), rel=1e-12)


def test_pixel_aspect_widens_the_square_picture_and_moves_its_middle():
    camera = camera_from_view_angle(1440, 1080, 60.0, pixel_aspect=4 / 3)
    assert estimate(camera)[0] == pytest.approx(960 / math.tan(math.radians(30)), rel=1e-12)
    assert estimate(camera)[2] == pytest.approx(1439 / 2 * 4 / 3)


def test_lens_file_is_drawn_with_its_own_covariance():
    """Correlations included; 40 000 draws are good to about 1 %."""
    rng = np.random.default_rng(5)
    root = rng.normal(size=(9, 9)) * 0.3
    scale = np.diag([2.0, 2, 3, 3, 5e-3, 5e-3, 1e-4, 1e-4, 5e-3])
    covariance = scale @ (root @ root.T) @ scale
    distortion = (-0.05, 0.01, 0.0, 0.0, 0.0)
    lens = Lens("ordinary", 1500, 1500, 960, 540, distortion, (1920, 1080), covariance)
    found = np.cov(drawn(camera_from_lens(lens, 1920, 1080)).T)
    sd = np.sqrt(np.diag(covariance))
    assert found / np.outer(sd, sd) == pytest.approx(covariance / np.outer(sd, sd), abs=0.04)


def test_lens_file_with_fixed_parameters_leaves_them_fixed():
    covariance = np.diag([4.0, 4, 1, 1, 1e-6, 0, 0, 0, 0])
    lens = Lens("ordinary", 1500, 1500, 960, 540, (0.02, 0, 0, 0, 0), (1920, 1080), covariance)
    params = drawn(camera_from_lens(lens, 1920, 1080), n=100)
    assert (params[:, 5:] == 0).all()


def test_lens_file_without_covariance_is_not_taken_as_exact():
    lens = Lens("fisheye", 600, 600, 640, 360, (0.02, 0, 0, 0), (1280, 720))
    camera = camera_from_lens(lens, 1280, 720)
    params = drawn(camera)
    assert params[:, 0].std() / 600 == pytest.approx(0.005, rel=0.03)
    assert camera.groups[0].kind == "B"
    assert "no covariance" in camera.groups[0].advice


def test_no_drawn_lens_folds_back_inside_the_picture():
    """A wild covariance: many draws would fold, which a lens that took the picture cannot."""
    covariance = np.diag([1.0, 1, 1, 1, 0.05**2, 0.05**2, 0, 0, 0.05**2])
    distortion = (-0.25, 0.05, 0.0, 0.0, 0.0)
    lens = Lens("ordinary", 900, 900, 640, 360, distortion, (1280, 720), covariance)
    params = drawn(camera_from_lens(lens, 1280, 720), n=4000)
    needed = min(np.hypot(1280, 720) / 2, 0.97 * lens.reach_px)
    assert (reach_px(params) >= needed).all()


def test_one_source_alone_leaves_the_others_at_their_estimate():
    camera = assumed_camera(1920, 1080)
    params = drawn(camera, ["picture centre"], n=50)
    assert (params[:, 0] == estimate(camera)[0]).all()
    assert (params[:, 4] == 0).all()


def test_absurd_view_angle_is_refused():
    with pytest.raises(LensError) as refused:
        camera_from_view_angle(1920, 1080, 200.0)
    assert str(refused.value) == (
        "a view angle of 200 deg was given, but it must lie between 1 and 170; "
        "give the horizontal angle the picture covers, such as 65"
    )
