"""Tilt-table figures: centre of gravity from both sides, thresholds in g, and what counts as off.

SAE J2180 (tilt table procedure for measuring the static rollover threshold of heavy trucks): the
threshold is where all wheels of one side have left the table; accepted below 0.5 g, about 27 deg.
UN Regulation No. 111 (rollover stability of tank vehicles): table angle known to 0.3 deg or better.
Static stability factor, half track over height: NHTSA rollover resistance rule-making, chapter V;
TRB Special Report 265 (2002). The two-sided formulas and their uncertainties were worked by hand.
"""

import math

import numpy as np
import pytest

from clipmark.motion.tilt_events import BOTH_WHEELS, FIRST_WHEEL, TiltSeries, find_events
from clipmark.uncertainty.tilt_cog import balance_of

# left deg, right deg, track mm: height mm, offset mm, factor, u of height for 0.2 deg and 0.5 mm
CASES = {
    (45.0, 45.0, 200.0): (100.0, 0.0, 1.0, 0.5533),
    (48.0, 42.0, 210.0): (104.424799, 10.975489, 1.00550828, 0.5774),
    (50.0, 47.0, 195.0): (86.126089, 5.141077, 1.132061151, 0.4833),
    (38.5, 38.5, 220.0): (138.288953, 0.0, 0.795435917, 0.7679),
}


@pytest.mark.parametrize("case", CASES, ids=str)
def test_height_offset_and_factor_from_left_and_right(case):
    height, offset, factor, _ = CASES[case]
    found = balance_of(*case)
    assert found.height_mm == pytest.approx(height, abs=1e-6)
    assert found.offset_mm == pytest.approx(offset, abs=1e-6)
    assert found.stability_factor == pytest.approx(factor, abs=1e-8)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_height_is_as_uncertain_as_worked_by_hand(case):
    found = balance_of(*case, u_left_deg=0.2, u_right_deg=0.2, u_track_mm=0.5)
    assert found.u_height_mm == pytest.approx(CASES[case][3], abs=5e-5)


@pytest.mark.parametrize(
    ("threshold_g", "deg"), [(0.35, 19.29), (0.40, 21.8014), (0.50, 26.5651), (1.00, 45.0)]
)
def test_a_truck_of_that_factor_lifts_at_that_angle_on_both_sides(threshold_g, deg):
    """On a table the side force over the weight is the tangent of its angle."""
    found = balance_of(deg, deg, 100.0)
    assert found.stability_factor == pytest.approx(threshold_g, abs=2e-4)


def test_a_shared_level_error_moves_the_offset_and_hardly_the_height():
    alone = balance_of(45.0, 45.0, 200.0, 0.2, 0.2)
    shared = balance_of(45.0, 45.0, 200.0, 0.2, 0.2, shared_deg=0.2)
    assert shared.u_height_mm < 0.01 * alone.u_height_mm
    assert shared.u_offset_mm == pytest.approx(math.sqrt(2) * alone.u_offset_mm, rel=1e-6)


def test_linear_uncertainties_agree_with_draws():
    rng = np.random.default_rng(5)
    left, right = rng.normal(48.0, 0.2, 20_000), rng.normal(42.0, 0.2, 20_000)
    track = rng.normal(210.0, 0.5, 20_000)
    tan_l, tan_r = np.tan(np.radians(left)), np.tan(np.radians(right))
    height = track / (tan_l + tan_r)
    offset = height * (tan_l - tan_r) / 2
    found = balance_of(48.0, 42.0, 210.0, 0.2, 0.2, 0.5)
    # A standard deviation from 20,000 draws is good to 0.5 %.
    assert found.u_height_mm == pytest.approx(float(np.std(height)), rel=0.02)
    assert found.u_offset_mm == pytest.approx(float(np.std(offset)), rel=0.02)


def test_the_classic_definition_waits_for_all_wheels_of_the_side():
    """SAE J2180: all wheels of one side have lost contact, not the first of them."""
    t = np.arange(0, 6.0, 1 / 60)
    tilt = 30 + t
    turn = np.where(t > 5.0, 400.0 * (t - 5.0) ** 3, 0.0)
    front = np.maximum(t - 3.0, 0) * 2.0 + 1.7 * turn
    rear = 1.7 * turn
    noise = np.random.default_rng(2).normal(0, 0.01, (4, len(t)))
    series = TiltSeries(
        t, tilt + noise[0], turn + noise[1], (front + noise[2], rear + noise[3]), ()
    )
    found = find_events(series, 1.0, 2.0, "1 mm", "2 mm")
    first, both = found.of(FIRST_WHEEL), found.of(BOTH_WHEELS, "gap")
    assert first is not None
    assert both is not None
    assert first.t_s == pytest.approx(3.5, abs=0.03)
    assert both.t_s == pytest.approx(5.0 + (1 / 1.7 / 400) ** (1 / 3), abs=0.01)
