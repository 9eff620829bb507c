"""A grade follows from a reading and a table; how sure it is follows from the reading's u."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, truncnorm

from clipmark.measure.crawl_terms import CrawlTerms
from clipmark.measure.grading import MEASURES, grade_of, grade_result
from clipmark.measure.values import Value, named
from clipmark.record.readings import beside
from clipmark.record.rule_sheet import GRADED_MEASURES
from clipmark.uncertainty.grades import GradeTable, probabilities

Z95 = norm.ppf(0.975)
RIPPLE = GradeTable("ripple", ((0.03, 5), (0.06, 4), (0.12, 3), (0.25, 2)), 1)


def value(estimate, u):
    return Value(estimate, u, estimate - Z95 * u, estimate + Z95 * u)


@pytest.mark.parametrize(
    ("measure", "settings", "why"),
    [
        ("ripple", {"band_hz": [0.5, 5.0]}, ""),
        (
            "ripple",
            {"band_hz": [0.5, 8.0]},
            "the ripple was taken from 0.5 to 8 Hz, but the rule sheet grades it from 0.5 to 5 Hz; "
            "measure again in that band",
        ),
        ("slowest_speed_mm_s", {"hold_s": 2.0, "band_hz": [1, 2]}, ""),
        (
            "slowest_speed_mm_s",
            {"hold_s": 1.0},
            "the slowest speed was held for 1 s, but the rule sheet asks for 2 s; measure again "
            "with that hold time",
        ),
        ("start_jump", {"hold_s": 1.0, "band_hz": [1, 2]}, ""),
        ("ripple", {}, ""),
    ],
)
def test_a_value_taken_on_other_terms_than_the_rules_has_no_grade(measure, settings, why):
    """Values that know no band and no hold time are graded whatever these were."""
    result = {measure: 0.05, f"{beside(measure, 'low95')}": 0.04, beside(measure, "high95"): 0.06}
    table = GradeTable(measure, ((0.1, 3),), 1)
    found = grade_result(
        {**result, "settings": settings}, table, "creep", CrawlTerms(2.0, (0.5, 5.0))
    )
    assert found["grade"] == (None if why else 3)
    assert (found["said"] == f"No grade: {why}.") == bool(why)


def test_a_grade_holds_strictly_below_its_limit():
    assert [RIPPLE.grade_at(x) for x in (0.0, 0.0299, 0.03, 0.0601, 0.12, 0.249, 0.25, 9)] == [
        5, 5, 4, 3, 2, 2, 1, 1,
    ]  # fmt: skip


def test_where_more_is_better_a_grade_holds_strictly_above_its_limit():
    table = GradeTable("sparc", ((-1.5, 3), (-2.0, 2)), 1, more_is_better=True)
    assert [table.grade_at(x) for x in (-1.4, -1.5, -1.9, -2.0, -5)] == [3, 2, 2, 1, 1]


def test_the_published_two_sided_conformance_probability():
    """JCGM 106:2012, 7.4: y = 13.6, u = 1.8 between 12.5 and 16.3."""
    table = GradeTable("roll_off_mm", ((12.5, 3), (16.3, 2)), 1)
    assert grade_of(value(13.6, 1.8), table).p[2] == pytest.approx(0.66263, abs=1e-5)
    upward = GradeTable("roll_off_mm", ((16.3, 3), (12.5, 2)), 1, more_is_better=True)
    assert grade_of(value(13.6, 1.8), upward).p[2] == pytest.approx(0.66263, abs=1e-5)


def test_the_published_one_sided_conformance_probability():
    """JCGM 106:2012, the Zener diode of 8.3: y = -5.47 V, u = 0.05 V, at most -5.40 V."""
    table = GradeTable("ldlj", ((-5.40, 2),), 1)
    assert grade_of(value(-5.47, 0.05), table).p[2] == pytest.approx(0.919243, abs=1e-6)


@given(
    mean=st.floats(-2, 2),
    u=st.floats(1e-3, 2),
    limits=st.lists(st.floats(-2, 2), min_size=1, max_size=5, unique=True),
    upward=st.booleans(),
)
def test_probabilities_are_those_of_the_normal_distribution_by_another_library(
    mean, u, limits, upward
):
    ordered = sorted(limits, reverse=upward)
    steps = tuple((limit, float(10 - n)) for n, limit in enumerate(ordered))
    found = probabilities(GradeTable("ldlj", steps, 0.0, upward), mean, u)
    edges = np.array([-np.inf, *sorted(limits), np.inf])
    expected = np.diff(norm.cdf(edges, mean, u))
    np.testing.assert_allclose(found, expected[::-1] if upward else expected, atol=1e-12)
    assert math.fsum(found) == pytest.approx(1, abs=1e-12)


@given(mean=st.floats(0, 0.4), u=st.floats(1e-4, 0.5), upward=st.booleans())
def test_what_cannot_be_below_0_has_no_probability_there(mean, u, upward):
    """Against the truncated normal of another library."""
    steps = ((0.25, 5.0), (0.12, 4.0)) if upward else ((0.12, 5.0), (0.25, 4.0))
    found = probabilities(GradeTable("ripple", steps, 1.0, upward), mean, u, 0.0)
    edges = np.array([0.0, 0.12, 0.25, np.inf])
    expected = np.diff(truncnorm.cdf(edges, -mean / u, np.inf, mean, u))
    np.testing.assert_allclose(found, expected[::-1] if upward else expected, atol=1e-9)


def test_a_value_of_0_spreads_to_one_side_only():
    """Half-normal, worked by hand: erf(1 / sqrt 2) lies within one u."""
    found = grade_of(Value(0.0, 0.03, 0.0, Z95 * 0.03), RIPPLE)
    assert found.p[5] == pytest.approx(math.erf(1 / math.sqrt(2)), abs=1e-12)


def test_the_neighbour_that_may_hold_is_named_with_its_probability():
    """0.058 and u = 0.004: Phi(0.5) = 0.6915 lies below 0.06."""
    found = grade_of(value(0.058, 0.004), RIPPLE)
    assert found.grade == 4
    assert found.p[4] == pytest.approx(norm.cdf(0.5), abs=1e-6)
    assert found.worse == (3, pytest.approx(norm.sf(0.5), abs=1e-6))
    assert found.said == (
        "Grade 4, with 69 %: ripple 0.0580, 0.0502 to 0.0658 (95 %). Grade 3, the next worse, has "
        "31 %: the footage does not settle it."
    )


def test_a_neighbour_of_5_percent_or_less_is_not_held_against_the_grade():
    found = grade_of(value(0.045, 0.004), RIPPLE)
    assert found.said == "Grade 4, with more than 99 %: ripple 0.0450, 0.0372 to 0.0528 (95 %)."
    assert found.better is not None
    assert found.better[0] == 5


def test_both_neighbours_are_named_where_both_may_hold():
    said = grade_of(value(0.045, 0.012), RIPPLE).said
    assert "Grade 5, the next better, has 11 % and grade 3, the next worse, has 11 %" in said


def result(estimate, low, high, **more):
    u95 = (high - low) / 2
    return {
        "ripple": estimate, "ripple_u95": u95, "ripple_low95": low, "ripple_high95": high,
        "ripple_below_noise_floor": False, **more,
    }  # fmt: skip


def test_a_reading_in_its_json_form_gives_the_grade_of_the_value_itself():
    measured = value(0.058, 0.004)
    found = grade_result(result(0.058, measured.low95, measured.high95), RIPPLE, "creep")
    assert (found["test"], found["measure"], found["grade"]) == ("creep", "ripple", 4)
    assert found["p"] == {"5": 0.0, "4": 0.691462, "3": 0.308538, "2": 0.0, "1": 0.0}
    assert found["said"] == grade_of(measured, RIPPLE).said


@pytest.mark.parametrize(
    ("name", "unit", "key"),
    [("rollback", "mm", "rollback_mm"), ("slowest_speed", "mm_s", "slowest_speed_mm_s"),
     ("start_jump", "", "start_jump"), ("start_delay", "s", "start_delay_s"),
     ("sparc", "", "sparc")],
)  # fmt: skip
def test_a_value_is_found_under_the_names_that_values_carry(name, unit, key):
    table = GradeTable(key, ((3.0, 2),), 1)
    found = grade_result(named(name, unit, value(2.0, 0.1)), table, "creep")
    assert found["grade"] == 2


def test_a_value_that_is_not_told_gives_no_grade_but_a_sentence():
    table = GradeTable("start_jump", ((1.2, 3),), 1)
    assert grade_result({"start_jump": None}, table, "creep") == {
        "test": "creep", "measure": "start_jump", "grade": None, "p": None,
        "said": "No grade: the start jump is not told.",
    }  # fmt: skip


def test_a_ripple_below_its_floor_gives_the_best_grade_that_is_certain():
    """At most 0.055 at 95 %: certainly below 0.06, perhaps below 0.03."""
    found = grade_result(result(0.01, 0.0, 0.055, ripple_below_noise_floor=True), RIPPLE, "creep")
    assert found["grade"] == 4
    u = (0.055 - 0.01) / Z95
    expected = np.diff(truncnorm.cdf([0, 0.03, 0.06], -0.01 / u, np.inf, 0.01, u))
    assert [found["p"]["5"], found["p"]["4"]] == pytest.approx(expected, abs=1e-6)
    assert found["p"]["5"] + found["p"]["4"] >= 0.95
    assert found["said"] == (
        "Grade 4 is certain at 95 %: the ripple is below the noise floor, at most 0.055 (95 %). It "
        "may be better, with 71 %, which this footage cannot show."
    )


def test_noise_above_every_limit_gives_no_grade():
    """A truck is not given the last grade for poor footage."""
    found = grade_result(result(0.1, 0.0, 0.4, ripple_below_noise_floor=True), RIPPLE, "creep")
    assert found["grade"] is None
    assert found["p"] is not None
    assert found["said"] == (
        "No grade: the ripple is below the noise floor, at most 0.40 (95 %), which every grade of "
        "the table allows; only steadier or sharper footage can tell."
    )


def test_stalls_are_counted_and_stops_that_were_asked_for_are_not():
    table = GradeTable("stalls", ((1, 5), (2, 4), (4, 3)), 1)
    seen = [{"t_s": 1.0}, {"t_s": 2.0, "commanded": False}, {"t_s": 5.0, "commanded": True}]
    found = grade_result({"stalls": seen}, table, "creep")
    assert found["grade"] == 3
    assert found["said"] == "Grade 3, with 100 %: count of stalls 2."
    assert grade_result({"stalls": None}, table, "creep")["said"] == (
        "No grade: this footage cannot tell stalls."
    )


def test_stated_probabilities_come_true():
    """20 000 trucks of one true ripple each, read with u: grades come as often as was said.

    The reading is drawn around the truth; what was said of each grade, averaged over readings, is
    compared with how often that grade was true, for truths spread evenly (a flat prior, which is
    what the normal distribution around the reading stands for). 20 000 draws are good to 0.7 %.
    """
    rng = np.random.default_rng(20_261)
    true = rng.uniform(-0.1, 0.5, 20_000)
    read = true + rng.normal(0, 0.02, true.size)
    inside = (read > 0.02) & (read < 0.28)
    table = GradeTable("ldlj", RIPPLE.steps, RIPPLE.otherwise)
    said = np.array([list(grade_of(value(x, 0.02), table).p.values()) for x in read[inside]])
    grades = np.array([table.grade_at(x) for x in true[inside]])
    held = [np.mean(grades == grade) for grade in table.grades]
    assert said.mean(axis=0) == pytest.approx(held, abs=0.015)


def test_the_rule_sheet_knows_the_measures_that_can_be_graded():
    assert tuple(MEASURES) == GRADED_MEASURES


@pytest.mark.parametrize(
    ("steps", "otherwise", "upward", "reason"),
    [
        ((), 1, False, "it holds no step"),
        (((0.06, 5), (0.03, 4)), 1, False, "the limits must rise .* 0.03 comes after 0.06"),
        (((0.03, 5), (0.06, 4)), 1, True, "the limits must fall .* 0.06 comes after 0.03"),
        (((0.03, 5), (0.06, 5)), 1, False, "the grades must run .* 5 comes after 5"),
        (((0.03, 5), (0.06, 4)), 4, False, "4 comes after 4"),
        (((math.inf, 5),), 1, False, "finite"),
    ],
)
def test_a_table_that_means_nothing_is_refused(steps, otherwise, upward, reason):
    with pytest.raises(ValueError, match=reason):
        GradeTable("ripple", steps, otherwise, upward)


def test_grades_may_rise_where_1_is_the_best():
    assert GradeTable("ripple", ((0.03, 1), (0.06, 2)), 6).grade_at(0.05) == 2
