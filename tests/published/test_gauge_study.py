"""The crossed gauge study of the AIAG manual: ten parts, three appraisers, three trials.

AIAG, *Measurement Systems Analysis*, 4th ed. (2010), reworked by B. McNeese, Three ways to analyze
a gage R&R study, BPI Consulting (2015). The readings and McNeese's results are as quoted in several
independent open test suites; the manual's own standard deviations are memory. All figures were
recomputed apart from this package and hold to 1e-5.
"""

import numpy as np
import pytest
from scipy import stats

from clipmark.uncertainty.average_and_range import (
    average_and_range,
    factor_of_many,
    factor_of_one,
)
from clipmark.uncertainty.gauge_study import gauge_study

# By appraiser and trial, each row the ten parts.
TRIALS = {
    "A": [
        [0.29, -0.56, 1.34, 0.47, -0.8, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.5, -0.92, -0.11, 0.75, -0.2, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    "B": [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.2, 0.47, -0.63, 1.8, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.2, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.2, -1.28, 0.06, 0.83, -0.34, 2.19, -1.5],
    ],
    "C": [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.2, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
}
READINGS = np.array([TRIALS[name] for name in "ABC"]).transpose(2, 0, 1)


def close(value):
    return pytest.approx(value, rel=1e-5)


def test_analysis_of_variance():
    rows = {row.source: row for row in gauge_study(READINGS).anova}
    ss = [rows[n].ss for n in ("attempts", "markers", "interaction", "repeatability", "total")]
    assert ss == close([88.361934, 3.167262, 0.358982, 2.758933, 94.647112])
    dof = [rows[n].dof for n in ("attempts", "markers", "interaction", "repeatability")]
    assert dof == [9, 2, 18, 60]
    assert rows["interaction"].f == close(0.433721)
    assert rows["interaction"].p == close(0.974106)
    assert rows["attempts"].f == close(492.291423)
    assert rows["markers"].f == close(79.406049)


def test_pooled_since_the_interaction_says_nothing():
    """The manual's own standard deviations to their last printed digit."""
    study = gauge_study(READINGS)
    assert study.pooled
    assert study.why == "the interaction has p = 0.974 and was counted as repeatability"
    names = ("repeatability", "reproducibility", "grr", "part", "total")
    variances = [0.03997328, 0.05145526, 0.09142854, 1.0864466, 1.17787514]
    assert [study.variances[name].value for name in names] == close(variances)
    sds = [0.199933, 0.226838, 0.302373, 1.042327, 1.085300]
    assert [study.sd(name).value for name in names] == pytest.approx(sds, abs=2e-6)
    percents = [18.421935, 20.900913, 27.860651, 96.040534]
    assert [study.percent(name) for name in names[:4]] == close(percents)
    assert study.categories_raw == close(4.860516)
    assert study.categories == 4


def test_kept_apart_the_interaction_is_negative_and_stands_as_zero():
    study = gauge_study(READINGS, pool=False)
    assert study.variances["repeatability"].value == close(0.04598222)
    assert study.negative == {"interaction": close(-0.00867959)}
    assert study.variances["interaction"].value == 0.0
    assert study.variances["reproducibility"].value == close(0.05212292)
    assert study.variances["part"].value == close(1.08867214)


def test_repeatability_has_the_chi_square_interval_of_its_78_degrees_of_freedom():
    found = gauge_study(READINGS).variances["repeatability"]
    sum_of_squares = 78 * 0.03997328
    assert found.low == close(sum_of_squares / stats.chi2.ppf(0.975, 78))
    assert found.high == close(sum_of_squares / stats.chi2.ppf(0.025, 78))


def test_averages_and_ranges_give_another_number_of_categories():
    found = average_and_range(READINGS)
    told = [found.mean_range, found.marker_range, found.part_range]
    assert told == close([0.341667, 0.444667, 3.511111])
    sds = [found.repeatability, found.reproducibility, found.grr, found.part, found.total]
    assert sds == close([0.201857, 0.229667, 0.305766, 1.104596, 1.146135])
    names = ("repeatability", "reproducibility", "grr", "part")
    percents = [17.611952, 20.0384, 26.67805, 96.375732]
    assert [found.percent(name) for name in names] == close(percents)
    assert found.categories_raw == close(5.093692)
    assert found.categories == 5


def test_factors_of_ranges_are_the_tabled_ones():
    """K1 for 2 and 3 trials, K2 and K3 for 2 to 10 (memory; 0.5908, 0.5231, 0.3146 as above)."""
    assert [factor_of_many(size) for size in (2, 3)] == [0.8862, 0.5908]
    tabled = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [factor_of_one(size) for size in range(2, 11)] == tabled
