"""A study of markers says what they can tell apart, and what it cannot say yet.

Markings are drawn from known truth (`study_kit`): every marker's scatter, bias and stated
uncertainty is known.
"""

import json

import pytest

from clipmark.audit.markings import gather
from clipmark.audit.study import study_value, study_verdicts
from clipmark.audit.study_out import value_out, verdict_out
from clipmark.audit.study_words import Step, smallest_step, verdict_words, words_of
from clipmark.errors import AuditError
from clipmark.record.rule_sheet import read_rule_sheet, rule_sheet_of
from tests.audit import study_kit as kit

LADDER = Step(1.0, "the ladder 'rough'")


def starting(words, start):
    """The one sentence that starts so."""
    found = [item for item in words if item.startswith(start)]
    assert len(found) == 1, words
    return found[0]


# --- gathering ---------------------------------------------------------------------------------


def test_original_and_blind_markings_stand_together_by_attempt_and_marker(tmp_path):
    drawn = {"attempts": 3, "blind": ("Marsh", "Brook"), "showings": 2}
    found = gather(kit.drawn_event(tmp_path / "event", **drawn))
    assert found == kit.drawn_markings(**drawn)
    assert found.attempts == ("a0001", "a0002", "a0003")
    assert found.markers == ("Fell", "Marsh", "Brook")
    assert [item.blind for item in found.of("a0002")] == [False, True, True, True, True]
    assert len(found.of("a0002", "Brook")) == 2
    assert found.values() == ("ramp_deg",)


def test_values_come_in_the_order_of_their_measure_headlines_first(tmp_path):
    """The journal keeps keys in alphabetical order: chassis before ramp."""
    read = kit.reading(34.0)
    for name in ("", "_u95", "_low95", "_high95"):
        value = read["result"][f"ramp{name}_deg"]
        read["result"] = {f"chassis{name}_deg": value} | read["result"]
    event = kit.new_event(tmp_path / "event")
    id_ = event.save_attempt(kit.attempt(34.0) | {"readings": [read]}, by="Fell").id
    kit.save_blind(event, "b001", "Marsh", [(id_, 1, 34.1, None, {})])
    body = event.newest_body("blind", "b001-001") | {"readings": [read]}
    event.save_record("blind", body, by="Marsh", id="b001-001", base_revision=1)
    assert gather(event).values() == ("ramp_deg", "chassis_deg")


def test_a_session_that_is_not_closed_is_not_compared(tmp_path):
    event = kit.new_event(tmp_path / "event")
    name = event.save_attempt(kit.attempt(34.0), by="Fell").id
    kit.save_blind(event, "b001", "Marsh", [(name, 1, 34.1, None, {})], closed=False)
    with pytest.raises(AuditError, match="session b001 is still open, and nothing is compared"):
        gather(event)
    kit.save_blind(event, "b002", "Brook", [(name, 1, 34.1, None, {})])
    found = gather(event)
    assert found.markers == ("Fell", "Brook")
    assert found.notes == ("the blind session b001 by Marsh is still open: left out",)


def test_without_a_blind_marker_there_is_nothing_to_study(tmp_path):
    event = kit.new_event(tmp_path / "event")
    event.save_attempt(kit.attempt(34.0), by="Fell")
    with pytest.raises(AuditError, match="let a second person mark the attempts"):
        gather(event)


def test_the_original_is_the_revision_that_the_blind_plan_names(tmp_path):
    """A later correction is another reading; what was compared stays compared."""
    event = kit.new_event(tmp_path / "event")
    name = event.save_attempt(kit.attempt(34.0), by="Fell").id
    kit.save_blind(event, "b001", "Marsh", [(name, 1, 34.1, None, {})])
    event.save_attempt(kit.attempt(39.0), by="Fell", id=name, base_revision=1)
    assert gather(event).of(name, "Fell")[0].number("ramp_deg") == 34.0


