"""What a record may say, and how a wrong one is refused."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from clipmark import marks
from clipmark.errors import RecordError
from clipmark.record.markings import mark_of
from clipmark.record.models import Attempt, Claim, LensRecord, Span, Stand
from clipmark.record.readings import Reading, beside
from clipmark.record.texts import as_model


def refused(fields: dict[str, object]) -> str:
    with pytest.raises(RecordError) as found:
        as_model(Attempt, {"entry": "Heather Goat", "test": "climb"} | fields, "the attempt")
    return str(found.value)


def test_a_misspelt_field_is_named():
    assert refused({"enrty": "x"}) == (
        "the attempt cannot be recorded: the field enrty is not known; check its spelling"
    )


def test_a_missing_field_is_named():
    with pytest.raises(RecordError) as found:
        as_model(Attempt, {"entry": "Heather Goat"}, "the attempt")
    assert str(found.value) == "the attempt cannot be recorded: the field test is missing"


@pytest.mark.parametrize("value", [math.nan, math.inf, np.float64("nan")])
def test_a_number_that_is_none_is_refused_with_its_place(value):
    assert refused({"set_start_deg": value}) == (
        f"set_start_deg is {value}, which cannot be recorded; leave it out (null) where it is "
        "unknown"
    )


def test_text_is_not_taken_for_a_number():
    assert refused({"step_deg": "45"}) == (
        "the attempt cannot be recorded: step_deg must be a number (got '45')"
    )


def test_a_void_attempt_has_a_void_reason():
    assert refused({"verdict": "void", "reason": "stalled"}) == (
        "the attempt cannot be recorded: the reason 'stalled' is of a failed attempt, but the "
        "verdict is void; give one of board-moved, interference, footage"
    )


def test_a_failed_attempt_has_no_void_reason():
    assert refused({"verdict": "failed", "reason": "footage"}).endswith(
        "the reason 'footage' is of a void attempt, but the verdict is failed; give one of "
        "stalled, spun, slid-back, tipped-back, rolled, off-line, touched, out-of-time, cut-off"
    )


@pytest.mark.parametrize("verdict", ["cleared", None])
def test_a_reason_needs_a_verdict_it_explains(verdict):
    assert "leave it out, or give the verdict failed or void" in refused(
        {"verdict": verdict, "reason": "stalled"}
    )


def test_many_findings_are_three_and_a_count():
    assert refused({f"x{number}": 1 for number in range(5)}).endswith("; and 2 more")


def test_control_characters_cannot_hide_in_names():
    assert refused({"entry": "Goat\x1b[2J"}) == (
        "the attempt cannot be recorded: entry holds the control character U+001B; remove it"
    )


def test_a_span_that_runs_backwards_is_refused():
    with pytest.raises(ValidationError, match="runs backwards, from frame 9 to 3"):
        Span(first_frame=9, last_frame=3)


def test_facts_cannot_be_changed():
    attempt = Attempt(entry="Heather Goat", test="climb")
    with pytest.raises(ValidationError, match="frozen"):
        attempt.entry = "Moss Toad"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("mark", "role"),
    [
        (marks.Line(1, 2, 300, 4.5), "ramp"),
        (marks.Point(1.25, -0.5), "corner"),
        (marks.Patch(10, 20, 64, 48), "body"),
        (marks.Wheel(50, 60, 25, 24, 3.0), "rear wheel"),
        (marks.Sheet.from_values([0, 0, 9, 0, 9, 6, 0, 6], (297, 210), 0.25), "sheet"),
    ],
)
def test_a_mark_comes_back_from_its_record_unchanged(mark, role):
    recorded = mark_of(mark, role, frame=7)
    attempt = Attempt(entry="Heather Goat", test="climb", marks=(recorded,))
    again = as_model(Attempt, attempt.to_body(), "the attempt")
    assert again.mark(role).to_mark() == mark
    assert again.mark(role).frame == 7


def test_a_line_has_a_role_that_exists():
    with pytest.raises(RecordError, match="cannot be recorded as 'slope'"):
        mark_of(marks.Line(1, 2, 300, 4), "slope")


def test_a_reading_is_kept_word_for_word(angle_result):
    reading = Reading.from_measured("angle", angle_result, seed=7, draws=20_000)
    assert reading.result == angle_result
    assert (reading.seed, reading.draws) == (7, 20_000)
    assert (reading.frame, reading.fingerprint) == (412, angle_result["fingerprint"])
    assert reading.warnings == ("no lens file was given",)
    assert set(reading.versions) == {"clipmark", "numpy", "scipy", "pandas", "av", "opencv"}
    assert ("ramp_deg", -44.98231274, 0.312) in list(reading.values())


def test_a_reading_of_numpy_numbers_becomes_plain(angle_result):
    reading = Reading.from_measured(
        "angle",
        angle_result | {"frame": np.int64(412), "lines": {"ramp": np.array([1.5, 2, 3, 4])}},
    )
    assert reading.result["lines"] == {"ramp": [1.5, 2.0, 3.0, 4.0]}
    assert reading.frame == 412


def test_a_number_never_travels_alone(angle_result):
    del angle_result["ramp_u95_deg"]
    with pytest.raises(RecordError) as found:
        Reading.from_measured("angle", angle_result)
    assert str(found.value) == (
        "the angle reading cannot be recorded: ramp_deg has no ramp_u95_deg beside it; a number "
        "never travels alone"
    )


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"ramp_u95_deg": -0.1}, "an uncertainty is never below 0"),
        ({"ramp_low95_deg": None}, "not both ends of its 95 % interval"),
        ({"ramp_low95_deg": 1.0}, "ends before it begins"),
    ],
)
def test_an_interval_that_cannot_be_is_refused(angle_result, change, sentence):
    with pytest.raises(RecordError, match=sentence):
        Reading.from_measured("angle", angle_result | change)


def test_a_reading_says_where_it_came_from(angle_result):
    del angle_result["fingerprint"]
    with pytest.raises(RecordError, match="but fingerprint is missing"):
        Reading.from_measured("angle", angle_result)


def test_infinite_degrees_of_freedom_are_null_not_infinity(angle_result):
    angle_result["budget"] = {"ramp_deg": [{"dof": math.inf}]}
    with pytest.raises(RecordError, match=r"budget\.ramp_deg\[0\]\.dof is inf"):
        Reading.from_measured("angle", angle_result)


@pytest.mark.parametrize(
    ("name", "companion"),
    [
        ("ramp_deg", "ramp_u95_deg"),
        ("mean_speed_mm_s", "mean_speed_u95_mm_s"),
        ("ripple", "ripple_u95"),
        ("rate_deg_s", "rate_u95_deg_s"),
        ("dwell_s", "dwell_u95_s"),
    ],
)
def test_the_unit_stays_last(name, companion):
    assert beside(name, "u95") == companion


def test_a_claim_reads_as_it_is_said():
    claim = Claim(measure="ramp_deg", relation="at least", value=45, unit="deg", by="A. Tarn")
    assert str(claim) == "ramp_deg at least 45 deg"


def test_a_lens_record_is_json_that_fits_its_hash():
    record = LensRecord.of("lenses/phone.json", '{"model": "ordinary"}')
    assert record.lens == {"model": "ordinary"}
    with pytest.raises(ValidationError, match="does not fit its hash"):
        LensRecord(path="lenses/phone.json", text="{}", sha256=record.sha256)
    with pytest.raises(ValidationError, match="must hold one JSON object"):
        LensRecord.of("lenses/phone.json", "[1]")


def test_a_stand_looks_with_less_than_half_a_turn():
    with pytest.raises(ValidationError, match="less than 180"):
        Stand(name="left", view_angle_deg=180)
