"""Two readings of one thing: independent, of known covariance, or with shared sources."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.uncertainty.budget import Budget, Contribution
from clipmark.uncertainty.comparison import (
    Comparison,
    compare_budgets,
    compare_correlated,
    compare_readings,
)

K = 1.959963984540054
size = st.floats(1e-3, 1e3)


def budget(**shares):
    return Budget.of(Contribution(name, "B", u) for name, u in shares.items())


@given(size, size, st.floats(0.1, 10.0))
def test_a_difference_of_just_the_expanded_uncertainty_agrees_whatever_the_rounding(u1, u2, scale):
    """|E_n| = 1 is satisfactory, and 1e-7 beyond it no longer is."""
    limit = math.hypot(scale * u1, scale * u2)
    assert Comparison(limit, limit).verdict == "agree"
    assert compare_readings(limit, scale * u1, 0.0, scale * u2).verdict == "agree"
    assert compare_readings(limit * (1 + 1e-7), scale * u1, 0.0, scale * u2).verdict == "at odds"


@given(size, size, st.floats(-0.999, 0.999))
def test_covariance_enters_twice_and_its_sign_counts(u1, u2, r):
    found = compare_correlated(10.0, u1, 9.0, u2, r * u1 * u2)
    assert found.expanded == pytest.approx(K * math.sqrt(u1**2 + u2**2 - 2 * r * u1 * u2), rel=1e-9)


def test_readings_that_move_together_leave_nothing_to_chance():
    found = compare_correlated(10.0, 0.2, 10.1, 0.2, 0.2 * 0.2)
    assert found.e_n == -math.inf
    assert found.verdict == "at odds"
    assert found.to_dict("deg")["e_n"] is None


def test_an_impossible_covariance_is_refused_with_what_is_possible():
    with pytest.raises(ValueError, match=r"give one between -0\.04 and 0\.04"):
        compare_correlated(10.0, 0.2, 10.1, 0.2, 0.05)


def test_shared_sources_leave_the_comparison_and_are_named():
    first = budget(lens=0.3, level=0.1, ramp=0.04)
    second = budget(lens=0.3, level=0.1, ramp=0.03)
    found = compare_budgets(45.0, first, 45.2, second, {"lens", "level", "plane"})
    assert found.shared == ("lens", "level")
    assert found.expanded == pytest.approx(K * 0.05)
    assert found.first_expanded == pytest.approx(K * 0.04)
    assert found.verdict == "at odds"
    kind = compare_readings(45.0, first.expanded(), 45.2, second.expanded())
    assert kind.verdict == "agree"


def test_a_shared_source_that_moves_both_unequally_leaves_the_difference():
    """Speed of 20 and 30 mm/s by a scale that is off by 1 %: 0.2 and 0.3 mm/s, in one sense."""
    found = compare_budgets(20.0, budget(scale=0.2), 30.0, budget(scale=0.3), {"scale"})
    assert found.expanded == pytest.approx(K * 0.1)
    assert found.shared_expanded == pytest.approx(K * 0.1)


def test_a_source_that_only_one_has_is_not_shared():
    found = compare_budgets(45.0, budget(lens=0.3), 45.2, budget(ramp=0.04), {"lens"})
    assert found.shared == ()
    assert found.expanded == pytest.approx(K * math.hypot(0.3, 0.04))


def test_few_repeats_widen_what_is_a_readings_own():
    """u = 0.1 from 5 marks: U = 2.776 u."""
    first = Budget.of([Contribution("ramp", "A", 0.1, 4.0)])
    found = compare_budgets(45.0, first, 45.0, budget(ramp=0.0), ())
    assert found.expanded == pytest.approx(0.27764, abs=1e-5)


def test_honest_readings_are_at_odds_in_one_case_of_twenty_only_when_the_shared_part_is_out():
    """20,000 pairs that share most of their error: 5 % (4.5 to 5.5 at 3 sigma) and next to none."""
    rng = np.random.default_rng(5)
    draws = 20_000
    common = 0.3 * rng.standard_normal(draws)
    first, second = (common + 0.05 * rng.standard_normal(draws) for _ in range(2))
    own = budget(lens=0.3, ramp=0.05)
    apart = compare_budgets(0.0, own, 0.0, own, {"lens"}).expanded
    whole = compare_readings(0.0, own.expanded(), 0.0, own.expanded()).expanded
    assert 0.045 < float(np.mean(np.abs(first - second) > apart)) < 0.055
    assert float(np.mean(np.abs(first - second) > whole)) < 1e-3


def test_the_sentence_says_difference_what_is_allowed_and_what_was_taken_out():
    first, second = budget(lens=0.3, ramp=0.04), budget(lens=0.3, ramp=0.03)
    assert compare_budgets(45.0, first, 45.2, second, {"lens"}).sentence("deg") == (
        "they differ by 0.200 deg where 0.098 deg can be put down to their uncertainties (95 %), "
        "without what both share (lens): |E_n| 2.04, they are at odds"
    )


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_not_finite_cannot_be_compared(bad):
    with pytest.raises(ValueError, match="cannot be compared"):
        compare_readings(bad, 0.1, 1.0, 0.1)
    with pytest.raises(ValueError, match="not a finite number"):
        compare_readings(1.0, bad, 1.0, 0.1)


def test_a_budget_survives_its_rows():
    rows = Budget.of(
        [Contribution("ramp", "A", 0.04, 7.0, "longer"), Contribution("lens", "B", 0.3)]
    )
    assert Budget.from_rows(rows.rows("deg"), "deg") == rows
    with pytest.raises(ValueError, match="needs source, kind and u_mm"):
        Budget.from_rows(rows.rows("deg"), "mm")