def test_what_could_not_be_marked_is_left_out_and_said(tmp_path):
    event = kit.new_event(tmp_path / "event")
    name = event.save_attempt(kit.attempt(34.0), by="Fell").id
    rows = [(name, 1, 34.1, None, {}), (name, 2, None, None, {})]
    kit.save_blind(event, "b001", "Marsh", rows)
    found = gather(event)
    assert len(found.of(name, "Marsh")) == 1
    assert found.notes == ("1 of 2 items could not be marked: left out",)


def test_the_first_marker_who_marks_again_blind_repeats_himself(tmp_path):
    """One person, whatever the capitals: original and blind marking are two repeats."""
    found = gather(kit.drawn_event(tmp_path / "event", attempts=4, blind=("fell", "Marsh")))
    assert found.markers == ("Fell", "Marsh")
    study = study_value(found, "ramp_deg")
    assert list(study.repeats) == ["Fell"]
    assert study.missing(2) == {"Marsh": 4}


# --- what a study gives ------------------------------------------------------------------------


def test_one_blind_marker_gives_limits_icc_and_a_study_without_repeats():
    study = study_value(kit.drawn_markings(), "ramp_deg")
    assert study.pairs[0].limits.n == 8
    assert study.icc.markers == 2
    assert (study.gauge.parts, study.gauge.markers, study.gauge.repeats) == (8, 2, 1)
    assert study.ranges is None
    assert starting(words_of(study), "the gauge study rests on").endswith(
        "every attempt must be marked twice by everybody: 16 more markings (Fell 8, Marsh 8)"
    )


def test_repeats_of_blind_markers_make_a_whole_gauge_study_without_the_first_marker():
    study = study_value(kit.drawn_markings(blind=("Marsh", "Brook"), showings=2), "ramp_deg")
    assert study.gauge_markers == ("Marsh", "Brook")
    assert study.gauge.repeats == 2
    assert study.ranges is not None
    assert study.across_markers == ("Fell", "Marsh", "Brook")
    assert study.missing(2) == {"Fell": 8}


def test_with_everybody_twice_nothing_is_missing():
    study = study_value(
        kit.drawn_markings(attempts=4, blind=("Fell", "Marsh"), showings=2), "ramp_deg"
    )
    assert study.gauge.repeats == 2
    assert study.missing(2) == {}
    assert not any("must be marked twice" in item for item in words_of(study))


def test_two_attempts_are_too_few_for_limits_and_it_says_how_many_more():
    study = study_value(kit.drawn_markings(attempts=2), "ramp_deg")
    assert study.pairs[0].limits is None
    assert study.pairs[0].why_not == (
        "Fell and Marsh both marked 2 attempts, and limits of agreement need 3; 1 more marked by "
        "both"
    )


def test_a_single_attempt_allows_no_statistics_but_is_no_defect():
    study = study_value(kit.drawn_markings(attempts=1), "ramp_deg")
    assert (study.icc, study.gauge, study.ranges) == (None, None, None)
    assert words_of(study)[0] == (
        "how far markings by different people lie apart cannot be told: no two attempts were "
        "marked by the same two people"
    )
    json.dumps(value_out(study), allow_nan=False)


def test_an_attempt_that_one_did_not_mark_is_left_out_of_the_table_and_said(tmp_path):
    event = kit.new_event(tmp_path / "event")
    truth = [31.0, 33.0, 35.0, 37.0]
    names = [event.save_attempt(kit.attempt(x), by="Fell").id for x in truth]
    rows = [(name, 1, x + 0.05 * (-1) ** k, None, {"mark": 5.0})
            for k, (name, x) in enumerate(zip(names, truth, strict=True))]  # fmt: skip
    kit.save_blind(event, "b001", "Marsh", rows)
    kit.save_blind(event, "b002", "Brook", rows[:3])
    study = study_value(gather(event), "ramp_deg")
    assert study.icc_attempts == tuple(names[:3])
    assert "1 attempt that somebody did not mark left out" in starting(words_of(study), "ICC(2,1)")
    assert study.gauge_attempts == tuple(names[:3])
    assert len(study.gauge_markers) == 3


