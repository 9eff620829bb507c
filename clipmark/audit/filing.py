"""Entering protests and filing rulings in the journal.

A protest and its ruling share an id, ``a0003-p1`` for the first protest against attempt a0003. The
attempt's next revision shows the latest claim and its ruling; all else of it stays as it is: the
verdict, the reason and who called it are the judge's, and who marked it and with what stays said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from clipmark.audit.claims import ask, parse_claim
from clipmark.audit.ruling import RuledClaim, ruling_on, trusted_attempt
from clipmark.errors import AuditError, RevisionError
from clipmark.record.audit_records import Protest, RulingRecord
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.journal import Draft
from clipmark.record.models import Attempt, Claim, JournalLine, RecordRef, Ruling
from clipmark.record.texts import as_model, checked_name


@dataclass(frozen=True, eq=False)
class EnteredProtest:
    """A protest as it stands in the journal.

    Attributes
    ----------
    id : str
        Of the protest, and of its ruling.
    revision : int
        Of the protest.
    protest : Protest
    ruling : RulingRecord or None
        The newest ruling on it; None while it is open.
    """

    id: str
    revision: int
    protest: Protest
    ruling: RulingRecord | None = None

    @property
    def open(self) -> bool:
        """Whether nobody has ruled on it."""
        return self.ruling is None


@dataclass(frozen=True, eq=False)
class Filed:
    """What was saved: the protest's id, and the journal's lines."""

    protest_id: str
    lines: tuple[JournalLine, ...]

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints of it."""
        return {
            "protest": self.protest_id,
            "lines": [
                {"seq": x.seq, "kind": x.kind, "id": x.id, "revision": x.revision}
                for x in self.lines
            ],
        }


def protests_of(event: EventFolder, attempt_id: str) -> list[EnteredProtest]:
    """Every protest against an attempt, in the order in which they were entered."""
    event.journal.refresh()
    found = []
    for (kind, record_id), entry in event.journal.chain.newest.items():
        if kind != "protest":
            continue
        protest = as_model(Protest, entry.body, f"the protest {record_id}")
        if protest.attempt.id != attempt_id:
            continue
        held = event.journal.newest("ruling", record_id)
        ruling = as_model(RulingRecord, held.body, f"the ruling {record_id}") if held else None
        found.append(EnteredProtest(record_id, entry.revision, protest, ruling))
    return sorted(found, key=lambda item: _number(item.id))


def protest_of(event: EventFolder, attempt_id: str, protest_id: str) -> EnteredProtest:
    """One protest by its id.

    Raises
    ------
    AuditError
        When the attempt has no such protest.
    """
    there = protests_of(event, attempt_id)
    for item in there:
        if item.id == protest_id:
            return item
    listed = ", ".join(item.id for item in there) or "none"
    raise AuditError(f"attempt {attempt_id} has no protest {protest_id}; entered are: {listed}")


def enter_protest(
    event: EventFolder,
    attempt_id: str,
    claim: Claim | str,
    *,
    by: str,
    protested_by: str = "",
    lodged_at: str | None = None,
    note: str = "",
) -> Filed:
    """Enter a protest without ruling on it; the attempt then shows the claim and no ruling.

    Parameters
    ----------
    event : EventFolder
    attempt_id : str
    claim : Claim or str
    by : str
        Who enters it.
    protested_by : str
        Who protests.
    lodged_at : str, optional
        When it was handed in, RFC 3339, where that was not now.
    note : str

    Raises
    ------
    AuditError
        For a claim that cannot be ruled on, or a journal with a fault.
    RecordError, RevisionError, FolderError
        As `EventFolder.save_attempt`.
    """
    signed = checked_name(by, "who enters the protest")
    saved = trusted_attempt(event, attempt_id)
    asked = ask(attempt_id, saved.attempt, _signed(claim, protested_by))
    protest_id = _next_id(event, attempt_id)
    protest = Protest(
        attempt=RecordRef(id=saved.id, revision=saved.revision),
        claim=asked.claim,
        **({"lodged_at": lodged_at} if lodged_at else {}),
        note=note,
    )
    draft = Draft("protest", protest_id, protest.to_body(), 0)
    lines = _save(event, saved, [draft], asked.claim, None, signed)
    return Filed(protest_id, tuple(lines))


