"""What SPARC and LDLJ do not depend on, and what they refuse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import FollowError
from clipmark.motion.smoothness import dlj, ldlj, sparc

PULSE = 30 * np.linspace(0, 1, 80) ** 2 * (1 - np.linspace(0, 1, 80)) ** 2


@given(st.floats(1e-3, 1e3))
def test_neither_depends_on_the_unit_of_speed(factor):
    assert sparc(factor * PULSE, 0.02) == pytest.approx(sparc(PULSE, 0.02))
    assert ldlj(factor * PULSE, 0.02) == pytest.approx(ldlj(PULSE, 0.02))


@given(st.floats(0.005, 0.05))
def test_ldlj_does_not_depend_on_how_long_it_took(step_s):
    assert ldlj(PULSE, step_s) == pytest.approx(ldlj(PULSE, 0.02))


def test_going_back_is_as_smooth_as_going_ahead():
    assert sparc(-PULSE, 0.02) == sparc(PULSE, 0.02)
    assert ldlj(-PULSE, 0.02) == ldlj(PULSE, 0.02)


@pytest.mark.parametrize("speed", [np.zeros(50), np.full(50, 0.1), 0.1 * np.arange(50)])
def test_without_speed_or_jerk_there_is_no_ldlj(speed):
    """Steady acceleration too: its second differences are nothing but rounding."""
    assert ldlj(speed, 0.02) is None


def test_two_speeds_have_no_jerk():
    assert dlj(np.ones(2), 0.1) is None


def test_below_20_frames_a_second_the_spectrum_ends_at_half_the_rate():
    """Nothing is counted twice from the mirrored half: 15 frames a second, a tremor at 5 Hz."""
    t = np.arange(150) / 15
    speed = np.sin(np.pi * t / 10) ** 2 * (1 + 0.4 * np.sin(2 * np.pi * 5 * t))
    assert sparc(speed, 1 / 15) == sparc(speed, 1 / 15, cut_off_hz=7.5)


@pytest.mark.parametrize(
    ("speed", "step_s", "says"),
    [
        (np.zeros(20), 0.02, "zero throughout"),
        (np.array([1.0, np.nan, 2.0]), 0.02, "without gaps"),
        (np.ones(1), 0.02, "two at least"),
        (np.ones(20), 0.0, "timestamps"),
    ],
)
def test_refused_in_a_sentence(speed, step_s, says):
    with pytest.raises(FollowError, match=says):
        sparc(speed, step_s)


def test_a_cut_off_below_the_first_frequency_is_refused():
    with pytest.raises(FollowError, match="cut-off"):
        sparc(PULSE, 0.02, cut_off_hz=0.01)
