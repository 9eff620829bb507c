"""What moved a truck: a decision table over facts measured apart, one row a test."""

import pytest

from clipmark.motion.moved_by import Facts, WheelWay, moved_by, wheel_state


def facts(wheels=("rolling", "rolling"), climbs=False, lead_s=None, growth="not told"):
    return Facts(tuple(wheels), climbs, lead_s, 0.01, growth)


def way(surface_mm, travel_mm=50.0, rim_mm=None, u=0.5):
    rim = 0.7 * surface_mm if rim_mm is None and surface_mm is not None else rim_mm
    return WheelWay(travel_mm, 0.05, surface_mm, u, rim)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (facts(["locked", "locked"]), "sliding"),
        (facts(["locked", "locked"], climbs=True), "sliding"),
        (facts(climbs=True), "driven"),
        (facts(["spinning", "rolling"]), "driven"),
        (facts(lead_s=0.12), "driven"),
        (facts(lead_s=0.01), "not told"),
        (facts(growth="freely"), "rolling freely"),
        (facts(growth="driven"), "driven"),
        (facts(growth=None), "not told"),
        (facts(climbs=None, growth="freely"), "not told"),
        (facts(["not told", "not told"], growth="freely"), "not told"),
        (facts(["not told"], climbs=True), "driven"),
        (facts(["locked", "rolling"], growth="freely"), "not told"),
        (facts(["against", "rolling"]), "sliding"),
    ],
)
def test_each_row_of_the_table(given, said):
    word, why = moved_by(given)
    assert word == said
    assert why


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (way(50.3), "rolling"),
        (way(0.4), "locked"),
        (way(80.0), "spinning"),
        (way(25.0), "dragging"),
        (way(-20.0), "against"),
        (WheelWay(50.0, 0.05, None, 0.0, 30.0), "turning"),
        (WheelWay(50.0, 0.05, None, 0.0, 0.2), "locked"),
        (WheelWay(50.0, 0.05, None, 0.0, None), "not told"),
    ],
)
def test_what_a_wheel_did(given, said):
    """Ways of the surface against 50 mm of the body's; without a radius the rim says less."""
    assert wheel_state(given) == said


def test_a_radius_that_is_known_badly_makes_no_spin():
    """20 % of surface too much with 8 % of doubt about the rolling diameter is rolling."""
    assert wheel_state(way(60.0, u=4.8)) == "rolling"
    assert wheel_state(way(60.0, u=0.3)) == "spinning"
