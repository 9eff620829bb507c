"""The hash chain: which lines of a journal can be trusted, and what is wrong with the others.

Bytes in, findings out. A fault never stops the reading; every line after it is kept but marked as
not trusted, since it may have been written, or rewritten, by anybody. What is kept of a line is
where it lies and whose revision it is; its bytes are read again when they are asked for, so that
a journal of any size can be open.
"""

import io
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

from clipmark.errors import RecordError
from clipmark.record import disk
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
CHUNK_BYTES = 4 << 20  # of a journal, read at once
NUL_RUN = b"\x00" * 16  # a block that the disk promised but never filled
# What follows `body` and `by` in a canonical line, whose nine names stand in order.
_ENDING = re.compile(
    rb',"id":"([A-Za-z0-9._-]{1,64})","kind":"([a-z]{1,16})","previous":"([0-9a-f]{64})",'
    rb'"revision":([1-9][0-9]{0,15}),"seq":([1-9][0-9]{0,15}),"sha256":"([0-9a-f]{64})"\}\Z'
)
_ENDING_BYTES = 400
ReadLine = Callable[[int, int], bytes]  # offset and length of a line, without its line end


@dataclass(frozen=True)
class Fault:
    """What is wrong with one line, by its number from 1."""

    line: int
    reason: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Entry:
    """One readable line: where it stands, whose revision it is, whether it can be trusted."""

    line: int
    offset: int  # of its first byte
    length: int  # bytes, without the line end
    kind: str
    id: str
    revision: int
    seq: int
    sha256: str
    trusted: bool
    read: ReadLine = field(repr=False, compare=False)

    @property
    def raw(self) -> bytes:
        """The bytes of the line, read anew.

        Raises
        ------
        RecordError
            When they are no longer those that were judged.
        FolderError
            When the file cannot be read.
        """
        raw = self.read(self.offset, self.length)
        if len(raw) != self.length or (self.trusted and own_sha256(raw) != self.sha256):
            raise self._changed()
        return raw

    @property
    def body(self) -> JsonObject:
        """The record as it was saved, read anew from the line; raises as `raw` does."""
        return cast(JsonObject, self._fields()["body"])

    def whole(self) -> JournalLine:
        """All nine fields, as a model; raises as `raw` does."""
        return JournalLine.model_validate(self._fields())

    def _fields(self) -> JsonObject:
        try:
            return cast(JsonObject, parse_json(self.raw.decode("utf-8")))
        except ValueError:
            raise self._changed() from None

    def _changed(self) -> RecordError:
        return RecordError(
            f"line {self.line} of the journal was changed or taken away while it was open; close "
            "the event and open it again, and compare it with a backup"
        )


