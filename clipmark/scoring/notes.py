"""What stands over each test and under the standings, in words."""

from __future__ import annotations

from collections.abc import Sequence

from clipmark.scoring.attempt_rows import INCLINOMETER_U_DEG
from clipmark.scoring.measured import unit_of
from clipmark.scoring.result import Row, TestFacts
from clipmark.scoring.rules import Rules, TestScoring
from clipmark.scoring.taken import measure_of


def test_facts(rules: Rules, test: TestScoring) -> TestFacts:
    """A test with its rule in one sentence."""
    measure = {"ladder": "step_deg", "graded": "grade", "course": "penalties"}.get(
        test.kind, measure_of(test)
    )
    if test.kind == "ladder" and test.score_by == "measured":
        measure = "ramp_deg"
    if test.kind == "smoothness" and test.score_by == "grade":
        measure = "grade"
    return TestFacts(
        id=test.id, kind=test.kind, surface=test.surface, measure=measure, unit=unit_of(measure),
        counted=test.counted, tries_per_step=test.tries_per_step,
        stop_after_failed_steps=test.stop_after_failed_steps, said=_said(test),
    )  # fmt: skip


test_facts.__test__ = False  # type: ignore[attr-defined]  # a name of the trade, not a claim


def _said(test: TestScoring) -> str:
    if test.kind == "ladder":
        tries = _count(test.tries_per_step, "try", "tries")
        stop = _count(test.stop_after_failed_steps, "failed step", "failed steps")
        needed = f", {test.passes_needed} passes needed" if test.passes_needed > 1 else ""
        return f"{tries} a step{needed}, stop after {stop}"
    if test.tries == 1:
        return "one try"
    which = {"mean": "mean", "sum": "sum"}.get(test.counted, test.counted)
    tries = f"{test.tries} tries" if test.tries else "all tries"
    dropped = f", {test.drop_tries} worst dropped" if test.drop_tries else ""
    return f"{which} of {tries}{dropped}"


def _count(count: int | None, one: str, more: str) -> str:
    if count is None:
        return f"any number of {more}"
    return f"{count} {one if count == 1 else more}"


def notes_of(
    rules: Rules, standing: Sequence[Row], inclinometer_u_deg: float | None
) -> tuple[str, ...]:
    """How to read the standings."""
    notes: list[str] = []
    ranked = [row for row in standing if row.place is not None]
    if any(test.kind == "ladder" and test.score_by == "step" for test in rules.tests):
        notes.append(
            "ladders are scored by the step that was set and the judge's verdicts, which are not "
            "drawn; their probabilities are those of the other tests"
        )
    if any(not row.separated for row in ranked):
        notes.append(
            "places marked ~ are given by the rule sheet, but the evidence does not separate them "
            "with 95 %"
        )
    if len(ranked) == 1:
        notes.append("only one row is ranked, so its place says nothing")
    if inclinometer_u_deg is None and any(test.kind == "ladder" for test in rules.tests):
        notes.append(
            "session.toml does not say how good the inclinometer is; "
            f"{INCLINOMETER_U_DEG:g} deg (standard) was taken"
        )
    return tuple(notes)
