"""What registration withstands, and whether it says honestly how well it did."""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from clipmark.motion.register import Pose, register
from clipmark.motion.templates import build_templates


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    return ndimage.gaussian_filter(data.camera()[:300, :400].astype(float), 0.8)


def moved(image, dx=0.0, dy=0.0, growth=0.0, turn_rad=0.0, centre=(199.5, 149.5)):
    """`image` as seen when a point c + r goes to c + shift + (1 + growth) R(turn) r, by a spline
    of degree five."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(float)
    z = (x - centre[0] - dx) + 1j * (y - centre[1] - dy)
    back = z / ((1 + growth) * np.exp(1j * turn_rad))
    where = [back.imag + centre[1], back.real + centre[0]]
    return ndimage.map_coordinates(image, where, order=5, mode="nearest")


def fit_of(reference, current, *, form=True, start=(0.0, 0.0), noise=1.0):
    pieces = build_templates(
        reference.astype(np.float32),
        np.array([[199.5, 149.5]]),
        (100, 70),
        noise=noise,
        most_pixels=7000,
    )
    return register(
        pieces,
        current.astype(np.float32),
        Pose.at(np.array([start])),
        np.array([1.5 * noise]),
        form=form,
    )


def test_shift_turn_and_growth_come_back_together(scene):
    """Drawn by a spline of degree five; the two splines differ by 0.002 px on a photograph."""
    current = moved(scene, 1.3, -0.7, growth=0.03, turn_rad=0.04)
    fit = fit_of(scene, current, noise=0.3)
    np.testing.assert_allclose(fit.pose.shift[0], (1.3, -0.7), atol=0.01)
    turned = 1 + fit.pose.form[0, 0] + 1j * fit.pose.form[0, 1]
    assert abs(turned) == pytest.approx(1.03, abs=3e-4)
    assert np.angle(turned) == pytest.approx(0.04, abs=3e-4)


def test_changing_light_does_not_move_the_body(scene):
    """Gain 0.7 and 30 levels more: the same shift within 0.005 px."""
    current = moved(scene, 0.4, 0.3)
    plain = fit_of(scene, current).pose.shift[0]
    darker = fit_of(scene, 0.7 * current + 30)
    np.testing.assert_allclose(darker.pose.shift[0], plain, atol=0.005)
    assert darker.gain[0] == pytest.approx(0.7, abs=0.01)


def test_a_hand_over_a_quarter_of_the_patch_does_not_move_the_body(scene):
    """A flat bright thing over a quarter of the pixels: within 0.02 px, and the share shows."""
    rng = np.random.default_rng(1)
    current = moved(scene, 0.4, 0.3) + rng.normal(0, 1, scene.shape)
    current[110:190, 225:260] = 230
    fit = fit_of(scene + rng.normal(0, 1, scene.shape), current)
    np.testing.assert_allclose(fit.pose.shift[0], (0.4, 0.3), atol=0.02)
    assert fit.inliers[0] < 0.85


def test_ten_bit_pictures_are_registered_like_eight_bit_ones(scene):
    current = moved(scene, 0.25, -0.4)
    eight = fit_of(np.rint(scene), np.rint(current)).pose.shift[0]
    ten = fit_of(np.rint(4 * scene), np.rint(4 * current), noise=4.0).pose.shift[0]
    np.testing.assert_allclose(ten, (0.25, -0.4), atol=0.005)
    np.testing.assert_allclose(eight, ten, atol=0.01)


@pytest.mark.parametrize(
    "sigma",
    [pytest.param(1.0, marks=pytest.mark.slow), 3.0, pytest.param(8.0, marks=pytest.mark.slow)],
)
@pytest.mark.slow
def test_stated_uncertainty_equals_the_scatter_seen(scene, sigma):
    """60 noisy pairs, two axes: the mean stated variance within 0.75 to 1.5 of the seen one (the
    seen one is itself good to 13 %)."""
    rng = np.random.default_rng(4)
    errors, stated = [], []
    for _ in range(60):
        shift = rng.uniform(-1, 1, 2)
        current = moved(scene, *shift) + rng.normal(0, sigma, scene.shape)
        fit = fit_of(scene + rng.normal(0, sigma, scene.shape), current, noise=sigma)
        errors.append(fit.pose.shift[0] - shift)
        stated.append(np.diag(fit.covariance[0]))
    ratio = np.mean(stated) / np.mean(np.square(errors))
    assert 0.75 < ratio < 1.5


@pytest.mark.slow
def test_noise_that_goes_together_in_blocks_is_seen_as_such(scene):
    """Block noise (8 x 8 px patches of one value) makes the between-block variance of the steering
    sums larger than the white one says; white noise does not."""
    rng = np.random.default_rng(6)
    ratios = []
    for blocky in (False, True):
        white = block = 0.0
        for _ in range(20):
            noise = rng.normal(0, 2, scene.shape)
            if blocky:
                noise = np.kron(rng.normal(0, 2, (38, 50)), np.ones((8, 8)))[:300, :400]
                noise = ndimage.gaussian_filter(noise, 1.0) * 1.3
            fit = fit_of(scene, moved(scene, 0.3, 0.2) + noise, noise=2.0)
            white += fit.score_white[0].sum()
            block += fit.score_block[0].sum()
        ratios.append(block / white)
    assert ratios[0] < 1.2
    assert ratios[1] > 2.0
