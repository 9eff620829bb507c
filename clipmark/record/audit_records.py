"""What an audit keeps in the journal: protests, rulings, blind markings.

A protest and its ruling are records of their own. The attempt's next revision shows the claim and
the outcome beside the judge's call, which no audit changes.
"""

from typing import Literal

from pydantic import Field, JsonValue

from clipmark.record.markings import Mark
from clipmark.record.models import (
    Claim,
    Declared,
    FailReason,
    RecordRef,
    Ruling,
    Verdict,
    VoidReason,
)
from clipmark.record.readings import Reading
from clipmark.record.texts import Count, Fact, Instant, Label, Name, Note, Ordinal


class Protest(Fact):
    """A claim against a result, as it was handed in. Kind ``protest``."""

    attempt: RecordRef  # the revision that is disputed
    claim: Claim  # ``claim.by`` says who protests
    lodged_at: Instant | None = None  # when it was handed in, where that was not when it was saved
    note: Note = ""


class RulingRecord(Fact):
    """What the footage says of a claim, with everything it was drawn from. Kind ``ruling``.

    ``basis`` holds the value that was held against the claim, its uncertainty and distribution,
    seed and draws, and what footage would decide where this one cannot.
    """

    protest: RecordRef
    attempt: RecordRef  # the revision whose readings were used
    claim: Claim
    ruling: Ruling
    basis: dict[str, JsonValue] = Field(default_factory=dict)
    versions: dict[str, str] = Field(default_factory=dict)


class BlindItem(Fact):
    """One picture to be marked without knowing whose it is."""

    attempt: RecordRef  # the revision that it is compared with
    showing: Ordinal = 1  # 2, 3, ... where the same attempt is shown again, unknown to the marker


class BlindPlan(Fact):
    """Which attempts a second marker is shown, and in which order. Kind ``blind``, id ``b001``."""

    what: Literal["plan"] = "plan"
    marker: Name
    items: tuple[BlindItem, ...]
    seed: Count  # of the order
    closed: bool = False  # the marker is done; only then is anything compared
    note: Note = ""


class BlindMarking(Fact):
    """What the second marker set on one item. Kind ``blind``, id ``b001-007`` for the 7th item."""

    what: Literal["marking"] = "marking"
    plan: RecordRef
    item: Ordinal  # place in the plan, from 1
    attempt: RecordRef
    showing: Ordinal = 1
    marker: Name
    marks: tuple[Mark, ...] = ()
    declared: Declared | None = None
    readings: tuple[Reading, ...] = ()
    verdict: Verdict | None = None
    reason: FailReason | VoidReason | None = None
    left_out: Label = ""  # why the marker could not mark it
    marked_at: Instant | None = None
