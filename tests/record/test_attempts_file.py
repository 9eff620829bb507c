"""attempts.csv: what stands in which column, and that the journal alone makes it again."""

import io
import json
import shutil

import pandas as pd
import pytest
from frictionless import Resource, Schema, system
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record.attempts_file import number_text, read_rows
from clipmark.record.columns import COLUMN_NAMES
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading

# The order as released, written out: scorers depend on it.
ORDER = [
    "attempt",
    "revision",
    "event",
    "test",
    "entry",
    "setup",
    "surface",
    "try_no",
    "step_deg",
    "set_start_deg",
    "set_end_deg",
    "travel",
    "ramp_deg",
    "ramp_u95_deg",
    "chassis_deg",
    "chassis_u95_deg",
    "angle_frame",
    "tilt_event",
    "tilt_deg",
    "tilt_u95_deg",
    "tilt_rate_deg_s",
    "finish_t_s",
    "mean_speed_mm_s",
    "mean_speed_u95_mm_s",
    "slowest_speed_mm_s",
    "ripple",
    "ripple_u95",
    "ripple_band_hz",
    "noise_floor_mm_s",
    "stalls",
    "rollback_mm",
    "progress",
    "penalties",
    "grade",
    "verdict",
    "reason",
    "claim",
    "ruling",
    "called_by",
    "marked_by",
    "marked_at",
    "note",
    "clip",
    "clip_sha256",
    "first_frame",
    "last_frame",
    "first_t_s",
    "last_t_s",
    "software",
    "journal_seq",
    "journal_sha256",
]


def row(event: EventFolder, number: int = -1) -> dict[str, str]:
    return read_rows(event.write_attempts_file().read_bytes().decode("utf-8"))[number]


def test_columns_stand_in_the_fixed_order():
    assert list(COLUMN_NAMES) == ORDER


def test_a_whole_attempt_fills_its_row(event, climb, angle_result, crawl_result):
    whole = climb | {
        "setup": "soft tyres",
        "surface": "grip board",
        "try_no": 2,
        "set_start_deg": 45.0,
        "set_end_deg": 44.8,
        "travel": "down",
        "progress": 3.0,
        "penalties": 10.0,
        "verdict": "failed",
        "reason": "tipped-back",
        "claim": {"measure": "ramp_deg", "relation": "at least", "value": 45, "unit": "deg"},
        "ruling": {"outcome": "cannot decide", "probability": 0.4},
        "called_by": "A. Tarn",
        "clip": {"path": "clips/run-07.mp4", "sha256": "c1" * 32},
        "span": {"first_frame": 10, "last_frame": 760, "first_t_s": 0.3336667, "last_t_s": 25.4},
        "readings": [
            Reading.from_measured("angle", angle_result | {"ramp_deg": -1.0}),
            Reading.from_measured("crawl", crawl_result),
            Reading.from_measured("angle", angle_result),
        ],
    }
    line = event.save_attempt(whole, by="M. Fell")
    cells = row(event)
    expected = {
        "attempt": "a0001",
        "revision": "1",
        "event": "Tarn Hollow Pocket Trials",
        "test": "climb",
        "entry": "Heather Goat",
        "setup": "soft tyres",
        "surface": "grip board",
        "try_no": "2",
        "step_deg": "45",
        "set_start_deg": "45",
        "set_end_deg": "44.8",
        "travel": "down",
        "ramp_deg": "44.982313",
        "ramp_u95_deg": "0.312",
        "chassis_deg": "-41.5",
        "chassis_u95_deg": "0.4",
        "angle_frame": "412",
        "mean_speed_mm_s": "20.1",
        "mean_speed_u95_mm_s": "0.05",
        "slowest_speed_mm_s": "14.2",
        "ripple": "0.081",
        "ripple_u95": "0.012",
        "ripple_band_hz": "0.5:5",
        "noise_floor_mm_s": "0.3",
        "stalls": "1",
        "rollback_mm": "0",
        "progress": "3",
        "penalties": "10",
        "verdict": "failed",
        "reason": "tipped-back",
        "claim": "ramp_deg at least 45 deg",
        "ruling": "cannot decide",
        "called_by": "A. Tarn",
        "marked_by": "M. Fell",
        "clip": "clips/run-07.mp4",
        "clip_sha256": "c1" * 32,
        "first_frame": "10",
        "last_frame": "760",
        "first_t_s": "0.333667",
        "last_t_s": "25.4",
        "journal_seq": "3",
        "journal_sha256": line.sha256,
    }
    assert expected.items() <= cells.items()
    unknown = {name for name, cell in cells.items() if not cell}
    assert unknown == {
        "tilt_event", "tilt_deg", "tilt_u95_deg", "tilt_rate_deg_s", "finish_t_s", "grade", "note",
    }  # fmt: skip


def test_the_tilt_event_that_counts_is_the_one_named(event, climb):
    tilt = {
        "lift_off": True,
        "tilt_deg": 44.0,
        "tilt_u95_deg": 0.3,
        "tilt_low95_deg": 43.7,
        "tilt_high95_deg": 44.3,
        "rate_deg_s": 0.5,
        "events": [
            {"event": "slide", "tilt_deg": -47.5, "tilt_u95_deg": 0.2, "rate_deg_s": 0.4},
        ],
        "frame": 1,
        "t_s": 0.0,
        "clip_sha256": "c1" * 32,
        "fingerprint": "f0" * 32,
        "warnings": [],
    }
    readings = [Reading.from_measured("tilt", tilt)]
    event.save_attempt(climb | {"readings": readings}, by="M. Fell")
    event.save_attempt(climb | {"readings": readings, "tilt_event": "slide"}, by="M. Fell")
    event.save_attempt(climb | {"readings": readings, "tilt_event": "topple"}, by="M. Fell")
    names = ("tilt_event", "tilt_deg", "tilt_u95_deg", "tilt_rate_deg_s")
    assert [[row(event, number)[name] for name in names] for number in range(3)] == [
        ["lift-off", "44", "0.3", "0.5"],
        ["slide", "47.5", "0.2", "0.4"],
        ["topple", "", "", ""],
    ]


