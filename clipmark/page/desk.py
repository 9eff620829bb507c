"""What all routes of one event share: the event folder, its open clips, drafts and jobs."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import Annotated, cast

from fastapi import Depends, Request

from clipmark.errors import RecordError
from clipmark.page.drafts import Drafts
from clipmark.page.errands import Errands
from clipmark.page.jobs import Jobs
from clipmark.page.journal_watch import JournalWatch
from clipmark.page.searches import Searches
from clipmark.page.sheet_watch import SheetWatch
from clipmark.page.shelf import Shelf
from clipmark.page.signed_before import forget_signed
from clipmark.page.uploads import remove_left_over
from clipmark.record.folder import EventFolder


class Desk:
    """One event on the desk; made with the app, closed with it.

    Attributes
    ----------
    event_path : Path
    event : EventFolder
        Not safe for several threads at once: hold `event_lock` while using it.
    event_lock : RLock
    intake_lock : Lock
        Held while a clip gets its name in ``clips/``.
    shelf : Shelf
        Clips by content hash, and readers of their frames.
    drafts : Drafts
        What is marked but not signed.
    jobs : Jobs
        Measurements that run in the background.
    errands : Errands
        Audits that run in the background.
    searches : Searches
        Attempts looked for in clips, in the background.
    journal_watch : JournalWatch
        Checks the journal anew from the disk, at once and when asked.
    sheets : SheetWatch
        ``event.toml`` and ``session.toml``, which others may edit meanwhile.
    practice : bool
        Whether this is the throw-away copy of the sample event.
    """

    def __init__(self, event_path: Path, *, practice: bool = False) -> None:
        self.event_path = event_path
        self.event = EventFolder.open(event_path)
        self.event_lock, self.intake_lock = threading.RLock(), threading.Lock()
        remove_left_over(event_path / "clips")
        self.shelf = Shelf(event_path)
        self.drafts = Drafts(event_path)
        forget_signed(self.event, self.drafts)
        self.jobs = Jobs(self.shelf)
        self.errands = Errands()
        self.searches = Searches(self.shelf)
        self.journal_watch = JournalWatch(event_path)
        self.journal_watch.start()
        self.sheets = SheetWatch(event_path)
        self.practice = practice

    def attempts_by_clip(self) -> dict[str, list[str]]:
        """Ids of the attempts of each clip, by content hash.

        Empty while an attempt of the journal cannot be read: the list of attempts says why, and the
        clips can be looked at all the same.
        """
        found: dict[str, list[str]] = {}
        with self.event_lock, contextlib.suppress(RecordError):
            for saved in self.event.attempts():
                if saved.attempt.clip is not None:
                    found.setdefault(saved.attempt.clip.sha256, []).append(saved.id)
        return found

    def spans_of(self, sha256: str) -> list[tuple[str, int, int]]:
        """Attempts signed on a clip: id, first and last frame; empty as `attempts_by_clip` is."""
        found: list[tuple[str, int, int]] = []
        with self.event_lock, contextlib.suppress(RecordError):
            for saved in self.event.attempts():
                clip, span = saved.attempt.clip, saved.attempt.span
                if clip is not None and span is not None and clip.sha256 == sha256:
                    found.append((saved.id, span.first_frame, span.last_frame))
        return found

    def close(self) -> None:
        """Stop what runs, let clips go, bring the attempts file up to date."""
        self.jobs.close()
        self.errands.close()
        self.searches.close()
        self.shelf.close()
        with self.event_lock:
            self.event.close()


def desk_of(request: Request) -> Desk:
    """The desk of the app that a request came to."""
    return cast(Desk, request.app.state.desk)


DeskOf = Annotated[Desk, Depends(desk_of)]
