"""One event scored: rows, points, totals, places, and how sure the places are."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np

from clipmark import __version__
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.models import SessionRecord
from clipmark.scoring import kept
from clipmark.scoring.attempt_rows import attempt_scores, set_angle_flags
from clipmark.scoring.drawn import DRAWS, SEED, Draws
from clipmark.scoring.drift import Drift, drift_of
from clipmark.scoring.limits import limit_facts
from clipmark.scoring.measured import measured_of, unit_of
from clipmark.scoring.notes import notes_of, test_facts
from clipmark.scoring.result import DriftFact, EventResult, Flag
from clipmark.scoring.rules import Rules, TestScoring, read_rules
from clipmark.scoring.standings import Scored, standings_of
from clipmark.scoring.taken import RowKey, Taken, measure_of, take
from clipmark.scoring.tests_scored import score_test


def score_event(
    folder: Path | str | EventFolder,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    limits: bool | None = None,
    since: str = "",
    name: str = "",
    strict: bool = False,
) -> EventResult:
    """Score an event folder by its rule sheet; nothing is written.

    Parameters
    ----------
    folder : Path, str or EventFolder
    draws, seed : int
        Of the place probabilities.
    limits : bool, optional
        Climbing limits and smallest provable differences from the tries; left out, they are found
        where no more than 60 sets of tries ask for one.
    since : str
        Name of an earlier scoring that was kept: what changed stands in ``changes``.
    name : str
        What this scoring is called.
    strict : bool
        Refuse what the rule sheet leaves open.

    Raises
    ------
    RecordError
        When rule sheet or journal cannot be used, or there is no scoring of the name `since`.
    FolderError
        When the folder cannot be read.
    """
    if isinstance(folder, EventFolder):
        return _score(folder, draws, seed, limits, since, name, strict)
    with EventFolder.open(folder) as event:
        return _score(event, draws, seed, limits, since, name, strict)


def _score(
    event: EventFolder, draws: int, seed: int, limits: bool | None, since: str, name: str,
    strict: bool,
) -> EventResult:  # fmt: skip
    rules = read_rules(event.path, strict=strict)
    earlier = kept.earlier(event, since) if since else None
    saved = event.attempts()
    entries = event.journal.entries
    result = score_attempts(
        rules, saved, event.session(), draws=draws, seed=seed, limits=limits, name=name
    )
    result = replace(
        result,
        journal_seq=entries[-1].seq if entries else 0,
        journal_sha256=entries[-1].sha256 if entries else "",
        flags=(*(Flag("journal", sentence) for sentence in event.findings), *result.flags),
    )
    if earlier is not None:
        changes = kept.changes(earlier, result, event)
        result = replace(result, since=since, changes=changes)
    return result


def score_attempts(
    rules: Rules,
    saved: Sequence[SavedAttempt],
    session: SessionRecord | None = None,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    limits: bool | None = None,
    name: str = "",
) -> EventResult:
    """Score attempts by rules; as `score_event`, without a folder."""
    rows, everything, flags = take(rules, saved)
    drifts, drift_facts = _drifts(rules, rows, everything)
    drawing = Draws(rules, draws, seed)
    scored = [_row(rules, row, drifts, drawing) for row in rows]
    standing = standings_of(rules, scored, drawing)
    limit_rows, pairs, limit_notes = limit_facts(rules, rows, standing, limits)
    inclinometer = session.inclinometer_u_deg if session else None
    counted = {a for row in standing for t in row.tests if not t.dropped for a in t.attempts}
    attempts = attempt_scores(rules, everything, counted)
    flags += set_angle_flags(rules, everything, inclinometer)
    return EventResult(
        event=rules.sheet.name,
        date=rules.sheet.date,
        place=rules.sheet.place,
        name=name,
        better=rules.better,
        classes=rules.classes,
        tests=tuple(test_facts(rules, test) for test in rules.tests),
        rows=standing,
        attempts=attempts,
        limits=limit_rows,
        pairs=pairs,
        drifts=drift_facts,
        flags=tuple(flags),
        notes=(*notes_of(rules, standing, inclinometer), *limit_notes),
        rules_sha256=hashlib.sha256(rules.text.encode()).hexdigest(),
        draws=draws,
        seed=seed,
        software=f"clipmark {__version__}",
    )


def _drifts(
    rules: Rules, rows: Sequence[RowKey], everything: Sequence[Taken]
) -> tuple[dict[str, Drift], tuple[DriftFact, ...]]:
    """Drift of each test in which the reference truck was measured at least twice."""
    found: dict[str, Drift] = {}
    facts: list[DriftFact] = []
    for test in rules.tests if rules.reference else ():
        measure = measure_of(test)
        if not measure:
            continue
        by_setup: dict[str, list[Taken]] = {}
        for taken in everything:
            a = taken.attempt
            if a.entry == rules.reference and a.test == test.id and not taken.left_out:
                by_setup.setdefault(a.setup, []).append(taken)
        for items in by_setup.values():
            runs = [(t, t.measured) for t in items if t.measured is not None]
            if test.kind == "ladder":
                continue  # its set steps are meant to differ; a fixed test shows a drift
            drift, fact = drift_of(
                test.id, measure, rules.reference, runs, test.drift == "take out"
            )
            if fact is not None:
                facts.append(fact)
            if drift is not None:
                found[test.id] = drift
    return found, tuple(facts)


def _row(rules: Rules, row: RowKey, drifts: dict[str, Drift], drawing: Draws) -> Scored:
    scores, drawn = [], []
    for test in rules.tests:
        if test.classes and row.class_name not in test.classes:
            continue
        drift = drifts.get(test.id)
        counted = score_test(rules, test, row.tests.get(test.id, []), drift)
        scores.append(counted)
        if counted.resting and _uncertain(test, counted.resting, drift):
            drawn.append(_drawn(drawing, row, test, counted.resting, drift))
        else:
            drawn.append(drawing.certain(float(counted.score.points or Decimal(0))))
    shape = (0, drawing.draws)
    return Scored(row, tuple(scores), np.stack(drawn) if drawn else np.zeros(shape, dtype=np.int64))


def _drawn(
    drawing: Draws, row: RowKey, test: TestScoring, resting: Sequence[Taken], drift: Drift | None
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    return drawing.points(row.key, test, resting, drift)


def _uncertain(test: TestScoring, resting: Sequence[Taken], drift: Drift | None) -> bool:
    """Whether anything in these tries can come out otherwise."""
    return test.measured and (
        drift is not None or any(t.measured is not None and t.measured.u > 0 for t in resting)
    )


__all__ = ["measured_of", "score_attempts", "score_event", "unit_of"]
