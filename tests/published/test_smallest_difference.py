"""The smallest difference between two climbing limits against a published row of four figures.

Spread 0.8 deg, steps of 1 deg, 95 %: 6 tries each 1.4 deg, 10: 1.05, 20: 0.72, 30: 0.61. How they
were computed is not printed; up-and-down ladders that start one step easy, read after Dixon and
Mood 1948, give them within 3 % (1.40, 1.06, 0.74, 0.60); a start on the limit gives 13 % less at 6.
"""

import math

import pytest

from clipmark.uncertainty.two_limits import limit_u, smallest_difference


@pytest.mark.parametrize(("tries", "printed"), [(6, 1.4), (10, 1.05), (20, 0.72), (30, 0.61)])
def test_the_published_smallest_differences(tries, printed):
    assert smallest_difference(tries, 0.8, 1.0) == pytest.approx(printed, rel=0.03)


def test_many_tries_reach_the_large_sample_error():
    """Dixon and Mood: u = G s / sqrt(N), N the rarer outcome; G is 1.0 to 1.1 at a step of 1.25 s.

    From memory of their chart; 400 tries give N of about 200.
    """
    g = limit_u(400, 0.8, 1.0) * math.sqrt(200) / 0.8
    assert 0.95 <= g <= 1.15


def test_what_both_trucks_do_not_share_adds_and_an_uncertain_angle_widens_the_spread():
    alone = smallest_difference(10, 0.8, 1.0)
    assert smallest_difference(10, 0.8, 1.0, u_between=0.3) == pytest.approx(
        math.hypot(alone, 1.96 * 0.3), rel=1e-4
    )
    wider = smallest_difference(10, math.hypot(0.8, 0.4), 1.0)
    assert smallest_difference(10, 0.8, 1.0, u_each=0.4) == pytest.approx(wider, rel=1e-9)
    assert wider > alone


def test_what_is_no_ladder_is_a_programming_error():
    with pytest.raises(ValueError, match="no ladder"):
        limit_u(1, 0.8, 1.0)
