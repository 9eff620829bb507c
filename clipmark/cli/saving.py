"""``--into FOLDER``: saving what a verb measured as an attempt."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from clipmark.errors import RecordError
from clipmark.evidence import keep_trace
from clipmark.measure.crawl_terms import NOTHING_SAID, CrawlTerms
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, JournalLine, Span
from clipmark.sheet_grade import grade_of_test
from clipmark.workbench import AttemptDetails, Declaration, MarkedThing, save_reading

_GIVEN = {"crawl": "grade", "climb": "reverse_call"}  # what the rule sheet makes of a reading


@dataclass(frozen=True)
class Saving:
    """Where and how to save, as given on the command line."""

    into: Path | None
    attempt: str | None
    by: str | None
    details: AttemptDetails

    def check(self) -> None:
        """Refuse before measuring what could not be saved after it.

        Raises
        ------
        RecordError
            When saving details are given without a folder, or the signature is missing.
        """
        if self.into is None:
            loose = self.attempt is not None or bool(self.details.given())
            if loose:
                raise RecordError(
                    "details of an attempt were given, but not where to save it; add "
                    "--into FOLDER, or leave them out"
                )
            return
        if not self.by:
            raise RecordError("who marks and signs is missing; add --by NAME")
        if self.attempt is None and not (self.details.entry and self.details.test):
            raise RecordError(
                "a new attempt needs --entry and --test; give the truck as entered and the test "
                "it ran, or --attempt ID to add to one that is there"
            )
        EventFolder.open(self.into).close()

    def terms(self) -> CrawlTerms:
        """How a crawl of the test it is saved under is measured; nothing said where none is saved.

        Raises
        ------
        RecordError, FolderError
            When the rule sheet cannot be read, or the attempt is not there.
        """
        if self.into is None:
            return NOTHING_SAID
        test = self.details.test
        if test is None and self.attempt is not None:
            with EventFolder.open(self.into) as event:
                test = event.attempt(self.attempt).attempt.test
        return grade_of_test(self.into, test).terms

    def save(
        self,
        clip: Path,
        measure: str,
        result: dict[str, object],
        marks: Sequence[tuple[MarkedThing, str]],
        declared: Declaration,
        span: Span | None = None,
    ) -> dict[str, object]:
        """Save if asked; what to add to the result.

        Attempt id, revision and journal line; of a crawl also the grade that the rule sheet gives,
        of a descent what it calls its reverse.
        """
        if self.into is None:
            return {}
        later = _later.get()
        if later is not None:
            later.append(PutOff(self, clip, measure, dict(result), tuple(marks), declared, span))
            return {}
        with EventFolder.open(self.into) as event:
            line = save_reading(
                event,
                clip,
                measure,
                result,
                marks,
                self.details,
                self.by or "",
                attempt_id=self.attempt,
                span=span,
                declared=declared,
            )
        return told_when_saved(line, measure)

    def keep_trace(
        self,
        saved: Mapping[str, object],
        result: Mapping[str, object],
        table: pd.DataFrame,
        measure: str = "crawl",
    ) -> None:
        """Keep the trace of a reading that was saved beside its attempt."""
        later = _later.get()
        if later:
            later[-1] = replace(later[-1], trace=table)
        told = saved.get("saved")
        if self.into is not None and isinstance(told, dict):
            keep_trace(self.into, str(told["attempt"]), result, table, measure=measure)


def told_when_saved(line: JournalLine, measure: str) -> dict[str, object]:
    """What a verb adds to its result once the reading stands in this line of the journal."""
    saved = {"attempt": line.id, "revision": line.revision, "seq": line.seq}
    given = _GIVEN.get(measure)
    kept = Attempt.model_validate(line.body).reading(measure) if given else None
    if given is None or kept is None or (measure == "climb" and given not in kept.result):
        return {"saved": saved}
    return {"saved": saved, given: kept.result.get(given)}


@dataclass(frozen=True)
class PutOff:
    """A reading that was measured and is to be saved by another process, which alone writes."""

    saving: Saving
    clip: Path
    measure: str
    result: dict[str, object]
    marks: tuple[tuple[MarkedThing, str], ...]
    declared: Declaration
    span: Span | None
    trace: pd.DataFrame | None = None

    def save(self) -> dict[str, object]:
        """Save it now; what the verb would have added to its result."""
        saved = self.saving.save(
            self.clip, self.measure, self.result, self.marks, self.declared, self.span
        )
        if self.trace is not None:
            self.saving.keep_trace(saved, self.result, self.trace, self.measure)
        return saved


_later: ContextVar[list[PutOff] | None] = ContextVar("later", default=None)


@contextmanager
def saving_put_off() -> Iterator[list[PutOff]]:
    """What verbs called inside would save is gathered instead, to be saved later."""
    later: list[PutOff] = []
    before = _later.set(later)
    try:
        yield later
    finally:
        _later.reset(before)
