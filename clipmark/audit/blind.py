"""Blind second marking: plans of pictures in hidden order, what was signed on them, and closing.

A plan names attempts by revision, in an order drawn by a seed; some are shown twice, which the
marker is not told. Every picture that is signed is one record of the journal. Nothing is compared
before the plan is closed (see `clipmark.audit.blind_compare`).
"""

from __future__ import annotations

import itertools
import random
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from clipmark.audit.blind_task import task_of
from clipmark.errors import AuditError, ClipmarkError
from clipmark.record.audit_records import BlindItem, BlindMarking, BlindPlan
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, RecordRef
from clipmark.record.texts import as_model

KIND = "blind"
REPEATS = 0.2  # share of the attempts that are shown again where nothing is said
MOST_SEED = 2**31
_TRIES = 10_000  # orders drawn until none shows an attempt twice in a row


@dataclass(frozen=True)
class SavedPlan:
    """A plan as the journal has it, with what was signed so far.

    Attributes
    ----------
    id : str
        ``b001``.
    revision : int
        Of the plan, to be replaced when it is closed.
    plan : BlindPlan
    markings : mapping of int to BlindMarking
        By place in the plan, from 1.
    """

    id: str
    revision: int
    plan: BlindPlan
    markings: Mapping[int, BlindMarking]

    @property
    def total(self) -> int:
        """Pictures in the plan, those shown again included."""
        return len(self.plan.items)

    @property
    def next_item(self) -> int | None:
        """Place of the first picture that is not signed, from 1; None when all are."""
        return next((n for n in range(1, self.total + 1) if n not in self.markings), None)


@dataclass(frozen=True)
class MadePlan:
    """A new plan, and which attempts it leaves out though nobody said so: id and why."""

    saved: SavedPlan
    left_out: tuple[tuple[str, str], ...] = ()


def make_plan(
    event: EventFolder,
    marker: str,
    *,
    attempts: Sequence[str] | None = None,
    repeats: float = REPEATS,
    seed: int | None = None,
    even_own: bool = False,
    note: str = "",
) -> MadePlan:
    """Choose attempts, draw the order in which a marker is shown them, and save that as a plan.

    Parameters
    ----------
    event : EventFolder
    marker : str
        Who will mark; not somebody who signed, or marked in, one of these attempts.
    attempts : sequence of str, optional
        Ids; when left out, every attempt with a reading that somebody else signed and whose clip
        is there.
    repeats : float
        Below 1 the share of the attempts that are shown twice (at least one of three or more);
        from 1 on their number. Never one right after the other.
    seed : int, optional
        Of the order; drawn when left out, and kept in the plan.
    even_own : bool
        Also attempts that the marker signed: how well people repeat themselves.
    note : str

    Returns
    -------
    MadePlan

    Raises
    ------
    AuditError
        When the marker has an open plan, an attempt is their own, holds nothing to mark, or is
        named twice, or there are too few for the repeats.
    RecordError, FolderError
        When the event cannot be read or written.
    """
    marker = marker.strip()
    _check_asked(marker, repeats, seed)
    held = open_plan(event, marker)
    if held is not None:
        raise AuditError(
            f"{marker} has an open plan, {held.id}, with {len(held.markings)} of {held.total} "
            "pictures marked; go on with it, or close it first (--plan and --close)"
        )
    chosen, left_out = _chosen(event, marker, attempts, even_own)
    number = _repeats(repeats, len(chosen))
    seed = secrets.randbelow(MOST_SEED) if seed is None else seed
    plan = as_model(
        BlindPlan,
        {
            "marker": marker,
            "items": _in_order(chosen, number, random.Random(seed)),
            "seed": seed,
            "note": note,
        },
        "the plan",
    )
    plan_id = _free_id(event)
    line = event.save_record(KIND, plan.model_dump(mode="json"), by=marker, id=plan_id)
    return MadePlan(SavedPlan(plan_id, line.revision, plan, {}), left_out)


