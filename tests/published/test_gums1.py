"""Examples of Supplement 1 to the GUM through the Monte Carlo propagation.

JCGM 101:2008, Supplement 1 to the GUM - Propagation of distributions using a Monte Carlo method,
clauses 9.2 (additive model), 9.3 (mass calibration) and 9.4 (comparison loss). Expected values
are the exact ones (closed form, convolution or quadrature); tolerances are 4 to 5 standard
deviations of 1e6 draws, measured over 20 to 40 runs.
"""

import numpy as np
import pytest

from clipmark.uncertainty.distributions import Normal, Rectangular
from clipmark.uncertainty.linear import propagate_linear
from clipmark.uncertainty.monte_carlo import propagate_draws

MILLION = 1_000_000
ONE = Rectangular(3.0**0.5)


def added(v):
    return v["x1"] + v["x2"] + v["x3"] + v["x4"]


@pytest.mark.parametrize(
    ("inputs", "half_width"),
    [
        ([Normal(1.0)] * 4, 3.919928),
        ([ONE] * 4, 2 * 3**0.5 * (2 - (3 / 5) ** 0.25)),
    ],
    ids=["9.2.2 four normal", "9.2.3 four rectangular"],
)
def test_sum_of_four_equal_inputs(inputs, half_width):
    names = ("x1", "x2", "x3", "x4")
    result = propagate_draws(added, dict(zip(names, inputs, strict=True)), draws=MILLION)
    assert result.estimate == 0.0
    assert result.u == pytest.approx(2.0, abs=0.008)
    assert result.interval(shortest=False) == pytest.approx((-half_width, half_width), abs=0.025)
    low, high = result.interval()
    assert (low, high) == pytest.approx((-half_width, half_width), abs=0.09)
    assert high - low == pytest.approx(2 * half_width, abs=0.04)


def test_sum_with_one_dominating_rectangular_input_is_not_1_96_u_wide():
    """9.2.4: the exact half-width is 17.015814, where 1.96 u would give 19.891462."""
    inputs = {"x1": ONE, "x2": ONE, "x3": ONE, "x4": Rectangular(10 * 3.0**0.5)}
    result = propagate_draws(added, inputs, draws=MILLION)
    assert result.u == pytest.approx(10.148892, abs=0.04)
    assert result.interval(shortest=False) == pytest.approx((-17.015814, 17.015814), abs=0.06)
    low, high = result.interval()
    assert (low, high) == pytest.approx((-17.015814, 17.015814), abs=0.22)
    assert high - low == pytest.approx(2 * 17.015814, abs=0.08)


MASS_INPUTS = {
    "m_rc": Normal(0.050, mean=100_000.0),
    "dm_rc": Normal(0.020, mean=1.234),
    "rho_a": Rectangular(0.10, mean=1.20),
    "rho_w": Rectangular(1000.0, mean=8000.0),
    "rho_r": Rectangular(50.0, mean=8000.0),
}


def mass_difference(v):
    buoyancy = (v["rho_a"] - 1.2) * (1 / v["rho_w"] - 1 / v["rho_r"])
    return (v["m_rc"] + v["dm_rc"]) * (1 + buoyancy) - 100_000.0


def test_mass_calibration_by_monte_carlo():
    """9.3: exact u 0.0754797 mg and interval 1.084433 to 1.383567 mg."""
    result = propagate_draws(mass_difference, MASS_INPUTS, draws=MILLION)
    assert result.estimate == pytest.approx(1.234, abs=1e-9)
    assert result.u == pytest.approx(0.0754797, rel=0.0035)
    assert result.interval(shortest=False) == pytest.approx((1.084433, 1.383567), abs=0.001)
    low, high = result.interval()
    assert (low, high) == pytest.approx((1.084433, 1.383567), abs=0.004)
    assert high - low == pytest.approx(1.383567 - 1.084433, abs=0.0015)


def test_mass_calibration_linearised_is_29_percent_too_small():
    """9.3: first-order u 0.0538516 mg, because the sensitivities to the densities vanish."""
    names = list(MASS_INPUTS)
    result = propagate_linear(
        lambda x: mass_difference(dict(zip(names, x, strict=True))),
        [MASS_INPUTS[name].mean for name in names],
        np.array([MASS_INPUTS[name].u for name in names]),
    )
    assert result.u[0] == pytest.approx(0.0538516, rel=1e-5)


# x1, correlation, mean, u, shortest 95 % interval (all 1e-6), tolerances of length and ends.
LOSS_CASES = [
    (0.00, 0.0, 50.0, 50.0, (0.0, 149.79), 1.0, 1.0),
    (0.01, 0.0, 150.0, 111.8034, (0.0, 366.01), 1.8, 1.8),
    (0.05, 0.0, 2550.0, 502.4938, (1593.57, 3548.57), 8.0, 24.0),
    (0.00, 0.9, 50.0, 67.2681, (0.0, 185.06), 1.5, 1.5),
    (0.01, 0.9, 150.0, 120.5197, (12.66, 397.49), 2.2, 2.5),
    (0.05, 0.9, 2550.0, 504.5047, (1624.42, 3554.69), 8.0, 24.0),
]


@pytest.mark.parametrize(("x1", "r", "mean", "u", "interval", "length_tol", "ends_tol"), LOSS_CASES)
def test_comparison_loss_near_its_bound_at_zero(x1, r, mean, u, interval, length_tol, ends_tol):
    """9.4: asymmetric shortest intervals of x1^2 + x2^2, correlated or not."""
    result = propagate_draws(
        lambda v: (v["x1"] ** 2 + v["x2"] ** 2) * 1e6,
        {"x1": Normal(0.005, mean=x1), "x2": Normal(0.005)},
        draws=MILLION,
        correlation=[[1.0, r], [r, 1.0]],
    )
    assert result.mean == pytest.approx(mean, abs=3)
    assert result.u == pytest.approx(u, abs=2.5)
    low, high = result.interval()
    assert high - low == pytest.approx(interval[1] - interval[0], abs=length_tol)
    assert (low, high) == pytest.approx(interval, abs=ends_tol)
