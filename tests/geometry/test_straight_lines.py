"""The bend of a lens from edge points known to be straight, against lenses that are known."""

import math

import numpy as np
import pytest
from scipy.stats import binom

from clipmark.errors import FitError, LensError
from clipmark.geometry.camera import (
    LONG_SIDE_VIEW_DEG,
    assumed_camera,
    camera_from_lens,
    camera_from_view_angle,
)
from clipmark.geometry.distortion import distort_many, undistort_many
from clipmark.geometry.lens import Lens
from clipmark.geometry.straight_lines import STRAIGHT_U, EdgePoints, fit_bend, reaches_corner
from clipmark.measure.lens_lines import lens_of_bend

WIDTH, HEIGHT, FOCAL = 1280.0, 720.0, 900.0
SQUARE = (WIDTH**2 + HEIGHT**2) / 4 / FOCAL**2
SIDES = (
    ((60, 60), (1220, 40)),
    ((50, 670), (1230, 690)),
    ((70, 50), (60, 670)),
    ((1210, 60), (1220, 660)),
    ((300, 60), (320, 660)),
)


def lens_params(bend1, bend2=0.0, shift=(0.0, 0.0), focal=FOCAL):
    square = SQUARE * (FOCAL / focal) ** 2
    middle = ((WIDTH - 1) / 2 + shift[0], (HEIGHT - 1) / 2 + shift[1])
    return np.array([focal, focal, *middle, bend1 / square, bend2 / square**2, 0, 0, 0])


def edge_points(params, ends, *, rng=None, u_px=0.05, bow=0.0, count=41):
    """Points on an edge between two ends, px, seen through a lens, with noise across it."""
    start, end = undistort_many(np.array(ends, dtype=float), params[None])[0]
    along = np.linspace(-1, 1, count)[:, None]
    chord = end - start
    normal = np.array([chord[1], -chord[0]]) / np.hypot(*chord)
    straight = (start + end) / 2 + along * chord / 2
    straight = straight + bow * np.hypot(*chord) * (1 - along**2) * normal
    points = distort_many(straight, params[None])[0]
    across = distort_many(straight + normal, params[None])[0] - points
    across /= np.hypot(*across.T)[:, None]
    if rng is not None:
        points = points + across * rng.normal(0, u_px, (count, 1))
    return EdgePoints(points, across, np.full(count, u_px))


def corner_bend(bend1, bend2=0.0):
    """1/q - 1 at ``q (1 + b1 q^2 + b2 q^4) = 1``, by the roots of the polynomial."""
    roots = np.roots([bend2, 0, bend1, 0, 1, -1])
    q = min(item.real for item in roots if abs(item.imag) < 1e-9 and item.real > 0)
    return 1 / q - 1


@pytest.mark.parametrize("bend1", [-0.128, -0.0475, 0.0, 0.03])
def test_lines_without_noise_give_back_the_lens_that_bent_them(bend1):
    truth = lens_params(bend1, 0.4 * bend1**2, (6.0, -4.0))
    lines = [edge_points(truth, ends, u_px=0.001) for ends in SIDES]
    found = fit_bend(lines, (WIDTH, HEIGHT), FOCAL, start=(0.9 * bend1, 0.0), straight_u=0.0)
    # points are good to 0.001 px, so what is assumed of any lens hardly counts
    assert found.corner_bend == pytest.approx(corner_bend(bend1, 0.4 * bend1**2), abs=1e-4)
    if abs(bend1) > 0.015:  # a lens that hardly bends has no middle of its bend
        np.testing.assert_allclose(found.params[2:4], truth[2:4], atol=0.3)


def test_the_focal_length_taken_for_granted_changes_k1_and_not_the_bend():
    truth = lens_params(-0.09)
    lines = [edge_points(truth, ends) for ends in SIDES]
    one, other = (
        fit_bend(lines, (WIDTH, HEIGHT), focal, start=(-0.09, 0.0)) for focal in (700.0, 1400.0)
    )
    assert one.corner_bend == pytest.approx(other.corner_bend, abs=1e-6)
    assert other.params[4] / one.params[4] == pytest.approx(4.0, abs=1e-3)


