"""Each distribution draws what its standard uncertainty says."""

import math

import numpy as np
import pytest
from scipy import stats

from clipmark.uncertainty.distributions import (
    Arcsine,
    Normal,
    Rectangular,
    StudentT,
    Triangular,
    from_observations,
)

N = 200_000


@pytest.mark.parametrize(
    ("distribution", "reference"),
    [
        (Normal(0.5, mean=2.0), stats.norm(2.0, 0.5)),
        (Rectangular(3.0, mean=-1.0), stats.uniform(-4.0, 6.0)),
        (Triangular(3.0, mean=-1.0), stats.triang(0.5, -4.0, 6.0)),
        (Arcsine(2.0, mean=1.0), stats.arcsine(-1.0, 4.0)),
    ],
    ids=["normal", "rectangular", "triangular", "arcsine"],
)
def test_draws_follow_the_named_distribution(distribution, reference):
    """Kolmogorov-Smirnov at 200 000 draws; u is that of SciPy's own distribution."""
    draws = distribution.draw(np.random.default_rng(1), N)
    assert distribution.u == pytest.approx(reference.std(), rel=1e-12)
    assert distribution.mean == pytest.approx(reference.mean(), rel=1e-12)
    assert stats.kstest(draws, reference.cdf).statistic < 1.63 / math.sqrt(N)  # 1 % level


def test_few_observations_scatter_more_than_their_standard_uncertainty():
    """Student t: sd = u sqrt(dof / (dof - 2)) (JCGM 101:2008, 6.4.9)."""
    few = StudentT(0.1, dof=9)
    draws = few.draw(np.random.default_rng(2), N)
    assert draws.std() == pytest.approx(0.1 * math.sqrt(9 / 7), rel=0.01)
    assert stats.kstest(draws / 0.1, stats.t(9).cdf).statistic < 1.63 / math.sqrt(N)


def test_observations_give_their_mean_and_its_uncertainty():
    found = from_observations(np.array([10.1, 10.3, 9.9, 10.1]))
    assert found.mean == pytest.approx(10.1)
    assert found.u == pytest.approx(np.std([10.1, 10.3, 9.9, 10.1], ddof=1) / 2)
    assert found.dof == 3


def test_declared_distributions_have_infinite_degrees_of_freedom_unless_told():
    assert Rectangular(1.0).dof == math.inf
    assert Rectangular(1.0, dof=50).dof == 50


@pytest.mark.parametrize(
    "make",
    [
        lambda: Normal(-0.1),
        lambda: Rectangular(math.nan),
        lambda: StudentT(0.1, dof=0),
        lambda: from_observations(np.array([1.0])),
    ],
)
def test_impossible_uncertainties_are_refused(make):
    with pytest.raises(ValueError, match=r"must be|observations"):
        make()