def is_id(text: str) -> bool:
    """Whether `text` can name a record: letters, digits, dot, dash, underscore, at most 64."""
    return bool(_ID.fullmatch(text))


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

    Parameters
    ----------
    read : callable
        Gives the bytes of a line again, from its offset and its length.

    Attributes
    ----------
    entries : list of Entry
        Every line that could be read, in order.
    faults : list of Fault
        What is wrong, in order of lines; empty for a sound journal.
    newest : dict
        The entry with the highest revision of each (kind, id).
    of_kind : dict
        The entries of each kind, in order.
    highest_number : dict
        By kind and first letter, the highest number in ids such as ``a0012``.
    lines : int
        Number of lines taken so far, readable or not.
    last_raw : bytes
        The last line that could be read.
    """

    def __init__(self, read: ReadLine) -> None:
        self.entries: list[Entry] = []
        self.faults: list[Fault] = []
        self.newest: dict[tuple[str, str], Entry] = {}
        self.of_kind: dict[str, list[Entry]] = {kind: [] for kind in KINDS}
        self.highest_number: dict[tuple[str, str], int] = {}
        self.lines = 0
        self.last_raw = b""
        self._read = read
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

    def take(self, raw: bytes, offset: int, *, ending: str = "") -> None:
        """Judge one line.

        Parameters
        ----------
        raw : bytes
            The line without its line end.
        offset : int
            Where it begins.
        ending : str
            What is wrong with the line end.
        """
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
        revision, seq = cast(int, fields["revision"]), cast(int, fields["seq"])
        kind, record_id = str(fields["kind"]), str(fields["id"])
        self._keep(raw, offset, kind, record_id, revision, seq, str(fields["sha256"]))

    def take_judged(self, raw: bytes, offset: int) -> bool:
        """Take a line that is said to have been judged and found sound before.

        Its hash and its place are checked, its form is not. Where the last line taken so has the
        hash that it had when it was judged, all before it are byte for byte what they were, since
        each line's hash covers its bytes and the hash of the line before.

        Returns
        -------
        bool
            False where it does not fit; the chain is of no use then.
        """
        found = _ENDING.search(raw, max(0, len(raw) - _ENDING_BYTES))
        if found is None:
            return False
        record_id, kind, previous, revision, seq, sha256 = found.group(1, 2, 3, 4, 5, 6)
        key = (kind.decode("ascii"), record_id.decode("ascii"))
        held = self.newest.get(key)
        if (
            previous.decode("ascii") != self._last_sha256
            or int(seq) != self.next_seq
            or int(revision) != (held.revision + 1 if held else 1)
            or own_sha256(raw) != (stated := sha256.decode("ascii"))
            or key[0] not in self.of_kind
        ):
            return False
        self.lines += 1
        self._keep(raw, offset, *key, int(revision), int(seq), stated)
        return True

    def _keep(
        self, raw: bytes, offset: int, kind: str, record_id: str, revision: int, seq: int,
        sha256: str,
    ) -> None:  # fmt: skip
        """Keep what a readable line says."""
        trusted = not self.faults
        entry = Entry(
            self.lines,
            offset,
            len(raw),
            kind,
            record_id,
            revision,
            seq,
            sha256,
            trusted,
            self._read,
        )
        self.entries.append(entry)
        self.of_kind[kind].append(entry)
        held = self.newest.get((kind, record_id))
        if held is None or revision > held.revision:
            self.newest[kind, record_id] = entry
        if record_id[1:].isdecimal():
            series = (kind, record_id[0])
            number = max(self.highest_number.get(series, 0), int(record_id[1:]))
            self.highest_number[series] = number
        self.last_raw = raw
        self._last_sha256, self._last_seq = sha256, seq

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
    blocks that were promised but never filled. Where a whole line follows, it was saved after
    them, so that they are no torn end but a fault.
    """
    *lines, rest = data.split(b"\n")
    for number, line in enumerate(lines):
        if NUL_RUN in line:
            if not any(is_whole_line(later) for later in (*lines[number + 1 :], rest)):
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


def take_lines(chain: Chain, read: Callable[[int], bytes], offset: int) -> tuple[int, bytes]:
    """Judge everything that is left of a journal, in stretches.

    Parameters
    ----------
    chain : Chain
        What was judged before.
    read : callable
        Gives the next bytes, at most so many; all of them when asked for -1.
    offset : int
        Where these begin.

    Returns
    -------
    int, bytes
        Where the last whole line ends, and what stands after it.
    """
    rest = b""
    while chunk := read(CHUNK_BYTES):
        data = rest + chunk
        if NUL_RUN in data:  # a torn end, or a fault: what follows tells
            data += read(-1)
        lines, rest = split_lines(data)
        for raw in lines:
            chain.take(raw, offset)
            offset += len(raw) + 1
    return offset, rest


def read_chain(data: bytes | Path) -> tuple[Chain, bytes]:
    """Judge a whole journal, from the beginning whatever any checkpoint says.

    Parameters
    ----------
    data : bytes or Path
        Its bytes, or the file, of which a stretch at a time is held.

    Returns
    -------
    Chain, bytes
        What it says, and the torn bytes after its last whole line.

    Raises
    ------
    FolderError
        When the file cannot be read.
    """
    if isinstance(data, bytes):
        chain = Chain(lambda offset, length: data[offset : offset + length])
        offset, rest = take_lines(chain, io.BytesIO(data).read, 0)
    else:
        chain = Chain(lambda offset, length: disk.read_stretch(data, offset, length))
        try:
            with data.open("rb") as source:
                offset, rest = take_lines(chain, source.read, 0)
        except OSError as error:
            raise disk.explain(error, "read the journal", data) from error
    return chain, take_rest(chain, rest, offset) if rest else b""


def take_rest(chain: Chain, rest: bytes, offset: int) -> bytes:
    """Judge what follows the last line end; return what of it is torn.

    A whole sealed line that only lacks its line end is as good as any: it is taken. One whose
    line end was turned into another byte is taken with a fault. Anything else is torn.
    """
    if is_whole_line(rest):
        chain.take(rest, offset)
        return b""
    if is_whole_line(rest[:-1]):
        chain.take(rest[:-1], offset, ending="its line end was changed into another character")
        return b""
    return rest
