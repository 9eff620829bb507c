"""Travel along a way that bends."""

import numpy as np
import pytest

from clipmark.motion.bend import arc_along


def test_travel_on_an_arc_of_a_circle_is_radius_times_angle():
    """A quarter of a circle of 200 mm: 314.159 mm, whatever the speed, to 0.1 %."""
    angle = np.pi / 4 * (np.linspace(-1, 1, 160) + 0.2 * np.sin(np.linspace(0, 9, 160)) / 3)
    along, across = 200 * np.sin(angle), 200 * (1 - np.cos(angle))
    found = arc_along(along, across - across.mean())
    assert found is not None
    arc, strays = found
    np.testing.assert_allclose(arc - arc[0], 200 * (angle - angle[0]), atol=0.2)
    assert strays < 0.3


def test_going_back_along_a_bend_comes_back_to_the_same_travel():
    angle = np.concatenate([np.linspace(-0.6, 0.6, 80), np.linspace(0.6, -0.6, 80)])
    arc, _ = arc_along(150 * np.sin(angle), 150 * (1 - np.cos(angle)))
    np.testing.assert_allclose(arc[:80], arc[:79:-1], atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_straying_without_a_form_is_no_bend(seed):
    """A body that rocks across its way is not measured along its rocking."""
    rng = np.random.default_rng(seed)
    along = np.linspace(0, 100, 200)
    assert arc_along(along, 6 * np.sin(along * 1.1) + rng.normal(0, 0.2, 200)) is None
