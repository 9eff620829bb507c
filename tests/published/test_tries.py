"""Climbing limits from tries.

Up-and-down: W. J. Dixon, A. M. Mood, J. Am. Stat. Assoc. 43 (1948) 109-126, formulas from memory;
a worked run of 20 tries whose figures were computed apart from this code. Probit and logit
against statsmodels; exact bounds: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from clipmark.uncertainty.tries import (
    CHI2_95,
    Tries,
    fit_limit,
    least_share,
    pass_probability,
    up_and_down,
)

RUN = "43P 44P 45F 44P 45P 46F 45F 44P 45P 46F 45P 46F 45F 44F 43P 44P 45F 44P 45P 46F"
TRIES = Tries.of([float(t[:2]) for t in RUN.split()], [t[2] == "P" for t in RUN.split()])


def test_up_and_down_gives_the_limit_and_spread_of_the_worked_run():
    found = up_and_down(TRIES)
    assert found.counted == "failures"
    assert round(found.limit, 2) == 44.83
    assert round(found.spread, 2) == 0.77


def test_counting_passes_instead_of_failures_gives_the_other_worked_limit():
    """As if the rarer outcome were a pass: the mirrored run."""
    mirrored = Tries.of(-TRIES.levels, ~TRIES.passed)
    assert up_and_down(mirrored).limit == pytest.approx(-up_and_down(TRIES).limit, abs=1e-12)


@pytest.mark.parametrize(
    ("link", "limit", "low", "high"),
    [("probit", 44.86, 44.28, 45.54), ("logit", 44.88, 44.29, 45.55)],
)
def test_likelihood_gives_the_worked_limit_and_profile_interval(link, limit, low, high):
    found = fit_limit(TRIES, link=link)
    assert found.limit is not None
    assert (round(found.limit, 2), round(found.low95, 2), round(found.high95, 2)) == (
        limit,
        low,
        high,
    )


def test_the_angle_passed_nine_times_in_ten_is_that_of_the_worked_run():
    found = fit_limit(TRIES, share=0.9)
    assert found.limit is not None
    assert round(found.limit, 1) == 43.9
    assert round(found.spread or 0, 2) == 0.72


LINKS = {"probit": sm.families.links.Probit(), "logit": sm.families.links.Logit()}


def glm(tries, link, design):
    family = sm.families.Binomial(link=LINKS[link])
    return sm.GLM(tries.passed.astype(float), design, family=family).fit(tol=1e-14, maxiter=200)


@pytest.mark.parametrize("link", ["probit", "logit"])
def test_estimates_are_those_of_statsmodels(link):
    fitted = glm(TRIES, link, sm.add_constant(TRIES.levels))
    a, b = fitted.params
    found = fit_limit(TRIES, link=link)
    assert found.limit == pytest.approx(-a / b, abs=1e-6)
    assert found.spread == pytest.approx(-1 / b, rel=1e-5)
    assert found.log_likelihood == pytest.approx(fitted.llf, abs=1e-9)


@pytest.mark.parametrize("link", ["probit", "logit"])
def test_at_the_ends_of_the_interval_statsmodels_finds_the_same_loss_of_likelihood(link):
    """A curve forced through half at the end of the interval: one slope, no constant."""
    found = fit_limit(TRIES, link=link)
    for end in (found.low95, found.high95):
        forced = glm(TRIES, link, (TRIES.levels - end)[:, None])
        assert 2 * (found.log_likelihood - forced.llf) == pytest.approx(CHI2_95, abs=1e-6)


def test_passes_below_all_failures_give_a_bracket_and_no_slope():
    found = fit_limit(Tries.of([43, 44, 45, 46, 45, 46], [True, True, True, False, True, False]))
    assert found.bracket == (45.0, 46.0)
    assert found.limit is None
    assert found.low95 < 45 < 46 < found.high95


def test_the_penalty_gives_a_limit_where_passes_and_failures_do_not_overlap():
    run = Tries.of([43, 44, 45, 46, 45, 46], [True, True, True, False, True, False])
    found = fit_limit(run, penalised=True)
    assert found.limit is not None
    assert 45 < found.limit < 46
    assert found.low95 < 45 < 46 < found.high95


def test_the_penalised_logit_maximises_the_published_penalised_likelihood():
    """Firth 1993: the score is corrected by leverage times (1/2 - p), here set to zero."""
    found = fit_limit(TRIES, link="logit", penalised=True)
    assert found.limit is not None
    assert found.spread is not None
    design = np.stack([np.ones(20), TRIES.levels - found.limit], axis=1)
    p = 1 / (1 + np.exp((TRIES.levels - found.limit) / found.spread))
    w = p * (1 - p)
    inverse = np.linalg.inv(design.T @ (w[:, None] * design))
    leverage = w * np.einsum("ij,jk,ik->i", design, inverse, design)
    score = design.T @ (TRIES.passed - p + leverage * (0.5 - p))
    assert np.abs(score).max() < 1e-4


@pytest.mark.parametrize(
    ("passed", "tried", "least"),
    [(5, 5, 0.05 ** (1 / 5)), (3, 3, 0.05 ** (1 / 3)), (0, 4, 0.0), (9, 10, 0.6058)],
)
def test_what_passes_prove_is_the_exact_one_sided_bound(passed, tried, least):
    """n of n: 0.05^(1/n), by hand; 9 of 10: 0.6058, from tables, from memory."""
    assert least_share(passed, tried) == pytest.approx(least, abs=5e-5)


@settings(max_examples=10, deadline=None)
@given(st.floats(-30, 60), st.floats(0.2, 5), st.integers(0, 10**6))
def test_moving_and_stretching_the_steps_moves_and_stretches_the_limit(shift, stretch, seed):
    rng = np.random.default_rng(seed)
    levels = np.repeat([43.0, 44.0, 45.0, 46.0], 4)
    passed = rng.random(16) < [pass_probability(level, 44.6, 0.8) for level in levels]
    try:
        plain = fit_limit(Tries.of(levels, passed))
    except ValueError:
        return
    moved = fit_limit(Tries.of(shift + stretch * levels, passed))
    for a, b in ((plain.limit, moved.limit), (plain.low95, moved.low95)):
        if a is None or not np.isfinite(a):
            assert b == a
        else:
            assert b == pytest.approx(shift + stretch * a, abs=1e-4 * stretch)


@pytest.mark.parametrize(
    ("levels", "passed", "reason"),
    [
        ([44, 45], [True, True], "every try was passed, so there is only a bound on the limit"),
        ([45, 45], [True, False], "only one step was tried"),
        ([44, 45, 44, 45], [False, True, False, True], "harder steps were not failed more often"),
    ],
)
def test_tries_that_tell_no_limit_are_refused_with_the_reason(levels, passed, reason):
    with pytest.raises(ValueError, match=reason):
        fit_limit(Tries.of(levels, passed))


def test_a_run_that_breaks_the_rule_is_refused_with_the_try():
    with pytest.raises(ValueError, match="try 3 does not stand one step above"):
        up_and_down(Tries.of([43, 44, 44, 45], [True, True, True, False]))
