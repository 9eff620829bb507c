"""Coverage factors and effective degrees of freedom.

JCGM 100:2008, table G.2 (Student's t) and equation G.2b (Welch-Satterthwaite); the table's two
decimals recomputed to four. Tolerance half a unit of the last digit: 5e-5.
"""

import math

import pytest

from clipmark.uncertainty.budget import welch_satterthwaite
from clipmark.uncertainty.intervals import coverage_factor

DOF = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 16, 20, 30, 50, 100]
TABLE = {
    0.6827: [1.8374, 1.3213, 1.1969, 1.1417, 1.1105, 1.0906, 1.0767, 1.0666, 1.0588, 1.0526,
        1.0345, 1.0323, 1.0257, 1.0170, 1.0101, 1.0050],
    0.95: [12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.3060, 2.2622, 2.2281,
        2.1314, 2.1199, 2.0860, 2.0423, 2.0086, 1.9840],
    0.9545: [13.9678, 4.5266, 3.3068, 2.8693, 2.6487, 2.5165, 2.4288, 2.3664, 2.3198, 2.2837,
        2.1812, 2.1689, 2.1330, 2.0868, 2.0513, 2.0253],
    0.99: [63.6567, 9.9248, 5.8409, 4.6041, 4.0321, 3.7074, 3.4995, 3.3554, 3.2498, 3.1693,
        2.9467, 2.9208, 2.8453, 2.7500, 2.6778, 2.6259],
}  # fmt: skip
INFINITE = {0.6827: 1.0000, 0.95: 1.9600, 0.9545: 2.0000, 0.99: 2.5758}


@pytest.mark.parametrize("p", TABLE)
def test_coverage_factors_are_those_of_table_g2(p):
    assert [coverage_factor(dof, p) for dof in DOF] == pytest.approx(TABLE[p], abs=5e-5)
    assert coverage_factor(math.inf, p) == pytest.approx(INFINITE[p], abs=5e-5)


@pytest.mark.parametrize(
    ("u", "dof", "effective"),
    [
        ([1, 1, 1, 1], [10, 10, 10, 10], 40.0),
        ([25, 9.681942, 2.886787, 16.599027], [18, 25.44725, 50, 2], 16.751856),
        ([1, 2], [4, math.inf], 100.0),
    ],
)
def test_effective_degrees_of_freedom(u, dof, effective):
    assert welch_satterthwaite(u, dof) == pytest.approx(effective, abs=5e-5)


def test_declared_uncertainties_alone_have_infinite_degrees_of_freedom():
    assert welch_satterthwaite([0.1, 0.2], [math.inf, math.inf]) == math.inf
