"""Canonical JSON (RFC 8785) and the form of one journal line.

A line is the canonical JSON of its nine fields. ``sha256`` is the SHA-256 of the canonical JSON
of the other eight; ``previous`` is the ``sha256`` of the line before, 64 zeros in the first line.
Since ``sha256`` sorts last among the nine names, the bytes it covers are the line's own bytes
with the last field cut off.
"""

import hashlib
import json
from collections.abc import Mapping
from typing import NoReturn

import rfc8785
from pydantic import JsonValue

from clipmark.errors import RecordError
from clipmark.record.canonical_quick import read_quickly

FIRST_PREVIOUS = "0" * 64
LINE_FIELDS = ("at", "body", "by", "id", "kind", "previous", "revision", "seq", "sha256")
_MAX_EXACT = 2**53 - 1  # beyond it a double no longer holds every integer (RFC 8785, 3.2.2.3)
_TAIL_BYTES = len(',"sha256":""}') + 64

JsonObject = dict[str, JsonValue]


def canonical_bytes(value: JsonValue) -> bytes:
    """RFC 8785 form of a JSON value.

    Raises
    ------
    RecordError
        For NaN, infinity, integers beyond 2**53 - 1, broken Unicode, or what is not JSON.
    """
    try:
        return rfc8785.dumps(value)
    except (ValueError, TypeError) as error:
        raise RecordError(
            f"the record cannot be written as JSON: {error}; give finite numbers, plain text, "
            "lists and tables of them"
        ) from None


def sealed_line(fields: Mapping[str, JsonValue]) -> bytes:
    """The line of eight fields with its own hash added, without the line end."""
    open_form = canonical_bytes(dict(fields))
    digest = hashlib.sha256(open_form).hexdigest()
    return open_form[:-1] + b',"sha256":"' + digest.encode("ascii") + b'"}'


def own_sha256(raw: bytes) -> str:
    """The hash that a canonical line should carry: over itself without its last field."""
    return hashlib.sha256(raw[:-_TAIL_BYTES] + b"}").hexdigest()


def _integer(text: str) -> int | float:
    """Read an integer; one beyond 2**53 - 1 is a double that RFC 8785 writes in digits."""
    number = int(text) if len(text) <= 400 else 10**400
    return number if abs(number) <= _MAX_EXACT else float(text)


def _no_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is not JSON")


_EXACT = json.JSONDecoder(parse_int=_integer, parse_constant=_no_constant)


def parse_json(text: str) -> JsonValue:
    """Read JSON as RFC 8785 means it; raises ValueError (NaN and Infinity are not JSON)."""
    value: JsonValue = _EXACT.decode(text)
    return value


def read_canonical(raw: bytes) -> JsonValue:
    """Read one line that must be byte for byte its own canonical form.

    Raises
    ------
    ValueError
        With the reason, when the line is not JSON or not canonical.
    """
    quick = read_quickly(raw)
    if quick is not None:
        return quick
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise ValueError("the line is not UTF-8 text") from None
    try:
        value = parse_json(text)
    except (ValueError, RecursionError, OverflowError):
        raise ValueError("the line is not JSON") from None
    try:
        same = canonical_bytes(value) == raw
    except (RecordError, RecursionError):
        same = False
    if not same:
        raise ValueError("the line is not byte for byte its own canonical form")
    return value
