"""Who marked which attempt, how often, and what came out: gathered from the journal for a study.

The original marking of an attempt is the revision that a blind plan names. Blind markings count
when their plan is closed: nothing is compared while a marker is still at it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from clipmark.errors import AuditError
from clipmark.record.audit_records import BlindMarking, BlindPlan
from clipmark.record.chain import Entry
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt
from clipmark.record.readings import HEADLINES, Reading
from clipmark.record.texts import as_model

MEASURES = ("angle", "crawl", "tilt", "climb")


@dataclass(frozen=True)
class Marking:
    """One marking of one attempt by one person.

    Attributes
    ----------
    attempt, test, entry : str
    marker : str
        Who set the marks, as first written.
    blind : bool
        Whether it was made without knowing whose attempt it was.
    readings : tuple of Reading
    verdict : str or None
    """

    attempt: str
    test: str
    entry: str
    marker: str
    blind: bool
    readings: tuple[Reading, ...]
    verdict: str | None

    def reading_of(self, value: str) -> Reading | None:
        """The reading that holds a value with its uncertainty, or None."""
        for measure in MEASURES:
            found = [reading for reading in self.readings if reading.measure == measure]
            if found and value in {name for name, _, _ in found[-1].values()}:
                return found[-1]
        return None

    def number(self, value: str) -> float | None:
        """A value that has an uncertainty, or None."""
        reading = self.reading_of(value)
        return None if reading is None else reading.number(value)


@dataclass(frozen=True)
class Markings:
    """All markings of an event that can be compared.

    Attributes
    ----------
    markings : tuple of Marking
        The original one of each attempt first, then blind ones in the order of their plans.
    notes : tuple of str
        What was left out or is odd, one sentence each.
    """

    markings: tuple[Marking, ...]
    notes: tuple[str, ...]

    @property
    def attempts(self) -> tuple[str, ...]:
        """Attempts in the order in which they first occur."""
        return tuple(dict.fromkeys(item.attempt for item in self.markings))

    @property
    def markers(self) -> tuple[str, ...]:
        """Markers in the order in which they first occur."""
        return tuple(dict.fromkeys(item.marker for item in self.markings))

    def of(self, attempt: str, marker: str | None = None) -> tuple[Marking, ...]:
        """Markings of one attempt, or those by one marker, in order."""
        return tuple(
            item
            for item in self.markings
            if item.attempt == attempt and marker in (None, item.marker)
        )

    def values(self) -> tuple[str, ...]:
        """Names of values that at least two markings of one attempt hold, headlines first."""
        names: dict[str, None] = {}
        for attempt in self.attempts:
            seen: dict[str, int] = {}
            for marking in self.of(attempt):
                for name in _names(marking):
                    seen[name] = seen.get(name, 0) + 1
            names |= dict.fromkeys(name for name, count in seen.items() if count > 1)
        return tuple(names)


def gather(event: EventFolder) -> Markings:
    """Gather original and blind markings of an event.

    Raises
    ------
    AuditError
        When nothing was marked blind yet, or no blind session is closed.
    RecordError
        When a record cannot be read by this version.
    """
    event.journal.refresh()
    plans: dict[str, BlindPlan] = {}
    blind: list[BlindMarking] = []
    notes: list[str] = []
    for entry in _newest(event, "blind"):
        if not entry.trusted:
            notes.append(f"blind record {entry.id} stands behind a fault of the journal: left out")
        elif entry.body.get("what") == "plan":
            plans[entry.id] = as_model(BlindPlan, entry.body, f"blind plan {entry.id}")
        else:
            blind.append(as_model(BlindMarking, entry.body, f"blind marking {entry.id}"))
    if not plans:
        raise AuditError(
            f"nothing in {event.path} was marked blind yet, so there are no markers to compare; "
            "let a second person mark the attempts with `clipmark audit blind`"
        )
    is_open = [name for name, plan in plans.items() if not plan.closed]
    if len(is_open) == len(plans):
        raise AuditError(
            f"the blind session {', '.join(is_open)} is still open, and nothing is compared before "
            "the marker is done; close it, then study it"
        )
    notes += [
        f"the blind session {name} by {plans[name].marker} is still open: left out"
        for name in is_open
    ]
    counted = [item for item in blind if item.plan.id in plans and plans[item.plan.id].closed]
    left_out = [item for item in counted if item.left_out]
    if left_out:
        notes.append(f"{len(left_out)} of {len(counted)} items could not be marked: left out")
    names: dict[str, str] = {}
    originals, more = _originals(event, plans, names)
    found = [*originals.values()]
    for item in counted:
        original = originals.get(item.attempt.id)
        if item.left_out or original is None:
            continue
        found.append(
            Marking(
                item.attempt.id,
                original.test,
                original.entry,
                _person(names, item.marker),
                True,
                item.readings,
                item.verdict,
            )
        )
    return Markings(tuple(found), (*notes, *more))


def _originals(
    event: EventFolder, plans: dict[str, BlindPlan], names: dict[str, str]
) -> tuple[dict[str, Marking], list[str]]:
    """For each attempt of the closed plans the marking of the newest revision that they name."""
    wanted: dict[str, int] = {}
    several: set[str] = set()
    for plan in plans.values():
        for item in plan.items if plan.closed else ():
            before = wanted.get(item.attempt.id, item.attempt.revision)
            if before != item.attempt.revision:
                several.add(item.attempt.id)
            wanted[item.attempt.id] = max(before, item.attempt.revision)
    notes = [
        f"the blind sessions were made from several revisions of {name}; revision {wanted[name]} "
        "is compared"
        for name in sorted(several)
    ]
    found: dict[str, Marking] = {}
    for name, revision in wanted.items():
        entry = next((x for x in event.journal.entries if _is(x, "attempt", name, revision)), None)
        if entry is None or not entry.trusted:
            why = "is not in the journal" if entry is None else "stands behind a fault of it"
            notes.append(f"revision {revision} of attempt {name} {why}: left out")
            continue
        line = entry.whole()
        attempt = as_model(Attempt, line.body, f"revision {revision} of attempt {name}")
        who = _person(names, attempt.marked_by or line.by)
        found[name] = Marking(
            name, attempt.test, attempt.entry, who, False, attempt.readings, attempt.verdict
        )
    return found, notes


def _newest(event: EventFolder, kind: str) -> Iterator[Entry]:
    for (found, _), entry in event.journal.chain.newest.items():
        if found == kind:
            yield entry


def _is(entry: Entry, kind: str, name: str, revision: int) -> bool:
    return (entry.kind, entry.id, entry.revision) == (kind, name, revision)


def _person(names: dict[str, str], name: str) -> str:
    """One spelling for one person, whatever the capitals and spaces."""
    plain = " ".join(name.split())
    return names.setdefault(plain.casefold(), plain)


def _names(marking: Marking) -> tuple[str, ...]:
    newest = {reading.measure: reading for reading in marking.readings}
    named = [newest[measure] for measure in MEASURES if measure in newest]
    names = {name: None for reading in named for name, _, _ in reading.values()}
    first = [name for reading in named for name in HEADLINES[reading.measure] if name in names]
    return tuple(dict.fromkeys([*first, *names]))
