"""The event folder: everything of one event in one place, opened, saved to, looked up.

The journal is the truth; ``attempts.csv`` follows it. Two programs may have the same folder
open: saves take turns, and each sees the other's.
"""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from clipmark.errors import FolderError, RecordError
from clipmark.record import clips, sheets
from clipmark.record.attempts_table import AttemptsTable
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Entry
from clipmark.record.event_saves import EventSaves
from clipmark.record.instants import utc_now
from clipmark.record.journal import LOCK_TIMEOUT_S, Journal
from clipmark.record.layout import JOURNAL_NAME, make_folder, refuse_no_event
from clipmark.record.models import Attempt, ClipRef, JournalLine, SessionRecord
from clipmark.record.texts import as_model


@dataclass(frozen=True)
class SavedAttempt:
    """The newest revision of an attempt, as read from the journal."""

    line: JournalLine
    attempt: Attempt
    trusted: bool  # False when it stands at or after a fault of the journal

    @property
    def id(self) -> str:
        """Id of the attempt."""
        return self.line.id

    @property
    def revision(self) -> int:
        """Its revision, to be given as ``base_revision`` of the next one."""
        return self.line.revision


class EventFolder(EventSaves):
    """One open event folder; use `create` or `open`, and close it or use it in ``with``."""

    def __init__(
        self,
        path: Path,
        *,
        lock_timeout_s: float = LOCK_TIMEOUT_S,
        clock: Callable[[], datetime] = utc_now,
    ) -> None:
        journal = Journal(path / JOURNAL_NAME, lock_timeout_s=lock_timeout_s, clock=clock)
        super().__init__(path, journal, AttemptsTable(path, journal, self._event_name))
        self._notes: list[str] = []

    @classmethod
    def create(
        cls, path: Path | str, *, name: str = "", gates: bool = False,
        clock: Callable[[], datetime] = utc_now,
    ) -> Self:  # fmt: skip
        """Make a new event folder with a commented rule sheet and session record; open it.

        Parameters
        ----------
        path : Path or str
            A folder that does not exist yet, or is empty; `name` is the event's, else its own.
        gates : bool
            A rule sheet for a gate course with penalties.

        Raises
        ------
        FolderError
            When it is a file, not empty, or cannot be written; nothing half-made stays.
        """
        make_folder(Path(path), name, clock, gates=gates)
        return cls.open(path, clock=clock)

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        lock_timeout_s: float = LOCK_TIMEOUT_S,
        clock: Callable[[], datetime] = utc_now,
    ) -> Self:
        """Open an event folder; a torn last line is set aside, stale ``attempts.csv`` renewed.

        What was found on the way stands in `findings`.

        Raises
        ------
        FolderError
            When it is not there, not an event folder, or cannot be read.
        RecordError
            When ``event.toml`` cannot be read, or the journal is not one of clipmark's.
        """
        path = Path(path)
        refuse_no_event(path)
        event = cls(path, lock_timeout_s=lock_timeout_s, clock=clock)
        event.journal.refresh()
        event._refuse_foreign_journal()
        event._event_name()
        if event.journal.torn:
            event._set_torn_aside()
        event._notes += event._table.renew_if_stale()
        return event

    def close(self) -> None:
        """Bring ``attempts.csv`` up to date.

        Raises
        ------
        FolderError
            When it cannot be written; what was saved stands in the journal all the same.
        """
        self._table.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.close()
        else:
            with contextlib.suppress(FolderError, RecordError):
                self.close()

    @property
    def name(self) -> str:
        """Name of the event, from the rule sheet."""
        return self._event_name()

    @property
    def findings(self) -> tuple[str, ...]:
        """What an operator must know of this folder: faults, torn lines, a stale table."""
        faults = [
            f"{self.journal.path.name} {fault}; nothing from there on can be trusted"
            for fault in self.journal.faults
        ]
        return (*self._notes, *faults, *self._table.findings)

    # Reading ------------------------------------------------------------------------------

    def attempts(self) -> list[SavedAttempt]:
        """The newest revision of every attempt, in the order in which they were first saved.

        Raises
        ------
        RecordError
            When a body is not an attempt that this version can read.
        """
        self.journal.refresh()
        return [
            _saved(entry)
            for (kind, _), entry in self.journal.chain.newest.items()
            if kind == "attempt"
        ]

    def attempt(self, id: str) -> SavedAttempt:
        """The newest revision of one attempt; raises `RecordError` when there is none."""
        self.journal.refresh()
        entry = self.journal.newest("attempt", id)
        if entry is None:
            raise RecordError(
                f"there is no attempt {id} in {self.path}; `clipmark attempts {self.path}` lists "
                "those that are there"
            )
        return _saved(entry)

    def history(self, id: str, kind: str = "attempt") -> list[JournalLine]:
        """Every revision of one record, oldest first; empty when there is none."""
        self.journal.refresh()
        return [
            entry.whole() for entry in self.journal.chain.of_kind.get(kind, ()) if entry.id == id
        ]

    def newest_body(self, kind: str, id: str) -> JsonObject | None:
        """The body of the newest revision of any record, or None."""
        self.journal.refresh()
        entry = self.journal.newest(kind, id)
        return entry.body if entry else None

    def session(self) -> SessionRecord | None:
        """The newest session record of the journal, or None."""
        body = self.newest_body("session", "session")
        return as_model(SessionRecord, body, "the session record") if body else None

    def write_attempts_file(self) -> Path:
        """Write ``attempts.csv`` and its schema now, from the journal alone; return its path.

        Raises
        ------
        RecordError
            When the journal has a fault: a table made from it could not be trusted.
        FolderError
            When it cannot be written.
        """
        self._table.rebuild()
        return self._table.path

    # Clips --------------------------------------------------------------------------------

    def add_clip(self, path: Path | str, *, link: clips.LinkKind | None = None) -> ClipRef:
        """Take a clip into ``clips/`` by copy, or by a hard or symbolic link (`link`)."""
        return clips.take_in(self.path, Path(path), link)

    def clip_ref(self, path: Path | str) -> ClipRef:
        """How a record names the clip at `path`."""
        return clips.reference(self.path, Path(path), clips.clip_sha256(Path(path)))

    def find_clip(self, wanted: ClipRef, *, fresh: bool = False) -> Path:
        """Where a clip lies now, by its content; raises `FolderError` when it is nowhere."""
        return clips.find_clip(self.path, wanted, fresh=fresh)

    # Opening ------------------------------------------------------------------------------

    def _event_name(self) -> str:
        """From ``event.toml``, or from the journal's last copy where the file is gone."""
        text = sheets.read_text(self.path / sheets.EVENT_NAME)
        if text is None:
            held = self.journal.newest("rules", "event")
            text = str(held.body["text"]) if held else None
        if text is None:
            raise FolderError(
                f"{self.path / sheets.EVENT_NAME}: the rule sheet is missing; put it back, or "
                "make a new folder with `clipmark start` and copy its event.toml"
            )
        return sheets.event_name(text, str(self.path / sheets.EVENT_NAME))

    def _refuse_foreign_journal(self) -> None:
        chain = self.journal.chain
        if chain.lines and not chain.entries:
            raise RecordError(
                f"{self.journal.path}: this is not a journal of clipmark ({chain.faults[0]}); "
                "move it out of the folder, or put the right one back"
            )

    def _set_torn_aside(self) -> None:
        try:
            aside = self.journal.set_torn_aside()
        except FolderError as error:
            self._notes.append(f"the last line of the journal is torn, and stays there: {error}")
            return
        if aside:
            self._notes.append(
                f"the last line of {self.journal.path.name} was torn, as by a power cut, and was "
                f"set aside in {aside.name}; it was never acknowledged, every line before it is "
                "whole"
            )


def _saved(entry: Entry) -> SavedAttempt:
    line = entry.whole()
    attempt = as_model(Attempt, line.body, f"journal line {entry.line}, attempt {entry.id}")
    return SavedAttempt(line, attempt, entry.trusted)
