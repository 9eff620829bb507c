"""Worked examples of the GUM through the propagation and the budget.

JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
measurement, annex H. "Recomputed" figures were worked out independently in double precision
from the published inputs; "published" ones are as printed.
"""

import math

import numpy as np
import pytest

from clipmark.geometry.lines import fit_line_xy
from clipmark.uncertainty.budget import Budget, Contribution, welch_satterthwaite
from clipmark.uncertainty.distributions import (
    Arcsine,
    Normal,
    Rectangular,
    from_observations,
)
from clipmark.uncertainty.intervals import coverage_factor
from clipmark.uncertainty.linear import propagate_linear
from clipmark.uncertainty.monte_carlo import propagate_draws

# H.1, calibration of an end gauge: nm, 1/degC, degC.
GAUGE_INPUTS = {
    "ls": Normal(25.0, mean=50_000_623.0, dof=18),
    "d_repeat": Normal(5.8, mean=215.0, dof=24),
    "d_random": Normal(3.9, dof=5),
    "d_systematic": Normal(6.7, dof=8),
    "alpha_s": Rectangular(2e-6, mean=1.15e-5),
    "delta_alpha": Rectangular(1e-6, dof=50),
    "delta_theta": Rectangular(0.05, dof=2),
    "theta_mean": Normal(0.2, mean=-0.1),
    "theta_cyclic": Arcsine(0.5),
}


def gauge_length(v):
    d = v["d_repeat"] + v["d_random"] + v["d_systematic"]
    theta = v["theta_mean"] + v["theta_cyclic"]
    bend = v["delta_alpha"] * theta + v["alpha_s"] * v["delta_theta"]
    return v["ls"] + d - v["ls"] * bend


def gauge_budget():
    names = list(GAUGE_INPUTS)
    result = propagate_linear(
        lambda x: gauge_length(dict(zip(names, x, strict=True))),
        [GAUGE_INPUTS[name].mean for name in names],
        np.array([GAUGE_INPUTS[name].u for name in names]),
    )
    shares = dict(zip(names, result.contributions[0], strict=True))
    return result, Budget.of(
        Contribution(name, "B", float(shares[name]), GAUGE_INPUTS[name].dof) for name in names
    )


def test_h1_length_and_combined_uncertainty():
    """Recomputed 31.663879 nm to 1e-5 relative; published 50 000 838 nm and 32 nm."""
    result, budget = gauge_budget()
    assert result.estimate[0] == pytest.approx(50_000_838, abs=0.5)
    assert budget.u == pytest.approx(31.663879, rel=1e-5)
    assert result.u[0] == pytest.approx(budget.u, rel=1e-12)


def test_h1_contributions_come_in_descending_order_and_vanish_where_the_partner_is_zero():
    """Recomputed contributions, nm; theta's share is zero at first order because delta_alpha is."""
    _, budget = gauge_budget()
    sizes = [row.u for row in budget]
    assert sizes == sorted(sizes, reverse=True)
    found = {row.source: row.u for row in budget}
    assert found["ls"] == pytest.approx(25.0, rel=1e-5)
    assert found["delta_theta"] == pytest.approx(16.599027, rel=1e-5)
    # The published share has theta at -0.1 degC: u(delta_alpha) ls |theta|.
    assert found["delta_alpha"] == pytest.approx(2.886787, rel=1e-5)
    assert found["alpha_s"] == pytest.approx(0.0, abs=1e-6)
    assert found["theta_mean"] == pytest.approx(0.0, abs=1e-6)


def test_h1_degrees_of_freedom_of_the_difference_and_of_the_result():
    """Recomputed u(d) 9.681942 nm with 25.44725 dof; effective 16.751856 (1e-4 relative)."""
    parts = [GAUGE_INPUTS[name] for name in ("d_repeat", "d_random", "d_systematic")]
    u_d = math.sqrt(sum(part.u**2 for part in parts))
    dof_d = welch_satterthwaite([part.u for part in parts], [part.dof for part in parts])
    assert u_d == pytest.approx(9.681942, rel=1e-6)
    assert dof_d == pytest.approx(25.44725, rel=1e-4)
    _, budget = gauge_budget()
    assert budget.dof == pytest.approx(16.751856, rel=1e-4)


