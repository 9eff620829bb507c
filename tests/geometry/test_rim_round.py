"""Whether a rim is round: told when it is not, and not told of one that is."""

import math

import numpy as np
import pytest
from scipy import stats

from clipmark.geometry.rim_round import ovalness

TURNS = np.linspace(0, 2 * math.pi, 30, endpoint=False)
ALL = np.ones(30, dtype=bool)
THREE_SIGMA = 11.83  # chi-square of two


def rim(rng, ratio=1.0, lean=0.0, radius=30.0, noise_px=0.05):
    """Points of an ellipse somewhere near where it was marked."""
    x, y = radius * np.cos(TURNS), radius * ratio * np.sin(TURNS)
    c, s = math.cos(lean), math.sin(lean)
    points = np.column_stack([c * x - s * y, s * x + c * y])
    return points + rng.uniform(-4, 4, 2) + 100 + rng.normal(0, noise_px, (30, 2))


def misfit(oval):
    return float(oval.share @ np.linalg.solve(oval.covariance, oval.share))


def test_a_round_rim_is_called_oval_less_than_once_in_a_hundred():
    rng = np.random.default_rng(1)
    false = sum(misfit(ovalness(rim(rng), ALL)) > THREE_SIGMA for _ in range(600))
    assert stats.binomtest(false, 600).proportion_ci(0.95, "exact").low < 0.01


@pytest.mark.parametrize("turned_deg", [8.0, 13.0, 20.0])
@pytest.mark.parametrize("lean", [0.0, 0.6, 1.5])
def test_the_ratio_of_axes_is_that_of_a_turned_circle(turned_deg, lean):
    ratio = math.cos(math.radians(turned_deg))
    oval = ovalness(rim(np.random.default_rng(3), ratio, lean, noise_px=0.0), ALL)
    assert 1 - 2 * np.hypot(*oval.share) == pytest.approx(ratio, abs=0.002)
