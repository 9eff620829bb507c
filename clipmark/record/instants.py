"""Instants as text: ISO 8601 in UTC, as RFC 3339 narrows it.

The journal writes ``YYYY-MM-DDThh:mm:ss.fffZ`` and nothing else. A time that came from outside
may carry any offset, but must carry one: a time without an offset says nothing of its zone.
"""

import re
from datetime import UTC, datetime

from clipmark.errors import RecordError

_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,6})?(Z|[+-]\d{2}:\d{2})")
_WRITTEN = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z")


def utc_now() -> datetime:
    """The present instant, in UTC."""
    return datetime.now(UTC)


def utc_text(instant: datetime) -> str:
    """``YYYY-MM-DDThh:mm:ss.fffZ``, cut (not rounded) to milliseconds.

    Raises
    ------
    RecordError
        If `instant` carries no offset.
    """
    if instant.tzinfo is None:
        raise RecordError(
            f"the time {instant.isoformat()} has no offset from UTC, so nobody can say when it "
            "was; give it with Z or an offset such as +01:00"
        )
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_instant(text: str) -> datetime:
    """Read an RFC 3339 time; the answer is in UTC.

    Leap seconds (``:60``) are refused: no clock that names frames or saves needs one.

    Raises
    ------
    RecordError
        If it is not such a time, or has no offset.
    """
    try:
        if not _RFC3339.fullmatch(text) or not text.isascii():
            raise ValueError
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise RecordError(
            f"'{text}' is not a time in UTC; write it as 2026-11-25T13:37:00Z, with Z or an "
            "offset such as +01:00"
        ) from None


def is_written_form(text: str) -> bool:
    """Whether `text` is exactly what `utc_text` writes, and a time that exists."""
    try:
        return bool(_WRITTEN.fullmatch(text)) and utc_text(parse_instant(text)) == text
    except RecordError:
        return False