def test_h1_expanded_uncertainty_at_99_percent():
    """Published 93 nm comes from the rounded 32 nm; from the unrounded one it is 92.483276."""
    _, budget = gauge_budget()
    truncated = math.floor(budget.dof)
    assert truncated == 16
    assert coverage_factor(truncated, 0.99) * budget.u == pytest.approx(92.483276, rel=1e-5)
    assert round(coverage_factor(truncated, 0.99) * 32) == 93


def test_h1_monte_carlo_sees_the_second_order_terms_that_the_linear_budget_cannot():
    """Recomputed 33.806545 nm with second-order terms; 0.5 % is five times the sampling error."""
    result = propagate_draws(gauge_length, GAUGE_INPUTS, draws=400_000)
    assert result.u == pytest.approx(33.806545, rel=0.005)


# H.2, resistance and reactance measured together: five observations of each.
VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance():
    readings = np.stack([VOLT, AMPERE, PHASE])
    return propagate_linear(
        lambda x: np.array(
            [x[0] * math.cos(x[2]) / x[1], x[0] * math.sin(x[2]) / x[1], x[0] / x[1]]
        ),
        readings.mean(axis=1),
        np.cov(readings) / 5,
    )


def test_h2_observations_give_means_and_their_uncertainties():
    """Recomputed, 1e-5 relative."""
    for readings, mean, u in (
        (VOLT, 4.999, 0.003209361),
        (AMPERE, 19.661e-3, 0.009471008e-3),
        (PHASE, 1.04446, 0.000752064),
    ):
        found = from_observations(readings)
        assert found.mean == pytest.approx(mean, rel=1e-5)
        assert found.u == pytest.approx(u, rel=1e-5)
        assert found.dof == 4


def test_h2_three_outputs_with_their_uncertainties_and_correlations():
    """Recomputed, 1e-5 relative; all inputs correlated."""
    result = impedance()
    assert result.estimate == pytest.approx([127.73217, 219.846512, 254.259702], rel=1e-6)
    assert result.u == pytest.approx([0.071071, 0.295582, 0.236336], rel=1e-5)
    r = result.correlation
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.58843, -0.485259, 0.992512], rel=1e-5)


def test_h2_agrees_with_what_is_printed():
    """One unit of the last printed digit (u(X) is printed 0.295, exact 0.2956)."""
    result = impedance()
    assert result.estimate == pytest.approx([127.732, 219.847, 254.260], abs=0.001)
    assert result.u == pytest.approx([0.071, 0.295, 0.236], abs=0.001)
    r = result.correlation
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.001)


def test_h2_leaving_the_correlations_out_gives_a_different_answer():
    """Recomputed figures for independent inputs: the example's very point."""
    readings = np.stack([VOLT, AMPERE, PHASE])
    result = propagate_linear(
        lambda x: np.array(
            [x[0] * math.cos(x[2]) / x[1], x[0] * math.sin(x[2]) / x[1], x[0] / x[1]]
        ),
        readings.mean(axis=1),
        np.std(readings, axis=1, ddof=1) / math.sqrt(5),
    )
    assert result.u == pytest.approx([0.194544, 0.200909, 0.204076], rel=1e-5)


# H.3, calibration of a thermometer: a straight line about t0 = 20 degC.
THERMOMETER = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_h3_line_its_covariance_and_a_predicted_correction():
    """Recomputed, 1e-4 relative."""
    line = fit_line_xy(THERMOMETER - 20.0, CORRECTION)
    assert line.intercept == pytest.approx(-0.17120379, rel=1e-4)
    assert line.slope == pytest.approx(0.0021827, rel=1e-4)
    assert line.u_intercept == pytest.approx(0.0028776, rel=1e-4)
    assert line.u_slope == pytest.approx(0.00066794, rel=1e-4)
    assert line.correlation == pytest.approx(-0.9304296, rel=1e-4)
    assert line.residual_sd == pytest.approx(0.00349756, rel=1e-4)
    value, u = line.at(10.0)
    assert value == pytest.approx(-0.14937681, rel=1e-4)
    assert u == pytest.approx(0.0041386, rel=1e-4)
