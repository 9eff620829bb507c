"""Slip along a run: which form stands, how sure it is, and where it cannot be known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.motion.slip import MOST_U, knowable_above, slip_of


def one(speed, surface, u_speed=0.1, u_surface=0.1, least=1.0):
    """Driving, braking and u of a single instant."""
    found = slip_of(np.array([speed]), np.array([surface]), u_speed, u_surface, least)
    return found.driving[0], found.braking[0], found.u[0]


def test_a_wheel_faster_than_the_body_drives():
    driving, braking, _ = one(16.0, 20.0)
    assert driving == pytest.approx(0.2)
    assert np.isnan(braking)


def test_a_wheel_slower_than_the_body_brakes():
    driving, braking, _ = one(20.0, 15.0)
    assert braking == pytest.approx(0.25)
    assert np.isnan(driving)


def test_spinning_on_the_spot_and_locked_wheels_are_1():
    assert one(0.0, 20.0)[0] == 1
    assert one(20.0, 0.0)[1] == 1


@pytest.mark.parametrize(("speed", "surface", "column"), [(-5.0, 20.0, 0), (-20.0, 5.0, 1)])
def test_wheel_and_body_going_opposite_ways_are_over_1(speed, surface, column):
    assert one(speed, surface)[column] == pytest.approx(1.25)


@given(st.floats(-60, 60), st.floats(-60, 60))
def test_never_both_and_going_back_is_like_going_ahead(speed, surface):
    ahead, back = one(speed, surface), one(-speed, -surface)
    np.testing.assert_array_equal(ahead, back)
    assert np.isnan(ahead[0]) or np.isnan(ahead[1])
    assert np.isnan(ahead[2]) == (np.isnan(ahead[0]) and np.isnan(ahead[1]))


def test_a_standing_truck_has_no_slip():
    assert np.isnan(one(0.0, 0.0, 0.0, 0.0, 0.0)).all()


def test_two_speeds_within_noise_tell_nothing():
    """Even where first order would call it sure: v known to be zero, the wheel's noise of 0.5."""
    assert np.isnan(one(0.0, 0.8, 0.0, 0.5, 0.1)).all()


def test_below_the_least_surface_speed_nothing_is_told():
    assert np.isnan(one(4.0, 4.5, 0.01, 0.01, least=5.0)).all()
    assert np.isfinite(one(5.5, 5.0, 0.01, 0.01, least=5.0)[1])


def test_unknown_speeds_give_unknown_slip():
    assert np.isnan(one(np.nan, 20.0)).all()
    assert np.isnan(one(20.0, np.nan)).all()


def test_the_speed_below_which_slip_is_unknowable():
    """0.3 and 0.4 mm/s together are 0.5: known from 10 mm/s up for a wheel that rolls."""
    least = knowable_above(0.3, 0.4)
    assert least == pytest.approx(10.0)
    assert one(1.001 * least, 1.001 * least, 0.3, 0.4)[2] == pytest.approx(MOST_U, rel=2e-3)
    assert np.isnan(one(0.999 * least, 0.999 * least, 0.3, 0.4)[2])


@pytest.mark.parametrize(("speed", "surface"), [(16.0, 20.0), (20.0, 12.0), (-4.0, 20.0)])
def test_uncertainty_is_that_of_drawn_speeds(speed, surface):
    """20,000 draws, to 3 %: what first order may miss with speeds known to 2 and 1 %."""
    rng = np.random.default_rng(11)
    v, w = rng.normal(speed, 0.3, 20_000), rng.normal(surface, 0.2, 20_000)
    drawn = 1 - v / w if abs(surface) >= abs(speed) else 1 - w / v
    assert one(speed, surface, 0.3, 0.2)[2] == pytest.approx(np.std(drawn), rel=0.03)
