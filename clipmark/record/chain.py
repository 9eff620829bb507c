"""The hash chain: which lines of a journal can be trusted, and what is wrong with the others.

Pure: bytes in, findings out. A fault never stops the reading; every line after it is kept but
marked as not trusted, since it may have been written, or rewritten, by anybody.
"""

import re
from dataclasses import dataclass
from typing import cast

from clipmark.record.canonical import (
    FIRST_PREVIOUS,
    LINE_FIELDS,
    JsonObject,
    own_sha256,
    parse_json,
    read_canonical,
)
from clipmark.record.instants import is_written_form
from clipmark.record.models import KINDS, JournalLine

_HASH = re.compile(r"[0-9a-f]{64}")
ID_PATTERN = r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}"  # of what names a record
_ID = re.compile(ID_PATTERN)
_NUL_RUN = b"\x00" * 16  # a block that the disk promised but never filled


@dataclass(frozen=True)
class Fault:
    """What is wrong with one line, by its number from 1."""

    line: int
    reason: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}"


@dataclass(frozen=True)
class Entry:
    """One readable line: where it stands, whose revision it is, whether it can be trusted."""

    line: int
    raw: bytes
    kind: str
    id: str
    revision: int
    seq: int
    sha256: str
    trusted: bool

    @property
    def body(self) -> JsonObject:
        """The record as it was saved, read anew from the line."""
        return cast(JsonObject, _fields_of(self.raw)["body"])

    def whole(self) -> JournalLine:
        """All nine fields, as a model."""
        return JournalLine.model_validate(_fields_of(self.raw))


def is_id(text: str) -> bool:
    """Whether `text` can name a record: letters, digits, dot, dash, underscore, at most 64."""
    return bool(_ID.fullmatch(text))


def _fields_of(raw: bytes) -> JsonObject:
    return cast(JsonObject, parse_json(raw.decode("utf-8")))


def _form_reason(fields: object) -> str | None:
    """Why an object is not a journal line, or None."""
    if not isinstance(fields, dict) or tuple(sorted(fields)) != LINE_FIELDS:
        return "it has not the nine fields of a journal line"
    numbers = (fields["seq"], fields["revision"])
    if any(type(number) is not int or number < 1 for number in numbers):
        return "seq and revision must be whole numbers from 1"
    if fields["kind"] not in KINDS:
        return f"the kind {fields['kind']!r} is not known to this version"
    if not (isinstance(fields["id"], str) and is_id(fields["id"])):
        return f"the id {fields['id']!r} is not a name"
    if not (isinstance(fields["at"], str) and is_written_form(fields["at"])):
        return f"the time {fields['at']!r} is not of the form 2026-11-25T13:37:00.000Z"
    if not (isinstance(fields["by"], str) and fields["by"] and isinstance(fields["body"], dict)):
        return "by must be a name and body a table"
    hashes = (fields["previous"], fields["sha256"])
    if not all(isinstance(item, str) and _HASH.fullmatch(item) for item in hashes):
        return "previous and sha256 must be 64 hexadecimal digits"
    return None


