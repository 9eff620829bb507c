"""Totals, tie-breaks and places of every class, with the probability of each place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from clipmark.scoring.drawn import Draws
from clipmark.scoring.ranks import (
    SURE,
    competition_places,
    not_separated,
    place_shares,
    tie_ranks,
)
from clipmark.scoring.result import Row, TestScore, points_text
from clipmark.scoring.rules import Rules
from clipmark.scoring.taken import RowKey
from clipmark.scoring.tests_scored import Counted

IntArray = NDArray[np.int64]
UNKNOWN_TIME = 1e12


@dataclass(frozen=True, eq=False)
class Scored:
    """A row with its points by test, and their draws, shape (tests, draws)."""

    row: RowKey
    tests: tuple[Counted, ...]
    draws: IntArray


def standings_of(rules: Rules, scored: Sequence[Scored], drawing: Draws) -> tuple[Row, ...]:
    """Rows of every class, by place; those without a place last."""
    found: list[Row] = []
    for class_name in rules.classes:
        mine = [item for item in scored if item.row.class_name == class_name]
        rows = [_row(rules, item, drawing) for item in mine]
        rows = _placed(rules, mine, rows, drawing)
        rows = _test_places(rules, mine, rows, drawing)
        found += sorted(rows, key=lambda r: (r.place is None, r.place or 0, r.entry, r.setup))
    return tuple(found)


def _kept(rules: Rules, points: Sequence[Decimal]) -> list[int]:
    """Which tests make up the total: the worst ones are dropped where the sheet says so."""
    worst_first = sorted(
        range(len(points)), key=lambda at: points[at], reverse=rules.better == "lowest"
    )
    drop = set(worst_first[: min(rules.drop_tests, max(len(points) - 1, 0))])
    return [at for at in range(len(points)) if at not in drop]


def _totals(rules: Rules, draws: IntArray) -> IntArray:
    """Drawn totals, shape (draws,), the worst tests of each draw dropped."""
    if not len(draws):
        return np.zeros(draws.shape[1], dtype=np.int64)
    drop = min(rules.drop_tests, len(draws) - 1)
    if drop:
        ordered = np.sort(draws, axis=0)
        draws = ordered[drop:] if rules.better == "highest" else ordered[: len(ordered) - drop]
    return np.asarray(draws.sum(axis=0))


def _row(rules: Rules, item: Scored, drawing: Draws) -> Row:
    scores = [counted.score for counted in item.tests]
    points = [score.points for score in scores]
    remarks: list[str] = []
    started = any(score.status != "did not start" for score in scores)
    total: Decimal | None = None
    counts = [p if p is not None else Decimal(0) for p in points]
    kept = _kept(rules, counts)
    if not item.row.ranked:
        remarks.append("out of the ranking, as the rule sheet says")
    missing = [s.test for s in scores if s.points is None]
    if not started and missing:
        remarks.append("did not start")
    elif rules.better == "lowest" and missing:
        remarks.append(
            f"not ranked: no points in {', '.join(missing)}; say did_not_start in the rule sheet"
        )
    else:
        total = sum((counts[at] for at in kept), Decimal(0))
        for score in scores:
            if score.status not in ("scored",):
                got = f", {points_text(score.points)}" if score.points is not None else ", 0"
                remarks.append(f"{score.test}: {score.status}{got}")
    shown = tuple(
        replace(_with_interval(score, item.draws[at], drawing), dropped=at not in kept)
        for at, score in enumerate(scores)
    )
    protests = sorted(
        taken.id
        for items in item.row.tests.values()
        for taken in items
        if taken.attempt.claim and _undecided(taken.attempt.ruling)
    )
    if protests:
        remarks.append(f"under protest: {', '.join(protests)}")
    row = Row(
        key=item.row.key, class_name=item.row.class_name, entry=item.row.entry,
        setup=item.row.setup, driver=item.row.driver, total=total,
        under_protest=bool(protests), remarks=tuple(remarks), tests=shown,
    )  # fmt: skip
    if total is None:
        return row
    totals = _totals(rules, item.draws) * drawing.unit
    low, high = (float(end) for end in np.quantile(totals, (0.025, 0.975)))
    return replace(
        row, total_low95=low, total_high95=high,
        total_u95=1.96 * float(np.std(totals)) if low < high else 0.0,
    )  # fmt: skip


def _undecided(ruling: object) -> bool:
    return ruling is None or getattr(ruling, "outcome", "") == "cannot decide"


def _with_interval(score: TestScore, draws: IntArray, drawing: Draws) -> TestScore:
    if score.points is None:
        return score
    low, high = (float(end) * drawing.unit for end in np.quantile(draws, (0.025, 0.975)))
    return replace(score, low95=low, high95=high)


def _placed(rules: Rules, scored: Sequence[Scored], rows: list[Row], drawing: Draws) -> list[Row]:
    """Places of the totals, tie-breaks in the sheet's order."""
    ranked = [at for at, row in enumerate(rows) if row.total is not None and scored[at].row.ranked]
    if not ranked:
        return rows
    highest = rules.better == "highest"
    keys = [tie_key(rules, scored[at], rows[at]) for at in ranked]
    ties = tie_ranks(keys)
    exact = np.array([_units(rows[at].total, rules) for at in ranked], dtype=np.int64)
    places = competition_places(exact[:, None], ties, highest)[:, 0]
    drawn = competition_places(
        np.stack([_totals(rules, scored[at].draws) for at in ranked]), ties, highest
    )
    shares = place_shares(drawn)
    order = [int(at) for at in np.argsort(places, kind="stable")]
    apart = not_separated(drawn, order)
    found = list(rows)
    for k, at in enumerate(ranked):
        row, place = rows[at], int(places[k])
        p = tuple(float(share) for share in shares[k])
        low, high = _span(p)
        found[at] = replace(
            row,
            place=place,
            tied=int((places == place).sum()) > 1,
            place_p=p,
            place_low95=low,
            place_high95=high,
            separated=p[place - 1] >= SURE,
            not_separated_from=tuple(rows[ranked[other]].key for other in sorted(apart[k])),
            ties=tie_words(rules, scored[at], row),
        )
    return found


