"""Limits of agreement on the peak flow readings of Bland and Altman.

J. M. Bland, D. G. Altman, Lancet i (1986) 307-310: 17 people, two meters, each read twice, l/min.
The readings are those of two independent R packages (blandr, MethComp), which are equal; the
printed figures are memory. "Recomputed" ones were worked out apart from this package from the
readings; the paper worked with 2 standard deviations and from rounded figures, hence 0.15 l/min.
"""

import math

import numpy as np
import pytest

from clipmark.uncertainty.agreement import (
    limit_factor,
    limits_from_repeats,
    limits_of_agreement,
    repeatability,
)

LARGE = [
    (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431),
    (650, 638), (433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372),
    (427, 421),
]  # fmt: skip
MINI = [
    (512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460), (380, 390),
    (658, 642), (445, 432), (432, 420), (626, 605), (260, 227), (477, 467), (259, 268), (350, 370),
    (451, 443),
]  # fmt: skip
FIRST_LARGE, FIRST_MINI = [pair[0] for pair in LARGE], [pair[0] for pair in MINI]


def ends(item):
    return [item.low, item.high]


def test_first_readings_recomputed_to_1e_6():
    found = limits_of_agreement(FIRST_LARGE, FIRST_MINI, way="approximate", within=2.0)
    assert found.bias.value == pytest.approx(-2.117647, rel=1e-6)
    assert found.sd == pytest.approx(38.76513, rel=1e-6)
    limits = [found.lower.value, found.upper.value]
    assert limits == pytest.approx([-79.647907, 75.412613], rel=1e-6)
    assert ends(found.bias) == pytest.approx([-22.048838, 17.813544], rel=1e-6)
    assert found.limit_se == pytest.approx(16.284612, rel=1e-6)
    assert ends(found.lower) == pytest.approx([-114.169742, -45.126072], rel=1e-6)
    assert ends(found.upper) == pytest.approx([40.890778, 109.934447], rel=1e-6)
    assert found.correlation == pytest.approx(0.943279, rel=1e-6)


def test_limits_with_1_96_standard_deviations():
    found = limits_of_agreement(FIRST_LARGE, FIRST_MINI)
    limits = [found.lower.value, found.upper.value]
    assert limits == pytest.approx([-78.097302, 73.862007], rel=1e-6)


def test_what_the_paper_printed():
    """All but the outermost end lie within 0.15 of what the readings give; see the next test."""
    found = limits_of_agreement(FIRST_LARGE, FIRST_MINI, way="approximate", within=2.0)
    told = [
        found.bias.value, found.sd, found.lower.value, found.upper.value, *ends(found.bias),
        *ends(found.lower), found.upper.low,
    ]  # fmt: skip
    printed = [-2.1, 38.8, -79.7, 75.5, -22.0, 17.8, -114.3, -45.1, 40.9]
    assert told == pytest.approx(printed, abs=0.15)
    assert found.correlation == pytest.approx(0.94, abs=0.005)


def test_the_outermost_printed_end_comes_of_the_papers_own_rounding():
    """Printed 110.1, from the readings 109.93: with the printed bias and SD it is 110.1 again."""
    found = limits_of_agreement(FIRST_LARGE, FIRST_MINI, way="approximate", within=2.0)
    bias, sd = round(found.bias.value, 1), round(found.sd, 1)
    reach = (found.upper.high - found.upper.value) / found.limit_se * math.sqrt(3 * sd**2 / 17)
    assert round(bias + 2 * sd + reach, 1) == 110.1


@pytest.mark.parametrize(
    ("meter", "sd", "coefficient"),
    [(LARGE, 21.646899, 43.293798), (MINI, 28.158167, 56.316333)],
)
def test_repeatability_of_either_meter(meter, sd, coefficient):
    found = repeatability(meter, within=2.0)
    assert found.difference_sd == pytest.approx(sd, rel=1e-6)
    assert found.coefficient == pytest.approx(coefficient, rel=1e-6)


def test_means_of_pairs_with_what_the_repeats_vary_put_back():
    found = limits_from_repeats(LARGE, MINI)
    assert found.bias.value == pytest.approx(-6.029412, rel=1e-6)
    assert found.sd_of_means == pytest.approx(33.204137, rel=1e-6)
    assert found.sd == pytest.approx(37.654779, rel=1e-6)


def test_the_factor_of_a_limit_is_the_one_sided_tolerance_factor():
    """1.9017 for 90 % of a population, 99 % sure, from 40 values: printed on a page of worked
    tolerance intervals (real-statistics.com, after NIST handbook 7.2.6.3), noncentral t."""
    assert limit_factor(40, 1.2815515655446004, 0.99) == pytest.approx(1.9017, abs=5e-5)


def test_the_exact_interval_of_17_pairs_is_lopsided_outward():
    """The paper's interval reaches equally far both ways; the exact one further outward."""
    exact = limits_of_agreement(FIRST_LARGE, FIRST_MINI)
    rough = limits_of_agreement(FIRST_LARGE, FIRST_MINI, way="approximate")
    assert exact.upper.high > rough.upper.high
    assert exact.upper.low > rough.upper.low
    assert exact.upper.high - exact.upper.value > 1.5 * (exact.upper.value - exact.upper.low)
    assert math.isclose(exact.bias.high, rough.bias.high)
    assert np.allclose(exact.differences, rough.differences)
