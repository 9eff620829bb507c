"""Results of an event, repeated from its journal and its clips.

`replay_attempt` goes through an event folder; `replay_readings` needs an attempt and a clip file
alone, as a bundle of evidence has them.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from clipmark.audit.reading_replay import (
    Outcome,
    Progress,
    ReadingReplay,
    replay_reading,
    replay_readings,
)
from clipmark.audit.replay_checks import (
    GradeReplay,
    LensCheck,
    changed_marks,
    check_lens,
    replay_grade,
)
from clipmark.audit.reverse_replay import ReverseReplay, replay_reverse
from clipmark.audit.stand_replay import StandReplay, replay_stand
from clipmark.audit.versions import versions_that_differ
from clipmark.errors import FolderError, RecordError
from clipmark.record.chain import Entry
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.models import Attempt, ClipRef
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model


@dataclass(frozen=True)
class FullReplay:
    """One reading of an event repeated, with what it leans on.

    Attributes
    ----------
    reading : ReadingReplay
    lens : LensCheck or None
    marks : tuple of str
        Marks of the attempt that are no longer those that the reading was measured from.
    stand : StandReplay or None
    grade : GradeReplay or None
    reverse : ReverseReplay or None
    """

    reading: ReadingReplay
    lens: LensCheck | None = None
    marks: tuple[str, ...] = ()
    stand: StandReplay | None = None
    grade: GradeReplay | None = None
    reverse: ReverseReplay | None = None

    @property
    def agrees(self) -> bool:
        """Whether the reading came back, with its grade, from a lens and marks that are its own."""
        return (
            self.reading.agrees
            and not self.marks
            and (self.lens is None or self.lens.agrees is not False)
            and (self.stand is None or self.stand.sameness != "changed")
            and (self.grade is None or self.grade.agrees)
            and (self.reverse is None or self.reverse.agrees)
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything to be said of it, the reading itself first."""
        told = [self.reading.sentence]
        if self.marks:
            told.append(
                f"The attempt's marks are no longer those of this reading: {', '.join(self.marks)}."
                " It was repeated from its own."
            )
        parts = (self.lens, self.stand, self.grade, self.reverse)
        return (*told, *(part.sentence for part in parts if part is not None))

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            **self.reading.to_dict(),
            "agrees": self.agrees,
            "sentences": list(self.sentences),
            "changed_marks": list(self.marks),
            **{
                name: None if part is None else vars(part)
                for name, part in (
                    ("lens", self.lens),
                    ("stand", self.stand),
                    ("grade", self.grade),
                    ("reverse", self.reverse),
                )
            },
        }


