"""The budget: order, combination, degrees of freedom, and how it is written down."""

import math

import pytest

from clipmark.uncertainty.budget import Budget, Contribution, welch_satterthwaite

PLUMB = Contribution("plumb line", "B", 0.05, math.inf, "use a longer line")
EDGE = Contribution("edge fit of the ramp", "A", 0.03, 12.0, "mark a longer stretch")
VIEW = Contribution("square-on promise", "B", 0.12, math.inf, "use a sheet")


def test_largest_source_comes_first():
    budget = Budget.of([PLUMB, EDGE, VIEW])
    assert [item.source for item in budget] == [
        "square-on promise",
        "plumb line",
        "edge fit of the ramp",
    ]


def test_independent_sources_add_in_squares():
    assert Budget.of([PLUMB, EDGE, VIEW]).u == pytest.approx(math.sqrt(0.0025 + 0.0009 + 0.0144))


def test_only_sources_with_few_observations_lower_the_degrees_of_freedom():
    budget = Budget.of([PLUMB, EDGE])
    assert budget.dof == pytest.approx(budget.u**4 / (0.03**4 / 12))
    assert Budget.of([PLUMB, VIEW]).dof == math.inf


def test_expanded_uncertainty_uses_the_effective_degrees_of_freedom():
    alone = Budget.of([Contribution("repeated marks", "A", 0.1, 4.0)])
    assert alone.expanded() == pytest.approx(0.27764, abs=1e-5)
    assert Budget.of([PLUMB]).expanded() == pytest.approx(0.05 * 1.95996, abs=1e-6)


def test_rows_carry_unit_and_null_for_infinite_degrees_of_freedom():
    assert Budget.of([EDGE, PLUMB]).rows("deg") == [
        {
            "source": "plumb line",
            "kind": "B",
            "u_deg": 0.05,
            "dof": None,
            "advice": "use a longer line",
        },
        {
            "source": "edge fit of the ramp",
            "kind": "A",
            "u_deg": 0.03,
            "dof": 12.0,
            "advice": "mark a longer stretch",
        },
    ]


def test_tiny_contributions_do_not_underflow():
    """Fourth powers of 1e-90 are 0 in double precision; the ratio is not."""
    assert welch_satterthwaite([1e-90, 1e-90], [10, 10]) == pytest.approx(20.0)


def test_empty_budget_is_certain():
    assert Budget.of([]).u == 0.0
    assert Budget.of([]).dof == math.inf


@pytest.mark.parametrize(
    "make",
    [
        lambda: Contribution("x", "C", 0.1),
        lambda: Contribution("x", "A", math.nan),
        lambda: Contribution("x", "A", 0.1, 0.0),
    ],
)
def test_impossible_contributions_are_refused(make):
    with pytest.raises(ValueError, match=r"x|kind"):
        make()
