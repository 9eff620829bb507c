"""Agreement of markers against pingouin and statsmodels, against their definitions, and counted."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa

from clipmark.uncertainty.agreement import (
    limits_from_repeats,
    limits_of_agreement,
    repeatability,
)
from clipmark.uncertainty.average_and_range import average_and_range
from clipmark.uncertainty.gauge_study import gauge_study, planned_limit
from clipmark.uncertainty.intraclass import FORMS, intraclass
from clipmark.uncertainty.kappa import cohen_kappa, verdict_table
from clipmark.uncertainty.variance_parts import MeanSquare, combined_variance

seeds = st.integers(0, 2**32 - 1)


def drawn_study(seed, parts=8, markers=3, repeats=3, marker_sd=0.1, crossed_sd=0.05, sd=0.15):
    """Readings of shape (parts, markers, repeats) with known components."""
    rng = np.random.default_rng(seed)
    return (
        45.0
        + rng.normal(0, 3.0, (parts, 1, 1))
        + rng.normal(0, marker_sd, (1, markers, 1))
        + rng.normal(0, crossed_sd, (parts, markers, 1))
        + rng.normal(0, sd, (parts, markers, repeats))
    )


# --- against other libraries -------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "n", "k"), [(1, 6, 4), (2, 12, 2), (3, 30, 5), (4, 3, 3)])
def test_intraclass_correlations_are_those_of_pingouin(seed, n, k):
    """All six with F, degrees of freedom, p and interval, which it rounds unless told not to."""
    import pingouin  # it takes 3 s to load

    table = drawn_study(seed, n, k, 1, marker_sd=1.5, sd=1.0)[:, :, 0]
    long = pd.DataFrame(table).reset_index().melt(id_vars="index")
    rounding = dict(pingouin.options)
    pingouin.options.update({"round.column.CI95": None})
    try:
        theirs = pingouin.intraclass_corr(long, targets="index", raters="variable", ratings="value")
    finally:
        pingouin.options.update(rounding)
    ours = intraclass(table)
    for row, form in zip(theirs.itertuples(), FORMS, strict=True):
        test = ours.tests[form]
        assert [test.f, test.p] == pytest.approx([row.F, row.pval], rel=1e-9)
        assert (test.dof, test.dof_below) == (row.df1, row.df2)
        found = ours.forms[form]
        expected = [row.ICC, *row.CI95]
        assert [found.value, found.low, found.high] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_the_analysis_of_variance_is_that_of_statsmodels(seed):
    import statsmodels.formula.api as formula
    from statsmodels.stats.anova import anova_lm

    values = drawn_study(seed, 5, 3, 2)
    index = np.indices(values.shape).reshape(3, -1)
    long = pd.DataFrame({"y": values.ravel(), "part": index[0], "marker": index[1]})
    theirs = anova_lm(formula.ols("y ~ C(part) * C(marker)", long).fit())
    ours = gauge_study(values).anova[:4]
    assert [row.ss for row in ours] == pytest.approx(list(theirs["sum_sq"]), rel=1e-9)
    assert [row.dof for row in ours] == list(theirs["df"])
    assert ours[2].f == pytest.approx(theirs["F"].iloc[2], rel=1e-9)
    assert ours[2].p == pytest.approx(theirs["PR(>F)"].iloc[2], rel=1e-9)


@given(
    st.integers(2, 5).flatmap(
        lambda size: st.lists(
            st.lists(st.integers(1, 60), min_size=size, max_size=size),
            min_size=size,
            max_size=size,
        )
    )
)
@settings(max_examples=60)
def test_kappa_is_that_of_statsmodels(counts):
    ours, theirs = cohen_kappa(counts), cohens_kappa(counts)
    told = [ours.value, ours.se, ours.se_if_none]
    expected = [theirs.kappa, theirs.std_kappa, theirs.std_kappa0]
    assert told == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(seeds)
@settings(max_examples=30)
def test_weighted_kappa_is_that_of_statsmodels(seed):
    counts = np.random.default_rng(seed).integers(1, 40, (4, 4))
    steps = np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    for power, name in ((1, "linear"), (2, "quadratic")):
        ours = cohen_kappa(counts, 1 - (steps / 3.0) ** power)
        theirs = cohens_kappa(counts, wt=name)
        told = [ours.value, ours.se, ours.se_if_none]
        expected = [theirs.kappa, theirs.std_kappa, theirs.std_kappa0]
        assert told == pytest.approx(expected, rel=1e-9, abs=1e-12)


# --- properties --------------------------------------------------------------------------------


@given(seeds, st.floats(-50, 50))
@settings(max_examples=25)
def test_a_marker_who_reads_more_moves_the_bias_and_the_limits_by_as_much(seed, offset):
    rng = np.random.default_rng(seed)
    one, other = rng.normal(45, 2, 9), rng.normal(45, 2, 9)
    before, after = limits_of_agreement(one, other), limits_of_agreement(one + offset, other)
    assert after.bias.value - before.bias.value == pytest.approx(offset, abs=1e-9)
    assert after.upper.high - before.upper.high == pytest.approx(offset, abs=1e-9)
    assert after.sd == pytest.approx(before.sd, rel=1e-9)


@given(seeds)
@settings(max_examples=25)
def test_who_comes_first_turns_the_limits_round(seed):
    rng = np.random.default_rng(seed)
    one, other = rng.normal(45, 2, (2, 7))
    ours, theirs = limits_of_agreement(one, other), limits_of_agreement(other, one)
    assert ours.lower.low == pytest.approx(-theirs.upper.high)
    assert ours.lower.high == pytest.approx(-theirs.upper.low)


def test_one_marking_each_is_the_case_without_repeats():
    rng = np.random.default_rng(3)
    one, other = rng.normal(45, 2, (2, 7))
    plain = limits_of_agreement(one, other)
    same = limits_from_repeats([[x] for x in one], [[x] for x in other])
    assert same.lower == plain.lower
    assert same.way == "exact"


def test_repeats_put_back_what_averaging_took_away():
    """Two markers, each four times: single markings differ by sd sqrt(2), means by half of it."""
    rng = np.random.default_rng(8)
    truth = rng.normal(45, 3, 400)
    one, other = (truth[:, None] + rng.normal(0, 0.2, (400, 4)) for _ in range(2))
    found = limits_from_repeats(list(one), list(other))
    assert found.sd_of_means == pytest.approx(0.2 * math.sqrt(2) / 2, rel=0.1)
    assert found.sd == pytest.approx(0.2 * math.sqrt(2), rel=0.1)
    assert found.way == "recovered"


def test_a_difference_that_grows_with_the_value_is_noticed():
    values = np.linspace(20, 60, 15)
    wobble = 0.05 * np.cos(np.arange(15.0))
    found = limits_of_agreement(1.01 * values + wobble, values)
    assert found.slope.low > 0


def test_without_repeats_the_study_is_the_two_way_table_of_the_intraclass_correlation():
    table = drawn_study(21, 7, 3, 1)
    study, icc = gauge_study(table), intraclass(table[:, :, 0])
    squares = {row.source: row.ms for row in study.anova}
    assert squares["residual"] == pytest.approx(icc.ms_residual, rel=1e-12)
    assert squares["markers"] == pytest.approx(icc.ms_markers, rel=1e-12)
    assert "cannot be told apart" in study.why
    assert "interaction" not in study.variances
    total = study.variances["part"].value / study.variances["total"].value
    assert total == pytest.approx(icc.forms["2,1"].value, rel=1e-12)


def test_markers_who_mark_to_the_same_digit_have_no_scatter_and_categories_without_end():
    table = np.broadcast_to(np.arange(4.0)[:, None, None], (4, 2, 2))
    study = gauge_study(table)
    assert study.variances["grr"].value == 0.0
    assert study.categories is None
    assert average_and_range(table).categories is None


def test_two_markers_alone_leave_the_spread_of_markers_wide_open():
    """One degree of freedom: the upper end lies 32 times the estimate or more above."""
    study = gauge_study(drawn_study(5, 10, 2, 2, marker_sd=0.5, sd=0.05, crossed_sd=0.0))
    assert study.sd("markers").high > 20 * study.sd("markers").value


def test_a_plan_of_as_many_markers_is_the_study_again_and_more_markers_narrow_it():
    for pool in (True, False):
        study = gauge_study(drawn_study(4, 8, 3, 2, marker_sd=0.3), pool=pool)
        same, more = planned_limit(study, 3), planned_limit(study, 8)
        limit = study.reproducibility_limit
        assert [same.value, same.low, same.high] == pytest.approx(
            [limit.value, limit.low, limit.high]
        )
        assert more.value == pytest.approx(limit.value)
        assert more.high < limit.high


# --- refusals ----------------------------------------------------------------------------------


def test_too_few_pairs_are_refused():
    with pytest.raises(ValueError, match="2 pairs are too few for limits of agreement"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.1])


def test_what_does_not_pair_or_is_missing_is_refused():
    with pytest.raises(ValueError, match="4 values do not pair with 3"):
        limits_of_agreement([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="a value is missing"):
        limits_of_agreement([1.0, 2.0, math.nan], [1.0, 2.0, 3.0])


def test_holes_in_a_table_are_refused_with_what_to_do():
    table = np.ones((4, 3))
    table[1, 2] = math.nan
    with pytest.raises(ValueError, match="leave out the attempts that somebody did not mark"):
        intraclass(table)
    with pytest.raises(ValueError, match="must have marked every attempt equally often"):
        gauge_study(table[:, :, None])


def test_nothing_repeated_says_nothing_of_repeatability():
    with pytest.raises(ValueError, match="nothing was marked twice"):
        repeatability([[1.0], [2.0]])


def test_one_class_only_has_a_table_and_no_kappa():
    found = verdict_table(["cleared"] * 6, ["cleared"] * 6, ("cleared", "failed", "void"))
    assert found.counts == ((6,),)
    assert found.kappa is None
    assert found.why_not == (
        "all verdicts lie in one class, so agreement beyond chance is 0/0; the table alone says "
        "what there is"
    )
    assert found.agreed.low == pytest.approx(0.025 ** (1 / 6))


def test_full_agreement_of_few_is_no_certainty():
    """Kappa is 1 with a standard error of 0, so no interval is given; raw agreement has one."""
    found = verdict_table(["cleared"] * 4 + ["failed"], ["cleared"] * 4 + ["failed"])
    assert found.kappa is not None
    assert (found.kappa.value, found.kappa.se, found.kappa.interval) == (1.0, 0.0, None)
    assert found.agreed.low == pytest.approx(0.025 ** (1 / 5))


def test_a_table_keeps_the_order_of_the_classes_and_which_of_the_two_said_what():
    found = verdict_table(
        ["failed", "cleared", "failed"], ["cleared", "cleared", "failed"], ("cleared", "failed")
    )
    assert found.classes == ("cleared", "failed")
    assert found.counts == ((1, 0), (1, 1))
    assert found.n == 3


def test_weights_that_are_no_agreement_are_refused():
    with pytest.raises(ValueError, match="1 on the diagonal"):
        cohen_kappa([[3, 1], [1, 3]], [[0, 1], [1, 0]])


# --- intervals hold the truth ------------------------------------------------------------------


def held(intervals, truth):
    return float(np.mean([item.low <= truth <= item.high for item in intervals]))


def test_exact_intervals_of_the_limits_hold_them():
    """2,000 sets of 6 pairs: 95 % within 1.5 %, 3 standard errors of the count."""
    rng = np.random.default_rng(12)
    sets = [limits_of_agreement(row, np.zeros(6)) for row in rng.normal(0.3, 1.0, (2000, 6))]
    assert held([item.upper for item in sets], 0.3 + 1.96) == pytest.approx(0.95, abs=0.015)
    assert held([item.lower for item in sets], 0.3 - 1.96) == pytest.approx(0.95, abs=0.015)
    assert held([item.bias for item in sets], 0.3) == pytest.approx(0.95, abs=0.015)


@pytest.mark.slow
@pytest.mark.parametrize(("pairs", "repeats"), [(8, 2), (20, 3)])
def test_intervals_of_limits_from_repeats_are_never_too_narrow(pairs, repeats):
    """4,000 sets, each marking scattering by 1, markers and things together by 0.5 more. They are
    wide where little is known (98 % for 8 pairs marked twice, 96 % for 20 marked three times); at
    least 95 % less 3 standard errors of the count (1 %)."""
    rng = np.random.default_rng(19)
    found = []
    for _ in range(4_000):
        apart = 0.3 + 0.5 * rng.standard_normal(pairs)
        first = apart[:, None] + rng.standard_normal((pairs, repeats))
        found.append(limits_from_repeats(list(first), list(rng.standard_normal((pairs, repeats)))))
    reach = 1.96 * math.sqrt(0.5**2 + 2)
    assert 0.94 < held([item.upper for item in found], 0.3 + reach) < 0.99
    assert 0.94 < held([item.lower for item in found], 0.3 - reach) < 0.99


def coverage_of_components(studies, seed, markers):
    rng = np.random.default_rng(seed)
    kept = {"markers": [], "reproducibility": [], "grr": [], "repeatability": [], "part": []}
    for _ in range(studies):
        found = gauge_study(drawn_study(rng, 6, markers, 2), pool=False)
        for name, items in kept.items():
            items.append(found.variances[name])
    truth = {"repeatability": 0.15**2, "markers": 0.1**2, "part": 9.0}
    truth["reproducibility"] = 0.1**2 + 0.05**2
    truth["grr"] = truth["reproducibility"] + 0.15**2
    return {name: held(items, truth[name]) for name, items in kept.items()}


def test_intervals_of_components_hold_the_truth():
    """500 studies: at least 95 % less 3 standard errors of the count (2.9 %)."""
    for name, share in coverage_of_components(500, 31, 3).items():
        assert share > 0.921, name


@pytest.mark.slow
@pytest.mark.parametrize("markers", [2, 3, 6])
def test_intervals_of_components_hold_the_truth_in_many_studies(markers):
    """5,000 studies; modified large-sample intervals are a little wide, never much too narrow."""
    for name, share in coverage_of_components(5_000, 7, markers).items():
        assert 0.940 < share < 0.985, name


def test_one_mean_square_has_its_exact_interval():
    """Chi-square of 10 degrees of freedom: 10 s^2 / 20.483 to 10 s^2 / 3.247."""
    found = combined_variance([(1.0, MeanSquare(2.0, 10))])
    assert found.low == pytest.approx(20 / 20.48317735, rel=1e-8)
    assert found.high == pytest.approx(20 / 3.24697278, rel=1e-8)


def test_reproducibility_has_the_interval_that_the_gauge_book_writes_out():
    """Mean squares 19.6333, 2.6951, 0.5111 with 2, 18, 60 degrees of freedom (10 parts, 3 markers,
    3 repeats): the lower end by the book's own G and H coefficients, worked out apart."""
    terms = [
        (1 / 30, MeanSquare(19.6333, 2)),
        (9 / 30, MeanSquare(2.6951, 18)),
        (-1 / 3, MeanSquare(0.5111, 60)),
    ]
    found = combined_variance(terms)
    assert found.value == pytest.approx(1.2926067, rel=1e-7)
    assert found.low == pytest.approx(0.61250313, rel=1e-7)
