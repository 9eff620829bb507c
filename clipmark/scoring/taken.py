"""Which attempts a scoring takes: void ones, strangers and tries too many are left out, and why.

Order of running is the order in which attempts were first saved, then the number of the try.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from clipmark.record.folder import SavedAttempt
from clipmark.record.models import Attempt
from clipmark.scoring.measured import Measured, measured_of
from clipmark.scoring.points import course_parts, decimal_of, grade_points, limited, rounded
from clipmark.scoring.points import value_points as points_of_value
from clipmark.scoring.result import Flag, Part
from clipmark.scoring.rules import Rules, TestScoring


@dataclass(frozen=True)
class Taken:
    """One attempt with what the scoring made of it; `left_out` is empty where it was taken."""

    saved: SavedAttempt
    run: int  # place in the order of running within its test, from 0
    left_out: str = ""
    measured: Measured | None = None
    points: Decimal | None = None
    parts: tuple[Part, ...] = ()
    time_s: float | None = None

    @property
    def attempt(self) -> Attempt:
        """The attempt itself."""
        return self.saved.attempt

    @property
    def id(self) -> str:
        """Its id."""
        return self.saved.id


@dataclass
class RowKey:
    """One entry in one set-up, with its attempts by test."""

    class_name: str
    entry: str
    setup: str
    driver: str = ""
    ranked: bool = True
    tests: dict[str, list[Taken]] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Names the row."""
        return " | ".join(part for part in (self.class_name, self.entry, self.setup) if part)


def take(
    rules: Rules, saved: Sequence[SavedAttempt]
) -> tuple[list[RowKey], list[Taken], list[Flag]]:
    """Rows of the event, every attempt, and what is odd about them."""
    flags: list[Flag] = []
    rows: dict[tuple[str, str], RowKey] = {}
    runs: dict[str, int] = {}
    everything: list[Taken] = []
    for item in saved:
        attempt = item.attempt
        test, entry = rules.test(attempt.test), rules.entry(attempt.entry)
        run = runs[attempt.test] = runs.get(attempt.test, -1) + 1
        reason = _stranger(attempt, test is None, entry is None, item.trusted)
        if test is None or entry is None or reason:
            everything.append(Taken(item, run, left_out=reason))
            flags.append(Flag("left out", f"{item.id}: {reason}", attempt=item.id))
            continue
        row = rows.setdefault(
            (entry.name, attempt.setup),
            RowKey(
                entry.class_name, entry.name, attempt.setup, entry.driver, not entry.out_of_ranking
            ),
        )
        row.tests.setdefault(test.id, []).append(_valued(rules, test, item, run, flags))
    ran = {name for name, _ in rows}
    for entry in rules.entries:
        if entry.name not in ran:
            setup = entry.setups[0] if len(entry.setups) == 1 else ""
            rows[entry.name, setup] = RowKey(
                entry.class_name, entry.name, setup, entry.driver, not entry.out_of_ranking
            )
    for row in rows.values():
        for test_id, items in row.tests.items():
            found = rules.test(test_id)
            assert found is not None
            row.tests[test_id] = _limited_tries(found, items, flags)
            everything += row.tests[test_id]
    names = {entry.name: at for at, entry in enumerate(rules.entries)}
    ordered = sorted(
        rows.values(),
        key=lambda r: (rules.classes.index(r.class_name), names[r.entry], r.setup),
    )
    order = {item.id: at for at, item in enumerate(saved)}
    return ordered, sorted(everything, key=lambda t: order[t.id]), flags


def _stranger(attempt: Attempt, no_test: bool, no_entry: bool, trusted: bool) -> str:
    if not trusted:
        return "it stands after a fault of the journal, so it cannot be trusted; put a backup back"
    if no_test:
        return (
            f"the rule sheet has no test '{attempt.test[:80]}'; add the test, or revise the attempt"
        )
    if no_entry:
        return (
            f"the rule sheet has no entry '{attempt.entry[:80]}'; add the entry, or revise the "
            "attempt"
        )
    return ""


def _valued(
    rules: Rules, test: TestScoring, item: SavedAttempt, run: int, flags: list[Flag]
) -> Taken:
    """The attempt with its value and its points, or why it has none."""
    attempt = item.attempt
    measure = measure_of(test)
    value = measured_of(attempt, measure, test.tilt_event) if measure else None
    taken = Taken(item, run, measured=value, time_s=time_of(attempt))
    reason = ""
    if attempt.verdict == "void":
        reason = f"void: {(attempt.reason or 'no reason given').replace('-', ' ')}"
    elif test.kind == "ladder":
        if attempt.step_deg is None:
            reason = "it has no step; give the step the board was set to"
        elif attempt.verdict is None:
            reason = "it has no verdict yet; give it"
        elif test.score_by == "measured" and attempt.verdict == "cleared" and value is None:
            reason = "it has no angle reading, which this ladder is scored by; measure it"
    elif _unfinished(test, attempt):
        return _with_points(test, taken, test.did_not_finish, rules)
    elif test.kind == "reading" or (test.kind == "smoothness" and test.score_by == "measure"):
        if value is None:
            event = f" of '{test.tilt_event}'" if test.tilt_event else ""
            reason = f"it has no reading of {measure}{event}, which this test needs; measure it"
        else:
            points = points_of_value(test, decimal_of(value.value), rules.points_to)
            return replace(taken, points=points)
    elif test.kind in ("graded", "smoothness"):
        return _graded(rules, test, taken, flags)
    else:
        parts = course_parts(test, attempt, taken.time_s)
        points = sum((part.points for part in parts), Decimal(0))
        return replace(taken, points=rounded(limited(test, points), rules.points_to), parts=parts)
    if reason:
        if attempt.verdict != "void":
            flags.append(Flag("left out", f"{item.id}: {reason}", attempt=item.id))
        return replace(taken, left_out=reason)
    return taken


