"""Checked building blocks of the record models: names, notes, hashes, instants, numbers.

Also the two ways in and out: `plain` turns what a caller hands over into plain JSON values, and
`as_model` turns pydantic's findings into one sentence.
"""

import math
import unicodedata
from collections.abc import Mapping
from pathlib import PurePath
from typing import Annotated, TypeVar, cast

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    JsonValue,
    TypeAdapter,
    ValidationError,
)

from clipmark.errors import RecordError
from clipmark.record.canonical import JsonObject
from clipmark.record.finding_words import wanted
from clipmark.record.instants import parse_instant, utc_text

_FINDINGS_SHOWN = 3


def _printable(text: str) -> str:
    for character in text:
        if unicodedata.category(character) in {"Cc", "Cs"} and character not in "\n\t":
            raise ValueError(f"holds the control character U+{ord(character):04X}; remove it")
    return text


def _one_line(text: str) -> str:
    if "\n" in text or "\t" in text:
        raise ValueError("must stand on one line, without tabs")
    return _printable(text).strip()


def _filled(text: str) -> str:
    if not text:
        raise ValueError("is empty; give a name")
    return text


def _note(text: str) -> str:
    return _printable(text.replace("\r\n", "\n").replace("\r", "\n"))


def _instant(text: str) -> str:
    return utc_text(parse_instant(text))


def _slashes(text: str) -> str:
    return text.replace("\\", "/")


Label = Annotated[str, AfterValidator(_one_line), Field(max_length=200)]
"""One line of text, which may be empty for unknown."""
Name = Annotated[str, AfterValidator(_one_line), AfterValidator(_filled), Field(max_length=200)]
"""One line of text that must not be empty."""
Note = Annotated[str, AfterValidator(_note), Field(max_length=20_000)]
"""Free text; line ends become LF."""
FilePath = Annotated[
    str, AfterValidator(_one_line), AfterValidator(_filled), AfterValidator(_slashes)
]
"""A path with forward slashes, relative to the event folder where the file is in it."""
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
"""64 hexadecimal digits, lower case."""
Instant = Annotated[str, AfterValidator(_instant)]
"""RFC 3339 with an offset; kept in UTC to the millisecond."""
Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]
"""A finite number; text is not taken for one."""
Positive = Annotated[float, Field(allow_inf_nan=False, strict=True, gt=0)]
"""A finite number above 0."""
NotNegative = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=0)]
"""A finite number, 0 or more."""
Angle = Annotated[float, Field(allow_inf_nan=False, strict=True, ge=-180, le=180)]
"""Degrees in [-180, 180]."""
Count = Annotated[int, Field(strict=True, ge=0)]
"""A whole number from 0, such as a frame ordinal."""
Ordinal = Annotated[int, Field(strict=True, ge=1)]
"""A whole number from 1, such as a try or a revision."""


_NAMES: TypeAdapter[str] = TypeAdapter(Name)


def checked_name(text: str, what: str) -> str:
    """A name as a record may hold it; raises `RecordError` naming `what` otherwise."""
    try:
        return _NAMES.validate_python(text)
    except ValidationError as error:
        reason = findings_of(error)
        raise RecordError(f"{what} {reason.removeprefix('the whole ')}") from None


class Fact(BaseModel):
    """Base of every record model: frozen, no unknown fields, no NaN or infinity anywhere."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    def to_body(self) -> JsonObject:
        """The fact as plain JSON values, unknowns as null."""
        return cast(JsonObject, self.model_dump(mode="json"))


FactT = TypeVar("FactT", bound=Fact)


def plain(value: object, where: str = "") -> JsonValue:
    """Turn numbers, arrays, tuples, paths and models into plain JSON values.

    Raises
    ------
    RecordError
        Naming the place, for NaN, infinity or what has no JSON form.
    """
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, BaseModel):
        return cast(JsonValue, value.model_dump(mode="json"))
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, (np.ndarray, np.generic)):
        return plain(value.tolist(), where)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise RecordError(
                f"{where or 'the value'} is {value}, which cannot be recorded; leave it out "
                "(null) where it is unknown"
            )
        return value
    if isinstance(value, Mapping):
        return {
            str(key): plain(item, f"{where}.{key}" if where else str(key))
            for key, item in value.items()
        }
    if isinstance(value, (list, tuple)):
        return [plain(item, f"{where}[{number}]") for number, item in enumerate(value)]
    raise RecordError(
        f"{where or 'the value'} is a {type(value).__name__}, which has no place in a record; "
        "give numbers, text, lists and tables"
    )


def as_model(model: type[FactT], data: object, what: str) -> FactT:
    """Check `data` against a model; the first findings become one sentence.

    Raises
    ------
    RecordError
        Naming `what`, each field and why it is refused.
    """
    if isinstance(data, model):
        return data
    if not isinstance(data, Mapping):
        raise RecordError(f"{what} must be a table of fields, but got {type(data).__name__}")
    try:
        return model.model_validate(plain(data))
    except ValidationError as error:
        raise RecordError(f"{what} cannot be recorded: {findings_of(error)}") from None


def findings_of(error: ValidationError) -> str:
    """Pydantic's findings in words: field, why, and what was given."""
    findings = error.errors(include_url=False)
    parts = []
    for finding in findings[:_FINDINGS_SHOWN]:
        field = ".".join(str(step) for step in finding["loc"]) or "the whole"
        reason = finding["msg"].removeprefix("Value error, ")
        if finding["type"] == "extra_forbidden":
            parts.append(f"the field {field} is not known; check its spelling")
        elif finding["type"] == "missing":
            parts.append(f"the field {field} is missing")
        elif finding["type"] == "value_error":
            parts.append(f"{field} {reason}" if field != "the whole" else reason)
        else:
            must_be = wanted(finding)
            reason = f"must be {must_be}" if must_be else reason.removeprefix("Input ")
            parts.append(f"{field} {reason} (got {str(finding['input'])[:60]!r})")
    more = len(findings) - _FINDINGS_SHOWN
    return "; ".join(parts) + (f"; and {more} more" if more > 0 else "")