def plans(event: EventFolder) -> list[SavedPlan]:
    """Every plan of the event, in the order in which they were made."""
    event.journal.refresh()
    found: dict[str, tuple[int, BlindPlan]] = {}
    markings: dict[str, dict[int, BlindMarking]] = {}
    for (kind, record_id), entry in event.journal.chain.newest.items():
        if kind != KIND:
            continue
        if entry.body.get("what") == "plan":
            plan = as_model(BlindPlan, entry.body, f"the plan {record_id}")
            found[record_id] = (entry.revision, plan)
        else:
            marking = as_model(BlindMarking, entry.body, f"the blind marking {record_id}")
            markings.setdefault(marking.plan.id, {})[marking.item] = marking
    return [
        SavedPlan(plan_id, revision, plan, markings.get(plan_id, {}))
        for plan_id, (revision, plan) in found.items()
    ]


def the_plan(event: EventFolder, plan_id: str) -> SavedPlan:
    """One plan; raises `AuditError` when there is none of that id."""
    found = plans(event)
    for saved in found:
        if saved.id == plan_id:
            return saved
    there = ", ".join(saved.id for saved in found) or "none yet"
    raise AuditError(f"there is no blind plan '{plan_id}' in {event.path}; there are: {there}")


def open_plan(event: EventFolder, marker: str) -> SavedPlan | None:
    """The plan that this marker has not closed, or None."""
    wanted = _who(marker)
    return next(
        (s for s in plans(event) if not s.plan.closed and _who(s.plan.marker) == wanted), None
    )


def attempt_at(event: EventFolder, ref: RecordRef) -> Attempt:
    """The revision of an attempt that a plan names.

    Raises
    ------
    AuditError
        When the journal does not hold it.
    """
    for line in event.history(ref.id):
        if line.revision == ref.revision:
            return as_model(Attempt, line.body, f"attempt {ref.id}, revision {ref.revision}")
    raise AuditError(
        f"the journal holds no revision {ref.revision} of attempt {ref.id}; it is not the journal "
        "that the plan was made in"
    )


def save_marking(
    event: EventFolder, plan_id: str, item: int, body: Mapping[str, object]
) -> SavedPlan:
    """Keep what the marker signed on one picture; on the disk when this returns.

    Parameters
    ----------
    event : EventFolder
    plan_id : str
    item : int
        Place in the plan, from 1.
    body : mapping
        Of a `BlindMarking`: ``marks, readings, verdict, reason, left_out, marked_at``. Plan, item,
        attempt and marker are filled in.

    Raises
    ------
    AuditError
        When the plan is closed, has no such picture, or it is signed already.
    RecordError, FolderError
        When it cannot be saved; nothing was saved then.
    """
    saved = the_plan(event, plan_id)
    _refuse_closed(saved)
    if not 1 <= item <= saved.total:
        raise AuditError(
            f"plan {plan_id} has pictures 1 to {saved.total}, and no picture {item}; name one of "
            "these"
        )
    if item in saved.markings:
        raise AuditError(
            f"picture {item} of plan {plan_id} is signed already, and a blind marking is never "
            "changed; go on with the next"
        )
    shown = saved.plan.items[item - 1]
    marking = as_model(
        BlindMarking,
        {
            **body,
            "plan": RecordRef(id=saved.id, revision=saved.revision),
            "item": item,
            "attempt": shown.attempt,
            "showing": shown.showing,
            "marker": saved.plan.marker,
        },
        "the blind marking",
    )
    plain = marking.model_dump(mode="json")
    event.save_record(KIND, plain, by=saved.plan.marker, id=f"{plan_id}-{item:03d}")
    return the_plan(event, plan_id)


def close_plan(event: EventFolder, plan_id: str) -> SavedPlan:
    """Close a plan: nothing is marked any more, and it may be compared.

    Raises
    ------
    AuditError
        When there is no such plan, or it is closed already.
    RecordError, FolderError
        When it cannot be saved.
    """
    saved = the_plan(event, plan_id)
    _refuse_closed(saved)
    closed = saved.plan.model_copy(update={"closed": True})
    event.save_record(
        KIND,
        closed.model_dump(mode="json"),
        by=saved.plan.marker,
        id=plan_id,
        base_revision=saved.revision,
    )
    return the_plan(event, plan_id)


def signers(event: EventFolder, attempt_id: str) -> set[str]:
    """Everybody who signed a revision of an attempt, or set a mark in one, in small letters."""
    found: set[str] = set()
    for line in event.history(attempt_id):
        attempt = as_model(Attempt, line.body, f"attempt {attempt_id}")
        names = (line.by, attempt.marked_by, *(mark.by for mark in attempt.marks))
        found |= {_who(name) for name in names if name.strip()}
    return found


