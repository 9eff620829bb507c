"""A closed blind plan held against the first markings, value by value.

Two markings of one clip share lens, plane, lengths and footage: an error there moves both alike.
So only what the marks themselves bring in stands in the uncertainty of their difference
(JCGM 100:2008, 5.2; see `clipmark.uncertainty.comparison`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from clipmark.audit.blind import SavedPlan, attempt_at, the_plan
from clipmark.audit.compare import ROUNDING
from clipmark.audit.shared import compare_values, nearest_turn
from clipmark.errors import AuditError
from clipmark.record.audit_records import BlindMarking
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading, beside
from clipmark.uncertainty.comparison import Comparison
from clipmark.uncertainty.kappa import VerdictTable, verdict_table

VERDICTS = ("cleared", "failed", "void")


@dataclass(frozen=True)
class ValueCompared:
    """One measured value of one picture, as two markings gave it.

    Attributes
    ----------
    name : str
        ``ramp_deg``, ``mean_speed_mm_s`` ...
    first, first_u95, second, second_u95 : float
        Value and expanded uncertainty (95 %) of each marking, in the unit of the name.
    comparison : Comparison or None
        Second less first; None where no budget says what the two share.
    """

    name: str
    first: float
    first_u95: float
    second: float
    second_u95: float
    comparison: Comparison | None

    @property
    def difference(self) -> float:
        """Second less first."""
        return self.second - self.first

    def to_dict(self) -> dict[str, object]:
        """JSON form; ``difference_u95`` and ``e_n`` are None where they are not known."""
        told = self.comparison
        e_n = None if told is None or not math.isfinite(told.e_n) else told.e_n
        return {
            "name": self.name,
            "original": self.first,
            "original_u95": self.first_u95,
            "blind": self.second,
            "blind_u95": self.second_u95,
            "difference": self.difference if told is None else told.difference,
            "difference_u95": None if told is None else told.expanded,
            "e_n": e_n,
            "verdict": None if told is None else told.verdict,
            "shared": [] if told is None else list(told.shared),
        }


@dataclass(frozen=True)
class ItemCompared:
    """One signed picture beside the first marking, or a hidden repeat beside its first showing.

    Attributes
    ----------
    item : int
        Place in the plan, from 1.
    attempt : str
    showing : int
        1, or 2 of one that was shown again.
    values : tuple of ValueCompared
    first_verdict, second_verdict : str or None
        With the reason behind a colon.
    left_out : str
        Why the marker could not mark it; then there are no values.
    """

    item: int
    attempt: str
    showing: int
    values: tuple[ValueCompared, ...]
    first_verdict: str | None
    second_verdict: str | None
    left_out: str = ""

    def to_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "item": self.item,
            "attempt": self.attempt,
            "showing": self.showing,
            "values": [value.to_dict() for value in self.values],
            "original_verdict": self.first_verdict,
            "blind_verdict": self.second_verdict,
            "left_out": self.left_out,
        }


@dataclass(frozen=True)
class PlanCompared:
    """What a closed plan says.

    Attributes
    ----------
    plan : SavedPlan
    items : tuple of ItemCompared
        Signed pictures, in the order shown, each against the first marking.
    repeats : tuple of ItemCompared
        Pictures shown again against their own first showing: "original" is that one.
    verdicts : VerdictTable or None
        First showings on which both gave a verdict; None without any.
    """

    plan: SavedPlan
    items: tuple[ItemCompared, ...]
    repeats: tuple[ItemCompared, ...]
    verdicts: VerdictTable | None

    @property
    def at_odds(self) -> int:
        """Values that are at odds with the first marking."""
        return sum(1 for told in self._told if told.verdict == "at odds")

    @property
    def compared(self) -> int:
        """Values that could be compared."""
        return len(self._told)

    @property
    def _told(self) -> list[Comparison]:
        values = [value for item in self.items for value in item.values]
        return [value.comparison for value in values if value.comparison is not None]

    def to_dict(self) -> dict[str, object]:
        """JSON form."""
        table = self.verdicts
        return {
            "plan": self.plan.id,
            "marker": self.plan.plan.marker,
            "pictures": self.plan.total,
            "marked": sum(1 for item in self.items if not item.left_out),
            "seed": self.plan.plan.seed,
            "same_frame": True,
            "compared": self.compared,
            "at_odds": self.at_odds,
            "items": [item.to_dict() for item in self.items],
            "repeats": [item.to_dict() for item in self.repeats],
            "verdicts": None if table is None else _verdicts_dict(table),
        }


def compare(event: EventFolder, plan_id: str) -> PlanCompared:
    """Hold every signed picture of a closed plan against the first marking.

    Parameters
    ----------
    event : EventFolder
    plan_id : str

    Raises
    ------
    AuditError
        When there is no such plan, it is still open, or nothing in it was marked.
    RecordError, FolderError
        When the journal cannot be read.
    """
    saved = the_plan(event, plan_id)
    if not saved.plan.closed:
        raise AuditError(
            f"plan {plan_id} is open, with {len(saved.markings)} of {saved.total} pictures marked; "
            "what it says would no longer be blind, so close it first (--close)"
        )
    if not saved.markings:
        raise AuditError(f"nothing was marked in plan {plan_id}, so there is nothing to compare")
    signed = [saved.markings[item] for item in sorted(saved.markings)]
    items, repeats = [], []
    before: dict[str, BlindMarking] = {}
    for marking in signed:
        original = attempt_at(event, marking.attempt)
        items.append(_compared(marking, original.readings, original))
        first = before.get(marking.attempt.id)
        if first is not None and not (first.left_out or marking.left_out):
            repeats.append(_compared(marking, first.readings, first))
        before.setdefault(marking.attempt.id, marking)
    return PlanCompared(saved, tuple(items), tuple(repeats), _verdicts(event, signed))


def _compared(
    marking: BlindMarking,
    readings: Sequence[Reading],
    against: Attempt | BlindMarking,
) -> ItemCompared:
    values: list[ValueCompared] = []
    for new in marking.readings:
        old = next((r for r in reversed(readings) if r.measure == new.measure), None)
        if old is not None:
            values += _values(old, new)
    return ItemCompared(
        marking.item,
        marking.attempt.id,
        marking.showing,
        tuple(values),
        _verdict_text(against),
        _verdict_text(marking),
        marking.left_out,
    )


def _values(old: Reading, new: Reading) -> Iterable[ValueCompared]:
    for name, value, u95 in old.values():
        now, now_u95 = new.number(name), new.number(beside(name, "u95"))
        if now is not None and now_u95 is not None:
            now = nearest_turn(now, value, name)
            told = compare_values(new, old, name)
            if told is not None and abs(told.difference) <= ROUNDING * max(1.0, abs(value)):
                told = replace(told, difference=0.0)  # the very same marks share all there is
            yield ValueCompared(name, value, u95, now, now_u95, told)


def _verdict_text(of: Attempt | BlindMarking) -> str | None:
    if of.verdict is None:
        return None
    return of.verdict if of.reason is None else f"{of.verdict}: {of.reason}"


def _verdicts(event: EventFolder, signed: Sequence[BlindMarking]) -> VerdictTable | None:
    pairs = []
    for marking in signed:
        called = attempt_at(event, marking.attempt).verdict
        if marking.showing == 1 and called is not None and marking.verdict is not None:
            pairs.append((called, marking.verdict))
    if not pairs:
        return None
    return verdict_table([a for a, _ in pairs], [b for _, b in pairs], VERDICTS)


def _verdicts_dict(table: VerdictTable) -> dict[str, object]:
    kappa = table.kappa
    return {
        "classes": list(table.classes),
        "counts": [list(row) for row in table.counts],
        "n": table.n,
        "agreed": table.agreed.value,
        "agreed_low95": table.agreed.low,
        "agreed_high95": table.agreed.high,
        "kappa": None if kappa is None else kappa.value,
        "kappa_low95": None if kappa is None or kappa.interval is None else kappa.interval[0],
        "kappa_high95": None if kappa is None or kappa.interval is None else kappa.interval[1],
        "why_no_kappa": table.why_not,
    }