@dataclass(frozen=True)
class AttemptReplay:
    """One revision of an attempt, repeated.

    Attributes
    ----------
    id, revision, entry, test
        Which attempt.
    trusted : bool
        False when it stands at or after a fault of the journal.
    line : int
        Line of the journal that it stands in.
    readings : tuple of FullReplay
    notes : tuple of str
        What is to be said of the attempt as a whole.
    """

    id: str
    revision: int
    entry: str
    test: str
    trusted: bool
    line: int
    readings: tuple[FullReplay, ...]
    notes: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether all of it came back, and stands in a journal that is whole up to there."""
        return self.trusted and all(item.agrees for item in self.readings)

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "attempt": self.id,
            "revision": self.revision,
            "entry": self.entry,
            "test": self.test,
            "journal_line": self.line,
            "trusted": self.trusted,
            "agrees": self.agrees,
            "notes": list(self.notes),
            "readings": [item.to_dict() for item in self.readings],
        }


def replay_event(
    event: EventFolder,
    ids: Sequence[str] = (),
    *,
    all_revisions: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> Iterator[AttemptReplay]:
    """Repeat the readings of an event's attempts, one after the other.

    Parameters
    ----------
    event : EventFolder
    ids : sequence of str
        Attempts; all of them when empty.
    all_revisions : bool
        Every revision instead of the newest. A reading that several revisions hold is repeated
        once.
    progress : callable, optional
        Called with the attempt's id, frames done and frames in all.

    Raises
    ------
    RecordError
        When one of `ids` is not there; nothing is repeated then.
    """
    event.journal.refresh()
    there = [id for kind, id in event.journal.chain.newest if kind == "attempt"]
    for id in ids:
        if id not in there:
            event.attempt(id)  # refuses with its sentence
    return _replayed(event, list(dict.fromkeys(ids)) or there, all_revisions, progress)


def _replayed(
    event: EventFolder,
    ids: Sequence[str],
    all_revisions: bool,
    progress: Callable[[str, int, int], None] | None,
) -> Iterator[AttemptReplay]:
    for id in ids:
        revisions = _revisions(event, id)
        tell = None if progress is None else _told_of(progress, id)
        known: dict[str, ReadingReplay] = {}
        for entry in revisions if all_revisions else _newest(event, id):
            try:
                attempt = as_model(Attempt, entry.body, f"journal line {entry.line}, attempt {id}")
            except RecordError as error:
                yield _unreadable(event, entry, str(error))
                continue
            saved = SavedAttempt(entry.whole(), attempt, entry.trusted)
            yield replay_attempt(event, saved, progress=tell, known=known)


def replay_attempt(
    event: EventFolder,
    saved: SavedAttempt,
    *,
    progress: Progress | None = None,
    known: dict[str, ReadingReplay] | None = None,
    clip_path: Path | None = None,
) -> AttemptReplay:
    """Repeat every reading of one revision of an attempt.

    Parameters
    ----------
    event : EventFolder
    saved : SavedAttempt
        As `EventFolder.attempt` gives it.
    progress : callable, optional
        Called with frames done and frames in all, of a crawl.
    known : dict, optional
        Readings repeated already, by what they were measured from; added to.
    clip_path : Path, optional
        Where the attempt's clip lies, when not in the folder; of the recorded content.

    Returns
    -------
    AttemptReplay
        Whatever goes wrong with a reading is an outcome with its sentence.
    """
    attempt, known = saved.attempt, {} if known is None else known
    entries = event.journal.entries
    line = next((item for item in entries if item.sha256 == saved.line.sha256), None)
    earlier = [
        item
        for item in _revisions(event, saved.id)
        if item.revision <= saved.revision and item.kind == "attempt"
    ]
    full = []
    for place, reading in enumerate(attempt.readings):
        key = f"{reading.model_dump_json()} {attempt.declared and attempt.declared.to_body()}"
        path, missing = _clip_of(event, attempt, reading, place, clip_path)
        if missing is not None:
            repeated = missing
        elif key in known:
            repeated = replace(known[key], place=place)
        else:
            assert path is not None
            repeated = replay_reading(attempt, reading, path, place=place, progress=progress)
            known[key] = repeated
        grade = reverse = None
        if repeated.result is not None:
            first = _first_with(earlier, reading) or attempt
            grade = replay_grade(attempt, reading, repeated.result, first, entries)
            reverse = replay_reverse(reading, repeated.result, first, entries)
        full.append(
            FullReplay(
                repeated,
                lens=check_lens(attempt, reading, entries),
                marks=changed_marks(attempt, reading),
                stand=None if path is None else replay_stand(event, attempt, reading, path),
                grade=grade,
                reverse=reverse,
            )
        )
    return AttemptReplay(
        id=saved.id,
        revision=saved.revision,
        entry=attempt.entry,
        test=attempt.test,
        trusted=saved.trusted,
        line=line.line if line else saved.line.seq,
        readings=tuple(full),
        notes=tuple(_notes(event, saved)),
    )


def _clip_of(
    event: EventFolder, attempt: Attempt, reading: Reading, place: int, given: Path | None
) -> tuple[Path | None, ReadingReplay | None]:
    """The clip of a reading, hashed anew; or what to say where it is not there."""
    own = attempt.clip is not None and attempt.clip.sha256 == reading.clip_sha256
    if given is not None and own:
        return given, None
    named = [item for item in (attempt.clip, *(x.clip for x in attempt.further_clips)) if item]
    wanted = next((item for item in named if item.sha256 == reading.clip_sha256), None)
    note = ""
    if wanted is None and named:
        wanted = ClipRef.model_construct(path=named[0].path, sha256=reading.clip_sha256)
        note = (
            f" The reading was taken on a clip that the attempt does not name (SHA-256 "
            f"{reading.clip_sha256[:16]}...)."
        )
    empty = ReadingReplay(
        reading.measure,
        place,
        "clip missing",
        "",
        versions=versions_that_differ(reading.versions),
    )
    if wanted is None:
        told = f"The {reading.measure} reading names a clip, but the attempt has none."
        return None, replace(empty, sentence=told)
    try:
        return event.find_clip(wanted, fresh=True), None
    except FolderError:
        recorded = event.path / wanted.path
        altered = recorded.is_file() and not note
        outcome: Outcome = "clip altered" if altered else "clip missing"
        state = (
            "was altered: the file at its place has another content"
            if altered
            else "is not there under any name"
        )
        told = (
            f"The {reading.measure} reading cannot be repeated: its clip {wanted.path} {state}. "
            "Put the original back into clips/; a copy that was coded again, as messengers do, is "
            f"another clip (--clip FILE --as-another-clip).{note}"
        )
        return None, replace(empty, outcome=outcome, sentence=told)


def _notes(event: EventFolder, saved: SavedAttempt) -> Iterator[str]:
    if not saved.trusted and event.journal.faults:
        fault = event.journal.faults[0]
        yield (
            f"The journal is broken at {fault}. This revision stands there or behind, so that what "
            "it says is not to be trusted, whether it comes back or not."
        )
    if not saved.attempt.readings:
        yield "It holds no reading: nothing was measured, so nothing can be repeated."
    newest = event.journal.newest("attempt", saved.id)
    if newest is not None and newest.revision > saved.revision:
        yield f"A newer revision counts: {newest.revision}."


def _unreadable(event: EventFolder, entry: Entry, why: str) -> AttemptReplay:
    return AttemptReplay(
        id=entry.id,
        revision=entry.revision,
        entry=str(entry.body.get("entry") or ""),
        test=str(entry.body.get("test") or ""),
        trusted=False,
        line=entry.line,
        readings=(),
        notes=(
            f"This version cannot read it, so nothing was repeated ({why}); use the version that "
            f"saved it ({entry.body.get('software') or 'not named'}).",
        ),
    )


def _revisions(event: EventFolder, id: str) -> list[Entry]:
    return [item for item in event.journal.entries if item.kind == "attempt" and item.id == id]


def _newest(event: EventFolder, id: str) -> list[Entry]:
    found = event.journal.newest("attempt", id)
    return [found] if found else []


def _first_with(earlier: Sequence[Entry], reading: Reading) -> Attempt | None:
    """The revision from which on the reading stood in the attempt unchanged."""
    wanted = reading.to_body()
    having = itertools.takewhile(
        lambda entry: wanted in (entry.body.get("readings") or []),  # type: ignore[operator]
        sorted(earlier, key=lambda entry: -entry.revision),
    )
    for entry in reversed(list(having)):
        with contextlib.suppress(RecordError):
            return as_model(Attempt, entry.body, f"journal line {entry.line}")
    return None


def _told_of(progress: Callable[[str, int, int], None], id: str) -> Progress:
    return lambda done, total: progress(id, done, total)


__all__ = [
    "AttemptReplay",
    "FullReplay",
    "ReadingReplay",
    "replay_attempt",
    "replay_event",
    "replay_readings",
]
