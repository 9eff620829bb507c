"""Conformance probability, guard bands and risks against JCGM 106:2012.

The standard's clauses 7.3, 7.4 (a two-sided tolerance), 8.3 (a Zener diode, a speed check), and
9.5.4 (bearings, a gamma prior). Inputs of 7.4 and all of 9.5.4 as published in articles on the
standard; diode and speed check from memory; every figure recomputed with SciPy.
"""

import math

import pytest
from scipy import stats

from clipmark.uncertainty.conformance import (
    conformance_probability,
    global_risks,
    guard_band,
    guard_band_for_risk,
    reading_beyond,
)

CLOSED_FORM, INTEGRAL = 1e-6, 1e-5  # what the figures are rounded to
BEARING = stats.gamma(a=4, scale=1 / 4)
POSITIVE = (0.0, math.inf)


def bearing_risks(acceptance=None):
    return global_risks(BEARING.pdf, 0.25, (-math.inf, 2.0), acceptance, POSITIVE)


def test_a_two_sided_tolerance():
    p = conformance_probability(13.6, 1.8, 12.5, 16.3)
    assert p == pytest.approx(0.66263, abs=5e-6)  # printed to five places


def test_the_zener_diode_meets_its_upper_limit():
    p = conformance_probability(-5.47, 0.05, high=-5.4)
    assert p == pytest.approx(0.919243, abs=CLOSED_FORM)


@pytest.mark.parametrize(
    ("p", "z"),
    [(0.80, 0.841621), (0.90, 1.281552), (0.95, 1.644854), (0.99, 2.326348), (0.999, 3.090232)],
)
def test_guard_bands_in_standard_uncertainties(p, z):
    assert guard_band(1.0, p) == pytest.approx(z, abs=CLOSED_FORM)


@pytest.mark.parametrize(("p", "share"), [(0.95, 0.8224), (0.90, 0.6408), (0.99, 1.1632)])
def test_guard_bands_in_expanded_uncertainties(p, share):
    """For U = 2 u, printed to four places."""
    assert guard_band(0.5, p) == pytest.approx(share, abs=5e-5)


def test_the_speed_from_which_a_fine_is_safe():
    assert reading_beyond(100.0, 0.02, 0.999) == pytest.approx(106.5876, abs=5e-5)


def test_bearings_accepted_by_the_limit_itself():
    risks = bearing_risks()
    assert risks.nonconforming == pytest.approx(0.0423801, abs=INTEGRAL)
    assert risks.consumer == pytest.approx(0.00801911, abs=INTEGRAL)
    assert risks.producer == pytest.approx(0.01744457, abs=INTEGRAL)


def test_a_guard_band_against_one_risk_raises_the_other():
    """From 0.8 % to 0.1 % wrongly accepted, and from 1.7 % to 7.5 % wrongly rejected."""
    width = guard_band_for_risk(BEARING.pdf, 0.25, 2.0, 0.001, POSITIVE)
    assert width == pytest.approx(0.32817123, abs=INTEGRAL)
    risks = bearing_risks((-math.inf, 2.0 - width))
    assert risks.consumer == pytest.approx(0.001, abs=1e-8)
    assert risks.producer == pytest.approx(0.07549388, abs=INTEGRAL)