def test_markers_who_agree_to_the_digit_are_no_defect(tmp_path):
    event = kit.new_event(tmp_path / "event")
    names = [event.save_attempt(kit.attempt(34.0), by="Fell").id for _ in range(3)]
    kit.save_blind(event, "b001", "Marsh", [(name, 1, 34.0, "cleared", {}) for name in names])
    study = study_value(gather(event), "ramp_deg")
    assert study.icc is None
    json.dumps(value_out(study, LADDER), allow_nan=False)
    assert (
        "tell the closest steps of the ladder 'rough' apart (1 deg)" in words_of(study, LADDER)[1]
    )


# --- what it says ------------------------------------------------------------------------------


def test_many_markers_with_small_scatter_tell_the_steps_of_the_ladder_apart():
    study = study_value(
        kit.drawn_markings(attempts=12, blind=("Marsh", "Brook", "Dunn", "Hale")), "ramp_deg"
    )
    limit = study.across.reproducibility_limit
    assert limit.low < 1.96 * 2**0.5 * 0.05 < limit.high
    assert words_of(study, LADDER)[1] == (
        "markings by different people tell the closest steps of the ladder 'rough' apart (1 deg)"
    )


def test_markers_far_apart_do_not_tell_the_steps_apart():
    found = kit.drawn_markings(attempts=10, blind=("Marsh", "Brook", "Dunn", "Hale"), scatter=20.0)
    words = words_of(study_value(found, "ramp_deg"), LADDER)
    assert words[1] == (
        "markings by different people do not tell the closest steps of the ladder 'rough' apart "
        "(1 deg)"
    )


def test_two_markers_alone_cannot_settle_it_and_are_told_how_many_would():
    words = words_of(study_value(kit.drawn_markings(), "ramp_deg"), LADDER)
    assert words[1] == (
        "whether markings by different people tell the closest steps of the ladder 'rough' apart "
        "(1 deg) cannot be said yet; with scatter as found, 3 markers of 8 attempts would settle it"
    )


@pytest.mark.parametrize(
    ("scatter", "attempts", "verdict"),
    [
        (0.5, 20, "the stated uncertainty covers how people mark"),
        (4.0, 8, "the stated uncertainty does not cover how differently people mark"),
        (1.0, 3, "whether it covers how people mark cannot be told yet; about"),
    ],
)
def test_whether_the_stated_marking_part_covers_the_scatter(scatter, attempts, verdict):
    study = study_value(kit.drawn_markings(scatter=scatter, attempts=attempts), "ramp_deg")
    assert study.scatter.stated_u == pytest.approx(0.05)
    assert study.scatter.dof == attempts
    assert study.scatter.ratio.low < scatter < study.scatter.ratio.high
    assert verdict in starting(words_of(study), "the markings scatter by")


def test_a_biased_marker_is_named_with_the_size_and_found_at_odds():
    study = study_value(kit.drawn_markings(bias=(0.0, 0.3)), "ramp_deg")
    told = value_out(study)["pairs"][0]
    assert told["words"][0].startswith("Fell reads less than Marsh: by 0.2")
    assert told["bias_low95_deg"] < -0.3 < told["bias_high95_deg"]
    assert told["compared"] == 8
    assert told["at_odds"] > 6


def test_lens_and_level_that_both_share_do_not_excuse_a_difference():
    """0.25 deg apart with u = 0.05 each of their own, 0.16 shared: at odds; kind would be agree."""
    found = kit.drawn_markings(attempts=3, bias=(0.0, 0.25), scatter=0.0)
    pair = study_value(found, "ramp_deg").pairs[0]
    assert (pair.compared, pair.at_odds) == (3, 3)