def simulate(seed, trials):
    """How often |error| <= 1.96 u, everything drawn from what is assumed of lens and things."""
    held = 0
    for trial in range(trials):
        rng = np.random.default_rng([seed, trial])
        bend1 = rng.uniform(-0.13, 0.03)
        bend2 = abs(rng.normal(0, 0.003))  # of the sign that keeps the picture's corner in reach
        truth = lens_params(bend1, bend2, rng.normal(0, 0.01 * WIDTH, 2))
        lines = [
            edge_points(
                truth,
                np.array(SIDES[index]) + rng.normal(0, 15, (2, 2)),
                rng=rng,
                bow=rng.normal(0, STRAIGHT_U),
            )
            for index in range(rng.integers(2, 6))
        ]
        found = fit_bend(lines, (WIDTH, HEIGHT), FOCAL, start=(0.9 * bend1, 0.0))
        error = found.corner_bend - corner_bend(bend1, bend2)
        held += abs(error) <= 1.96 * found.u_corner_bend
    return held


def assert_share(held, trials):
    """The exact 95 % binomial interval of the rate meets 93 to 97 %."""
    low, high = binom.ppf([0.025, 0.975], trials, [0.93, 0.97])
    assert low <= held <= high


@pytest.mark.slow
def test_stated_uncertainty_holds_the_truth_in_600_drawn_lenses():
    assert_share(simulate(7, 600), 600)


def test_a_bow_of_the_thing_itself_counts_in_the_uncertainty():
    truth = lens_params(-0.0475)
    line = [edge_points(truth, SIDES[0])]
    exact, bowed = (
        fit_bend(line, (WIDTH, HEIGHT), FOCAL, start=(-0.04, 0.0), straight_u=u).u_corner_bend
        for u in (0.0, 0.003)
    )
    # 3 mm on a metre bow this line of 1,160 px by 3.5 px, the lens by some 15 px at a bend of 5 %
    assert exact < 0.003
    assert 0.1 < bowed / abs(corner_bend(-0.0475)) < 0.45


def test_a_line_through_the_middle_tells_nothing_and_says_so():
    truth = lens_params(-0.0475)
    middle = [edge_points(truth, ((60, 359.5), (1220, 359.5)))]
    found = fit_bend(middle, (WIDTH, HEIGHT), FOCAL, start=(-0.04, 0.0))
    assert found.u_corner_bend > 0.02


def test_points_off_the_line_are_left_out():
    truth = lens_params(-0.0475)
    lines = [edge_points(truth, ends) for ends in SIDES]
    bad = lines[0].points.copy()
    bad[10:16] += 5.0 * lines[0].normals[10:16]  # a hand before the edge
    lines[0] = EdgePoints(bad, lines[0].normals, lines[0].u_px)
    found = fit_bend(lines, (WIDTH, HEIGHT), FOCAL, start=(-0.04, 0.0))
    assert found.used[0] == pytest.approx(35 / 41)
    assert found.corner_bend == pytest.approx(corner_bend(-0.0475), abs=2e-4)


def test_too_few_points_are_refused():
    line = edge_points(lens_params(0.0), SIDES[0], count=5)
    with pytest.raises(FitError) as refusal:
        fit_bend([line], (WIDTH, HEIGHT), FOCAL)
    assert str(refusal.value) == (
        "straight line 1: its edge was found at 5 places only, but at least 8 are needed; mark a "
        "longer or clearer edge"
    )


def test_a_start_that_folds_back_before_the_lines_is_refused():
    lines = [edge_points(lens_params(-0.09), ends) for ends in SIDES]
    with pytest.raises(FitError) as refusal:
        fit_bend(lines, (WIDTH, HEIGHT), FOCAL, start=(-0.5, 0.0))
    assert str(refusal.value) == (
        "the lines bend more than a lens of the ordinary model can: it folds back before it "
        "reaches them; mark lines nearer the middle, or calibrate the lens with a board"
    )