def _test_places(
    rules: Rules, scored: Sequence[Scored], rows: list[Row], drawing: Draws
) -> list[Row]:
    """Places in each test by its points alone; equal points share the place."""
    found = list(rows)
    for test in rules.tests:
        at_row = {
            at: number
            for at, row in enumerate(rows)
            for number, score in enumerate(row.tests)
            if score.test == test.id and score.points is not None and scored[at].row.ranked
        }
        if not at_row:
            continue
        none = np.zeros(len(at_row), dtype=np.int64)
        exact = np.array(
            [[_units(rows[at].tests[n].points, rules)] for at, n in at_row.items()], dtype=np.int64
        )
        highest = rules.better == "highest"
        places = competition_places(exact, none, highest)[:, 0]
        drawn = np.stack([scored[at].draws[n] for at, n in at_row.items()])
        shares = place_shares(competition_places(drawn, none, highest))
        for k, (at, n) in enumerate(at_row.items()):
            tests = list(found[at].tests)
            tests[n] = replace(
                tests[n], place=int(places[k]), place_p=tuple(float(p) for p in shares[k])
            )
            found[at] = replace(found[at], tests=tuple(tests))
    return found


def _span(p: Sequence[float]) -> tuple[int, int]:
    """Best and worst place of the central 95 %."""
    whole = list(accumulate(p))
    low = next(at for at, share in enumerate(whole, 1) if share > 0.025)
    high = next((at for at, share in enumerate(whole, 1) if share >= 0.975 - 1e-12), len(p))
    return low, max(low, high)


def _units(total: Decimal | None, rules: Rules) -> int:
    return int(((total or Decimal(0)) / rules.points_to).to_integral_value())


def tie_key(rules: Rules, item: Scored, row: Row) -> tuple[object, ...]:
    """What breaks a tie, in the sheet's order; the smaller is ahead."""
    found: list[object] = []
    for rule in rules.ties:
        value = _tie_value(rules, rule, item, row)
        found.append(value)
    return tuple(found)


def _tie_value(rules: Rules, rule: str, item: Scored, row: Row) -> object:
    if rule == "best-step":
        return -max((c.step for c in item.tests if c.step is not None), default=-1.0)
    if rule == "fewest-tries":
        return sum(score.tries for score in row.tests)
    if rule == "time":
        times = [
            t.time_s
            for items in item.row.tests.values()
            for t in items
            if not t.left_out and t.time_s is not None and _timed(rules, t.attempt.test)
        ]
        return sum(times) if times else UNKNOWN_TIME
    if rule == "fewest-penalties":
        return sum(
            len(t.attempt.calls) for items in item.row.tests.values() for t in items
            if not t.left_out
        )  # fmt: skip
    way = -1 if rules.better == "highest" else 1
    if rule == "count-back":
        return tuple(sorted(way * (score.points or Decimal(0)) for score in row.tests))
    one = row.test(rule.removeprefix("test:"))
    return way * ((one.points if one else None) or Decimal(0))


def _timed(rules: Rules, test_id: str) -> bool:
    test = rules.test(test_id)
    return test is not None and test.kind == "course"


def tie_words(rules: Rules, item: Scored, row: Row) -> dict[str, str]:
    """The tie-breaks of a row, as shown."""
    found: dict[str, str] = {}
    for rule in rules.ties:
        value = _tie_value(rules, rule, item, row)
        if isinstance(value, tuple):
            found[rule] = ", ".join(points_text(abs(v)) for v in value)
        elif isinstance(value, Decimal):
            found[rule] = points_text(abs(value))
        elif isinstance(value, float):
            unknown = value in (UNKNOWN_TIME, 1.0)
            found[rule] = "-" if unknown else f"{abs(value):.10g}"
        else:
            found[rule] = str(value)
    return found