def test_a_formula_cannot_get_into_a_cell(event):
    event.save_attempt(
        {"entry": "=HYPERLINK(1)", "test": "@climb", "note": "-2 kg; +1", "set_start_deg": -1.5},
        by="+Fell",
    )
    text = event.write_attempts_file().read_bytes().decode("utf-8")
    assert ",'@climb,'=HYPERLINK(1)," in text
    assert "'-2 kg;' +1" in text
    assert ",-1.5," in text
    cells = row(event)
    assert (cells["entry"], cells["note"], cells["marked_by"]) == (
        "=HYPERLINK(1)",
        "-2 kg; +1",
        "+Fell",
    )


def test_the_journal_alone_makes_the_same_file(event, climb, angle_result, tmp_path):
    for number in range(3):
        event.save_attempt(
            climb
            | {"try_no": number + 1, "readings": [Reading.from_measured("angle", angle_result)]},
            by="M. Fell",
        )
    event.save_attempt(climb | {"note": "again"}, by="A. Tarn", id="a0002", base_revision=1)
    event.close()
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(event.path / "journal.jsonl", alone)
    rebuilt = EventFolder.open(alone)
    rebuilt.write_attempts_file()
    for name in ("attempts.csv", "attempts.schema.json"):
        assert (alone / name).read_bytes() == (event.path / name).read_bytes()
    rows = read_rows((alone / "attempts.csv").read_text(encoding="utf-8"))
    assert [(r["attempt"], r["revision"]) for r in rows] == [
        ("a0001", "1"), ("a0002", "2"), ("a0003", "1"),
    ]  # fmt: skip


def test_a_table_changed_by_hand_is_put_right_by_a_rebuild(event, climb):
    event.save_attempt(climb, by="M. Fell")
    path = event.write_attempts_file()
    good = path.read_bytes()
    path.write_bytes(good.replace(b"Heather Goat", b"Moss Toad"))
    EventFolder.open(event.path).write_attempts_file()
    assert path.read_bytes() == good


def test_an_event_that_is_renamed_is_renamed_in_every_row(event, climb):
    event.save_attempt(climb, by="M. Fell")
    (event.path / "event.toml").write_text('[event]\nname = "Tarn II"\n', encoding="utf-8")
    event.save_attempt(climb, by="M. Fell")
    assert [row(event, number)["event"] for number in range(2)] == ["Tarn II", "Tarn II"]


def test_frictionless_finds_nothing_wrong(event, climb, angle_result, crawl_result):
    readings = [
        Reading.from_measured("angle", angle_result),
        Reading.from_measured("crawl", crawl_result),
    ]
    event.save_attempt(climb | {"readings": readings, "note": 'two\nlines, "quoted"'}, by="M. Fell")
    event.save_attempt(climb, by="M. Fell")
    path = event.write_attempts_file()
    schema = json.loads((event.path / "attempts.schema.json").read_text(encoding="utf-8"))
    with system.use_context(trusted=True):
        report = Resource(
            path=str(path), schema=Schema.from_descriptor(schema), encoding="utf-8"
        ).validate()
    assert report.valid, report.flatten(["fieldName", "message"])


def test_pandas_reads_the_table_with_numbers_as_numbers(event, climb, angle_result):
    event.save_attempt(
        climb | {"readings": [Reading.from_measured("angle", angle_result)]}, by="M. Fell"
    )
    table = pd.read_csv(io.BytesIO(event.write_attempts_file().read_bytes()))
    assert table.loc[0, "ramp_deg"] == pytest.approx(44.98231274, abs=5e-7)
    assert table["ramp_u95_deg"].dtype == float
    assert pd.isna(table.loc[0, "mean_speed_mm_s"])


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.floats(1e-9, 1e3, allow_nan=False),
)
def test_rounding_stays_below_a_hundredth_of_the_uncertainty(value, u95):
    """u is half of u95; a double near 1e6 itself ends at 1e-10."""
    error = abs(float(number_text(value, u95)) - value)
    assert error <= max(u95 / 2 / 100, 1e-15)


@given(st.floats(-1e12, 1e12, allow_nan=False))
def test_a_number_without_uncertainty_keeps_six_decimals_or_digits(value):
    """Half of the last place: 5e-7, or below 1 at most 5e-6 of the value."""
    error = abs(float(number_text(value)) - value)
    assert error <= (5e-7 if abs(value) >= 1 else 5e-6 * abs(value)) + 2e-16 * abs(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, ""), (0.0, "0"), (-0.0, "0"), (45.0, "45"), (100.0, "100"), (3, "3"), (1e-9, "1e-09")],
)
def test_numbers_are_printed_plainly(value, text):
    assert number_text(value) == text


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "has not the columns of this version; rebuild it from the journal"),
        ("attempt,revision\r\n", "has not the columns of this version"),
        (",".join(ORDER) + "\r\na,b\r\n", "row 2 of the attempts file has 2 cells where 51 belong"),
        (",".join(ORDER) + '\r\n"a', "is not CSV: unexpected end of data; rebuild it"),
    ],
)
def test_a_table_of_another_form_is_refused(text, sentence):
    with pytest.raises(RecordError, match=sentence):
        read_rows(text)
