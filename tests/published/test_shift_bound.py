"""Registration against the best possible accuracy of a shift.

D. Robinson, P. Milanfar, Fundamental performance limits in image registration, IEEE Trans. Image
Process. 13 (2004) 1185-1199: var >= sigma^2 times the inverse of the 2 x 2 gradient matrix, twice
that when the reference carries the same noise. The Gaussian blob's closed form follows from it.
"""

import math

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from clipmark.motion.register import Pose, register
from clipmark.motion.templates import build_templates

SIZE = (100, 70)


def photograph(name: str) -> np.ndarray:
    """A photograph blurred by 0.8 px, as a lens does, so that it can be shifted exactly."""
    return ndimage.gaussian_filter(getattr(data, name)()[:300, :400].astype(float), 0.8)


def shifted(image: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """`image` moved right and down by a Fourier phase: exact for what the picture holds."""
    ky = np.fft.fftfreq(image.shape[0])[:, None]
    kx = np.fft.fftfreq(image.shape[1])[None]
    return np.fft.ifft2(np.fft.fft2(image) * np.exp(-2j * np.pi * (kx * dx + ky * dy))).real


def bound_px(image: np.ndarray, sigma: float) -> np.ndarray:
    """Bound for the patch in the middle, both pictures noisy; true slopes by central differences
    of the noise-free picture."""
    gy, gx = np.gradient(image)
    part = np.s_[115:185, 150:250]
    g = np.stack([gx[part].ravel(), gy[part].ravel()])
    rounding = 1 / 12  # grey levels are whole numbers
    return np.sqrt(np.diag(np.linalg.inv(g @ g.T)) * 2 * (sigma**2 + rounding))


def found_shift(reference, current, sigma, start=(0.0, 0.0)):
    pieces = build_templates(
        reference, np.array([[199.5, 149.5]]), SIZE, noise=sigma, most_pixels=SIZE[0] * SIZE[1]
    )
    return register(
        pieces, current, Pose.at(np.array([start])), np.array([1.5 * sigma]), form=False
    )


@pytest.mark.parametrize(("width", "amplitude", "sigma"), [(4, 100, 2), (6, 50, 3)])
def test_blob_bound_is_the_closed_form(width, amplitude, sigma):
    """u(x) = sigma sqrt(2/pi) / A, whatever the width; published cases 0.015957691 and
    0.047873073 px against a noise-free reference, sqrt(2) times that against a noisy one. 2 %: the
    template's slopes are those of a blob smoothed a little."""
    y, x = np.mgrid[:161, :161] - 80.0
    blob = 100 + amplitude * np.exp(-(x**2 + y**2) / (2 * width**2))
    pieces = build_templates(
        blob, np.array([[80.0, 80.0]]), (81, 81), noise=sigma, most_pixels=81 * 81
    )
    share = pieces.slope_noise * sigma**2 * 81 * 81  # the blob itself was drawn without noise
    matrix = pieces.gradient_matrices()[0] + share * np.eye(2)
    u = sigma / math.sqrt(matrix[0, 0])
    published = {4: 0.015957691, 6: 0.047873073}[width]
    assert published == pytest.approx(sigma * math.sqrt(2 / math.pi) / amplitude, rel=1e-7)
    assert u == pytest.approx(published, rel=0.03)


@pytest.mark.parametrize("name", ["camera", "coins", "brick", "grass"])
@pytest.mark.parametrize("sigma", [1.0, 4.0])
def test_photographs_are_registered_near_the_bound(name, sigma):
    """48 random shifts in two directions: root mean square error within 1.35 of the bound. The
    bar is 1.5; the ratio's own scatter over 96 errors is 7 %."""
    rng = np.random.default_rng(12)
    image = photograph(name)
    errors = []
    for _ in range(48):
        shift = rng.uniform(-1.5, 1.5, 2)
        reference = np.rint(image + rng.normal(0, sigma, image.shape)).astype(np.float32)
        current = shifted(image, *shift) + rng.normal(0, sigma, image.shape)
        fit = found_shift(reference, np.rint(current).astype(np.float32), sigma)
        errors.append((fit.pose.shift[0] - shift) / bound_px(image, sigma))
    assert np.sqrt(np.mean(np.square(errors))) < 1.35


def test_the_bound_stated_from_the_noisy_reference_is_that_of_the_noise_free_picture():
    """Noise in the slopes would make texture out of nothing; its share is taken out. Over four
    photographs within 10 %."""
    rng = np.random.default_rng(3)
    for name in ["camera", "coins", "brick", "grass"]:
        image = photograph(name)
        reference = (image + rng.normal(0, 4.0, image.shape)).astype(np.float32)
        pieces = build_templates(
            reference, np.array([[199.5, 149.5]]), SIZE, noise=4.0, most_pixels=7000
        )
        np.testing.assert_allclose(pieces.shift_bound_px()[0], bound_px(image, 4.0), rtol=0.10)


@pytest.mark.slow
def test_there_is_no_pull_to_whole_pixels():
    """Mean error at eight sub-pixel positions, 24 noisy pairs each, noise of 6 levels: no position
    is off by more than 4 standard errors, and the pattern that a pull to whole (or half) pixels
    would leave, sin(2 pi shift), has an amplitude of less than 0.002 px."""
    rng = np.random.default_rng(9)
    image = photograph("camera")
    positions = np.arange(8) / 8 - 0.5
    means, spreads = [], []
    for dx in positions:
        true = shifted(image, dx, 0.0)
        errors = []
        for _ in range(24):
            reference = (image + rng.normal(0, 6, image.shape)).astype(np.float32)
            current = (true + rng.normal(0, 6, image.shape)).astype(np.float32)
            errors.append(found_shift(reference, current, 6.0).pose.shift[0, 0] - dx)
        means.append(np.mean(errors))
        spreads.append(np.std(errors) / np.sqrt(24))
    assert np.all(np.abs(means) < 4 * np.array(spreads))
    pull = 2 * np.mean(np.array(means) * np.sin(2 * np.pi * positions))
    assert abs(pull) < 0.002 + 2 * np.mean(spreads) / 2


def test_the_interpolation_adds_no_bias_of_its_own():
    """Without noise, over sixteen sub-pixel shifts, the error stays below 0.0012 px: a tenth of
    what a good patch can tell in a camera's noise."""
    image = photograph("camera").astype(np.float32)
    for dx in np.arange(16) / 16 - 0.5:
        current = shifted(image, dx, -dx / 3).astype(np.float32)
        shift = found_shift(image, current, 0.3, start=(dx + 0.2, 0.1)).pose.shift[0]
        assert np.abs(shift - (dx, -dx / 3)).max() < 0.0012