def _check_asked(marker: str, repeats: float, seed: int | None) -> None:
    if not marker:
        raise AuditError("a blind plan needs the name of who marks (--by); give it")
    if not repeats >= 0 or (repeats >= 1 and repeats != int(repeats)):
        raise AuditError(
            f"{repeats:g} is no share and no number of repeats (--repeats); give a share below 1, "
            "such as 0.2, or a whole number of attempts to be shown twice"
        )
    if seed is not None and not 0 <= seed < MOST_SEED:
        raise AuditError(f"the seed {seed} (--seed) must be a whole number from 0 to 2147483647")


def _refuse_closed(saved: SavedPlan) -> None:
    if saved.plan.closed:
        raise AuditError(
            f"plan {saved.id} is closed, and takes no further marks; make a new plan for more"
        )


def _chosen(
    event: EventFolder, marker: str, wanted: Sequence[str] | None, even_own: bool
) -> tuple[list[RecordRef], tuple[tuple[str, str], ...]]:
    """The attempts to be shown, and those left out with why."""
    named = wanted is not None
    ids = list(wanted) if wanted is not None else [saved.id for saved in event.attempts()]
    twice = next((one for one in ids if ids.count(one) > 1), None)
    if twice is not None:
        raise AuditError(
            f"attempt {twice} is named twice (--attempts); name it once, and ask for repeats "
            "(--repeats) to have attempts shown again"
        )
    found: list[RecordRef] = []
    left_out: list[tuple[str, str]] = []
    for attempt_id in ids:
        saved = event.attempt(attempt_id)
        why = _why_not(event, attempt_id, saved.attempt, "" if even_own else marker)
        if why is None:
            found.append(RecordRef(id=attempt_id, revision=saved.revision))
        elif named:
            raise AuditError(f"attempt {attempt_id} cannot be marked blind by {marker}: {why}")
        else:
            left_out.append((attempt_id, why))
    if not found:
        told = "; ".join(f"{one}: {why}" for one, why in left_out)
        raise AuditError(
            f"there is nothing for {marker} to mark: {told or 'no attempt was signed yet'}"
        )
    return found, tuple(left_out)


def _why_not(event: EventFolder, attempt_id: str, attempt: Attempt, marker: str) -> str | None:
    """Why an attempt is not for this marker, or None."""
    if marker and _who(marker) in signers(event, attempt_id):
        return (
            f"{marker} signed it, and would know it; take another marker (--by), or say that own "
            "ones count too (--even-own)"
        )
    try:
        task_of(event, attempt)
        assert attempt.clip is not None
        event.find_clip(attempt.clip)
    except ClipmarkError as error:
        return str(error)
    return None


def _repeats(asked: float, attempts: int) -> int:
    number = int(asked) if asked >= 1 else round(asked * attempts)
    if 0 < asked < 1 and attempts >= 3:
        number = max(1, number)
    if number > attempts or (attempts == 1 and number):
        raise AuditError(
            f"{number} repeats of {attempts} {'attempts' if attempts != 1 else 'attempt'} cannot "
            "be hidden: each attempt is shown again at most once, and never right after itself; "
            "choose fewer repeats (--repeats), or more attempts (--attempts)"
        )
    return number


def _in_order(chosen: Sequence[RecordRef], repeats: int, draw: random.Random) -> list[BlindItem]:
    """The attempts shuffled, some of them twice but never twice in a row."""
    shown = [*chosen, *draw.sample(list(chosen), repeats)]
    for _ in range(_TRIES):
        draw.shuffle(shown)
        if all(a != b for a, b in itertools.pairwise(shown)):
            break
    return _numbered(shown)


def _numbered(shown: Iterable[RecordRef]) -> list[BlindItem]:
    seen: dict[str, int] = {}
    items = []
    for ref in shown:
        seen[ref.id] = seen.get(ref.id, 0) + 1
        items.append(BlindItem(attempt=ref, showing=seen[ref.id]))
    return items


def _free_id(event: EventFolder) -> str:
    taken = [int(saved.id[1:]) for saved in plans(event) if saved.id[1:].isdecimal()]
    return f"b{max(taken, default=0) + 1:03d}"


def _who(name: str) -> str:
    """A name as it is compared: without regard to spaces and capitals."""
    return " ".join(name.split()).casefold()
