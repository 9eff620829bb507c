"""Where a calibration has seen its board."""

import numpy as np
import pytest

from clipmark.geometry.lens_cover import corner_u_px, covered

SIZE = (1600.0, 900.0)
LENS = np.array([1200.0, 1200.0, 799.5, 449.5, -0.1, 0.02, 0.0, 0.0, 0.0])


def spread_of(k1_u):
    covariance = np.zeros((9, 9))
    covariance[4, 4] = k1_u**2
    return covariance


def test_one_corner_covers_a_disc_of_6_percent_of_the_diagonal():
    cover = covered(np.array([[800.0, 450.0]]), SIZE)
    disc = np.pi * (0.06 * np.hypot(*SIZE)) ** 2 / (SIZE[0] * SIZE[1])
    assert cover.share == pytest.approx(disc, rel=0.15)  # by samples 25 px apart
    assert cover.cells.shape == (9, 16)
    assert cover.empty == ("top left", "top right", "bottom right", "bottom left")


def test_a_corner_of_the_picture_is_empty_until_the_board_comes_near():
    cover = covered(np.array([[1500.0, 80.0], [100.0, 850.0]]), SIZE)
    assert cover.empty == ("top left", "bottom right")


def test_corners_everywhere_cover_all():
    x, y = np.meshgrid(np.arange(0, 1600, 40.0), np.arange(0, 900, 40.0))
    cover = covered(np.column_stack([x.ravel(), y.ravel()]), SIZE)
    assert cover.share == 1.0
    assert cover.cells.min() == 1.0
    assert cover.empty == ()


def test_the_corner_is_as_uncertain_as_the_bending_says():
    """Of k1 alone: the picture's corner moves by f u r^3 and more, a fitted scale taken out."""
    r = np.hypot(800, 450) / 1200
    at_most = 1200 * 0.01 * r**3 * 1.6
    assert 0.3 * at_most < corner_u_px(LENS, spread_of(0.01), SIZE) < at_most
    assert corner_u_px(LENS, spread_of(0.02), SIZE) == pytest.approx(
        2 * corner_u_px(LENS, spread_of(0.01), SIZE), rel=0.05
    )


def test_a_lens_that_folds_before_the_corner_says_nothing_of_it():
    folding = LENS.copy()
    folding[4] = -0.9
    assert corner_u_px(folding, spread_of(0.01), SIZE) == np.inf
