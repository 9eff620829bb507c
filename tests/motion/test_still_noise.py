"""Noise that changes, told from texture that stays; blocks; on pictures whose noise is known."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from clipmark.motion.still_noise import blockiness, noise_between

SHAPE = (288, 384)


def texture(rng: np.random.Generator) -> np.ndarray:
    """Strong detail that is the same in both pictures."""
    return 120 + 25 * gaussian_filter(rng.normal(size=SHAPE), 1.5) / 0.19


def pair(sigma: float, blur: float = 0.0, seed: int = 3) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    still = texture(rng)
    out = []
    for _ in range(2):
        noise = rng.normal(size=SHAPE)
        if blur:
            noise = gaussian_filter(noise, blur)
            noise /= noise.std()
        out.append(np.clip(np.rint(still + sigma * noise), 0, 255).astype(np.uint8))
    return out


@pytest.mark.parametrize("sigma", [1.0, 3.0, 8.0])
def test_noise_is_found_whatever_texture_it_lies_on(sigma):
    """Rounding to whole codes adds 1/12 to the variance; 432 blocks give 3 %."""
    found = noise_between(*pair(sigma), 0, 255)
    assert found.temporal == pytest.approx(np.sqrt(sigma**2 + 1 / 12), rel=0.03)
    assert found.together_px == pytest.approx(1.0, abs=0.1)


def test_noise_that_goes_together_says_over_how_many_pixels():
    """Noise blurred by s: the sum over all lags of exp(-lag^2 / 4 s^2) is 2 s sqrt(pi)."""
    found = noise_between(*pair(4.0, blur=1.2), 0, 255)
    assert found.together_px == pytest.approx(2 * 1.2 * np.sqrt(np.pi), rel=0.12)


def test_what_moves_is_left_out():
    first, second = pair(2.0)
    second[:, 200:] = np.roll(second[:, 200:], 3, axis=1)
    found = noise_between(first, second, 0, 255)
    assert found.temporal == pytest.approx(2.0, rel=0.06)
    assert found.still_share == pytest.approx(200 / 384, abs=0.06)


def test_blocks_that_an_encoder_repeats_are_counted():
    first, second = pair(2.0)
    second[:144] = first[:144]
    found = noise_between(first, second, 0, 255)
    assert found.repeated_share == pytest.approx(0.5, abs=0.03)
    assert found.fresh == pytest.approx(2.0, rel=0.05)
    assert found.temporal == pytest.approx(2.0 / np.sqrt(2), rel=0.05)


def test_clipped_pictures_tell_no_noise():
    white = np.full(SHAPE, 235, np.uint8)
    assert noise_between(white, white, 16, 235) is None


@pytest.mark.parametrize("grid", [8, 16])
def test_steps_on_a_grid_are_told_from_texture(grid):
    rng = np.random.default_rng(5)
    plain = texture(rng)
    blocks = rng.normal(0, 12, (SHAPE[0] // grid, SHAPE[1] // grid)).repeat(grid, 0).repeat(grid, 1)
    without, with_blocks = blockiness(plain), blockiness(plain + blocks)
    assert without[8] == pytest.approx(1.0, abs=0.06)
    assert without[16] == pytest.approx(1.0, abs=0.06)
    assert with_blocks[grid] > 1.3
