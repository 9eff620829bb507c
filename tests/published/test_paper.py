"""Sheets of paper by name: ISO 216:2007, trimmed sizes.

A0 to A6 from published tables that quote the standard, the rest from memory. Of every size the
sides stand as the square root of 2 within their rounding to whole mm, and halving the long side
gives the next smaller size within that rounding: the standard's own two principles.
"""

import math

import pytest

from clipmark.errors import MarkError
from clipmark.geometry.paper import (
    PAPER_NAMES,
    paper_size_mm,
    paper_tolerance_mm,
    parse_size_or_name,
)
from clipmark.marks import parse_size

TABLE_MM = {
    "A0": (841, 1189),
    "A1": (594, 841),
    "A2": (420, 594),
    "A3": (297, 420),
    "A4": (210, 297),
    "A5": (148, 210),
    "A6": (105, 148),
}


@pytest.mark.parametrize(("name", "short_long"), TABLE_MM.items())
def test_a_sheet_has_the_size_that_the_standard_tabulates(name, short_long):
    short, long = short_long
    assert paper_size_mm(name) == (long, short)
    assert paper_size_mm(f"{name.lower()}-portrait") == (short, long)
    assert paper_size_mm(f" {name}-Landscape ") == (long, short)


@pytest.mark.parametrize("name", PAPER_NAMES)
def test_sides_stand_as_the_square_root_of_two(name):
    long, short = paper_size_mm(name)
    # the printed sizes are cut to whole mm, each up to 1 mm under its exact length
    assert abs(long - short * math.sqrt(2)) <= 1 + math.sqrt(2) * 0.5


@pytest.mark.parametrize("series", "AB")
def test_half_a_sheet_is_the_next_smaller_sheet(series):
    for number in range(10):
        long, short = paper_size_mm(f"{series}{number}")
        next_long, next_short = paper_size_mm(f"{series}{number + 1}")
        assert next_long == short
        assert 0 <= long / 2 - next_short <= 1


def test_tolerances_are_those_of_the_standard():
    assert [paper_tolerance_mm(side) for side in (148, 150, 151, 600, 601)] == [1.5, 1.5, 2, 2, 3]


def test_a_size_is_read_from_lengths_or_from_a_name():
    assert parse_size_or_name("A4") == (297.0, 210.0)
    assert parse_size_or_name("a4-portrait") == (210.0, 297.0)
    assert parse_size_or_name("297x210") == parse_size("297x210")
    assert parse_size_or_name("85.6×53.98") == (85.6, 53.98)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "A11",
            "the sheet size: 'A11' is not a paper size known by name; give one of A0 to A10 or B0 "
            "to B10 (ISO 216), such as A4 or A4-portrait; or write WIDTHxHEIGHT in mm",
        ),
        (
            "A4-sideways",
            "the sheet size: 'A4-sideways' does not say how the sheet lies; write A4-landscape or "
            "A4-portrait; or write WIDTHxHEIGHT in mm",
        ),
        (
            "letter",
            "the sheet size 'letter' cannot be read: write it as WIDTHxHEIGHT in mm, such as "
            "297x210, or name a sheet of ISO 216, such as A4",
        ),
        (
            "297x0",
            "the sheet size '297x0' is not a size: both lengths must be above 0 mm",
        ),
    ],
)
def test_what_is_no_size_is_refused_with_a_sentence(text, sentence):
    with pytest.raises(MarkError) as refusal:
        parse_size_or_name(text, "the sheet size")
    assert str(refusal.value) == sentence
