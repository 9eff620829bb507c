"""Points of one attempt by the rule sheet: exact in decimals, and for draws in arrays. Pure.

Both follow the same steps: round the value, look it up, cap, round the points half to even.
"""

from __future__ import annotations

import itertools
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
from numpy.typing import NDArray

from clipmark.record.models import Attempt
from clipmark.scoring.result import Part
from clipmark.scoring.rules import TestScoring
from clipmark.scoring.sheet_lines import Pair

FloatArray = NDArray[np.float64]
DIGITS = Decimal("1e-9")  # binary fractions of a reading are cut here


def rounded(value: Decimal, to: Decimal) -> Decimal:
    """The nearest whole multiple of `to`; from the middle to the even one."""
    return (value / to).quantize(Decimal(1), ROUND_HALF_EVEN) * to


def decimal_of(value: float) -> Decimal:
    """A float as the shortest decimal that names it."""
    return Decimal(repr(float(value)))


def along(table: tuple[Pair, ...], value: Decimal) -> Decimal:
    """Points on straight lines between pairs; beyond an end it holds; no table: the value."""
    if not table:
        return value
    if value <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(table):
        if value <= x1:
            return y0 + (y1 - y0) * (value - x0) / (x1 - x0)
    return table[-1][1]


def limited(test: TestScoring, points: Decimal) -> Decimal:
    """Points within cap and least."""
    if test.cap is not None:
        points = min(points, test.cap)
    return points if test.least is None else max(points, test.least)


def value_points(test: TestScoring, value: Decimal, to: Decimal) -> Decimal:
    """Points of a measured value or a step."""
    if test.round_to is not None:
        value = rounded(value, test.round_to)
    return rounded(limited(test, along(test.points, value)), to)


def grade_points(test: TestScoring, grade: Decimal, to: Decimal) -> Decimal | None:
    """Points of a grade; None where the sheet has none for it."""
    if not test.grades:
        return rounded(limited(test, grade), to)
    found = test.grades.get(grade)
    return None if found is None else rounded(limited(test, found), to)


def course_parts(test: TestScoring, attempt: Attempt, time_s: float | None) -> tuple[Part, ...]:
    """How a course's points come about: calls by kind, penalties as written, progress, time."""
    parts: list[Part] = []
    if attempt.verdict == "failed" and test.did_not_finish is not None:
        parts.append(Part("did not finish", Decimal(1), test.did_not_finish))
    else:
        for call, each in test.calls.items():
            count = Decimal(sum(item.call == call for item in attempt.calls))
            if count:
                parts.append(Part(call, count, count * each))
        if attempt.penalties:
            called = decimal_of(attempt.penalties)
            parts.append(Part("penalties as written", called, called))
        if test.time_points and time_s is not None:
            taken = decimal_of(time_s)
            if test.time_limit_s is not None:
                taken = min(taken, test.time_limit_s)
            parts.append(Part("time, s", taken, along(test.time_points, taken)))
    finished = attempt.verdict != "failed" or test.did_not_finish is None
    if attempt.progress and test.progress and (finished or test.less_progress):
        passed = decimal_of(attempt.progress)
        parts.append(Part("progress", passed, passed * test.progress))
    return tuple(parts)


def draws_of_values(test: TestScoring, values: FloatArray) -> FloatArray:
    """Points of drawn values, same shape, before the last rounding."""
    if test.round_to is not None:
        to = float(test.round_to)
        values = np.rint(values / to) * to
    if test.points:
        x = np.array([float(a) for a, _ in test.points])
        y = np.array([float(b) for _, b in test.points])
        values = np.interp(values, x, y)
    return _limited_draws(test, values)


def draws_of_grades(test: TestScoring, values: FloatArray) -> FloatArray:
    """Points of the grades that drawn values get, same shape."""
    table = test.grade_table
    assert table is not None
    way = -1.0 if table.more_is_better else 1.0
    limits = way * np.array(table.limits)
    at = np.searchsorted(limits, way * values, side="right")
    each = [
        float(test.grades.get(decimal_of(grade), 0)) if test.grades else grade
        for grade in table.grades
    ]
    return _limited_draws(test, np.array(each)[at])


def _limited_draws(test: TestScoring, points: FloatArray) -> FloatArray:
    low = -np.inf if test.least is None else float(test.least)
    high = np.inf if test.cap is None else float(test.cap)
    return np.clip(points, low, high)
