"""What the rule sheet of an event makes of a reading: the grade of a crawl, the call of a reverse.

Joins measuring and recording.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from clipmark.measure.climb_call import called_result
from clipmark.measure.crawl_terms import NOTHING_SAID, CrawlTerms
from clipmark.measure.grading import grade_result
from clipmark.record.rule_sheet import RuleSheet, read_rule_sheet
from clipmark.uncertainty.grades import GradeTable


@dataclass(frozen=True)
class TestGrade:
    """How the rule sheet grades one test; `table` is None where it does not.

    Attributes
    ----------
    test : str
    table : GradeTable or None
    terms : CrawlTerms
        How a crawl of this test is to be measured, as far as the sheet says.
    reverse_needs : tuple of str or None
        Which facts make a move back a reverse; None where the sheet does not say.
    """

    __test__ = False  # a test of the event, not of the software

    test: str
    table: GradeTable | None = None
    terms: CrawlTerms = NOTHING_SAID
    reverse_needs: tuple[str, ...] | None = None

    @classmethod
    def of(cls, sheet: RuleSheet, test: str | None) -> TestGrade:
        """What a rule sheet says of the test named so; of one it does not know, the usual."""
        rules = sheet.test(test) if test else None
        if rules is None:
            return cls(test or "")
        terms = CrawlTerms(rules.hold_s, rules.band_hz)
        return cls(rules.id, rules.grade_table, terms, rules.reverse_needs)

    def graded(self, measure: str, result: Mapping[str, object]) -> dict[str, object]:
        """The result of a measurement with its ``grade``; null where the test gives none.

        A descent gets its ``reverse_call``; other results come back as they are.
        """
        if measure == "climb":
            return called_result(result, self.test, self.reverse_needs)
        if measure != "crawl":
            return dict(result)
        if self.table is None:
            return {**result, "grade": None}
        grade = grade_result(result, self.table, self.test, self.terms)
        return {**result, "grade": grade}

    def of_attempt(
        self, said: object, results: Mapping[str, Mapping[str, object]], before: object = None
    ) -> object:
        """The grade of an attempt: of its crawl reading where this test has a table.

        Parameters
        ----------
        said : float or None
            What was typed, or what the attempt has now: it stays where no crawl is graded.
        results : mapping
            Graded results by measure.
        before : float or None
            The grade of the crawl reading that the attempt had until now: without that reading it
            is no grade any more.
        """
        if self.table is None:
            return said
        grade = results.get("crawl", {}).get("grade")
        if isinstance(grade, Mapping):
            return grade.get("grade")
        return None if said == before else said


def grade_of_test(event: Path, test: str | None) -> TestGrade:
    """How the rule sheet in the folder `event` grades the test named so.

    Raises
    ------
    RecordError, FolderError
        When the rule sheet cannot be read.
    """
    return TestGrade.of(read_rule_sheet(event), test) if test else TestGrade("")


def read_grade(result: Mapping[str, object] | None) -> object:
    """The grade in a saved crawl result, or None."""
    grade = None if result is None else result.get("grade")
    return grade.get("grade") if isinstance(grade, Mapping) else None
