"""Coverage intervals of draws, and coverage factors."""

import math

import numpy as np
import pytest
from scipy import stats

from clipmark.uncertainty.intervals import (
    coverage_factor,
    shortest_interval,
    symmetric_interval,
)


def quantile_draws(distribution, n=20_001):
    """Evenly spread quantiles: draws without sampling noise."""
    return distribution.ppf((np.arange(n) + 0.5) / n)


def test_both_intervals_of_a_symmetric_distribution_are_1_96_u():
    draws = quantile_draws(stats.norm(3.0, 2.0))
    assert symmetric_interval(draws) == pytest.approx((3 - 3.92, 3 + 3.92), abs=0.002)
    assert shortest_interval(draws) == pytest.approx((3 - 3.92, 3 + 3.92), abs=0.02)


def test_shortest_interval_of_a_lopsided_distribution_starts_at_its_bound():
    """Exponential: [0, -ln 0.05] is the shortest 95 % interval."""
    low, high = shortest_interval(quantile_draws(stats.expon()))
    assert low == pytest.approx(0.0, abs=1e-3)
    assert high == pytest.approx(-math.log(0.05), abs=0.005)


def test_symmetric_interval_leaves_equal_tails():
    low, high = symmetric_interval(quantile_draws(stats.expon()), 0.9)
    assert low == pytest.approx(-math.log(0.95), abs=1e-4)
    assert high == pytest.approx(-math.log(0.05), abs=1e-3)


def test_shortest_interval_is_never_longer_than_the_symmetric_one():
    rng = np.random.default_rng(1)
    for draws in (rng.normal(size=999), rng.exponential(size=999), rng.uniform(size=999)):
        short, even = shortest_interval(draws), symmetric_interval(draws)
        assert short[1] - short[0] <= even[1] - even[0] + 1e-3


def test_interval_holds_the_share_it_says():
    draws = np.random.default_rng(2).normal(size=10_000)
    for p in (0.5, 0.95, 0.99):
        low, high = shortest_interval(draws, p)
        assert np.mean((draws >= low) & (draws <= high)) == pytest.approx(p, abs=2e-4)


def test_draws_that_are_all_the_same_have_an_interval_of_no_length():
    assert shortest_interval(np.full(100, 7.0)) == (7.0, 7.0)


@pytest.mark.parametrize("bad", [np.full(100, np.nan), np.arange(5.0)])
def test_intervals_of_nothing_are_refused(bad):
    with pytest.raises(ValueError, match="draws"):
        shortest_interval(bad)


def test_coverage_factor_falls_to_the_normal_one():
    assert coverage_factor(4) > coverage_factor(40) > coverage_factor() > 1.9599
    assert coverage_factor(1e6) == pytest.approx(coverage_factor(), rel=1e-5)


@pytest.mark.parametrize(("dof", "p"), [(0, 0.95), (5, 1.0), (5, 0.0)])
def test_impossible_coverage_is_refused(dof, p):
    with pytest.raises(ValueError, match=r"must|lies"):
        coverage_factor(dof, p)
