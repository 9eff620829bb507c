"""Telling quickly that a line is canonical JSON, which nearly all lines are.

The line is read and written again by pydantic's own JSON code, many times faster than RFC 8785
written out in Python. What comes out is canonical too, but for the numbers that the two write
differently; lines with such numbers are left to the exact way, or the numbers are put right. Pure.
"""

import re
from collections.abc import Iterable

from pydantic import JsonValue
from pydantic_core import from_json, to_json

# UTF-8 lead bytes of characters that UTF-16 writes as two units: names sort differently then.
_TWO_UNITS = re.compile(rb"[\xf0-\xff]")
# Every digit as 0, everything that may stand before a number as a comma: finds long integers.
_SHAPES = bytes(
    ord("0") if chr(byte).isdecimal() and byte < 128 else ord(",") if chr(byte) in ":[-" else byte
    for byte in range(256)
)
_LONG_INTEGER = b"," + b"0" * 16  # may be beyond 2**53 - 1
_WHOLE_DOUBLES = (b".0,", b".0]", b".0}")
_DIGITS_AT_END = re.compile(rb"([0-9])(?:\.([0-9]+))?\Z")
_DIGITS = 20  # of a double written out, with room
# How pydantic writes the numbers that matter; where it writes them otherwise, nothing is quick.
IS_KNOWN = (
    to_json([1e16, 1e21, 5e-324, 1e-5, 1.5e-6, 1e-7, 0.1])
    == b"[1e+16,1e+21,5e-324,0.00001,1.5e-6,1e-7,0.1]"
)


def read_quickly(raw: bytes) -> JsonValue | None:
    """Read a line that is surely canonical; None where that is not sure, or it is not.

    Nothing is taken for canonical that is not: a whole double (``1.0``), an exponent written out
    where RFC 8785 has none, a long integer, names out of order or twice, an escape that was not
    needed, a space: each gives other bytes when it is written again, or is not looked at here.
    """
    if not IS_KNOWN or raw[:1] not in (b"{", b"[") or b"e+" in raw:
        return None
    if any(end in raw for end in _WHOLE_DOUBLES):
        return None
    if _LONG_INTEGER in raw.translate(_SHAPES) or (not raw.isascii() and _TWO_UNITS.search(raw)):
        return None
    try:
        value: JsonValue = from_json(raw, allow_inf_nan=False)
        again = to_json(value)
    except (ValueError, RecursionError):
        return None
    if b"e-6" in again:
        again = _with_millionths(again)
    return value if again == raw and _is_in_order(value) else None


def _with_millionths(text: bytes) -> bytes:
    """``1.5e-6`` as RFC 8785 writes it, ``0.0000015``, wherever it stands."""
    first, *others = text.split(b"e-6")
    done = [first]
    for after in others:
        number = _DIGITS_AT_END.search(done[-1], max(0, len(done[-1]) - _DIGITS))
        if number is None or after[:1].isdigit():  # in a word, or e-60 and the like
            done += [b"e-6", after]
        else:
            written = b"0.00000" + number.group(1) + (number.group(2) or b"")
            done[-1] = done[-1][: number.start()]
            done += [written, after]
    return b"".join(done)


def _is_in_order(value: JsonValue) -> bool:
    """Whether the names of every table stand in order."""
    items: Iterable[JsonValue]
    if isinstance(value, dict):
        names = [*value]
        if names != sorted(names):
            return False
        items = value.values()
    elif isinstance(value, list):
        items = value
    else:
        return True
    for item in items:
        kind = type(item)
        if (kind is dict or kind is list) and not _is_in_order(item):
            return False
    return True
