"""Two of the three limits of a climb, and the form in which slip is told, against known numbers.

Grip atan(mu) and tipping back atan(b/h) are elementary statics (J. Y. Wong, Theory of Ground
Vehicles, chapter 3: a vehicle on a slope); their worked values for a wheelbase of 133 mm are those
of a bench tester's table. The form of slip is Wong's, too: 1 - v / (omega r) when driving.
"""

import math

import numpy as np
import pytest

from clipmark.motion.climb_facts import read_ending
from clipmark.motion.climb_series import ClimbSeries

WHEELBASE = 133.0


@pytest.mark.parametrize(("mu", "deg"), [(0.8, 38.7), (1.0, 45.0), (1.2, 50.2), (1.33, 53.1)])
def test_grip_ends_a_climb_at_the_angle_whose_tangent_is_the_friction(mu, deg):
    """A block on a slope slides when its weight along exceeds mu times that across it."""
    slopes = np.radians(np.arange(0, 90, 0.01))
    slides = np.sin(slopes) > mu * np.cos(slopes)
    assert math.degrees(slopes[np.flatnonzero(slides)[0]]) == pytest.approx(deg, abs=0.06)


@pytest.mark.parametrize(
    ("front_share", "height", "deg"), [(0.5, 45.0, 55.9), (0.5, 50.0, 53.1), (0.6, 45.0, 60.6)]
)
def test_balance_ends_it_where_the_weight_passes_the_rear_contact(front_share, height, deg):
    """Centre of mass b before the rear contact and h over the board: its plumb line leaves it."""
    slopes = np.radians(np.arange(0, 90, 0.01))
    ahead = front_share * WHEELBASE * np.cos(slopes) - height * np.sin(slopes)
    assert math.degrees(slopes[np.flatnonzero(ahead < 0)[0]]) == pytest.approx(deg, abs=0.06)


@pytest.mark.parametrize(("travel", "surface", "share"), [(0.0, 60.0, 1.0), (60.0, 120.0, 0.5)])
def test_the_share_that_tells_slip_has_the_form_of_terramechanics(travel, surface, share):
    """Driving 1 - v / (omega r): in the other form the second would be 1.0 as well."""
    t = np.arange(0, 3, 1 / 30)
    up = np.where(t < 1, 60 * t, 60 + travel * (t - 1))
    ran = np.where(t < 1, 60 * t, 60 + surface * (t - 1))
    nose = np.zeros(len(t))
    found = read_ending(ClimbSeries(t, up, ran, nose, None, None, None, 0.02, 0.02))
    assert found.slip == "high"
    assert found.slip_share == pytest.approx(share, abs=0.03)
