"""What a ruling says: the decision rule, both risks, and what footage would decide instead."""

import numpy as np
import pytest
from scipy import stats

from clipmark.audit.knowledge import Chance, CountDrawn, CountFound
from clipmark.audit.ruling import outcome_of, ruling_on
from clipmark.errors import RecordError

U95 = 0.2
U = U95 / stats.norm.ppf(0.975)
GUARD = stats.norm.ppf(0.95) * U  # JCGM 106:2012, 8.3: 1.645 standard uncertainties
BUDGET = [
    {"source": "level reference", "kind": "B", "u_deg": 0.1, "dof": None, "advice": "use a sheet"},
    {"source": "marking", "kind": "A", "u_deg": 0.02, "dof": 8, "advice": "mark it again"},
]


def saved(event, measure, result, **more):
    facts = {
        "frame": 0, "t_s": 0.0, "clip_sha256": "0" * 64, "fingerprint": "0" * 64, "warnings": [],
    }  # fmt: skip
    event.save_attempt(
        {"entry": "Siskin", "test": "ladder", "readings": [
            {"measure": measure, "result": facts | result}], **more},
        by="M. Fell",
    )  # fmt: skip


@pytest.fixture
def board_20(event):
    """20.0 deg, expanded uncertainty 0.2 deg, normal; the inclinometer said 20.1 deg."""
    angle = {"ramp_deg": 20.0, "ramp_u95_deg": U95, "ramp_low95_deg": 20.0 - U95,
             "ramp_high95_deg": 20.0 + U95, "linear": {"ramp_deg": {"dof": None}},
             "budget": {"ramp_deg": BUDGET}}  # fmt: skip
    saved(event, "angle", angle, set_start_deg=20.1, verdict="failed", reason="stalled",
          called_by="R. Aldous")  # fmt: skip
    return event


@pytest.fixture
def stalled_twice(event):
    """One long stall, one that is only just one; the clip is not there."""
    stalls = [
        {"t_s": 1.0, "dwell_s": 0.60, "dwell_u95_s": 0.02, "s_mm": 20.0, "commanded": False},
        {"t_s": 3.0, "dwell_s": 0.155, "dwell_u95_s": 0.02, "s_mm": 60.0, "commanded": False},
    ]
    span = {"first_frame": 0, "last_frame": 300, "first_t_s": 0.0, "last_t_s": 5.0}
    saved(event, "crawl", {"stalls": stalls}, span=span)
    return event


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        (0.95, 0.95, "stands"),
        (0.9499, 0.9499, "cannot decide"),
        (0.0501, 0.0501, "cannot decide"),
        (0.05, 0.05, "falls"),
        (0.96, 1.0, "stands"),
        (0.90, 1.0, "cannot decide"),
        (0.0, 0.04, "falls"),
        (0.0, 0.10, "cannot decide"),
        (0.0, 1.0, "cannot decide"),
    ],
)
def test_a_claim_is_decided_only_where_both_bounds_of_its_probability_decide(low, high, outcome):
    assert outcome_of(Chance(low, high)) == outcome


@pytest.mark.parametrize(
    ("limit", "outcome"),
    [
        (20.0 - 1.05 * GUARD, "stands"),
        (20.0 - 0.95 * GUARD, "cannot decide"),
        (20.0 + 0.95 * GUARD, "cannot decide"),
        (20.0 + 1.05 * GUARD, "falls"),
    ],
)
def test_either_side_of_a_limit_is_guarded_by_1645_standard_uncertainties(board_20, limit, outcome):
    assert ruling_on(board_20, "a0001", f"ramp >= {limit:.6f} deg").ruling.outcome == outcome
    turned = {"stands": "falls", "falls": "stands"}.get(outcome, outcome)
    assert ruling_on(board_20, "a0001", f"ramp <= {limit:.6f} deg").ruling.outcome == turned


def test_the_probability_is_that_of_the_stated_distribution(board_20):
    ruled = ruling_on(board_20, "a0001", "ramp >= 19.95 deg")
    assert ruled.ruling.probability == pytest.approx(stats.norm.cdf(0.05 / U), abs=1e-6)
    assert ruled.distance_u == pytest.approx(0.05 / U, rel=1e-6)


