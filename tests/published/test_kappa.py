"""Cohen's kappa, plain and weighted, with its standard errors.

J. Cohen, Psychol. Bull. 70 (1968) 213-220: both tables, the weights, 0.492 and 0.348 as in the
manual of the R package psych. J. L. Fleiss, J. Cohen, B. S. Everitt, Psychol. Bull. 72 (1969)
323-327: table and weights as there, printed 0.429 and 0.507 memory. Further digits recomputed apart
from this package.
"""

import numpy as np
import pytest

from clipmark.uncertainty.kappa import cohen_kappa

COHEN = np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
COHEN_DISAGREEMENT = np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]])
FLEISS = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
FLEISS_WEIGHTS = [[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]]


def test_cohen_1968():
    counts = 200 * COHEN
    assert cohen_kappa(counts).value == pytest.approx(0.491525, abs=1e-6)
    weighted = cohen_kappa(counts, 1 - COHEN_DISAGREEMENT / 6)
    assert weighted.value == pytest.approx(0.347826, abs=1e-6)


def test_fleiss_cohen_everitt_1969():
    plain = cohen_kappa(FLEISS)
    told = [plain.observed, plain.by_chance, plain.value, plain.se, plain.se_if_none]
    assert told == pytest.approx([0.7, 0.475, 0.428571, 0.053711, 0.055512], abs=1e-6)
    weighted = cohen_kappa(FLEISS, FLEISS_WEIGHTS)
    told = [weighted.value, weighted.se, weighted.se_if_none]
    assert told == pytest.approx([0.50707, 0.056994, 0.065336], abs=1e-6)
    printed = [round(plain.value, 3), round(weighted.value, 3)]
    assert printed == [0.429, 0.507]


@pytest.mark.parametrize(
    ("counts", "value", "se"),
    [
        ([[20, 5], [10, 15]], 0.4, 0.126996),
        ([[45, 15], [25, 15]], 0.130435, 0.098662),
        ([[25, 35], [5, 35]], 0.259259, 0.07716),
    ],
)
def test_the_same_raw_agreement_can_mean_two_kappas(counts, value, se):
    """The last two tables agree in 60 % of cases: 0.13 and 0.26."""
    found = cohen_kappa(counts)
    assert (found.value, found.se) == pytest.approx((value, se), abs=1e-6)
