"""Signs and ranges of angles, and grades in percent."""

import math

import numpy as np
import pytest

from clipmark.geometry.angles import (
    facing,
    fold_line,
    line_lean,
    nose_elevation,
    unfold_near,
    wrap_turn,
)


@pytest.mark.parametrize(
    ("given", "folded"),
    [
        (0, 0),
        (90, 90),
        (-90, 90),
        (91, -89),
        (135, -45),
        (180, 0),
        (-180, 0),
        (270, 90),
        (-100, 80),
    ],
)
def test_an_unordered_line_lies_in_minus_90_to_90(given, folded):
    assert math.degrees(fold_line(math.radians(given))) == pytest.approx(folded, abs=1e-12)


@pytest.mark.parametrize(("given", "wrapped"), [(180, 180), (-180, 180), (190, -170), (-350, 10)])
def test_an_ordered_pair_lies_in_minus_180_to_180(given, wrapped):
    assert math.degrees(wrap_turn(math.radians(given))) == pytest.approx(wrapped, abs=1e-12)


@pytest.mark.parametrize("ends", [[(0, 100), (100, 0)], [(100, 0), (0, 100)]])
def test_line_is_positive_when_its_right_end_is_higher_whichever_end_comes_first(ends):
    """Picture y points down."""
    assert math.degrees(line_lean(ends)) == pytest.approx(45.0)


def test_nose_up_is_positive_whichever_way_the_truck_faces():
    """Rear to front: up to the right at 30 deg, and up to the left at 150 deg."""
    assert math.degrees(nose_elevation(math.radians(30), "right")) == pytest.approx(30)
    assert math.degrees(nose_elevation(math.radians(150), "left")) == pytest.approx(30)
    assert math.degrees(nose_elevation(math.radians(-150), "left")) == pytest.approx(-30)


def test_a_truck_tipped_over_backwards_is_not_folded_back():
    """Facing right and past upright, the front hub is to the left of the rear one."""
    assert math.degrees(nose_elevation(math.radians(170), "right")) == pytest.approx(170)
    assert math.degrees(nose_elevation(math.radians(10), "left")) == pytest.approx(170)


def test_facing_is_the_side_the_nose_is_on():
    assert facing(math.radians(40)) == "right"
    assert facing(math.radians(140)) == "left"


def test_draws_about_the_fold_form_one_heap():
    angles = fold_line(np.radians([89.0, 90.5, 91.0, 89.8]))
    assert np.ptp(np.degrees(angles)) > 170
    heap = np.degrees(unfold_near(angles, math.radians(89.9)))
    assert heap == pytest.approx([89.0, 90.5, 91.0, 89.8])
