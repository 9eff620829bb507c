"""Reading and writing ``attempts.csv``: RFC 4180 (2005), and OWASP's CSV injection guidance.

The cases follow section 2 of the RFC; the list of first characters is OWASP's, from memory.
"""

import csv
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from clipmark.record.attempts_file import csv_line, guarded, number_text, unguarded

FORMULA_FIRST_CHARACTERS = ["=", "+", "-", "@", "\t", "\r"]


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        (["a", "b", "c"], "a,b,c\r\n"),
        (["a,b", "c"], '"a,b",c\r\n'),
        (['say "go"', "x"], '"say ""go""",x\r\n'),
        (["two\r\nlines", ""], '"two\r\nlines",\r\n'),
        ([" lead", "trail "], " lead,trail \r\n"),
        (["", "", ""], ",,\r\n"),
        (["Ünï", "日本"], "Ünï,日本\r\n"),
        ([""], '""\r\n'),
    ],
)
def test_records_are_written_byte_for_byte(fields, line):
    assert csv_line(fields).encode() == line.encode()


TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"))


@given(st.lists(TEXT, min_size=1, max_size=5))
def test_every_text_comes_back_from_its_record(fields):
    assert list(csv.reader(io.StringIO(csv_line(fields), newline=""))) == [fields]


@pytest.mark.parametrize("first", FORMULA_FIRST_CHARACTERS)
@pytest.mark.parametrize(
    "before", ["", "'", '"', "Moss;", "Moss\n", 'Moss;"', "Moss\t", " ", "Moss; "]
)
def test_no_cell_begins_with_a_character_that_starts_a_formula(first, before):
    """Also where a spreadsheet of another country cuts the line at the semicolon."""
    for cell in guarded(f"{before}{first}1+1").replace("\t", ";").replace("\n", ";").split(";"):
        assert cell.strip('" ')[:1] not in FORMULA_FIRST_CHARACTERS


RISKY = st.text(st.sampled_from([*"=+-@\t\r\n;'\"a ＝"]), max_size=12)


@given(RISKY | TEXT)
@example("'=1")
@example("'\"=1")
@example("a;'-2")
@example("\t\t=x")
def test_the_guard_is_taken_away_without_a_trace(text):
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("text", ["fine", "'72 model", "M. Fell", "a-b", "x=1", "5 - 3", "a; b"])
def test_harmless_text_is_left_as_it_is(text):
    assert guarded(text) == text


def test_negative_numbers_are_spared():
    """A negative number starts with - too; the guard is for text columns."""
    assert number_text(-0.25) == "-0.25"
    assert number_text(-12.5, 0.3) == "-12.5"
