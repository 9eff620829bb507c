"""Set-ups of one entry compared: before and after a tyre change, the difference with its interval.

Only the same entry, class and test; the set-ups in the order in which they first ran.

- **Ladders** compare climbing limits of the same failure mode. The limits' intervals are combined
  by the distances of their ends (Zou and Donner, Stat. Med. 27 (2008) 1693-1702), since they need
  not be symmetric.
- **Everything else** compares means over tries: the spread from try to try, and the tries' own
  measurement uncertainty taken as shared by all tries of a set-up and as not shared between the
  two, which is the wider of the two ways to see it. Student's t with Welch's degrees of freedom.
  With one try each the spread from try to try is not known, and that is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clipmark.report.views import SetupDifference
from clipmark.report.words import between, measured
from clipmark.scoring.result import AttemptScore, EventResult, LimitFact, Row
from clipmark.uncertainty.intervals import coverage_factor

Z95 = 1.959964


@dataclass(frozen=True)
class _Side:
    """What one set-up gave: value, interval, in words, how many tries, on which surfaces."""

    value: float
    low: float
    high: float
    words: str
    tries: int
    surfaces: frozenset[str]


def setup_differences(result: EventResult) -> list[SetupDifference]:
    """Every change of set-up of every entry, test by test."""
    order: dict[tuple[str, str, str], int] = {}
    for at, score in enumerate(result.attempts):
        order.setdefault((score.class_name, score.entry, score.setup), at)
    found = []
    rows: dict[tuple[str, str], list[Row]] = {}
    for row in result.rows:
        rows.setdefault((row.class_name, row.entry), []).append(row)
    for (class_name, entry), group in rows.items():
        ran = [row for row in group if (class_name, entry, row.setup) in order]
        ran.sort(key=lambda row: order[row.class_name, row.entry, row.setup])
        for test in result.tests:
            there = [row for row in ran if _attempts(result, row, test.id)]
            for before, after in pairwise(there):
                found.append(_difference(result, test.id, before, after))
    return [each for each in found if each is not None]


def _difference(result: EventResult, test: str, before: Row, after: Row) -> SetupDifference | None:
    limits = _same_mode(_limits(result, before, test), _limits(result, after, test))
    surfaces = [
        frozenset(each.surface for each in _attempts(result, row, test)) for row in (before, after)
    ]
    if limits is not None:
        unit = "°"
        sides = [
            _limit_side(limit, surface) for limit, surface in zip(limits, surfaces, strict=True)
        ]
        one, two = sides
        difference = two.value - one.value
        low = difference - math.hypot(two.value - two.low, one.high - one.value)
        high = difference + math.hypot(two.high - two.value, one.value - one.low)
    else:
        values = [_values(result, row, test) for row in (before, after)]
        if not all(values):
            return None
        unit = _degree(values[0][0].unit)
        sides = [
            _mean_side(scores, surface, unit)
            for scores, surface in zip(values, surfaces, strict=True)
        ]
        one, two = sides
        difference = two.value - one.value
        half = _half_width(values[0], values[1])
        low, high = difference - half, difference + half
    half = (high - low) / 2
    told = f"{measured(difference, half, unit)} ({between(low, high, unit)})"
    return SetupDifference(
        before.entry, test, before.setup, after.setup, one.words, two.words, told,
        _verdict(low, high, one, two), difference, low, high, unit,
    )  # fmt: skip


def _verdict(low: float, high: float, one: _Side, two: _Side) -> str:
    said = "not told apart" if low <= 0 <= high else "more than chance (95 %)"
    if min(one.tries, two.tries) < 2:
        said += "; one try only, so the spread from try to try is not in it"
    if one.surfaces != two.surfaces:
        names = [", ".join(sorted(s or "not named" for s in x.surfaces)) for x in (one, two)]
        said += f"; on different surfaces ({names[0]}; {names[1]})"
    return said


def _attempts(result: EventResult, row: Row, test: str) -> list[AttemptScore]:
    return [
        each
        for each in result.attempts
        if (each.test, each.class_name, each.entry, each.setup)
        == (test, row.class_name, row.entry, row.setup)
        and not each.left_out
    ]


def _values(result: EventResult, row: Row, test: str) -> list[AttemptScore]:
    return [each for each in _attempts(result, row, test) if each.value is not None and each.u95]


def _limits(result: EventResult, row: Row, test: str) -> list[LimitFact]:
    return [
        each
        for each in result.limits
        if each.test == test and each.row == row.key
        and None not in (each.limit_deg, each.low95_deg, each.high95_deg)
    ]  # fmt: skip


def _same_mode(
    one: Sequence[LimitFact], two: Sequence[LimitFact]
) -> tuple[LimitFact, LimitFact] | None:
    """The limits of the failure mode that rests on the most tries of both."""
    pairs = [(a, b) for a in one for b in two if a.mode == b.mode]
    return max(pairs, key=lambda pair: pair[0].tries + pair[1].tries, default=None)


def _limit_side(limit: LimitFact, surfaces: frozenset[str]) -> _Side:
    assert limit.limit_deg is not None
    assert limit.low95_deg is not None
    assert limit.high95_deg is not None
    low, high = limit.low95_deg, limit.high95_deg
    words = f"{measured(limit.limit_deg, (high - low) / 2, '°')}, {limit.tries} tries"
    return _Side(limit.limit_deg, low, high, words, limit.tries, surfaces)


def _mean_side(scores: Sequence[AttemptScore], surfaces: frozenset[str], unit: str) -> _Side:
    mean = float(np.mean([each.value for each in scores if each.value is not None]))
    variance, dof = _variance(scores)
    half = coverage_factor(dof) * math.sqrt(variance)
    count = len(scores)
    words = f"{measured(mean, half, unit)}, {count} {'try' if count == 1 else 'tries'}"
    return _Side(mean, mean - half, mean + half, words, count, surfaces)


def _variance(scores: Sequence[AttemptScore]) -> tuple[float, float]:
    """Variance of a mean over tries, and its degrees of freedom."""
    values = np.array([each.value for each in scores], dtype=np.float64)
    shared = float(np.mean([(each.u95 or 0.0) / Z95 for each in scores])) ** 2
    if len(values) < 2:
        return shared, math.inf
    scatter = float(values.var(ddof=1)) / len(values)
    total = scatter + shared
    dof = (len(values) - 1) * (total / scatter) ** 2 if scatter > 0 else math.inf
    return total, dof


def _half_width(one: Sequence[AttemptScore], two: Sequence[AttemptScore]) -> float:
    parts = [_variance(one), _variance(two)]
    total = sum(variance for variance, _ in parts)
    below = sum(
        variance**2 / dof for variance, dof in parts if math.isfinite(dof)
    )  # Welch and Satterthwaite, JCGM 100:2008, G.4.1
    return coverage_factor(total**2 / below if below > 0 else math.inf) * math.sqrt(total)


def _degree(unit: str) -> str:
    return {"deg": "°"}.get(unit, unit)