def _graded(rules: Rules, test: TestScoring, taken: Taken, flags: list[Flag]) -> Taken:
    grade = taken.attempt.grade
    if grade is None and test.grade_table and taken.measured:
        grade = test.grade_table.grade_at(taken.measured.value)
    reason = "it has no grade; give one"
    if grade is not None:
        points = grade_points(test, decimal_of(grade), rules.points_to)
        if points is not None:
            return replace(taken, points=points)
        reason = f"the rule sheet has no points for grade {grade:g}; add it, or revise the grade"
    flags.append(Flag("left out", f"{taken.id}: {reason}", attempt=taken.id))
    return replace(taken, left_out=reason)


def _unfinished(test: TestScoring, attempt: Attempt) -> bool:
    return test.kind != "course" and attempt.verdict == "failed" and test.did_not_finish is not None


def _with_points(test: TestScoring, taken: Taken, points: Decimal | None, rules: Rules) -> Taken:
    found = rounded(limited(test, points or Decimal(0)), rules.points_to)
    return replace(
        taken, points=found, measured=None, parts=(Part("did not finish", Decimal(1), found),)
    )


def measure_of(test: TestScoring) -> str:
    """What is read for a test; empty where no reading is scored."""
    if test.kind == "ladder":
        return "ramp_deg"
    if test.kind == "smoothness":
        return test.measure or "ripple"
    return test.measure if test.kind == "reading" else ""


def time_of(attempt: Attempt) -> float | None:
    """Time of the run, s: to the finish of a climb reading, else the length of the span."""
    span = attempt.span
    climb = attempt.reading("climb")
    if climb and (finish := climb.number("finish_t_s")) is not None:
        return finish - (span.first_t_s if span and span.first_t_s is not None else 0.0)
    if span and span.first_t_s is not None and span.last_t_s is not None:
        return span.last_t_s - span.first_t_s
    return None


def _limited_tries(test: TestScoring, items: list[Taken], flags: list[Flag]) -> list[Taken]:
    """Tries beyond those allowed are left out; two with one number are named."""
    items = sorted(items, key=lambda t: (t.attempt.try_no or 10**6, t.run))
    _name_doubles(items, flags)
    if test.kind == "ladder":
        return _limited_ladder(test, items, flags)
    if test.tries is None:
        return items
    kept = 0
    found = []
    for item in items:
        if not item.left_out:
            kept += 1
            if kept > test.tries:
                item = replace(item, left_out=f"over the {test.tries} tries that count")
        found.append(item)
    return found


def _name_doubles(items: Iterable[Taken], flags: list[Flag]) -> None:
    seen: dict[tuple[float | None, int], str] = {}
    for item in items:
        number = item.attempt.try_no
        if item.left_out or number is None:
            continue
        place = (item.attempt.step_deg, number)
        if place in seen:
            flags.append(
                Flag(
                    "double try",
                    f"{seen[place]} and {item.id} are both try {number} of "
                    f"{item.attempt.entry[:80]} at {item.attempt.test[:80]}; both are taken: "
                    "revise the number of one, or make one void",
                    attempt=item.id,
                )
            )
        seen[place] = item.id


def _limited_ladder(test: TestScoring, items: list[Taken], flags: list[Flag]) -> list[Taken]:
    """Steps from the lowest on, so many tries each, until so many steps running were failed."""
    found: list[Taken] = []
    steps = sorted({t.attempt.step_deg for t in items if t.attempt.step_deg is not None})
    failed = 0
    for step in steps:
        here = [t for t in items if t.attempt.step_deg == step]
        over = test.stop_after_failed_steps is not None and failed >= test.stop_after_failed_steps
        kept = passes = 0
        for item in here:
            if not item.left_out:
                kept += 1
                if over:
                    item = replace(item, left_out="run after the stop rule had ended the ladder")
                elif test.tries_per_step is not None and kept > test.tries_per_step:
                    item = replace(
                        item, left_out=f"over the {test.tries_per_step} tries of this step"
                    )
                    flags.append(Flag("try too many", f"{item.id}: {item.left_out}", item.id))
                else:
                    passes += item.attempt.verdict == "cleared"
            found.append(item)
        if any(not t.left_out for t in found if t.attempt.step_deg == step):
            failed = 0 if passes >= test.passes_needed else failed + 1
    return found + [t for t in items if t.attempt.step_deg is None]
