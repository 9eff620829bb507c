"""Putting a report together: page, cards, charts, stills and clips, all into one folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from clipmark import __version__
from clipmark.errors import ClipmarkError, RecordError
from clipmark.record import disk
from clipmark.record.folder import EventFolder
from clipmark.record.hidden_areas import HiddenArea
from clipmark.record.rule_sheet import RuleSheet
from clipmark.report.annotated import Asked, write_annotated
from clipmark.report.card_words import card_words
from clipmark.report.cards import LYING, UPRIGHT, CardFacts, cards_of
from clipmark.report.charts import Chart, setup_charts, test_chart, totals_charts
from clipmark.report.facts import facts_of
from clipmark.report.html import (
    AttemptPart,
    Inlined,
    ReportPage,
    TestPart,
    chart_inlined,
    render,
    still_inlined,
)
from clipmark.report.kept import Kept
from clipmark.report.moving import location_of
from clipmark.report.out_folder import PAGE_NAME
from clipmark.report.pictures import Footage
from clipmark.report.side_by_side import write_side_by_side
from clipmark.report.stills import draw_still
from clipmark.report.story import AttemptStory
from clipmark.report.views import Results
from clipmark.report.words import counted, file_names

TRACELESS = (
    "The annotated clip shows no speed: the trace of this crawl is not kept any more; a report "
    "made with --measure-again has it back."
)
Step = Callable[[str, int, int], None]


def _say_nothing(what: str, done: int, total: int) -> None:
    """Nobody looks on."""


@dataclass(frozen=True)
class Wanted:
    """What is asked of a report beside the page, cards, charts and stills.

    Attributes
    ----------
    clips : bool
        Annotated clips too.
    side_by_side : (str, str) or None
        Two attempts to be shown beside each other.
    hidden : mapping of str to sequence of HiddenArea
        Areas to be made unrecognisable, by content hash of the clip.
    with_location, with_sound : bool
        Whether the place of filming and the sound of clips go out with it.
    """

    clips: bool = False
    side_by_side: tuple[str, str] | None = None
    hidden: Mapping[str, Sequence[HiddenArea]] = field(default_factory=dict)
    with_location: bool = False
    with_sound: bool = False


class Maker:
    """Makes one report into a folder that is empty.

    Parameters
    ----------
    event : EventFolder
    sheet : RuleSheet
    stories : sequence of AttemptStory
        Attempts that are shown.
    results : Results
        Standings, or an empty one.
    wanted : Wanted
    kept : Kept
        Traces and charts of readings.
    into : Path
        Where the files are made.
    step : callable
        Told what is being made, how many are done, and of how many.
    """

    def __init__(
        self,
        event: EventFolder,
        sheet: RuleSheet,
        stories: Sequence[AttemptStory],
        results: Results,
        wanted: Wanted,
        kept: Kept,
        into: Path,
        step: Step = _say_nothing,
    ) -> None:
        self.event, self.sheet, self.stories = event, sheet, list(stories)
        self.results, self.wanted, self.kept = results, wanted, kept
        self.into, self.step = into, step
        self.footage = Footage(event.path, wanted.hidden)
        self.left_out: dict[str, list[str]] = {story.id: [] for story in self.stories}
        self.names = file_names(story.id for story in self.stories)
        last = event.journal.entries[-1] if event.journal.entries else None
        state = f" from journal line {last.seq}, SHA-256 {last.sha256[:16]}" if last else ""
        self.foot = f"Made by clipmark {__version__}{state}."

    def make(self, *, standings: bool = True) -> ReportPage:
        """Make everything; the page's content is returned as well as written.

        Without `standings` the page holds nobody but those whose attempts are shown.

        Raises
        ------
        FolderError
            When a file cannot be written. A clip that cannot be used leaves a sentence instead.
        """
        try:
            parts = self._attempts()
            self._clips()
            self._pair()
        finally:
            self.footage.close()
        self._cards()
        if not standings:
            self.results = Results()
        page = self._page(parts)
        self._write(PAGE_NAME, render(page))
        return page

    # Attempts -----------------------------------------------------------------------------

    def _attempts(self) -> list[tuple[AttemptStory, Inlined | None, str]]:
        """Stills, clip by clip, in the order of the attempts again."""
        found: dict[str, tuple[Inlined | None, str]] = {}
        by_clip = sorted(self.stories, key=lambda story: (story.clip_sha256, story.frame or 0))
        for done, story in enumerate(by_clip):
            self.step("stills", done, len(by_clip))
            gone = self.kept.missing(story)
            self.left_out[story.id] += [gone] if gone else []
            found[story.id] = self._still(story)
        return [(story, *found[story.id]) for story in self.stories]

    def _still(self, story: AttemptStory) -> tuple[Inlined | None, str]:
        if story.attempt.clip is None:
            self.left_out[story.id].append("No clip belongs to this attempt, so there is no still.")
            return None, ""
        place = ""
        try:
            if self.wanted.with_location:
                place = location_of(self.footage.place(story.attempt.clip))
            still = draw_still(story, self.footage, place, self.kept.followed(story))
        except ClipmarkError as error:
            self.left_out[story.id].append(f"No still is shown: {self._plain(error)}.")
            return None, place
        self._write(f"stills/{self.names[story.id]}.jpg", still.data)
        return still_inlined(still), place

    def _plain(self, error: Exception) -> str:
        """A refusal without the path of the event's folder, which is nobody else's business."""
        text = " ".join(str(error).split()).rstrip(".")
        for root in (self.event.path.absolute(), self.event.path):
            text = text.replace(f"{root}/", "").replace(str(root), "the event folder")
        return text

    def _clips(self) -> None:
        if not self.wanted.clips:
            return
        usable = [story for story in self.stories if story.attempt.clip is not None]
        for done, story in enumerate(usable):
            self.step("annotated clips", done, len(usable))
            target = self.into / "clips" / f"{self.names[story.id]}.mp4"
            target.parent.mkdir(parents=True, exist_ok=True)
            assert story.attempt.clip is not None
            try:
                place = ""
                if self.wanted.with_location:
                    place = location_of(self.footage.place(story.attempt.clip))
                asked = Asked(self.wanted.with_sound, place)
                trace = self.kept.followed(story)
                if trace is None and story.followed == "crawl":
                    self.left_out[story.id].append(TRACELESS)
                write_annotated(story, self.footage, trace, target, asked)
            except ClipmarkError as error:
                self.left_out[story.id].append(f"No annotated clip: {self._plain(error)}.")

    def _clip_file(self, story: AttemptStory) -> str:
        """Where its annotated clip lies, seen from the page; empty where there is none."""
        name = f"clips/{self.names[story.id]}.mp4"
        return name if (self.into / name).exists() else ""

    def _pair(self) -> None:
        """The two attempts that were asked for: here a refusal is a refusal."""
        if self.wanted.side_by_side is None:
            return
        both = tuple(
            next((story for story in self.stories if story.id == wanted), None)
            for wanted in self.wanted.side_by_side
        )
        left, right = both
        if left is None or right is None:
            raise RecordError("both attempts shown side by side must be part of the report")
        for story in (left, right):
            if story.attempt.clip is None:
                raise RecordError(
                    f"attempt {story.id} has no clip, so it cannot be shown side by side; name "
                    "another one (--side-by-side)"
                )
        self.step("side by side", 0, 1)
        name = f"side-by-side-{self.names[left.id]}-{self.names[right.id]}.mp4"
        target = self.into / "clips" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        other = Footage(self.event.path, self.wanted.hidden)
        try:
            write_side_by_side(
                (left, right), (self.footage, other),
                (self.kept.followed(left), self.kept.followed(right)), target,
            )  # fmt: skip
        finally:
            other.close()

    # Cards and charts ---------------------------------------------------------------------

    def _cards(self) -> None:
        """One card, or more, for every line of the standings whose attempts are shown."""
        shown = {story.attempt.entry for story in self.stories}
        lines = {row.key: (row.entry, row.setup) for row in self.results.totals}
        scored = {entry for entry, _ in lines.values()}
        lines |= {entry: (entry, "") for entry in sorted(shown - scored)}
        lines = {key: line for key, line in lines.items() if line[0] in shown}
        names = file_names(f"{entry} {setup}".strip() for entry, setup in lines.values())
        facts = CardFacts(
            event=self.event.name,
            when_where=self.when_where,
            beneath={key: self._beneath(key, *line) for key, line in lines.items()},
            protests={key: self._protests(*line) for key, line in lines.items()},
            seen={key: self._seen(*line) for key, line in lines.items()},
            foot=self.foot,
        )
        for done, (key, (entry, setup)) in enumerate(lines.items()):
            self.step("score cards", done, len(lines))
            name = names[f"{entry} {setup}".strip()]
            for word, size in (("lying", LYING), ("upright", UPRIGHT)):
                for number, card in enumerate(cards_of(key, entry, self.results, facts, size), 1):
                    more = f"-{number}" if number > 1 else ""
                    self._write(f"cards/{name}-{word}{more}.png", card.png())

    def _beneath(self, key: str, entry: str, setup: str) -> str:
        driver = next((each.driver for each in self.sheet.entries if each.name == entry), "")
        total = next((row for row in self.results.totals if row.key == key), None)
        parts = [
            f"driver {driver}" if driver else "",
            f"set-up {setup}" if setup else "",
            f"class {total.class_name}" if total is not None and total.class_name else "",
        ]
        return ", ".join(part for part in parts if part)

    def _protests(self, entry: str, setup: str) -> list[str]:
        found: list[str] = []
        for story in self.stories:
            body = story.attempt
            if story.protest and body.entry == entry and setup in ("", body.setup):
                tried = f", try {body.try_no}" if body.try_no else ""
                called = f" (called by {story.called_by})" if story.called_by else ""
                found.append(
                    f"{body.test}{tried}: verdict {story.verdict}{called}; {story.protest}"
                )
        return found

    def _seen(self, entry: str, setup: str) -> dict[str, list[str]]:
        """What side tilts and climbs of one line showed, by test."""
        found: dict[str, list[str]] = {}
        for story in self.stories:
            if story.attempt.entry == entry and setup in ("", story.attempt.setup):
                found.setdefault(story.attempt.test, []).extend(card_words(story))
        return found

    @property
    def when_where(self) -> str:
        """Date and place of the event."""
        return ", ".join(part for part in (self.sheet.date, self.sheet.place) if part)

    def _of_readings(self, story: AttemptStory) -> list[Inlined]:
        """Charts of what was followed in one attempt."""
        inlined = []
        for measure, drawn, picture in self.kept.charts(story):
            self._write(f"charts/{self.names[story.id]}-{measure}.svg", drawn)
            inlined.append(picture)
        return inlined

    def _charts(self, charts: Iterable[Chart], name: str, caption: str) -> list[Inlined]:
        inlined = []
        for number, chart in enumerate(charts, 1):
            more = f"-{number}" if number > 1 else ""
            self._write(f"charts/{name}{more}.svg", chart.svg)
            self._write(f"charts/{name}{more}.png", chart.png)
            inlined.append(chart_inlined(chart, caption))
        return inlined

    # Page ---------------------------------------------------------------------------------

    def _page(self, parts: Sequence[tuple[AttemptStory, Inlined | None, str]]) -> ReportPage:
        names = file_names(test.title for test in self.results.tests)
        tests = [
            TestPart(
                f"test-{names[test.title]}",
                test,
                self._charts(
                    test_chart(test), f"test-{names[test.title]}",
                    f"{test.title}: what counts, with its 95 % interval, in order of place.",
                ),
            )
            for test in self.results.tests
        ]  # fmt: skip
        missing = [story for story in self.stories if self.left_out[story.id]]
        said = [*self.results.notes, *(self._plain(Exception(x)) + "." for x in
                                       self.event.findings)]  # fmt: skip
        if missing:
            said.append(
                f"{counted(len(missing), 'attempt lacks', 'attempts lack')} a picture or clip "
                f"({', '.join(story.id for story in missing)}); why stands with each of them."
            )
        return ReportPage(
            event=self.event.name,
            when_where=self.when_where,
            summary=self._summary(),
            foot=self.foot,
            results=self.results,
            tests=tests,
            attempts=[
                AttemptPart(
                    f"attempt-{self.names[story.id]}", story, still, self.left_out[story.id],
                    facts_of(story, place, self._clip_file(story)), self._of_readings(story),
                )
                for story, still, place in parts
            ],
            notes=said,
            privacy=self._privacy(),
            total_charts=self._charts(
                totals_charts(self.results), "all-tests",
                "Points over all tests, with their 95 % interval, in order of place.",
            ),
            setup_charts=self._charts(
                setup_charts(self.results.setups), "set-ups",
                "Change against the set-up before, with its 95 % interval; dashed: no change.",
            ),
        )  # fmt: skip

    def _summary(self) -> str:
        entries = {story.attempt.entry for story in self.stories}
        tests = {story.attempt.test for story in self.stories}
        if not self.stories:
            return "No attempt has been saved yet."
        return (
            f"{counted(len(self.stories), 'attempt', 'attempts')} of "
            f"{counted(len(entries), 'entry', 'entries')} in {counted(len(tests), 'test', 'tests')}"
        )

    def _privacy(self) -> list[str]:
        out = [
            name
            for name, given in (
                ("the place of filming kept in clips", self.wanted.with_location),
                ("their sound", self.wanted.with_sound),
            )
            if not given
        ]
        said = [f"Left out: {' and '.join(out)}."] if out else []
        shown = {story.clip_sha256 for story in self.stories}
        count = sum(len(areas) for clip, areas in self.wanted.hidden.items() if clip in shown)
        if count:
            said.append(
                f"{counted(count, 'area is', 'areas are')} made unrecognisable in stills and clips."
            )
        return said

    def _write(self, name: str, data: bytes) -> None:
        target = self.into / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
        except OSError as error:
            raise disk.explain(error, "write the report", target) from error