class Chain:
    """Takes the lines of one journal in order and keeps what they say.

    Attributes
    ----------
    entries : list of Entry
        Every line that could be read, in order.
    faults : list of Fault
        What is wrong, in order of lines; empty for a sound journal.
    newest : dict
        The entry with the highest revision of each (kind, id).
    lines : int
        Number of lines taken so far, readable or not.
    """

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.faults: list[Fault] = []
        self.newest: dict[tuple[str, str], Entry] = {}
        self.lines = 0
        self._last_sha256: str | None = FIRST_PREVIOUS  # None after a line nobody can read
        self._last_seq: int | None = 0

    @property
    def last_sha256(self) -> str:
        """What the next line must name as ``previous``."""
        return self._last_sha256 or FIRST_PREVIOUS

    @property
    def next_seq(self) -> int:
        """The number that the next line must carry."""
        return (self._last_seq or 0) + 1

    def take(self, raw: bytes, *, ending: str = "") -> None:
        """Judge one line (without its line end); `ending` says what is wrong with the line end."""
        self.lines += 1
        try:
            fields = read_canonical(raw)
            form = _form_reason(fields)
        except ValueError as error:
            fields, form = None, str(error)
        if form is not None or not isinstance(fields, dict):
            self._add_fault(form or "it is not a table")
            self._last_sha256 = self._last_seq = None
            return
        reasons = [ending] if ending else []
        reasons += self._chain_reasons(raw, fields)
        if reasons:
            self._add_fault("; ".join(reasons))
        entry = Entry(
            line=self.lines,
            raw=raw,
            kind=str(fields["kind"]),
            id=str(fields["id"]),
            revision=cast(int, fields["revision"]),
            seq=cast(int, fields["seq"]),
            sha256=str(fields["sha256"]),
            trusted=not self.faults,
        )
        self.entries.append(entry)
        held = self.newest.get((entry.kind, entry.id))
        if held is None or entry.revision > held.revision:
            self.newest[entry.kind, entry.id] = entry
        self._last_sha256, self._last_seq = entry.sha256, entry.seq

    def _add_fault(self, reason: str) -> None:
        self.faults.append(Fault(self.lines, reason))

    def _chain_reasons(self, raw: bytes, fields: JsonObject) -> list[str]:
        reasons = []
        if fields["sha256"] != own_sha256(raw):
            reasons.append("the line was changed after it was written: its hash does not fit")
        if self._last_sha256 is not None and fields["previous"] != self._last_sha256:
            reasons.append("it was not written after the line that now stands before it")
        if self._last_seq is not None and fields["seq"] != self._last_seq + 1:
            reasons.append(f"its seq is {fields['seq']} where {self._last_seq + 1} belongs")
        held = self.newest.get((str(fields["kind"]), str(fields["id"])))
        expected = held.revision + 1 if held else 1
        if self._last_seq is not None and fields["revision"] != expected:
            reasons.append(
                f"revision {fields['revision']} of {fields['kind']} {fields['id']} stands where "
                f"revision {expected} belongs"
            )
        return reasons


def split_lines(data: bytes) -> tuple[list[bytes], bytes]:
    """Cut a stretch of journal into whole lines (without LF) and what is left after the last LF.

    Lines at the end that hold a run of NUL bytes belong to what is left: a power cut can leave
    blocks that were promised but never filled.
    """
    *lines, rest = data.split(b"\n")
    for number, line in enumerate(lines):
        if _NUL_RUN in line:
            rest = b"\n".join([*lines[number:], rest])
            lines = lines[:number]
            break
    return lines, rest


def is_whole_line(raw: bytes) -> bool:
    """Whether `raw` is a sealed line that lacks nothing but its line end."""
    try:
        fields = read_canonical(raw)
    except ValueError:
        return False
    return (
        isinstance(fields, dict)
        and _form_reason(fields) is None
        and fields["sha256"] == own_sha256(raw)
    )


def read_chain(data: bytes) -> tuple[Chain, bytes]:
    """Judge a whole journal; return the chain and the torn bytes after its last whole line."""
    chain = Chain()
    lines, rest = split_lines(data)
    for raw in lines:
        chain.take(raw)
    if rest:
        rest = take_rest(chain, rest)
    return chain, rest


def take_rest(chain: Chain, rest: bytes) -> bytes:
    """Judge what follows the last line end; return what of it is torn.

    A whole sealed line that only lacks its line end is as good as any: it is taken. One whose
    line end was turned into another byte is taken with a fault. Anything else is torn.
    """
    if is_whole_line(rest):
        chain.take(rest)
        return b""
    if is_whole_line(rest[:-1]):
        chain.take(rest[:-1], ending="its line end was changed into another character")
        return b""
    return rest
