"""What one row gets in one test: the tries that count, the deciding value, the points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from clipmark.scoring.drift import Drift
from clipmark.scoring.measured import Measured, unit_of
from clipmark.scoring.points import decimal_of, grade_points, rounded, value_points
from clipmark.scoring.result import Status, TestScore
from clipmark.scoring.rules import Rules, TestScoring
from clipmark.scoring.taken import Taken, measure_of
from clipmark.uncertainty.tries import least_share


@dataclass(frozen=True)
class Counted:
    """Points of a row in a test, and the attempts that they rest on."""

    score: TestScore
    resting: tuple[Taken, ...] = ()  # drawn again for the place probabilities
    step: float | None = None  # last step cleared, of a ladder


def score_test(
    rules: Rules, test: TestScoring, items: Sequence[Taken], drift: Drift | None
) -> Counted:
    """Points, status and value of one row in one test."""
    taken = [item for item in items if not item.left_out]
    if not taken:
        return _nothing(rules, test, items)
    if test.kind == "ladder":
        return _ladder(rules, test, taken, drift)
    each = [(point_of(rules, test, item, drift), item) for item in taken]
    points, resting = _reduced(rules, test, each)
    decisive = resting[0] if len(resting) == 1 else None
    value, u95, unit = _value(test, decisive)
    unfinished = all(item.attempt.verdict == "failed" for item in resting)
    status: Status = (
        "did not finish" if unfinished and test.did_not_finish is not None else "scored"
    )
    return Counted(
        TestScore(
            test=test.id, status=status, points=points, value=value, u95=u95, unit=unit,
            tries=len(taken), cleared=sum(i.attempt.verdict == "cleared" for i in taken),
            attempts=tuple(item.id for item in resting),
            parts=decisive.parts if decisive else (),
        ),
        tuple(taken),
    )  # fmt: skip


def point_of(rules: Rules, test: TestScoring, item: Taken, drift: Drift | None) -> Decimal:
    """Points of one try, the drift taken out where the sheet asks for it."""
    if drift is None or item.measured is None or not test.measured:
        return item.points or Decimal(0)
    value = decimal_of(item.measured.value) - drift.best(item.run)
    if test.kind == "smoothness" and test.score_by == "grade" and test.grade_table:
        grade = test.grade_table.grade_at(float(value))
        return grade_points(test, decimal_of(grade), rules.points_to) or Decimal(0)
    return value_points(test, value, rules.points_to)


def _nothing(rules: Rules, test: TestScoring, items: Sequence[Taken]) -> Counted:
    status: Status = "not scored" if items else "did not start"
    if any("no reading" in item.left_out or "angle reading" in item.left_out for item in items):
        status = "no reading"
    points = test.did_not_start if status == "did not start" else None
    if points is not None:
        points = rounded(points, rules.points_to)
    return Counted(TestScore(test=test.id, status=status, points=points))


def _reduced(
    rules: Rules, test: TestScoring, each: list[tuple[Decimal, Taken]]
) -> tuple[Decimal, tuple[Taken, ...]]:
    """The tries that count, made into one; as `drawn.reduced` does for draws."""
    if test.counted in ("first", "last"):
        points, item = each[0 if test.counted == "first" else -1]
        return points, (item,)
    ordered = sorted(each, key=lambda pair: pair[0], reverse=rules.better == "highest")
    if test.drop_tries:
        ordered = ordered[: max(len(ordered) - test.drop_tries, 1)]
    if test.counted in ("best", "worst"):
        points, item = ordered[0 if test.counted == "best" else -1]
        return points, (item,)
    whole = sum((points for points, _ in ordered), Decimal(0))
    if test.counted == "mean":
        whole = rounded(whole / len(ordered), rules.points_to)
    return whole, tuple(item for _, item in ordered)


def _value(test: TestScoring, item: Taken | None) -> tuple[float | None, float | None, str]:
    if item is None:
        return None, None, ""
    if item.measured is not None:
        return item.measured.value, item.measured.u95, unit_of(measure_of(test))
    if test.kind == "course":
        return item.time_s, None, "s" if item.time_s is not None else ""
    return item.attempt.grade, None, ""


def _ladder(rules: Rules, test: TestScoring, taken: list[Taken], drift: Drift | None) -> Counted:
    by_step: dict[float, list[Taken]] = {}
    for item in taken:
        assert item.attempt.step_deg is not None
        by_step.setdefault(item.attempt.step_deg, []).append(item)
    passed = {
        step: [item for item in here if item.attempt.verdict == "cleared"]
        for step, here in by_step.items()
    }
    cleared = [step for step, here in passed.items() if len(here) >= test.passes_needed]
    tries, count = len(taken), sum(map(len, passed.values()))
    if not cleared:
        points = test.did_not_finish or Decimal(0)
        score = TestScore(
            test=test.id, status="did not finish", points=rounded(points, rules.points_to),
            unit="deg", tries=tries, cleared=count, attempts=tuple(item.id for item in taken),
        )  # fmt: skip
        return Counted(score)
    step = max(cleared)
    best = passed[step][0]
    measured: Measured | None = best.measured if test.score_by == "measured" else None
    value = decimal_of(step)
    if measured is not None:
        value = decimal_of(measured.value)
        if drift is not None:
            value -= drift.best(best.run)
    here = by_step[step]
    score = TestScore(
        test=test.id, status="scored", points=value_points(test, value, rules.points_to),
        value=float(value), u95=measured.u95 if measured else None, unit="deg",
        tries=tries, cleared=count,
        attempts=(best.id,) if measured else tuple(item.id for item in passed[step]),
        proves=proof(len(passed[step]), len(here), step),
    )  # fmt: skip
    return Counted(score, (best,) if measured else (), step)


def proof(passed: int, tried: int, step: float) -> str:
    """What so many passes of so many tries prove of the share of passes, in words."""
    share = least_share(passed, tried)
    return (
        f"{passed} of {tried} passed at {step:g} deg: proves that at least {100 * share:.0f} % of "
        "such tries pass (95 %)"
    )
