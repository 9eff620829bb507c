"""Times of the journal and the attempts file, after ISO 8601-1:2019 and RFC 3339.

Both texts from memory; instants recomputed with Python's datetime.
"""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record.instants import is_written_form, parse_instant, utc_text


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-25T13:37:00Z",
        "2024-02-29T23:59:59.999Z",
        "2026-01-01T00:00:00+00:00",
        "2026-06-30T12:00:00-07:00",
    ],
)
def test_a_time_with_an_offset_is_read(text):
    assert parse_instant(text).tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-25 13:37",
        "2023-02-29T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-11-25T24:30:00Z",
        "2026-11-25T13:37:00",
        "25.11.2026",
        "",
        "2026-11-25T13:37:60Z",
        "2026-W48-3T13:37:00Z",
        "２０２６-11-25T13:37:00Z",
        "2026-11-25T13:37:00Z\n",
        "0001-01-01T00:00:00+01:00",
    ],
)
def test_a_time_that_is_not_one_or_says_nothing_of_its_zone_is_refused(text):
    with pytest.raises(RecordError, match="is not a time in UTC; write it as 2026-11-25T13:37:00Z"):
        parse_instant(text)


def test_one_instant_in_two_zones_is_one_instant():
    assert parse_instant("2026-11-25T13:37:00Z") == parse_instant("2026-11-25T14:37:00+01:00")


@pytest.mark.parametrize(
    ("text", "unix_s"), [("2026-11-25T13:37:00Z", 1795613820), ("1970-01-01T00:00:00Z", 0)]
)
def test_seconds_since_1970(text, unix_s):
    assert parse_instant(text).timestamp() == unix_s


@pytest.mark.parametrize(
    ("text", "week"), [("2026-11-25", (2026, 48, 3)), ("2027-01-01", (2026, 53, 5))]
)
def test_calendar_weeks(text, week):
    assert tuple(parse_instant(f"{text}T00:00:00Z").isocalendar()) == week


@given(st.datetimes(datetime(1970, 1, 2), datetime(9999, 12, 30)), st.integers(-14 * 60, 14 * 60))
def test_what_is_written_is_read_back_to_the_millisecond(local, offset_min):
    instant = local.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    text = utc_text(instant)
    assert is_written_form(text)
    assert timedelta(0) <= instant - parse_instant(text) < timedelta(milliseconds=1)


@pytest.mark.parametrize(
    "text", ["2026-11-25T13:37:00Z", "2026-11-25T13:37:00.000+00:00", "2023-02-29T00:00:00.000Z"]
)
def test_the_journal_has_one_form_only(text):
    assert not is_written_form(text)


def test_a_time_without_a_zone_is_not_written():
    with pytest.raises(RecordError, match=r"has no offset from UTC.*give it with Z or an offset"):
        utc_text(datetime(2026, 11, 25, 13, 37))
