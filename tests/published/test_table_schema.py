"""The schema of ``attempts.csv`` against the Data Package standard 2.0, Table Schema (2026-05).

frictionless is the outside opinion; the rules are those of the standard's text.
"""

import csv
import io

import pytest
from frictionless import Resource, Schema, system

from clipmark.record.attempts_file import csv_line
from clipmark.record.columns import COLUMN_NAMES, COLUMNS, attempts_schema
from clipmark.record.models import FAIL_REASONS, VOID_REASONS

GOOD = {
    "attempt": "a0001",
    "revision": "1",
    "event": "Tarn Hollow Pocket Trials",
    "test": "climb",
    "entry": "Heather Goat",
    "journal_seq": "3",
    "journal_sha256": "0f" * 32,
}


def problems_of(*rows: dict[str, str], header=COLUMN_NAMES) -> list[tuple[str, str]]:
    """What frictionless finds wrong: (kind of error, field)."""
    text = csv_line(header) + "".join(
        csv_line([row.get(name, "") for name in COLUMN_NAMES]) for row in rows
    )
    with system.use_context(trusted=True):
        resource = Resource(
            data=text.encode(), format="csv", schema=Schema.from_descriptor(attempts_schema())
        )
        report = resource.validate()
    return [
        (error.type, getattr(error, "field_name", ""))
        for task in report.tasks
        for error in task.errors
    ]


def test_the_schema_is_one_that_the_standard_knows():
    assert not list(Schema.metadata_validate(attempts_schema()))


def test_names_are_unique_and_every_field_says_what_it_is():
    fields = attempts_schema()["fields"]
    names = [field["name"] for field in fields]
    assert len(set(names)) == len(names)
    assert all(field["description"] and field["type"] for field in fields)


def test_the_unit_in_a_name_is_the_unit_stated():
    endings = {"_mm_s": "mm/s", "_deg_s": "deg/s", "_deg": "deg", "_mm": "mm", "_t_s": "s"}
    for column in COLUMNS:
        for ending, unit in endings.items():
            if column.type == "number" and column.name.endswith(ending):
                assert column.unit == unit, column.name
                break


def test_a_row_with_only_what_must_be_known_is_good():
    """Empty is unknown: missingValues defaults to the empty text."""
    assert problems_of(GOOD) == []


@pytest.mark.parametrize("text", ["-1", "+0.5", ".5", "5.", "1E3", "1e-3"])
def test_numbers_of_the_standard_are_numbers_here(text):
    assert problems_of(GOOD | {"grade": text}) == []


@pytest.mark.parametrize("text", ["NaN", "INF", "-INF", "nan", "1,000", "5 deg", "--1", "0x1F"])
@pytest.mark.parametrize("column", ["grade", "ramp_u95_deg", "mean_speed_mm_s"])
def test_what_is_no_finite_number_is_found(column, text):
    """NaN and INF are legal numbers of the standard; the limits of the columns keep them out."""
    assert {field for _, field in problems_of(GOOD | {column: text})} == {column}


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("travel", "upward"),
        ("verdict", "passed"),
        ("reason", "tired"),
        ("ruling", "maybe"),
        ("revision", "0"),
        ("try_no", "1.5"),
        ("ramp_deg", "-3"),
        ("ramp_u95_deg", "-0.1"),
        ("clip_sha256", "abc"),
        ("journal_sha256", ""),
        ("entry", ""),
        ("marked_at", "yesterday"),
        ("first_frame", "-1"),
    ],
)
def test_a_wrong_cell_is_found(column, text):
    assert [field for _, field in problems_of(GOOD | {column: text})] == [column]


def test_the_key_is_the_attempt():
    assert problems_of(GOOD, GOOD) == [("primary-key", "")]


def test_columns_in_another_order_are_found():
    """fieldsMatch defaults to exact: same fields, same number, same order."""
    swapped = (COLUMN_NAMES[1], COLUMN_NAMES[0], *COLUMN_NAMES[2:])
    assert "incorrect-label" in {kind for kind, _ in problems_of(GOOD, header=swapped)}


def test_times_as_the_journal_writes_them_are_datetimes():
    assert problems_of(GOOD | {"marked_at": "2026-11-25T13:37:00.125Z"}) == []


def test_reasons_are_those_of_the_records():
    (reason,) = (column for column in COLUMNS if column.name == "reason")
    assert reason.constraints["enum"] == [*FAIL_REASONS, *VOID_REASONS]


def test_the_header_is_one_row_of_column_names():
    assert next(csv.reader(io.StringIO(csv_line(COLUMN_NAMES)))) == list(COLUMN_NAMES)
