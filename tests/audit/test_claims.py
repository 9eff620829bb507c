"""Reading a claim and finding what it is about; refusals say what to do instead."""

import math

import pytest

from clipmark.audit.claims import ask, parse_claim
from clipmark.errors import AuditError
from clipmark.record.models import Attempt

TAKEN = {
    "frame": 0, "t_s": 0.0, "clip_sha256": "0" * 64, "fingerprint": "0" * 64, "warnings": [],
}  # fmt: skip
ANGLE = {
    "ramp_deg": -20.0, "ramp_u95_deg": 0.2, "ramp_low95_deg": -20.3, "ramp_high95_deg": -19.8,
    "chassis_deg": 4.0, "chassis_u95_deg": 0.3, "chassis_low95_deg": 3.7, "chassis_high95_deg": 4.3,
}  # fmt: skip
CRAWL = {
    "mean_speed_mm_s": 42.0, "mean_speed_u95_mm_s": 1.0,
    "mean_speed_low95_mm_s": 41.0, "mean_speed_high95_mm_s": 43.0,
    "ripple": 0.12, "ripple_u95": 0.02, "ripple_low95": 0.10, "ripple_high95": 0.14,
    "rollback_mm": 3.0, "rollback_u95_mm": 1.0, "rollback_low95_mm": 2.0, "rollback_high95_mm": 4.0,
    "stalls": [
        {"t_s": 1.5, "dwell_s": 0.30, "dwell_u95_s": 0.03, "s_mm": 40.0, "commanded": False},
        {"t_s": 3.0, "dwell_s": 1.10, "dwell_u95_s": 0.03, "s_mm": 90.0, "commanded": True},
    ],
    "slip": [{"wheel": 1, "driving": 0.1, "driving_low95": 0.05, "driving_high95": 0.15}],
}  # fmt: skip
ATTEMPT = Attempt.model_validate(
    {
        "entry": "Siskin",
        "test": "ladder",
        "readings": [
            {"measure": "angle", "result": TAKEN | ANGLE},
            {"measure": "crawl", "result": TAKEN | CRAWL},
        ],
    }
)


def asked(text):
    return ask("a0001", ATTEMPT, parse_claim(text))


def refusal(text):
    with pytest.raises(AuditError) as caught:
        asked(text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "relation"),
    [
        ("ramp >= 20 deg", "at least"),
        ("ramp ≥ 20 deg", "at least"),
        ("ramp at least 20°", "at least"),
        ("ramp<=20deg", "at most"),
        ("ramp > 20 degrees", "above"),
        ("ramp below 20 deg", "below"),
        ("ramp = 20 deg", "equal to"),
        ("ramp equal to 20 deg", "equal to"),
    ],
)
def test_a_relation_may_be_a_sign_or_its_words(text, relation):
    claim = parse_claim(text, by="Brook")
    assert (claim.measure, claim.relation, claim.value) == ("ramp", relation, 20.0)
    assert (claim.unit, claim.by) == ("deg", "Brook")


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("mean speed >= 41.5 mm/s", 41.5),
        ("mean speed >= 4.15 cm/s", 41.5),
        ("mean_speed >= 0.0415 m/s", 41.5),
        ("rollback <= 0.3 cm", 3.0),
        ("longest stall <= 250 ms", 0.25),
        ("ripple <= 12 %", 0.12),
        ("ripple <= 0.12", 0.12),
        ("chassis >= \N{MINUS SIGN}2 deg", -2.0),
    ],
)
def test_a_claim_in_another_unit_asks_the_same_of_the_reading(text, limit):
    assert asked(text).limit == pytest.approx(limit, rel=1e-12)


def test_a_claim_is_kept_in_the_unit_it_was_handed_in():
    claim = asked("Mean-Speed >= 4.15 cm/s").claim
    assert (claim.measure, claim.value, claim.unit) == ("mean speed", 4.15, "cm/s")


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("ramp = 20 deg", 19.5, 20.5),
        ("ramp = 20.0 deg", 19.95, 20.05),
        ("mean speed = 4.2 cm/s", 41.5, 42.5),
        ("mean speed = 4e1 mm/s", 35.0, 45.0),
    ],
)
def test_an_equality_means_the_digits_that_were_written(text, low, high):
    found = asked(text)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("stalls <= 2", 0, 2),
        ("stalls < 2", 0, 1),
        ("stalls >= 2", 2, math.inf),
        ("stalls > 2", 3, math.inf),
        ("stalls = 2", 2, 2),
    ],
)
def test_more_than_a_count_begins_at_the_next_one(text, low, high):
    found = asked(text)
    assert (found.low, found.high) == (low, high)


def test_a_board_that_leans_the_other_way_in_the_picture_is_as_steep():
    found = asked("ramp >= 19 deg").quantity
    assert (found.value, found.low95, found.high95) == (20.0, 19.8, 20.3)


def test_a_stop_that_was_asked_for_is_no_stall():
    assert asked("stalls <= 1").quantity.value == 1
    assert asked("longest stall >= 0.2 s").quantity.value == pytest.approx(0.30)


def test_the_only_slip_of_a_wheel_needs_no_more_words():
    assert asked("slip of wheel 1 <= 20 %").quantity.name == "driving slip of wheel 1"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("ramp is steep", "'ramp is steep' is no claim that can be ruled on; write it as"),
        (">= 20 deg", "'>= 20 deg' is no claim that can be ruled on; write it as"),
        ("ramp >= steep deg", "is no claim that can be ruled on; write it as"),
        ("ramp >= 20 kg", "is in 'kg', which is no unit that is measured in here; give one of deg"),
        ("ramp >= 20,5 deg", "and a point for the decimals"),
        ("ramp >= 20 mm", "is in mm, but ramp is given in deg; write the claim so"),
        ("ramp >= 20", "is without a unit, but ramp is given in deg"),
        ("stalls <= 50 %", "is in %, but stalls is given in no unit"),
        ("stalls <= 1.5", "is about a count, which is a whole number from 0 on"),
        ("stalls <= -1", "is about a count, which is a whole number from 0 on"),
        ("stalls >= 0", "is settled without footage, since no count is below 0"),
        ("stalls < 0", "is settled without footage, since no count is below 0"),
        ("rollback <= 0 mm", "rollback is never below 0"),
        ("rump >= 20 deg", "did you mean 'ramp'? the readings of attempt a0001 tell: ramp, "),
        ("tilt >= 20 deg", "attempt a0001 has no reading that tells its tilt; told are: ramp, "),
    ],
)
def test_what_cannot_be_ruled_on_is_refused_with_what_to_do(text, sentence):
    assert sentence in refusal(text)


@pytest.mark.parametrize("call", ["touched", "Off-line", "cleared", "verdict", "gate"])
def test_a_judge_s_call_stays_the_judge_s(call):
    found = refusal(f"{call} = 1")
    assert "is a judgement call, which stays the judge's" in found
    assert "the measured facts: ramp, chassis, " in found


def test_a_judge_s_call_is_one_without_a_number_too():
    with pytest.raises(AuditError, match="'reversed' is a judgement call"):
        parse_claim("reversed")


def test_beside_a_judge_s_call_stands_what_is_measured_of_it():
    assert 'a claim such as "rollback <= ..." can be ruled on' in refusal("slid back = 1")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("ramp >= 1e999 deg", "is about a value beyond all bounds"),
        ("ramp = 1e-" + "9" * 5000 + " deg", "a claim of 5014 characters is not ruled on"),
    ],
)
def test_a_claim_beyond_all_bounds_is_refused_in_a_sentence(text, sentence):
    assert sentence in refusal(text)
