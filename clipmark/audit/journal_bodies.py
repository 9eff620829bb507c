"""Whether every record of a journal can be read, and what it refers to stands before it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from clipmark.audit.journal_finding import JournalFinding
from clipmark.errors import RecordError
from clipmark.record.audit_records import BlindMarking, BlindPlan, Protest, RulingRecord
from clipmark.record.chain import Entry
from clipmark.record.models import (
    Attempt,
    FileRef,
    LensRecord,
    RecordRef,
    Rules,
    SessionRecord,
    Stand,
)
from clipmark.record.texts import Fact, as_model

_MODELS: dict[str, type[Fact]] = {
    "attempt": Attempt,
    "stand": Stand,
    "lens": LensRecord,
    "rules": Rules,
    "session": SessionRecord,
    "protest": Protest,
    "ruling": RulingRecord,
}


def body_findings(entries: Sequence[Entry]) -> Iterator[JournalFinding]:
    """Bodies that cannot be read, embedded files that do not fit, records that are not there."""
    held: set[tuple[str, str, int]] = set()
    lenses: set[str] = set()
    for entry in entries:
        fact, finding = _read(entry)
        if finding is not None:
            yield finding
        if fact is not None:
            for kind, ref in _references(fact):
                if (kind, ref.id, ref.revision) not in held:
                    yield JournalFinding(
                        "reference",
                        f"{entry.kind} {entry.id} refers to {kind} {ref.id}, revision "
                        f"{ref.revision}, which does not stand before it",
                        line=entry.line,
                    )
            lens = getattr(fact, "lens", None)
            if isinstance(lens, FileRef) and lens.sha256 not in (None, *lenses):
                yield JournalFinding(
                    "reference",
                    f"{entry.kind} {entry.id} was measured with the lens file {lens.path} "
                    f"({str(lens.sha256)[:12]}), which does not stand before it",
                    line=entry.line,
                )
        held.add((entry.kind, entry.id, entry.revision))
        if isinstance(fact, LensRecord):
            lenses.add(fact.sha256)


def _read(entry: Entry) -> tuple[Fact | None, JournalFinding | None]:
    model = _MODELS.get(entry.kind)
    body = entry.body
    if entry.kind == "blind":
        model = BlindPlan if body.get("what") == "plan" else BlindMarking
    if model is None:
        return None, None
    what = f"{entry.kind} {entry.id}, revision {entry.revision},"
    try:
        return as_model(model, body, what), None
    except RecordError as error:
        return None, JournalFinding(
            "body",
            f"{error}; this version cannot read it, so what it refers to was not checked (was it "
            "saved by a later version?)",
            line=entry.line,
        )


def _references(fact: Fact) -> Iterator[tuple[str, RecordRef]]:
    """Kind and place of every record that a record names."""
    if isinstance(fact, Attempt):
        named = {"stand": fact.stand, "rules": fact.rules, "session": fact.session}
        yield from ((kind, ref) for kind, ref in named.items() if ref is not None)
    elif isinstance(fact, Protest):
        yield "attempt", fact.attempt
    elif isinstance(fact, RulingRecord):
        yield "protest", fact.protest
        yield "attempt", fact.attempt
    elif isinstance(fact, BlindPlan):
        yield from (("attempt", item.attempt) for item in fact.items)
    elif isinstance(fact, BlindMarking):
        yield "blind", fact.plan
        yield "attempt", fact.attempt