def test_whether_a_lens_holds_in_the_corners_is_told():
    assert reaches_corner(lens_params(-0.128), (WIDTH, HEIGHT))
    assert not reaches_corner(lens_params(-0.16), (WIDTH, HEIGHT))


# The lens that comes of it: its bend is known, its focal length is not.


@pytest.fixture(scope="module")
def bend():
    truth = lens_params(-0.09, focal=camera_from_view_angle(1280, 720, 65.0).centre[0])
    rng = np.random.default_rng(2)
    lines = [edge_points(truth, ends, rng=rng) for ends in SIDES]
    return fit_bend(lines, (WIDTH, HEIGHT), truth[0], start=(-0.08, 0.0))


@pytest.mark.parametrize("declared", [True, False], ids=["view angle", "assumed"])
def test_drawn_cameras_keep_the_bend_whatever_their_focal_length(bend, declared):
    prior = camera_from_view_angle(1280, 720, 65.0) if declared else assumed_camera(1280, 720)
    scale = (prior.centre[0] / bend.params[0]) ** np.array([1, 1, 0, 0, 2, 4, 1, 1, 6])
    known = type(bend)(**{**vars(bend), "params": bend.params * scale})
    lens = Lens.from_dict(lens_of_bend(known, prior).to_dict())
    camera = camera_from_lens(lens, 1280, 720)
    rng = np.random.default_rng(5)
    draws = camera.params(camera.draw_latents(rng, 4000))
    prior_draws = prior.params(prior.draw_latents(rng, 4000))
    # as wide a focal length as without lines (4,000 draws: 5 % on a standard deviation is 4 sigma)
    assert np.std(draws[:, 0]) == pytest.approx(np.std(prior_draws[:, 0]), rel=0.08)
    if not declared:
        view = np.degrees(2 * np.arctan(640 / draws[:, 0]))
        assert view.min() > LONG_SIDE_VIEW_DEG[0] - 0.01
        assert view.max() < LONG_SIDE_VIEW_DEG[1] + 0.01
    # and a bend as sure as the lines made it: k1 over f squared
    bends = draws[:, 4] / draws[:, 0] ** 2
    u_k1 = math.sqrt(known.covariance[2, 2])
    assert np.std(bends) == pytest.approx(u_k1 / lens.fx**2, rel=0.12)
    assert np.mean(bends) == pytest.approx(lens.distortion[0] / lens.fx**2, rel=0.01)


def test_a_lens_file_says_where_its_focal_length_comes_from(bend):
    lens = lens_of_bend(bend, camera_from_view_angle(1280, 720, 65.0))
    assert lens.to_dict()["focal"] == "view angle"
    again = Lens.from_dict(lens.to_dict()).scaled_to(640, 360)
    assert again.focal == "view angle"
    assert "focal" not in Lens.from_dict({**lens.to_dict(), "focal": None}).to_dict()
    with pytest.raises(LensError) as refusal:
        Lens.from_dict({**lens.to_dict(), "focal": "known"})
    assert str(refusal.value) == (
        "the lens file says that its focal length is 'known', but only 'calibrated', 'view angle', "
        "'assumed' are known; calibrate the lens anew"
    )


def test_the_covariance_holds_the_focal_length_and_what_goes_with_it(bend):
    lens = lens_of_bend(bend, camera_from_view_angle(1280, 720, 65.0))
    spread = lens.covariance
    assert math.sqrt(spread[0, 0]) == pytest.approx(0.02 * lens.fx)
    assert spread[0, 1] == pytest.approx(spread[0, 0])
    k1 = lens.distortion[0]
    assert spread[0, 4] == pytest.approx(2 * k1 / lens.fx * spread[0, 0])
    assert spread[4, 4] == pytest.approx(bend.covariance[2, 2] + (0.04 * k1) ** 2)


def test_a_calibrated_lens_is_not_overwritten(bend):
    lens = lens_of_bend(bend, camera_from_view_angle(1280, 720, 65.0))
    calibrated = camera_from_lens(Lens.from_dict({**lens.to_dict(), "focal": None}), 1280, 720)
    with pytest.raises(LensError, match="calibrated already"):
        lens_of_bend(bend, calibrated)
