"""Percent grade to degrees: angle = atan(grade / 100), by definition; 1e-6 deg."""

import pytest

from clipmark.geometry.angles import deg_to_grade, grade_to_deg

TABLE = [
    (1, 0.572939), (2, 1.145763), (5, 2.862405), (8, 4.573921), (10, 5.710593),
    (12.5, 7.125016), (15, 8.530766), (20, 11.309932), (25, 14.036243), (30, 16.699244),
    (33.3333333333, 18.434949), (35, 19.290046), (40, 21.801409), (45, 24.227745),
    (50, 26.565051), (57.735026919, 30.0), (60, 30.963757), (70, 34.992020), (75, 36.869898),
    (80, 38.659808), (90, 41.987212), (100, 45.0), (110, 47.726311), (120, 50.194429),
    (125, 51.340192), (133.3333333333, 53.130102), (150, 56.309932), (173.2050807569, 60.0),
    (200, 63.434949), (300, 71.565051),
]  # fmt: skip


@pytest.mark.parametrize(("grade", "angle"), TABLE)
def test_percent_grade_and_degrees(grade, angle):
    assert grade_to_deg(grade) == pytest.approx(angle, abs=1e-6)
    assert deg_to_grade(grade_to_deg(grade)) == pytest.approx(grade, rel=1e-12)