def test_a_truck_on_its_roof_does_not_scatter_by_a_whole_turn(tmp_path):
    """Angles about 180 deg: markings on either side of the turn lie close together."""
    event = kit.new_event(tmp_path / "event")
    names = [event.save_attempt(kit.attempt(179.95), by="Fell").id for _ in range(3)]
    kit.save_blind(
        event, "b001", "Marsh", [(n, 1, -179.95 + 0.02 * k, None, {}) for k, n in enumerate(names)]
    )
    limits = study_value(gather(event), "ramp_deg").pairs[0].limits
    assert limits.bias.value == pytest.approx(-0.12)


def test_markings_on_another_frame_are_said(tmp_path):
    event = kit.new_event(tmp_path / "event")
    name = event.save_attempt(kit.attempt(34.0), by="Fell").id
    kit.save_blind(event, "b001", "Marsh", [(name, 1, 34.1, None, {"frame": 12})])
    words = words_of(study_value(gather(event), "ramp_deg"))
    assert words[-1].startswith("1 blind marking set on another frame than the original")


# --- verdicts ----------------------------------------------------------------------------------


def judged(tmp_path, first, second):
    event = kit.new_event(tmp_path / "event")
    names = [
        event.save_attempt(kit.attempt(34.0 + k, verdict=verdict), by="Fell").id
        for k, verdict in enumerate(first)
    ]
    rows = [(name, 1, 34.0, verdict, {}) for name, verdict in zip(names, second, strict=True)]
    kit.save_blind(event, "b001", "Marsh", rows)
    return study_verdicts(gather(event))[0]


def test_verdicts_have_their_table_kappa_and_interval(tmp_path):
    first = ["cleared"] * 10 + ["failed"] * 10
    second = ["cleared"] * 8 + ["failed"] * 2 + ["failed"] * 9 + ["cleared"]
    study = judged(tmp_path, first, second)
    out = verdict_out(study)
    assert out["classes"] == ["cleared", "failed"]
    assert out["counts"] == [[8, 2], [1, 9]]
    assert out["kappa"] == pytest.approx(0.7)
    assert verdict_words(study)[1].startswith("beyond chance: kappa 0.70 (95 % interval 0.39 to 1")


def test_all_in_one_class_has_its_table_and_the_reason_why_no_kappa(tmp_path):
    out = verdict_out(judged(tmp_path, ["cleared"] * 5, ["cleared"] * 5))
    assert out["counts"] == [[5]]
    assert (out["kappa"], out["kappa_low95"]) == (None, None)
    assert out["words"][1] == (
        "no kappa: all verdicts lie in one class, so agreement beyond chance is 0/0; the table "
        "alone says what there is"
    )


def test_one_who_always_says_the_same_agrees_no_more_than_chance(tmp_path):
    study = judged(tmp_path, ["cleared"] * 5, ["cleared"] * 4 + ["failed"])
    assert verdict_words(study)[1].startswith("kappa is 0.00 without an interval")


# --- steps -------------------------------------------------------------------------------------


def test_the_closest_rungs_count_and_only_of_tests_that_were_marked(tmp_path):
    sheet = rule_sheet_of(
        kit.SHEET
        + '[[test]]\nid = "fine"\nkind = "ladder"\nsteps_deg = [30, 30.5]\n'
        + '[[test]]\nid = "creep"\nkind = "smoothness"\nmeasure = "ripple"\n'
        + "grade_below = [[0.03, 5], [0.06, 4], [0.1, 3]]\ngrade_else = 1\n"
    )
    both = frozenset({"rough", "creep"})
    assert smallest_step(sheet, both, "ramp_deg") == Step(1.0, "the ladder 'rough'")
    assert smallest_step(sheet, both | {"fine"}, "ramp_deg").size == 0.5
    assert smallest_step(sheet, both, "ripple").size == pytest.approx(0.03)
    assert smallest_step(sheet, both, "ripple").of == "the grades of 'creep'"
    assert smallest_step(sheet, both, "chassis_deg") is None
    kit.new_event(tmp_path / "event")
    steps = smallest_step(read_rule_sheet(tmp_path / "event"), both, "ramp_deg")
    assert steps == Step(1.0, "the ladder 'rough'")
