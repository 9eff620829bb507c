"""Local polynomial weights against the published Savitzky-Golay tables.

A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627-1639, with the corrections of J. Steinier,
Y. Termonia, J. Deltour, Anal. Chem. 44 (1972) 1906-1909; exact fractions recomputed, since the 1964
tables contain misprints. Weights in the order of the samples, unit step.
"""

from fractions import Fraction

import numpy as np
import pytest

from clipmark.motion.speed import local_fit, local_weights

TABLE = {  # (derivative, window, degree): weights
    (0, 5, 2): "-3/35 12/35 17/35 12/35 -3/35",
    (0, 7, 2): "-2/21 1/7 2/7 1/3 2/7 1/7 -2/21",
    (0, 9, 2): "-1/11 2/33 13/77 18/77 59/231 18/77 13/77 2/33 -1/11",
    (0, 11, 2): "-12/143 3/143 4/39 23/143 28/143 89/429 28/143 23/143 4/39 3/143 -12/143",
    (0, 7, 4): "5/231 -10/77 25/77 131/231 25/77 -10/77 5/231",
    (0, 9, 4): "5/143 -5/39 10/143 45/143 179/429 45/143 10/143 -5/39 5/143",
    (1, 5, 2): "-1/5 -1/10 0 1/10 1/5",
    (1, 7, 2): "-3/28 -1/14 -1/28 0 1/28 1/14 3/28",
    (1, 9, 2): "-1/15 -1/20 -1/30 -1/60 0 1/60 1/30 1/20 1/15",
    (1, 5, 3): "1/12 -2/3 0 2/3 -1/12",
    (1, 7, 3): "11/126 -67/252 -29/126 0 29/126 67/252 -11/126",
    (1, 9, 3): "43/594 -71/594 -193/1188 -7/66 0 7/66 193/1188 71/594 -43/594",
    (2, 5, 2): "2/7 -1/7 -2/7 -1/7 2/7",
    (2, 7, 2): "5/42 0 -1/14 -2/21 -1/14 0 5/42",
    (2, 9, 2): "2/33 1/66 -4/231 -17/462 -10/231 -17/462 -4/231 1/66 2/33",
}
NOISE_GAIN = {  # (window, degree): standard deviation of the slope per unit of white noise
    (5, 2): 0.316227766,
    (9, 2): 0.129099445,
    (15, 2): 0.05976143,
    (15, 3): 0.151808759,
    (21, 3): 0.090821292,
}


def even_steps(window: int) -> np.ndarray:
    return np.arange(window) - (window - 1) / 2


@pytest.mark.parametrize("key", TABLE, ids=lambda k: "d{}_w{}_p{}".format(*k))
def test_weights_on_even_steps_are_the_published_ones(key):
    """To 1e-12: both are the same rational numbers."""
    derivative, window, degree = key
    published = [float(Fraction(text)) for text in TABLE[key].split()]
    found = local_weights(even_steps(window), degree, derivative)
    np.testing.assert_allclose(found, published, atol=1e-12)


@pytest.mark.parametrize("key", NOISE_GAIN, ids=lambda k: "w{}_p{}".format(*k))
def test_noise_gain_of_the_slope_is_the_published_one(key):
    """The table prints nine digits."""
    window, degree = key
    weights = local_weights(even_steps(window), degree, 1)
    assert np.sqrt(weights @ weights) == pytest.approx(NOISE_GAIN[key], rel=1e-6)


def test_a_trace_with_even_steps_is_filtered_with_these_weights():
    """The nine-point slope in the middle of a trace at 60 frames a second, and its stated gain."""
    rng = np.random.default_rng(5)
    times, positions = np.arange(40) / 60, rng.normal(size=40)
    fit = local_fit(times, positions, 8 / 60, degree=2)
    weights = np.array([float(Fraction(text)) for text in TABLE[1, 9, 2].split()]) * 60
    expected = [weights @ positions[k - 4 : k + 5] for k in range(4, 36)]
    np.testing.assert_allclose(fit.slope[4:36], expected, atol=1e-9)
    assert fit.slope_gain[20] == pytest.approx(NOISE_GAIN[9, 2] * 60, rel=1e-6)
