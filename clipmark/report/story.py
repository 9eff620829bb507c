"""What a report tells of each attempt, gathered from the event folder in words and numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from clipmark.errors import RecordError
from clipmark.record.body_words import spoken
from clipmark.record.changes import Change, changes_by_revision
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.models import Attempt, JournalLine
from clipmark.record.rule_sheet import RuleSheet
from clipmark.report.figures import reading_figures
from clipmark.report.tilt_facts import TiltEventFact, counting_event
from clipmark.report.words import (
    Figure,
    claim_words,
    counted,
    number,
    percent,
    with_unit,
)

_OUTCOMES = {
    "stands": "the claim stands",
    "falls": "the claim falls",
    "cannot decide": "the footage cannot decide",
}


@dataclass(frozen=True)
class Revision:
    """One revision of an attempt in words."""

    number: int
    at: str
    by: str
    changes: tuple[Change, ...]

    @property
    def words(self) -> str:
        """What it changed, as one text."""
        if self.number == 1:
            return "first saved"
        if not self.changes:
            return "changed nothing of what is said"
        return "; ".join(f"{c.field}: {c.before} \N{RIGHTWARDS ARROW} {c.after}"
                         for c in self.changes)  # fmt: skip


@dataclass(frozen=True)
class AttemptStory:
    """One attempt as it is handed out; unknown texts are empty.

    Attributes
    ----------
    saved : SavedAttempt
        What the journal holds.
    figures : sequence of Figure
        What was measured.
    history : sequence of Revision
        Oldest first.
    tilt_event : str
        Which event of a side tilt counts by the rule sheet; empty where it does not say.
    """

    saved: SavedAttempt
    figures: Sequence[Figure]
    history: Sequence[Revision] = field(default=())
    tilt_event: str = ""

    @property
    def id(self) -> str:
        """Id of the attempt."""
        return self.saved.id

    @property
    def attempt(self) -> Attempt:
        """Its newest revision."""
        return self.saved.attempt

    @property
    def title(self) -> str:
        """``Siskin, board ladder, try 2``."""
        tried = f", try {self.attempt.try_no}" if self.attempt.try_no else ""
        return f"{self.attempt.entry}, {self.attempt.test}{tried}"

    @property
    def verdict(self) -> str:
        """The judge's verdict with its reason."""
        if self.attempt.verdict is None:
            return "no verdict yet"
        reason = self.attempt.reason
        return f"{self.attempt.verdict}, {spoken(reason)}" if reason else self.attempt.verdict

    @property
    def called_by(self) -> str:
        """Who gave the verdict, or who signed."""
        return self.attempt.called_by or self.attempt.marked_by

    @property
    def protest(self) -> str:
        """The claim and what was ruled, beside the verdict; empty where nobody protested."""
        claim, ruling = self.attempt.claim, self.attempt.ruling
        if claim is None and ruling is None:
            return ""
        asserted = ""
        if claim is not None:
            by = f" by {claim.by}" if claim.by else ""
            asserted = f"claim{by}: {claim_words(claim)}"
        if ruling is None:
            return f"under protest, {asserted}"
        sure = f", probability of the claim {percent(ruling.probability)}" if (
            ruling.probability is not None) else ""  # fmt: skip
        by = f", ruled by {ruling.by}" if ruling.by else ""
        told = f"ruling: {_OUTCOMES[ruling.outcome]}{sure}{by}"
        return f"{asserted}; {told}" if asserted else told

    @property
    def is_under_protest(self) -> bool:
        """Whether a claim waits for its ruling."""
        return self.attempt.claim is not None and self.attempt.ruling is None

    @property
    def conditions(self) -> str:
        """Set-up, surface, step and set angle in one line."""
        body = self.attempt
        ends = [with_unit(number(v), "°") for v in (body.set_start_deg, body.set_end_deg)
                if v is not None]  # fmt: skip
        parts = [
            f"set-up {body.setup}" if body.setup else "",
            f"surface {body.surface}" if body.surface else "",
            f"step {with_unit(number(body.step_deg), '°')}" if body.step_deg is not None else "",
            f"set angle {' to '.join(ends)}" if ends else "",
        ]
        return ", ".join(part for part in parts if part)

    @property
    def calls(self) -> str:
        """What the judge called, with instants."""
        return ", ".join(
            f"{spoken(call.call)} at {number(call.t_s, 2)} s"
            + (f" ({call.note})" if call.note else "")
            for call in self.attempt.calls
        )

    @property
    def clip_name(self) -> str:
        """Name of the clip without its folders; empty where there is none."""
        clip = self.attempt.clip
        return PurePosixPath(clip.path).name if clip is not None else ""

    @property
    def clip_sha256(self) -> str:
        """Content hash of the clip, or empty."""
        return self.attempt.clip.sha256 if self.attempt.clip is not None else ""

    @property
    def followed(self) -> str:
        """Which reading followed something through the clip: tilt, climb or crawl; else empty."""
        for measure in ("tilt", "climb", "crawl"):
            if self.attempt.reading(measure) is not None:
                return measure
        return ""

    @property
    def frame(self) -> int | None:
        """The frame that shows the attempt.

        The deciding instant of a side tilt or a climb; else that of the angle, of another reading,
        or the one marked.
        """
        body = self.attempt
        decided = self.deciding_frame
        if decided is not None:
            return decided
        for measure in ("angle", "tilt", "climb", "crawl"):
            reading = body.reading(measure)
            if reading is not None and reading.frame is not None:
                return reading.frame
        if body.declared is not None and body.declared.frame is not None:
            return body.declared.frame
        return body.span.first_frame if body.span is not None else None

    @property
    def deciding_frame(self) -> int | None:
        """The frame of what decided a side tilt or a climb; None of others, and without one."""
        event, climb = self._event, self.attempt.reading("climb")
        if event is not None:
            return event.frame
        found = climb.result.get("decided_frame") if climb is not None else None
        return found if isinstance(found, int) and not isinstance(found, bool) else None

    @property
    def deciding_words(self) -> str:
        """What is decided in that frame; empty where there is none."""
        event = self._event
        if event is not None:
            return event.name
        return "the deciding instant" if self.deciding_frame is not None else ""

    @property
    def _event(self) -> TiltEventFact | None:
        """The event of a side tilt that counts, at its stated gap, which can be seen."""
        tilt = self.attempt.reading("tilt")
        if tilt is None:
            return None
        return counting_event(tilt.result, self.attempt.tilt_event or self.tilt_event)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences that must be read with the numbers, each once."""
        found = [w for reading in self.attempt.readings for w in reading.warnings]
        return tuple(dict.fromkeys(found))

    @property
    def stalls(self) -> str:
        """How many stalls, where a crawl tells of them."""
        reading = self.attempt.reading("crawl")
        stalls = reading.result.get("stalls") if reading is not None else None
        if not isinstance(stalls, list):
            return ""
        real = [s for s in stalls if not (isinstance(s, dict) and s.get("commanded"))]
        return counted(len(real), "stall", "stalls")


def stories_of(
    event: EventFolder, wanted: Sequence[str] = (), sheet: RuleSheet | None = None
) -> list[AttemptStory]:
    """Every attempt, or those named in `wanted`, in the order in which they were first saved.

    `sheet` says which event of a side tilt counts.

    Raises
    ------
    RecordError
        When one that is named is not there.
    """
    saved = event.attempts()
    known = {each.id for each in saved}
    for attempt_id in wanted:
        if attempt_id not in known:
            raise RecordError(
                f"there is no attempt {attempt_id} in {event.path}; `clipmark attempts "
                f"{event.path}` lists those that are there"
            )
    lines: dict[str, list[JournalLine]] = {}
    for entry in event.journal.entries:
        if entry.kind == "attempt" and (not wanted or entry.id in wanted):
            lines.setdefault(entry.id, []).append(entry.whole())
    counts = {test.id: test.tilt_event for test in sheet.tests} if sheet is not None else {}
    return [
        AttemptStory(
            each,
            _figures(each.attempt),
            _history(lines.get(each.id, [])),
            counts.get(each.attempt.test, ""),
        )
        for each in saved
        if not wanted or each.id in wanted
    ]


def _figures(attempt: Attempt) -> list[Figure]:
    found = []
    for measure in ("angle", "tilt", "climb", "crawl"):
        reading = attempt.reading(measure)
        if reading is not None:
            found += reading_figures(measure, reading.result)
    return found


def _history(lines: Sequence[JournalLine]) -> list[Revision]:
    return [
        Revision(line.revision, str(line.at), line.by, changes)
        for line, changes in changes_by_revision(lines)
    ]
