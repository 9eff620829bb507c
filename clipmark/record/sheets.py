"""Reading the two sheets an operator writes by hand: ``event.toml`` and ``session.toml``."""

import datetime
import hashlib
import tomllib
from collections.abc import Mapping
from pathlib import Path

from clipmark.errors import RecordError
from clipmark.record import disk
from clipmark.record.models import Rules, SessionRecord
from clipmark.record.session_entered import SessionEntered
from clipmark.record.texts import as_model

EVENT_NAME = "event.toml"
SESSION_NAME = "session.toml"


def read_text(path: Path) -> str | None:
    """The text of a file, or None when it is not there.

    Raises
    ------
    FolderError
        When it cannot be read.
    RecordError
        When it is not UTF-8.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise disk.explain(error, "read the file", path) from error
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RecordError(
            f"{path}, line {line}: the file is not UTF-8 text; save it as UTF-8"
        ) from None


def parse_toml(text: str, name: str) -> dict[str, object]:
    """Read TOML text; a byte order mark at the front is passed over.

    Raises
    ------
    RecordError
        With line and column of what cannot be read.
    """
    text = text.removeprefix("\ufeff")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason, _, place = str(error).rpartition(" (at ")
        where = place.rstrip(")")
        if where.startswith("line "):
            where = where.replace(", column", ", column")
        else:
            where = f"line {text.count(chr(10)) + 1}, the end of the file"
        reason = reason or str(error)
        raise RecordError(
            f"{name}, {where}: this is not TOML: {reason[:1].lower()}{reason[1:]}; mend that line"
        ) from None
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{name}: this is not TOML: {error}; mend the file") from None


def event_name(text: str, name: str = EVENT_NAME) -> str:
    """The name of the event from the text of its rule sheet.

    Raises
    ------
    RecordError
        When the text is not TOML, or names no event.
    """
    event = parse_toml(text, name).get("event")
    found = event.get("name") if isinstance(event, Mapping) else None
    if not isinstance(found, str) or not found.strip():
        raise RecordError(f'{name}: the event has no name; write name = "..." under [event]')
    return " ".join(found.split())


def rules_of(text: str) -> Rules:
    """The rule sheet as the journal keeps it; raises `RecordError` when it cannot be read."""
    event_name(text)
    return Rules.of(EVENT_NAME, text)


def session_of(text: str) -> SessionRecord:
    """The session record from the text of ``session.toml``.

    Raises
    ------
    RecordError
        When it is not TOML, or a field is unknown or out of range.
    """
    fields: dict[str, object] = dict(parse_toml(text, SESSION_NAME))
    if isinstance(fields.get("date"), datetime.date):
        fields["date"] = str(fields["date"])[:10]
    if fields.get("date") == "":
        del fields["date"]
    fields["source_sha256"] = source_sha256(text)
    return as_model(SessionEntered, fields, SESSION_NAME)


def source_sha256(text: str) -> str:
    """What a session record says of the text of ``session.toml`` that it was read from."""
    return hashlib.sha256(text.encode()).hexdigest()