def file_ruling(
    event: EventFolder,
    ruled: RuledClaim,
    *,
    by: str,
    protest_id: str | None = None,
    protested_by: str = "",
    note: str = "",
) -> Filed:
    """Save a ruling; without a `protest_id` with a new protest that it rules on.

    Protest, ruling and the attempt's next revision are saved together or not at all. Ruling again
    on a protest makes a new revision of its ruling. A ruling on a protest that is not the latest
    leaves the attempt alone, which shows the latest.

    Parameters
    ----------
    event : EventFolder
    ruled : RuledClaim
        From `ruling_on`, on the attempt's newest revision.
    by : str
        Who rules.
    protest_id : str, optional
    protested_by : str
        Who protests, for a new protest.
    note : str

    Raises
    ------
    AuditError
        When there is no such protest, or it claims something else than was ruled on.
    RecordError, RevisionError, FolderError
        As `EventFolder.save_attempt`; a newer revision of the attempt, saved since it was ruled
        on, is a `RevisionError`.
    """
    signed = checked_name(by, "who rules")
    saved = trusted_attempt(event, ruled.attempt.id)
    drafts: list[Draft] = []
    claim = _signed(ruled.claim, protested_by)
    if protest_id is None:
        protest_id, protest_revision, base = _next_id(event, saved.id), 1, 0
        protest = Protest(attempt=ruled.attempt, claim=claim, note="")
        drafts.append(Draft("protest", protest_id, protest.to_body(), 0))
    else:
        held = protest_of(event, saved.id, protest_id)
        _refuse_another_claim(held, ruled)
        claim, protest_revision = held.protest.claim, held.revision
        newest = event.journal.newest("ruling", protest_id)
        base = newest.revision if newest else 0
    ruling = ruled.ruling.model_copy(update={"by": signed, "note": _one_line(note)})
    record = RulingRecord(
        protest=RecordRef(id=protest_id, revision=protest_revision),
        attempt=ruled.attempt,
        claim=claim,
        ruling=as_model(Ruling, ruling.to_body(), "the ruling"),
        basis=ruled.basis(),
        versions=dict(ruled.versions),
    )
    drafts.append(Draft("ruling", protest_id, record.to_body(), base))
    latest = max((_number(item.id) for item in protests_of(event, saved.id)), default=0)
    if _number(protest_id) < latest:
        if saved.revision != ruled.attempt.revision:  # else the revision of the attempt says so
            raise RevisionError(
                f"attempt {saved.id} has revision {saved.revision} since revision "
                f"{ruled.attempt.revision} of it was ruled on; rule again, on its newest readings"
            )
        line = event.save_record(
            "ruling", record.to_body(), by=signed, id=protest_id, base_revision=base
        )
        return Filed(protest_id, (line,))
    on = replace(saved, line=saved.line.model_copy(update={"revision": ruled.attempt.revision}))
    lines = _save(event, on, drafts, claim, record.ruling, signed)
    return Filed(protest_id, tuple(lines))


def rule_and_file(
    event: EventFolder, attempt_id: str, protest: EnteredProtest, *, by: str, note: str = ""
) -> tuple[RuledClaim, Filed]:
    """Rule on an entered protest from the newest readings, and save the ruling."""
    ruled = ruling_on(event, attempt_id, protest.protest.claim)
    return ruled, file_ruling(event, ruled, by=by, protest_id=protest.id, note=note)


def _save(
    event: EventFolder,
    saved: SavedAttempt,
    drafts: list[Draft],
    claim: Claim,
    ruling: Ruling | None,
    by: str,
) -> list[JournalLine]:
    """Records and the attempt's next revision, which differs in claim and ruling only."""
    shown = saved.attempt.model_copy(update={"claim": claim, "ruling": ruling})
    body = as_model(Attempt, shown.to_body(), "the attempt")
    return event.save_with_attempt(drafts, body, by=by, id=saved.id, base_revision=saved.revision)


def _signed(claim: Claim | str, protested_by: str) -> Claim:
    found = parse_claim(claim) if isinstance(claim, str) else claim
    if not protested_by:
        return found
    return as_model(Claim, found.to_body() | {"by": protested_by}, "the claim")


def _refuse_another_claim(held: EnteredProtest, ruled: RuledClaim) -> None:
    claim = held.protest.claim
    if str(claim) != str(ruled.claim):
        raise AuditError(
            f"protest {held.id} claims '{claim}', but '{ruled.claim}' was ruled on; rule on what "
            "it claims, or let the ruling enter a protest of its own"
        )


def _next_id(event: EventFolder, attempt_id: str) -> str:
    last = max((_number(item.id) for item in protests_of(event, attempt_id)), default=0)
    return f"{attempt_id}-p{last + 1}"


def _number(protest_id: str) -> int:
    tail = protest_id.rpartition("-p")[2]
    return int(tail) if tail.isdecimal() else 0


def _one_line(note: str) -> str:
    return " ".join(note.split())