def test_both_risks_are_said(board_20):
    said = " ".join(ruling_on(board_20, "a0001", "ramp >= 19.95 deg").said)
    p = 100 * stats.norm.cdf(0.05 / U)
    assert f"said to stand, it would be wrong with {100 - p:.1f} %" in said
    assert f"said to fall, it would be wrong with {p:.1f} %" in said
    assert "The footage cannot decide whether ramp at least 19.95 deg is true." in said


def test_that_the_draws_could_not_be_made_again_is_said(board_20):
    notes = " ".join(ruling_on(board_20, "a0001", "ramp >= 19 deg").notes)
    assert "the draws could not be made again, so the stated values stand for them" in notes


def test_the_verdict_and_the_inclinometer_stand_beside_the_ruling(board_20):
    beside = " ".join(ruling_on(board_20, "a0001", "ramp >= 19 deg").beside)
    assert "The judge's verdict by R. Aldous is failed, stalled; a ruling leaves it" in beside
    assert "The inclinometer said 20.1 deg at the start; reading and inclinometer agree" in beside


def test_what_would_decide_names_the_largest_contribution_and_its_advice(board_20):
    ruled = ruling_on(board_20, "a0001", "ramp >= 19.9 deg")
    told = " ".join(ruled.would_decide)
    need = 0.1 / stats.norm.ppf(0.95)
    assert (
        f"A standard uncertainty of {need:.2f} deg instead of {U:.2f} deg would decide it" in told
    )
    assert "must come down: level reference: use a sheet" in told
    assert "marking: mark it again" not in told  # small enough as it is


def test_closer_than_footage_can_tell_no_footage_would_decide(board_20):
    told = ruling_on(board_20, "a0001", "ramp >= 19.995 deg").would_decide
    assert told[0].startswith("No footage would decide it")


def test_what_is_decided_asks_for_no_more_footage(board_20):
    assert ruling_on(board_20, "a0001", "ramp >= 19 deg").would_decide == ()


def test_asking_saves_nothing(board_20):
    count = len(board_20.journal.entries)
    ruling_on(board_20, "a0001", "ramp >= 19 deg")
    board_20.journal.refresh()
    assert len(board_20.journal.entries) == count


def test_the_same_question_is_answered_the_same(board_20):
    first, second = (ruling_on(board_20, "a0001", "ramp >= 19.9 deg").to_dict() for _ in range(2))
    assert first == second


def test_an_attempt_that_is_not_there_is_refused(event):
    with pytest.raises(RecordError, match="a0009"):
        ruling_on(event, "a0009", "ramp >= 19 deg")


@pytest.mark.parametrize(
    ("claim", "outcome"),
    [
        ("stalls >= 1", "stands"),  # the long one alone is enough
        ("stalls >= 2", "cannot decide"),  # the short one may be none
        ("stalls <= 0", "falls"),
        ("stalls <= 1", "cannot decide"),
        ("stalls <= 2", "cannot decide"),  # without the clip others may have been missed
        ("stalls <= 9", "cannot decide"),
    ],
)
def test_without_the_clip_a_count_of_stalls_has_no_upper_bound(stalled_twice, claim, outcome):
    ruled = ruling_on(stalled_twice, "a0001", claim)
    assert ruled.ruling.outcome == outcome
    if outcome == "cannot decide":
        assert ruled.would_decide[0].startswith("The clip is needed")


def test_a_count_is_as_probable_as_its_share_of_the_draws():
    counts = np.repeat([0, 1, 2], [10, 70, 20])
    known = CountDrawn(counts, "", 1, 100)
    assert known.chance(1, 2).p == pytest.approx(0.9, abs=0.005)
    assert known.chance(0, 0).p == pytest.approx(0.1, abs=0.005)


def test_what_no_draw_showed_is_still_not_impossible():
    known = CountDrawn(np.ones(100, dtype=np.int64), "", 1, 100)
    assert 0 < known.chance(2, np.inf).p < 0.01


def test_stalls_each_real_with_half_a_chance_are_a_binomial_count():
    chance = CountFound((0.5, 0.5), "").chance(1, np.inf)
    assert chance.low == pytest.approx(0.75)
    assert CountFound((0.5, 0.5), "").chance(0, 1).high == pytest.approx(0.75)
