"""Slip in its competing definitions, worked by hand.

J. Y. Wong, Theory of Ground Vehicles (driving and braking); W. F. and D. L. Milliken, Race Car
Vehicle Dynamics (omega / omega0 - 1, with the worked value 58.5 and 49.5 rad/s).
"""

import pytest

from clipmark.motion.slip import braking_slip, driving_slip, ratio_to_travel

EXACT = 1e-9
# v mm/s, r mm, omega rad/s: driving, braking, ratio to travel
CASES = {
    (80, 50, 2.0): (0.2, -0.25, 0.25),
    (100, 50, 2.0): (0.0, 0.0, 0.0),
    (120, 50, 2.0): (-0.2, 0.166666667, -0.166666667),
    (0, 50, 2.0): (1.0, None, None),
    (100, 50, 0.0): (None, 1.0, -1.0),
    (95, 51.5, 2.0): (0.077669903, -0.084210526, 0.084210526),
}


@pytest.mark.parametrize("case", CASES, ids=str)
def test_worked_cases(case):
    speed, radius, omega = case
    found = [f(speed, radius * omega) for f in (driving_slip, braking_slip, ratio_to_travel)]
    for value, expected in zip(found, CASES[case], strict=True):
        assert value == (None if expected is None else pytest.approx(expected, abs=EXACT))


def test_the_ratio_of_a_turning_to_a_free_wheel():
    assert ratio_to_travel(49.5, 58.5) == pytest.approx(0.181818, abs=1e-6)


@pytest.mark.parametrize("speed", [20.0, 80.0, 120.0, -30.0])
def test_one_form_follows_from_the_other(speed):
    """With S to the travel: driving S / (1 + S), braking -S."""
    ratio = ratio_to_travel(speed, 100.0)
    assert driving_slip(speed, 100.0) == pytest.approx(ratio / (1 + ratio))
    assert braking_slip(speed, 100.0) == pytest.approx(-ratio)
