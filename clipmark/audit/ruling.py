"""What the footage says of a claim: it stands, it falls, or it cannot be decided.

The decision rule (JCGM 106:2012, guarded on both sides): a claim stands where it is true with a
probability of 0.95 or more, falls where that is 0.05 or less; otherwise the footage cannot decide.
Nothing is saved here; `clipmark.audit.filing` does that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from pydantic import JsonValue

from clipmark.audit.claims import Asked, ask, parse_claim
from clipmark.audit.knowledge import Chance, Knowledge, Stated
from clipmark.audit.more_footage import would_decide
from clipmark.audit.quantities import Quantity
from clipmark.audit.redraw import Progress, knowledge_of
from clipmark.audit.ruling_words import beside_it, said_of_count, sentences
from clipmark.errors import AuditError
from clipmark.measure.crawl_stall_odds import StallOdds
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.models import Claim, RecordRef, Ruling
from clipmark.record.readings import versions_in_use
from clipmark.uncertainty.digits import number_of

STANDS_FROM, FALLS_TO = 0.95, 0.05
Outcome = Literal["stands", "falls", "cannot decide"]


@dataclass(frozen=True, eq=False)
class RuledClaim:
    """A claim with what the footage says of it; nothing of it is saved yet.

    Attributes
    ----------
    attempt : RecordRef
        The revision whose readings were used.
    claim : Claim
        As it was handed in, its measure by the name used here.
    ruling : Ruling
        Outcome, and the probability that the claim is true; None where only its bounds are known.
    value, u95, low95, high95 : float
        The reading that decides, in `unit`.
    unit : str
    limit : float
        What was claimed, in `unit`; `low` and `high` are the range that makes the claim true.
    chance : Chance
        Bounds of the probability, and its uncertainty by the number of draws.
    distance_u : float or None
        From the limit to the value in standard uncertainties.
    knowledge : dict
        Where the distribution comes from: ``kind, said, u, seed, draws``.
    decides : dict
        Which reading: ``measure, frame, t_s, clip_sha256, fingerprint, software``.
    counted : dict or None
        Of a count: ``shares`` by count, ``stalls`` with the probability of each.
    said, would_decide, beside, notes : tuple of str
        In words: the ruling with both risks; what footage would decide; other facts that compete
        or agree; what must be read with it.
    """

    attempt: RecordRef
    claim: Claim
    ruling: Ruling
    value: float
    u95: float
    low95: float
    high95: float
    unit: str
    limit: float
    low: float
    high: float
    chance: Chance
    distance_u: float | None
    knowledge: dict[str, JsonValue]
    decides: dict[str, JsonValue]
    counted: dict[str, JsonValue] | None = None
    said: tuple[str, ...] = ()
    would_decide: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    versions: dict[str, str] = field(default_factory=versions_in_use)

    def basis(self) -> dict[str, JsonValue]:
        """What the ruling rests on, as its record keeps it."""
        return {
            "value": self.value,
            "u95": self.u95,
            "low95": self.low95,
            "high95": self.high95,
            "unit": self.unit,
            "limit": self.limit,
            "low": number_of(self.low),
            "high": number_of(self.high),
            "probability_low": self.chance.low,
            "probability_high": self.chance.high,
            "probability_u": self.chance.u,
            "distance_u": self.distance_u,
            "distribution": self.knowledge,
            "decides": self.decides,
            "count": self.counted,
            "stands_from": STANDS_FROM,
            "falls_to": FALLS_TO,
            "would_decide": list(self.would_decide),
            "beside": list(self.beside),
            "notes": list(self.notes),
        }

    def to_dict(self) -> dict[str, JsonValue]:
        """What ``--json`` prints."""
        return {
            "attempt": self.attempt.id,
            "revision": self.attempt.revision,
            "claim": self.claim.to_body(),
            "claimed": str(self.claim),
            "outcome": self.ruling.outcome,
            "probability": self.ruling.probability,
            **self.basis(),
            "said": list(self.said),
            "versions": dict(self.versions),
        }


def ruling_on(
    event: EventFolder,
    attempt_id: str,
    claim: Claim | str,
    *,
    progress: Progress | None = None,
) -> RuledClaim:
    """Rule on a claim from the readings that count; nothing is saved.

    Parameters
    ----------
    event : EventFolder
    attempt_id : str
    claim : Claim or str
        Or its text, such as ``ramp >= 53.0 deg``.
    progress : callable, optional
        Called with what is being done ("following", "drawing"), how many are done, and of how many.

    Raises
    ------
    AuditError
        For a claim that cannot be ruled on, and where a fault of the journal lies before the
        attempt.
    RecordError
        When there is no such attempt.
    """
    saved = trusted_attempt(event, attempt_id)
    if isinstance(claim, str):
        claim = parse_claim(claim)
    asked = ask(attempt_id, saved.attempt, claim)
    known, odds, notes = knowledge_of(event, saved.attempt, asked.quantity, progress)
    return _ruled(event, saved, asked, known, odds, notes)


def trusted_attempt(event: EventFolder, attempt_id: str) -> SavedAttempt:
    """The newest revision, where the journal can be trusted that far.

    Raises
    ------
    AuditError
        Where a fault of the journal lies at or before its line.
    RecordError
        When there is no such attempt.
    """
    saved = event.attempt(attempt_id)
    if not saved.trusted:
        fault = event.journal.faults[0] if event.journal.faults else "has a fault"
        raise AuditError(
            f"nothing is ruled on attempt {attempt_id}: {event.journal.path.name} {fault}, and "
            "nothing from there on can be trusted; bring back the journal as it was, from a backup "
            "or from whoever was given a copy"
        )
    return saved


def outcome_of(chance: Chance) -> Outcome:
    """The decision rule, on the bounds of the probability that the claim is true."""
    if chance.low >= STANDS_FROM:
        return "stands"
    return "falls" if chance.high <= FALLS_TO else "cannot decide"


def _ruled(
    event: EventFolder,
    saved: SavedAttempt,
    asked: Asked,
    known: Knowledge,
    odds: StallOdds | None,
    notes: tuple[str, ...],
) -> RuledClaim:
    quantity = asked.quantity
    chance = known.chance(asked.low, asked.high)
    outcome = outcome_of(chance)
    u = known.u
    distance = None if quantity.quality == "count" or u == 0 else (quantity.value - asked.limit) / u
    low95, high95 = _interval(quantity, known)
    probability = chance.p
    if probability is None and outcome != "cannot decide":
        probability = chance.low if outcome == "stands" else chance.high
    ruling = Ruling(outcome=outcome, probability=probability)
    reading = quantity.reading
    return RuledClaim(
        attempt=RecordRef(id=saved.id, revision=saved.revision),
        claim=asked.claim,
        ruling=ruling,
        value=quantity.value,
        u95=(high95 - low95) / 2,
        low95=low95,
        high95=high95,
        unit=quantity.unit,
        limit=asked.limit,
        low=asked.low,
        high=asked.high,
        chance=chance,
        distance_u=distance,
        knowledge={
            "kind": known.kind,
            "said": known.said,
            "u": u,
            "seed": getattr(known, "seed", None),
            "draws": getattr(known, "draws", None),
        },
        decides={
            "measure": reading.measure,
            "frame": reading.frame,
            "t_s": reading.t_s,
            "clip_sha256": reading.clip_sha256,
            "fingerprint": reading.fingerprint,
            "software": str(
                reading.result.get("software")
                or f"clipmark {reading.versions.get('clipmark', '')}".strip()
            ),
        },
        counted=None if odds is None else said_of_count(odds),
        said=sentences(asked, ruling, chance, (low95, high95), distance, known),
        would_decide=would_decide(asked, known, odds, saved) if outcome == "cannot decide" else (),
        beside=beside_it(event, saved, quantity, known),
        notes=(*notes, *_read_with(reading.result)),
    )


def _interval(quantity: Quantity, known: Knowledge) -> tuple[float, float]:
    """The stated interval; of a time with half a frame beside it, the wider one."""
    if isinstance(known, Stated) and quantity.key in ("stalls", "finish_t_s"):
        reach = 1.959963984540054 * known.u
        return max(quantity.value - reach, quantity.lowest), quantity.value + reach
    return quantity.low95, quantity.high95


def _read_with(result: Mapping[str, JsonValue]) -> tuple[str, ...]:
    """Warnings of the reading."""
    found = result.get("warnings")
    return tuple(str(item) for item in found) if isinstance(found, list) else ()
