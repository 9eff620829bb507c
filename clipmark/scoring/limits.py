"""Climbing limits from the tries of a ladder, one failure mode at a time, and what tells two apart.

A try that failed in another way says nothing of the mode in hand: it is left out of that fit
(taken as cut short before this mode could show). Passes belong to every mode.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from clipmark.scoring.result import LimitFact, PairFact, Row
from clipmark.scoring.rules import Rules, TestScoring
from clipmark.scoring.taken import RowKey, Taken
from clipmark.uncertainty.tries import Limit, Tries, fit_limit, least_share, up_and_down
from clipmark.uncertainty.two_limits import LEAST_TRIES, smallest_difference

MOST_SETS = 60  # sets of tries that are fitted without being asked
ASSUMED_SPREAD_DEG = 0.8  # from try to try, where the tries do not tell it (common practice)
LADDER = "ladder"


@dataclass(frozen=True)
class _Set:
    """Tries of one row at one ladder on one surface."""

    test: TestScoring
    row: RowKey
    tries: list[Taken]


def limit_facts(
    rules: Rules, rows: Sequence[RowKey], standing: Sequence[Row], wanted: bool | None
) -> tuple[tuple[LimitFact, ...], tuple[PairFact, ...], tuple[str, ...]]:
    """Limits, pairs of neighbours, and a note where they were not looked for."""
    sets = [
        _Set(test, row, tries)
        for test in rules.tests
        if test.kind == LADDER
        for row in rows
        if (tries := _tries(row.tests.get(test.id, [])))
    ]
    if wanted is False or not sets:
        return (), (), ()
    if wanted is None and len(sets) > MOST_SETS:
        note = (
            f"climbing limits of {len(sets)} sets of tries were not looked for; ask for them "
            "(--limits)"
        )
        return (), (), (note,)
    found = [limit for item in sets for limit in _limits(item)]
    return tuple(found), tuple(_pairs(sets, found, standing)), ()


def _tries(items: Sequence[Taken]) -> list[Taken]:
    """All tries with a step and a verdict that are not void, in the order of running."""
    kept = [
        t for t in items
        if t.attempt.step_deg is not None and t.attempt.verdict in ("cleared", "failed")
    ]  # fmt: skip
    return sorted(kept, key=lambda t: t.run)


def _limits(item: _Set) -> list[LimitFact]:
    failed = Counter(
        t.attempt.reason or "no reason given" for t in item.tries if t.attempt.verdict == "failed"
    )
    if not failed:
        return [_bound(item)]
    return [_limit(item, mode, sum(failed.values()) - count) for mode, count in failed.items()]


def _bound(item: _Set) -> LimitFact:
    steps = [t.attempt.step_deg or 0.0 for t in item.tries]
    top = max(steps)
    at_top = sum(step == top for step in steps)
    share = least_share(at_top, at_top)
    return LimitFact(
        test=item.test.id, row=item.row.key, mode="none", method="bound", tries=len(steps),
        passed=len(steps), left_out=0, low95_deg=top if share >= 0.5 else None,
        said=f"never failed: at least {top:g} deg, a lower bound, no limit ({at_top} of {at_top} "
        f"passed there prove that at least {100 * share:.0f} % of tries pass, at 95 %)",
    )  # fmt: skip


def _limit(item: _Set, mode: str, left_out: int) -> LimitFact:
    here = [
        t for t in item.tries
        if t.attempt.verdict == "cleared" or (t.attempt.reason or "no reason given") == mode
    ]  # fmt: skip
    tries = Tries.of(
        [t.attempt.step_deg or 0.0 for t in here], [t.attempt.verdict == "cleared" for t in here]
    )
    passed = int(tries.passed.sum())
    words = f"; {left_out} that failed in another way left out" if left_out else ""
    base: dict[str, object] = {
        "test": item.test.id,
        "row": item.row.key,
        "mode": mode,
        "tries": len(here),
        "passed": passed,
        "left_out": left_out,
    }
    try:
        found = fit_limit(tries)
    except ValueError as error:
        return LimitFact(**base, method="bound", said=f"no limit: {error}{words}")  # type: ignore[arg-type]
    ends = [None if math.isinf(end) else end for end in (found.low95, found.high95)]
    if found.limit is None:
        low, high = found.bracket or (math.nan, math.nan)
        return LimitFact(
            **base, method="bracket", low95_deg=ends[0], high95_deg=ends[1],  # type: ignore[arg-type]
            said=f"between {low:g} deg (highest passed) and {high:g} deg (lowest failed); the "
            f"tries do not overlap, so there is no spread{_interval(ends)}{words}",
        )  # fmt: skip
    return _fitted(base, found, tries, ends, left_out, words)


def _fitted(
    base: dict[str, object], found: Limit, tries: Tries, ends: list[float | None],
    left_out: int, words: str,
) -> LimitFact:  # fmt: skip
    limit, spread, method, more = found.limit, found.spread, "fixed steps", ""
    if not left_out:
        try:
            closed = up_and_down(tries)
            method = "up-and-down"
            more = f"; Dixon and Mood's closed form gives {closed.limit:.2f} deg"
        except ValueError:
            pass
    assert limit is not None
    assert spread is not None
    return LimitFact(
        **base, method=method, limit_deg=limit, low95_deg=ends[0], high95_deg=ends[1],  # type: ignore[arg-type]
        spread_deg=spread,
        said=f"half of the tries pass at {limit:.2f} deg, spread {spread:.2f} deg"
        f"{_interval(ends)}{more}{words}",
    )  # fmt: skip


def _interval(ends: Sequence[float | None]) -> str:
    low, high = ends
    if low is None and high is None:
        return "; no bound at 95 %"
    if low is None:
        return f"; at most {high:.2f} deg (95 %)"
    if high is None:
        return f"; at least {low:.2f} deg (95 %)"
    return f"; {low:.2f} to {high:.2f} deg (95 %)"


def _pairs(
    sets: Sequence[_Set], limits: Sequence[LimitFact], standing: Sequence[Row]
) -> list[PairFact]:
    """Neighbours by limit (by highest pass where there is none), within test and class."""
    found: list[PairFact] = []
    by_row = {row.key: row for row in standing}
    groups: dict[tuple[str, str], list[tuple[float, _Set, float | None]]] = {}
    for item in sets:
        mine = [x for x in limits if x.row == item.row.key and x.test == item.test.id]
        if len(mine) != 1 or len(item.tries) < LEAST_TRIES or item.row.key not in by_row:
            continue  # mixed modes have no one limit to compare
        passed = [t.attempt.step_deg or 0.0 for t in item.tries if t.attempt.verdict == "cleared"]
        level = mine[0].limit_deg
        if level is None and not passed:
            continue
        place = level if level is not None else max(passed)
        spread = mine[0].spread_deg
        groups.setdefault((item.test.id, item.row.class_name), []).append((place, item, spread))
    for (test, _), members in groups.items():
        members.sort(key=lambda m: -m[0])
        for better, worse in itertools.pairwise(members):
            found.append(_pair(test, better, worse))
    return found


def _pair(
    test: str, better: tuple[float, _Set, float | None], worse: tuple[float, _Set, float | None]
) -> PairFact:
    spreads = [s for s in (better[2], worse[2]) if s]
    spread = sum(spreads) / len(spreads) if spreads else ASSUMED_SPREAD_DEG
    tries = min(len(better[1].tries), len(worse[1].tries))
    levels = sorted({t.attempt.step_deg or 0.0 for s in (better, worse) for t in s[1].tries})
    gaps = [b - a for a, b in itertools.pairwise(levels)]
    step = min(gaps) if gaps else 1.0
    # rounded, so that like cases are simulated once; 0.05 deg is far below what tries can tell
    spread = max(round(spread / 0.05) * 0.05, 0.05)
    smallest = smallest_difference(tries, spread, step)
    off = better[0] - worse[0]
    proven = off > smallest
    origin = "from the tries" if spreads else "assumed"
    said = (
        f"{better[1].row.key} and {worse[1].row.key} differ by {off:.2f} deg; {tries} tries each "
        f"in steps of {step:g} deg can prove {smallest:.2f} deg at 95 % (spread {spread:.2f} deg, "
        f"{origin}, tries run up-and-down): "
        + ("the difference is proven" if proven else "the difference is not proven")
    )
    return PairFact(
        test, better[1].row.key, worse[1].row.key, off, smallest, tries, spread, proven, said
    )
