"""What a checked field must be, in our words: pydantic's findings, one phrase each. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_KINDS = {
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of usual size",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "string_type": "text",
    "bool_type": "yes or no (true or false)",
    "bool_parsing": "yes or no (true or false)",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a table of fields",
    "model_type": "a table of fields",
    "model_attributes_type": "a table of fields",
}
_BOUNDS = {
    "greater_than": ("gt", "above {}"),
    "greater_than_equal": ("ge", "at least {}"),
    "less_than": ("lt", "below {}"),
    "less_than_equal": ("le", "at most {}"),
}
_LENGTHS = {
    "string_too_long": ("max_length", "at most {} characters long"),
    "string_too_short": ("min_length", "at least {} characters long"),
    "too_long": ("max_length", "a list of at most {}"),
    "too_short": ("min_length", "a list of at least {}"),
}
_FORMS = {
    r"^\d{4}-\d{2}-\d{2}$": "a day such as 2026-05-16",
    "^[0-9a-f]{64}$": "the content hash of a clip (64 digits 0-9 and a-f)",
}


def wanted(finding: Mapping[str, Any], unit: str = "") -> str | None:
    """What the field must be, such as "at most 60 °C"; None where the finding speaks for itself.

    Parameters
    ----------
    finding : mapping
        One of pydantic's, with its context.
    unit : str
        Put behind a bound.
    """
    kind, context = str(finding["type"]), finding.get("ctx") or {}
    if kind in ("too_long", "too_short") and isinstance(finding["input"], str):
        kind = f"string_{kind}"
    if kind in _KINDS:
        return _KINDS[kind]
    for table, more in ((_BOUNDS, f" {unit}" if unit else ""), (_LENGTHS, "")):
        if kind in table:
            name, words = table[kind]
            return words.format(_number(context.get(name))) + more
    if kind == "string_pattern_mismatch":
        pattern = str(context.get("pattern"))
        return _FORMS.get(pattern, "letters, digits, dot, dash and underscore")
    if kind == "literal_error":
        return f"one of {str(context.get('expected')).replace(' or ', ', ')}"
    return None


def _number(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.15g}" if abs(value) < 1e15 else f"{value:g}"
    return str(value)
