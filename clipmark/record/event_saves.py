"""Saving to an event folder: checked, completed, numbered, added to the journal.

What is saved under rules, a session and a lens goes into the journal with them, all or none, and
``attempts.csv`` follows.
"""

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from clipmark.errors import RecordError, RevisionError
from clipmark.record.attempts_table import AttemptsTable
from clipmark.record.embedding import SESSION_ID, embedded_drafts, lens_draft
from clipmark.record.journal import Draft, Journal
from clipmark.record.models import KINDS, Attempt, JournalLine, SessionRecord, Stand
from clipmark.record.revisions import base_of, completed, free_attempt_id, newest_revision
from clipmark.record.texts import as_model, plain

_TRIES = 3


class EventSaves:
    """The saving half of `clipmark.record.folder.EventFolder`."""

    def __init__(self, path: Path, journal: Journal, table: AttemptsTable) -> None:
        self.path = path
        self.journal = journal
        self._table = table

    def save_attempt(
        self,
        body: Attempt | Mapping[str, object],
        *,
        by: str,
        id: str | None = None,
        base_revision: int | None = None,
    ) -> JournalLine:
        """Save one revision of an attempt; it is on the disk when this returns.

        Rule sheet, session record and the lens file used are kept in the journal with it when
        they are new or changed.

        Parameters
        ----------
        body : Attempt or mapping
            The attempt, whole.
        by : str
            Who saves.
        id : str, optional
            Which attempt; a new id (``a0001``, ...) when left out.
        base_revision : int, optional
            The revision this one replaces; needed for an attempt that exists.

        Raises
        ------
        RecordError
            When a field is wrong, or the journal has a fault.
        RevisionError
            When a newer revision was saved meanwhile.
        FolderError
            When it cannot be written; nothing was saved then.
        """
        attempt = as_model(Attempt, body, "the attempt")
        if id is not None:
            return self._save_attempt(attempt, by, id, base_revision)
        # A free id is free while the lock is held; its file may be deleted by somebody meanwhile.
        for _ in range(_TRIES):
            with contextlib.suppress(RevisionError):
                return self._save_attempt(attempt, by, None, base_revision)
        return self._save_attempt(attempt, by, None, base_revision)

    def _save_attempt(
        self, attempt: Attempt, by: str, id: str | None, base_revision: int | None
    ) -> JournalLine:
        with self.journal.locked():
            self.journal.refresh()
            before = embedded_drafts(self.path, self.journal)
            if attempt.lens:
                lens, draft = lens_draft(self.path, self.journal, attempt.lens)
                attempt = attempt.model_copy(update={"lens": lens})
                before += [draft] if draft else []
            attempt = completed(attempt, self.journal, by, before)
            record_id = id or free_attempt_id(self.journal)
            base = base_of(self.journal, "attempt", record_id, base_revision)
            drafts = [*before, Draft("attempt", record_id, attempt.to_body(), base)]
            return self._append(drafts, by)

    def save_stand(
        self,
        body: Stand | Mapping[str, object],
        *,
        by: str,
        id: str,
        base_revision: int | None = None,
    ) -> JournalLine:
        """Save one revision of a stand; raises as `save_attempt` does."""
        stand = as_model(Stand, body, "the stand")
        with self.journal.locked():
            self.journal.refresh()
            before: list[Draft] = []
            if stand.lens:
                lens, draft = lens_draft(self.path, self.journal, stand.lens)
                stand = stand.model_copy(update={"lens": lens})
                before += [draft] if draft else []
            base = base_of(self.journal, "stand", id, base_revision)
            return self._append([*before, Draft("stand", id, stand.to_body(), base)], by)

    def save_session(
        self,
        body: SessionRecord | Mapping[str, object],
        *,
        by: str,
        base_revision: int | None = None,
    ) -> JournalLine:
        """Save the session record from the page instead of from ``session.toml``.

        It holds until the next change, here or in the file. Raises as `save_attempt` does; without
        `base_revision` it replaces whatever is newest.
        """
        session = as_model(SessionRecord, body, "the session record")
        with self.journal.locked():
            self.journal.refresh()
            before = embedded_drafts(self.path, self.journal)
            newest = max(
                [draft.base_revision + 1 for draft in before if draft.kind == "session"],
                default=newest_revision(self.journal, "session", SESSION_ID),
            )
            base = newest if base_revision is None else base_revision
            return self._append(
                [*before, Draft("session", SESSION_ID, session.to_body(), base)], by
            )

    def save_record(
        self,
        kind: str,
        body: Mapping[str, object],
        *,
        by: str,
        id: str,
        base_revision: int | None = None,
    ) -> JournalLine:
        """Save a record of another kind (blind, protest, ruling, scoring); raises as above."""
        if kind not in KINDS or kind in ("attempt", "stand", "session", "rules", "lens"):
            raise RecordError(
                f"records of the kind '{kind}' are not saved this way; use save_attempt, "
                "save_stand or save_session, or one of the kinds blind, protest, ruling, scoring"
            )
        plain_body = plain(body)
        if not isinstance(plain_body, dict):
            raise RecordError(f"the {kind} record must be a table of fields")
        with self.journal.locked():
            self.journal.refresh()
            base = base_of(self.journal, kind, id, base_revision)
            return self._append([Draft(kind, id, plain_body, base)], by)

    def save_with_attempt(
        self,
        records: Sequence[Draft],
        body: Attempt | Mapping[str, object],
        *,
        by: str,
        id: str,
        base_revision: int,
    ) -> list[JournalLine]:
        """Save other records and the attempt's revision that shows them, all or none.

        Returns
        -------
        list of JournalLine
            One for each record, in order, then the attempt's. Raises as `save_attempt` does.
        """
        attempt = as_model(Attempt, body, "the attempt")
        with self.journal.locked():
            self.journal.refresh()
            drafts = [*records, Draft("attempt", id, attempt.to_body(), base_revision)]
            lines = [entry.whole() for entry in self.journal.append(drafts, by=by)]
            self._table.follow()
            return lines

    def _append(self, drafts: list[Draft], by: str) -> JournalLine:
        line = self.journal.append(drafts, by=by)[-1].whole()
        self._table.follow()
        return line
