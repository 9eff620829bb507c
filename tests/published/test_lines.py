"""Published straight-line data through the line fits.

NIST Statistical Reference Datasets, linear regression, Norris (calibration of ozone monitors),
certified values; K. Pearson, Phil. Mag. 2 (1901) 559-572 (data); D. York, Can. J. Phys. 44 (1966)
1079 (weights); D. York, N. Evensen, M. Lopez Martinez, J. De Basabe Delgado, Am. J. Phys. 72
(2004) 367-375 (unified equations and their standard errors).
"""

import math

import numpy as np
import pytest

from clipmark.geometry.lines import fit_line, fit_line_xy

NORRIS_Y = [
    0.1,
    338.8,
    118.1,
    888.0,
    9.2,
    228.1,
    668.5,
    998.5,
    449.1,
    778.9,
    559.2,
    0.3,
    0.1,
    778.1,
    668.8,
    339.3,
    448.9,
    10.8,
    557.7,
    228.3,
    998.0,
    888.8,
    119.6,
    0.3,
    0.6,
    557.6,
    339.3,
    888.0,
    998.5,
    778.9,
    10.2,
    117.6,
    228.9,
    668.4,
    449.2,
    0.2,
]
NORRIS_X = [
    0.2,
    337.4,
    118.2,
    884.6,
    10.1,
    226.5,
    666.3,
    996.3,
    448.6,
    777.0,
    558.2,
    0.4,
    0.6,
    775.5,
    666.9,
    338.0,
    447.5,
    11.6,
    556.0,
    228.1,
    995.8,
    887.6,
    120.2,
    0.3,
    0.3,
    556.8,
    339.1,
    887.2,
    999.0,
    779.0,
    11.1,
    118.3,
    229.2,
    669.1,
    448.9,
    0.5,
]

PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
YORK_WY = np.array([1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500])


def test_ordinary_fit_reaches_the_certified_values_of_norris():
    """Certified to 15 digits; 1e-9 relative is asked, double precision gives 1e-12."""
    line = fit_line_xy(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.dof == 34


def test_equal_errors_in_y_alone_are_the_ordinary_fit():
    """The limit of the two-sided equations when x is exact: same line, covariance over s^2."""
    ordinary = fit_line_xy(NORRIS_X, NORRIS_Y)
    weighted = fit_line_xy(NORRIS_X, NORRIS_Y, u_y=ordinary.residual_sd)
    assert weighted.slope == pytest.approx(ordinary.slope, rel=1e-12)
    assert weighted.intercept == pytest.approx(ordinary.intercept, rel=1e-10)
    assert weighted.covariance == pytest.approx(ordinary.covariance, rel=1e-10)
    assert weighted.reduced_chi_square == pytest.approx(1.0, rel=1e-10)


def test_errors_in_both_coordinates_give_yorks_line():
    """Estimates to 1e-7; standard errors in the convention of York et al. 2004 to 1e-5."""
    line = fit_line_xy(PEARSON_X, PEARSON_Y, YORK_WX**-0.5, YORK_WY**-0.5)
    assert line.intercept == pytest.approx(5.479910224, abs=1e-7)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-7)
    assert line.chi_square == pytest.approx(11.866353194, abs=1e-7)
    assert line.reduced_chi_square == pytest.approx(1.483294149, abs=1e-7)
    assert line.u_intercept == pytest.approx(0.294970735, abs=1e-5)
    assert line.u_slope == pytest.approx(0.057985009, abs=1e-5)
    assert line.covariance[0, 1] == pytest.approx(-0.016472545, abs=1e-5)


def test_yorks_line_does_not_depend_on_which_coordinate_is_called_x():
    line = fit_line_xy(PEARSON_X, PEARSON_Y, YORK_WX**-0.5, YORK_WY**-0.5)
    other = fit_line_xy(PEARSON_Y, PEARSON_X, YORK_WY**-0.5, YORK_WX**-0.5)
    assert other.slope == pytest.approx(1 / line.slope, rel=1e-10)
    assert other.intercept == pytest.approx(-line.intercept / line.slope, rel=1e-10)


def test_unweighted_perpendicular_fit_gives_pearsons_line():
    """y = 5.784 - 0.5456 x as Pearson printed it, recomputed to nine digits."""
    line = fit_line(np.stack([PEARSON_X, PEARSON_Y], axis=1))
    slope = math.tan(line.angle_rad)
    assert slope == pytest.approx(-0.545561198, abs=1e-7)
    assert line.middle[1] - slope * line.middle[0] == pytest.approx(5.784043775, abs=1e-7)
    assert math.degrees(line.angle_rad) == pytest.approx(-28.615168985, abs=1e-6)
    assert line.residual_sd**2 * line.dof / 10 == pytest.approx(0.061857276, abs=1e-8)
