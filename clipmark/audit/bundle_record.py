"""What a bundle says of the record, drawn from the journal alone.

Whoever makes a bundle and whoever checks one call the same functions: the files of the record are
made anew from the journal's lines and compared byte for byte, so that none of them can say what
the journal does not.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import cast

from pydantic import JsonValue

from clipmark.errors import AuditError
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Chain, Entry, read_chain
from clipmark.record.models import Attempt, FileRef, RecordRef, Stand
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model

FOLDER = "record"
JOURNAL = f"{FOLDER}/journal.jsonl"
PAGE = "read-me-first.html"
MANIFEST = "manifest.json"
SUMS = "SHA256SUMS"
_PROOF = re.compile(r"[0-9a-f]{64}")
_OF_A_CRAWL = ("first", "last")
_BUDGET_COLUMNS = ("reading", "measure", "value", "source", "kind", "standard_uncertainty", "unit",
                   "degrees_of_freedom", "advice")  # fmt: skip


@dataclass(frozen=True)
class NamedFrame:
    """A frame that the record names and gives a fingerprint of.

    Attributes
    ----------
    ordinal : int
        In the recorded clip.
    fingerprint : str
    roles : tuple of str
        What it was used for, in words.
    of : {'attempt', 'stand'}
        Whose clip.
    """

    ordinal: int
    fingerprint: str
    roles: tuple[str, ...]
    of: str = "attempt"

    @property
    def member(self) -> str:
        """Name of its picture in the bundle."""
        return f"frames/{self.stem}.png"

    @property
    def overlay(self) -> str:
        """Name of the drawing on it."""
        return f"overlays/{self.stem}.png"

    @property
    def stem(self) -> str:
        """The part that both names share."""
        return f"{'stand' if self.of == 'stand' else 'frame'}-{self.ordinal:06d}"


@dataclass(frozen=True)
class BundleRecord:
    """One attempt as the journal holds it, with everything it refers to.

    Attributes
    ----------
    chain : Chain
        The journal, judged.
    entry : Entry
        The newest revision of the attempt.
    attempt : Attempt
    stand : Stand or None
        As it was when the attempt was saved.
    event : str
        Name of the event; empty where the journal does not hold it.
    protests, rulings : tuple of Entry
        All revisions that speak of this attempt, in order.
    members : dict
        Files of the record, by name.
    """

    chain: Chain
    entry: Entry
    attempt: Attempt
    stand: Stand | None
    event: str
    protests: tuple[Entry, ...]
    rulings: tuple[Entry, ...]
    members: dict[str, bytes] = field(repr=False)

    @property
    def head(self) -> JsonObject:
        """The last line of the journal: number, time, hash."""
        last = self.chain.entries[-1]
        return {"seq": last.seq, "at": last.whole().at, "sha256": last.sha256}

    @property
    def place(self) -> JsonObject:
        """Which line holds the attempt."""
        return {
            "id": self.entry.id,
            "revision": self.entry.revision,
            "seq": self.entry.seq,
            "sha256": self.entry.sha256,
        }

    @property
    def state(self) -> JsonObject:
        """How many lines the journal has, and what is wrong with it."""
        return {"lines": self.chain.lines, "faults": [str(f) for f in self.chain.faults]}

    @property
    def frames(self) -> tuple[NamedFrame, ...]:
        """Frames that readings and stand name, in order."""
        found = _frames_of(self.attempt)
        stand = self.stand
        if (
            stand is not None
            and stand.reference_frame is not None
            and _PROOF.fullmatch(stand.reference_fingerprint)
        ):
            found.append(
                NamedFrame(
                    stand.reference_frame,
                    stand.reference_fingerprint,
                    ("reference picture of the stand",),
                    "stand",
                )
            )
        return tuple(found)


def read_record(journal: bytes, attempt_id: str) -> BundleRecord:
    """Find one attempt in a journal, and everything that belongs to it.

    Parameters
    ----------
    journal : bytes
        Whole lines, from the first.
    attempt_id : str

    Raises
    ------
    AuditError
        When the attempt is not there.
    RecordError
        When its body, or one it refers to, is of a form that this version does not know.
    """
    chain, torn = read_chain(journal)
    entry = chain.newest.get(("attempt", attempt_id))
    if entry is None:
        raise AuditError(
            f"there is no attempt {attempt_id} in the journal; `clipmark attempts FOLDER` lists "
            "those that are there"
        )
    attempt = as_model(Attempt, entry.body, f"attempt {attempt_id}")
    stand_entry = _referred(chain, "stand", attempt.stand)
    stand = None if stand_entry is None else as_model(Stand, stand_entry.body, "the stand")
    rules = _referred(chain, "rules", attempt.rules)
    session = _referred(chain, "session", attempt.session)
    protests = _about(chain, "protest", attempt_id)
    rulings = _about(chain, "ruling", attempt_id)
    members = {
        JOURNAL: journal[: len(journal) - len(torn)],
        f"{FOLDER}/attempt.json": pretty(_without(entry.body, "marks", "declared", "readings")),
        f"{FOLDER}/marks.json": pretty(
            {"marks": entry.body.get("marks"), "declared": entry.body.get("declared")}
        ),
        f"{FOLDER}/readings.json": pretty(entry.body.get("readings")),
        f"{FOLDER}/budget.csv": _budget(attempt.readings),
    }
    if rules is not None:
        members[f"{FOLDER}/event.toml"] = str(rules.body.get("text", "")).encode("utf-8")
    if session is not None:
        members[f"{FOLDER}/session.json"] = pretty(session.body)
    if stand_entry is not None:
        members[f"{FOLDER}/stand.json"] = pretty(stand_entry.body)
    for kind, entries in (("protests", protests), ("rulings", rulings)):
        if entries:
            members[f"{FOLDER}/{kind}.json"] = pretty([_line(item) for item in entries])
    for reference in (attempt.lens, stand.lens if stand else None):
        members |= _lens(chain, reference)
    return BundleRecord(
        chain, entry, attempt, stand, _event_name(rules), protests, rulings, members
    )


def pretty(value: JsonValue) -> bytes:
    """JSON for people: names in order, indented, UTF-8; the same value gives the same bytes."""
    text = json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def _referred(chain: Chain, kind: str, reference: RecordRef | None) -> Entry | None:
    if reference is None:
        return None
    for entry in chain.entries:
        if (entry.kind, entry.id, entry.revision) == (kind, reference.id, reference.revision):
            return entry
    return None


def _about(chain: Chain, kind: str, attempt_id: str) -> tuple[Entry, ...]:
    """Every revision of protests or rulings that name the attempt."""
    found = []
    for entry in chain.entries:
        if entry.kind == kind:
            named = entry.body.get("attempt")
            if isinstance(named, dict) and named.get("id") == attempt_id:
                found.append(entry)
    return tuple(found)


def _line(entry: Entry) -> JsonObject:
    return cast(JsonObject, entry.whole().model_dump(mode="json"))


def _without(body: JsonObject, *names: str) -> JsonObject:
    return {name: value for name, value in body.items() if name not in names}


def _lens(chain: Chain, reference: FileRef | None) -> dict[str, bytes]:
    """The lens file that was used, word for word."""
    if reference is None:
        return {}
    for entry in chain.entries:
        if entry.kind == "lens" and entry.body.get("sha256") == reference.sha256:
            return {f"{FOLDER}/lens/{entry.id}.json": str(entry.body.get("text")).encode("utf-8")}
    return {}


def _event_name(rules: Entry | None) -> str:
    from clipmark.record.sheets import event_name

    if rules is None:
        return ""
    try:
        return event_name(str(rules.body.get("text", "")))
    except ValueError:
        return ""


def _frames_of(attempt: Attempt) -> list[NamedFrame]:
    """Frames with a fingerprint in the readings; one that several name stands once."""
    found: dict[int, NamedFrame] = {}
    for ordinal, fingerprint, role in _named(attempt.readings):
        held = found.get(ordinal)
        if held is None:
            found[ordinal] = NamedFrame(ordinal, fingerprint, (role,))
        elif role not in held.roles:
            found[ordinal] = NamedFrame(ordinal, held.fingerprint, (*held.roles, role))
    return [found[ordinal] for ordinal in sorted(found)]


def _named(readings: tuple[Reading, ...]) -> Iterator[tuple[int, str, str]]:
    for reading in readings:
        which = f"frame of the {reading.measure} reading"
        if reading.frame is not None and _PROOF.fullmatch(reading.fingerprint):
            yield reading.frame, reading.fingerprint, which
        for end in _OF_A_CRAWL:
            ordinal = reading.result.get(f"{end}_frame")
            proof = reading.result.get(f"{end}_fingerprint")
            if type(ordinal) is int and isinstance(proof, str) and _PROOF.fullmatch(proof):
                yield ordinal, proof, f"{end} frame of the {reading.measure} reading"


def contradicting(attempt: Attempt) -> list[int]:
    """Frames of which two readings give different fingerprints."""
    first: dict[int, str] = {}
    return sorted(
        {n for n, proof, _ in _named(attempt.readings) if first.setdefault(n, proof) != proof}
    )


def _budget(readings: tuple[Reading, ...]) -> bytes:
    """Every contribution to every uncertainty, one row each (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_BUDGET_COLUMNS)
    for place, reading in enumerate(readings, start=1):
        budget = reading.result.get("budget")
        for value, rows in sorted(budget.items()) if isinstance(budget, dict) else ():
            for row in rows if isinstance(rows, list) else ():
                if isinstance(row, dict):
                    writer.writerow(_budget_row(place, reading.measure, value, row))
    return out.getvalue().encode("utf-8")


def _budget_row(place: int, measure: str, value: str, row: Mapping[str, JsonValue]) -> list[str]:
    name = next((key for key in sorted(row) if key == "u" or key.startswith("u_")), "")
    unit = name.removeprefix("u").removeprefix("_")
    told = (row.get("source"), row.get("kind"), row.get(name), unit, row.get("dof"))
    cells = (place, measure, value, *told, row.get("advice"))
    return [_cell(cell) for cell in cells]


def _cell(value: object) -> str:
    """A cell that no spreadsheet runs as a formula."""
    if value is None:
        return ""
    if isinstance(value, (int, float)):
        return repr(value)
    text = str(value)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def clip_member(path: str) -> str:
    """Name of a clip in a bundle: its own, with plain letters."""
    own = PurePosixPath(path).name
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "-" for c in own)
    plain = plain.strip(".-")[-80:].strip(".-")
    return f"clip/{plain or 'clip'}"
