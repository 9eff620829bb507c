"""Linear and Monte Carlo propagation, one against the other and against closed forms."""

import math

import numpy as np
import pytest

from clipmark.uncertainty.distributions import Normal, Rectangular, StudentT
from clipmark.uncertainty.linear import propagate_linear
from clipmark.uncertainty.monte_carlo import (
    draw_normal,
    generator,
    propagate_draws,
    summarise,
)


def test_numerical_sensitivities_are_the_analytical_ones():
    """1e-7 relative for a smooth model, whatever the size of the inputs."""
    x = np.array([3.0e6, 2.0e-7])
    result = propagate_linear(lambda v: v[0] * math.sin(v[1] * 1e7), x, np.array([1e3, 1e-9]))
    expected = [math.sin(2.0), 3.0e6 * 1e7 * math.cos(2.0)]
    assert result.jacobian[0] == pytest.approx(expected, rel=1e-7)


def test_given_sensitivities_are_used():
    result = propagate_linear(lambda v: v[0], [1.0], [[0.04]], jacobian=[[5.0]])
    assert result.u[0] == pytest.approx(1.0)


def test_correlation_of_outputs_that_share_an_input():
    """y1 = a + c, y2 = b + c with equal uncertainties: r = 1/2."""
    result = propagate_linear(
        lambda v: np.array([v[0] + v[2], v[1] + v[2]]), [1.0, 2.0, 3.0], np.array([1.0, 1.0, 1.0])
    )
    assert result.correlation[0, 1] == pytest.approx(0.5, rel=1e-9)
    assert result.u == pytest.approx([math.sqrt(2)] * 2, rel=1e-9)


def test_certain_inputs_and_outputs_have_no_correlation():
    result = propagate_linear(lambda v: np.array([v[0], 7.0]), [1.0, 2.0], np.array([0.1, 0.0]))
    assert result.u == pytest.approx([0.1, 0.0])
    assert result.correlation[0, 1] == 0.0


def test_covariance_of_the_wrong_shape_is_refused():
    with pytest.raises(ValueError, match="do not go with a covariance"):
        propagate_linear(lambda v: v[0], [1.0, 2.0], np.eye(3))


def ladder_angle(v):
    return np.arctan2(v["rise"], v["run"])


LADDER = {"rise": Normal(2.0, mean=500.0), "run": Rectangular(4.0, mean=600.0)}


def test_monte_carlo_agrees_with_linear_where_the_model_is_straight():
    """Small uncertainties; 100 000 draws are good to 0.3 %, so 1 %."""
    drawn = propagate_draws(ladder_angle, LADDER, draws=100_000)
    linear = propagate_linear(
        lambda x: math.atan2(x[0], x[1]), [500.0, 600.0], np.array([2.0, 4.0 / math.sqrt(3)])
    )
    assert drawn.u == pytest.approx(linear.u[0], rel=0.01)


def test_estimate_is_the_model_at_the_estimates_not_a_mean_of_draws():
    result = propagate_draws(lambda v: v["x"] ** 2, {"x": Normal(1.0)}, draws=10_000)
    assert result.estimate == 0.0
    assert result.mean == pytest.approx(1.0, abs=0.06)


def test_same_seed_same_numbers_to_the_last_digit():
    one = propagate_draws(ladder_angle, LADDER, seed=5, draws=1000)
    other = propagate_draws(ladder_angle, LADDER, seed=5, draws=1000)
    assert np.array_equal(one.samples, other.samples)
    assert (one.seed, one.draws) == (5, 1000)
    assert not np.array_equal(one.samples, propagate_draws(ladder_angle, LADDER, seed=6).samples)


def test_draws_of_a_seed_are_those_written_down_here():
    """PCG64 of a seed sequence: a later version that draws differently must be noticed."""
    assert generator(1).standard_normal(3) == pytest.approx(
        [0.345584192064786, 0.8216181435011584, 0.33043707618338714], abs=1e-15
    )


def test_a_new_input_leaves_the_draws_of_the_others_alone():
    few = propagate_draws(lambda v: v["a"], {"a": Normal(1.0)}, draws=100)
    more = propagate_draws(lambda v: v["a"], {"a": Normal(1.0), "b": Normal(1.0)}, draws=100)
    assert np.array_equal(few.samples, more.samples)


def test_interval_of_a_few_observations_is_the_one_of_student_t():
    """4 degrees of freedom: +-2.776 u, where a normal would give 1.96; draws good to 1 %."""
    result = propagate_draws(lambda v: v["x"], {"x": StudentT(1.0, 4)}, draws=400_000)
    low, high = result.interval(shortest=False)
    assert (high - low) / 2 == pytest.approx(2.7764, rel=0.01)


def test_a_few_draws_without_solution_are_left_out_and_many_are_refused():
    values = np.random.default_rng(1).normal(size=1000)
    values[:5] = np.nan
    assert len(summarise(0.0, values, 1).samples) == 995
    values[:50] = np.nan
    with pytest.raises(ValueError, match="50 of 1000 draws have no solution"):
        summarise(0.0, values, 1)


def test_correlated_normals_have_the_covariance_asked_for_even_when_singular():
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 4.0]])
    draws = draw_normal(generator(3), [0.0, 1.0, 2.0], covariance, 100_000)
    assert np.cov(draws.T) == pytest.approx(covariance, abs=0.05)
    assert np.ptp(draws[:, 0] - draws[:, 1] + 1.0) < 1e-6


def test_a_matrix_that_is_no_covariance_is_refused():
    with pytest.raises(ValueError, match="negative variance"):
        draw_normal(generator(3), [0.0, 0.0], [[1.0, 2.0], [2.0, 1.0]], 10)
