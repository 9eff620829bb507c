"""Line fits: the drawn line comes back, and the stated covariance is the simulated scatter."""

import math

import numpy as np
import pytest

from clipmark.errors import FitError
from clipmark.geometry.lines import fit_line, fit_line_xy


def drawn(rng, angle_deg, n, sigma, half=100.0, middle=(320.0, 240.0)):
    """Points along a line with normal errors across it; `sigma` scalar or per point."""
    way = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])
    across = np.array([-way[1], way[0]])
    along = np.linspace(-half, half, n)
    return np.asarray(middle) + np.outer(along, way) + np.outer(sigma * rng.normal(size=n), across)


@pytest.mark.parametrize("angle_deg", [-89.9, -45.0, 0.0, 30.0, 90.0])
def test_exact_points_give_the_exact_line(angle_deg):
    line = fit_line(drawn(np.random.default_rng(0), angle_deg, 50, 0.0))
    assert math.degrees(line.angle_rad) == pytest.approx(angle_deg, abs=1e-10)
    assert line.middle == pytest.approx([320.0, 240.0], abs=1e-9)


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0])
def test_covariance_from_residuals_is_the_scatter_of_many_fits(angle_deg):
    """4000 fits: the scatter is good to 1.1 %, so 5 % are allowed."""
    rng = np.random.default_rng(4)
    fits = [fit_line(drawn(rng, angle_deg, 40, 0.3)) for _ in range(4000)]
    off = np.array([math.remainder(f.angle_rad - math.radians(angle_deg), math.pi) for f in fits])
    assert np.std(off) == pytest.approx(np.mean([f.u_angle_rad for f in fits]), rel=0.05)
    across = np.array([-math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))])
    offset = np.array([(f.middle - [320.0, 240.0]) @ across for f in fits])
    assert np.std(offset) == pytest.approx(np.mean([f.u_offset for f in fits]), rel=0.05)


def test_covariance_from_stated_uncertainties_is_the_scatter_of_many_fits():
    """Points of unequal quality, weighted by it; 4000 fits, 5 %."""
    rng = np.random.default_rng(5)
    sigma = np.linspace(0.1, 1.5, 40)
    fits = [fit_line(drawn(rng, 20.0, 40, sigma), sigma=sigma) for _ in range(4000)]
    off = np.array([f.angle_rad for f in fits]) - math.radians(20.0)
    assert np.std(off) == pytest.approx(fits[0].u_angle_rad, rel=0.05)


def test_weighting_by_quality_is_better_than_not():
    rng = np.random.default_rng(6)
    sigma = np.where(np.arange(40) % 2, 0.1, 2.0)
    off_weighted, off_plain = [], []
    for _ in range(500):
        points = drawn(rng, 20.0, 40, sigma)
        off_weighted.append(fit_line(points, sigma=sigma).angle_rad - math.radians(20.0))
        off_plain.append(fit_line(points).angle_rad - math.radians(20.0))
    assert np.std(off_weighted) < np.std(off_plain) / 5


@pytest.mark.parametrize("robust", ["huber", "tukey"])
def test_a_tenth_of_wild_points_hardly_moves_a_robust_line(robust):
    """One stretch of 10 % of the points lies 15 px off: plain fit turns by degrees."""
    points = drawn(np.random.default_rng(7), 12.0, 200, 0.2)
    points[175:195] += [0.0, 15.0]
    plain = abs(math.degrees(fit_line(points).angle_rad) - 12.0)
    held = abs(math.degrees(fit_line(points, robust=robust).angle_rad) - 12.0)
    assert plain > 1.0
    assert held < {"huber": 0.15, "tukey": 0.03}[robust]


def test_robust_fit_of_clean_points_loses_little():
    """95 % efficiency by design, u grows by 2.6 %; the same points in both, so 400 fits do."""
    rng = np.random.default_rng(8)
    off = {"none": [], "tukey": []}
    for _ in range(400):
        points = drawn(rng, 12.0, 60, 0.2)
        for robust, found in off.items():
            found.append(fit_line(points, robust=robust).angle_rad - math.radians(12.0))
    assert np.std(off["tukey"]) < 1.08 * np.std(off["none"])


def test_points_all_in_one_place_are_refused():
    with pytest.raises(FitError) as refused:
        fit_line([[5.0, 5.0]] * 4)
    assert str(refused.value) == (
        "a line needs two points in different places; mark its ends further apart"
    )


def test_errors_in_both_coordinates_scatter_as_stated():
    """2000 fits of 15 points; scatter good to 1.6 %, linearisation to a few per cent: 6 %."""
    rng = np.random.default_rng(9)
    x = np.linspace(0, 10, 15)
    u_x, u_y = np.linspace(0.05, 0.2, 15), np.linspace(0.2, 0.1, 15)
    fits = []
    for _ in range(2000):
        noise_x, noise_y = rng.normal(size=(2, 15))
        fits.append(fit_line_xy(x + u_x * noise_x, 1 + 0.7 * x + u_y * noise_y, u_x, u_y))
    assert np.std([f.slope for f in fits]) == pytest.approx(
        np.mean([f.u_slope for f in fits]), rel=0.06
    )
    assert np.mean([f.slope for f in fits]) == pytest.approx(0.7, abs=0.002)
    assert np.mean([f.reduced_chi_square for f in fits]) == pytest.approx(1.0, abs=0.04)


def test_exact_y_and_uncertain_x_is_the_ordinary_fit_the_other_way_round():
    rng = np.random.default_rng(10)
    y = np.linspace(0, 5, 12)
    x = 2 + 0.5 * y + 0.1 * rng.normal(size=12)
    line = fit_line_xy(x, y, u_x=0.1, u_y=0.0)
    other = fit_line_xy(y, x)
    assert line.slope == pytest.approx(1 / other.slope, rel=1e-10)


def test_correlated_errors_change_the_line_as_a_general_minimum_says():
    """Against direct minimisation over the adjusted points, 1e-6."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(11)
    x = np.linspace(0, 10, 8)
    u_x, u_y, r = np.full(8, 0.5), np.full(8, 0.4), np.full(8, 0.6)
    y = 1 + 0.8 * x + 0.4 * rng.normal(size=8)
    line = fit_line_xy(x, y, u_x, u_y, r)

    def misfit(ab):
        a, b = ab
        residual = y - a - b * x
        return np.sum(residual**2 / (u_y**2 + b**2 * u_x**2 - 2 * b * r * u_x * u_y))

    best = minimize(
        misfit, [1.0, 0.8], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13}
    )
    assert [line.intercept, line.slope] == pytest.approx(best.x, abs=1e-6)


def test_points_over_one_another_are_refused():
    with pytest.raises(FitError) as refused:
        fit_line_xy([3.0, 3.0, 3.0], [1.0, 2.0, 3.0])
    assert str(refused.value) == "a line needs two points at different x; give more points"
