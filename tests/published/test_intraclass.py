"""Intraclass correlations of six targets by four judges.

P. E. Shrout, J. L. Fleiss, Psychol. Bull. 86 (1979) 420-428: ratings and the six printed
coefficients as in the R package psych; more digits recomputed apart from this package.
"""

import pytest

from clipmark.uncertainty.intraclass import intraclass

RATINGS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def test_mean_squares():
    found = intraclass(RATINGS)
    squares = [found.ms_things, found.ms_markers, found.ms_residual, found.ms_within]
    assert squares == pytest.approx([11.241667, 32.486111, 1.019444, 6.263889], abs=1e-6)
    assert found.tests["2,1"].f == pytest.approx(11.027248, abs=1e-6)


@pytest.mark.parametrize(
    ("form", "icc", "printed"),
    [
        ("1,1", 0.165742, 0.17),
        ("2,1", 0.289764, 0.29),
        ("3,1", 0.714841, 0.71),
        ("1,k", 0.442797, 0.44),
        ("2,k", 0.620051, 0.62),
        ("3,k", 0.909316, 0.91),
    ],
)
def test_six_forms(form, icc, printed):
    """Consistency (3,1) can be 0.71 where agreement (2,1) is only 0.29."""
    value = intraclass(RATINGS).forms[form].value
    assert value == pytest.approx(icc, abs=1e-6)
    assert round(value, 2) == printed


@pytest.mark.parametrize(
    ("form", "low", "high"), [("1,1", -0.13, 0.72), ("2,1", 0.02, 0.76), ("3,1", 0.34, 0.95)]
)
def test_intervals(form, low, high):
    found = intraclass(RATINGS).forms[form]
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.005)
