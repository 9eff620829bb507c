"""Attempts looked for in clips, in the background: one search at a time, what it found kept."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TypeVar

from clipmark.measure.attempts_found import FoundAttempts, find_attempts
from clipmark.page.errands import Errand, Errands
from clipmark.page.jobs import ClipShelf, opened

MOST_KEPT = 64  # clips
Area = tuple[float, float, float, float]
Kept = TypeVar("Kept")


@dataclass(frozen=True)
class SearchTerms:
    """How one is to look; see `clipmark.measure.attempts_found.find_attempts`."""

    rest_s: float
    margin_s: float
    within: Area | None
    true_fps: float | None


class Searches:
    """The searches of one event; safe for several threads."""

    def __init__(self, shelf: ClipShelf) -> None:
        self._shelf = shelf
        self._errands = Errands("search for attempts")
        self._lock = threading.Lock()
        self._found: OrderedDict[str, FoundAttempts] = OrderedDict()
        self._newest: OrderedDict[str, str] = OrderedDict()

    def start(self, sha256: str, terms: SearchTerms) -> Errand:
        """Look through a clip; one that is looked through already is stopped first.

        Raises
        ------
        QueueFullError
            When too many wait already.
        """
        before = self.running(sha256)
        if before is not None:
            before.stop()

        def work(errand: Errand) -> FoundAttempts:
            errand.tell("looking for attempts", 0, 0)
            with opened(self._shelf, sha256, terms.true_fps) as clip:
                found = find_attempts(
                    clip,
                    rest_s=terms.rest_s,
                    margin_s=terms.margin_s,
                    within=terms.within,
                    progress=lambda done, total: errand.tell("looking for attempts", done, total),
                )
            with self._lock:
                _keep(self._found, sha256, found)
            return found

        errand = self._errands.start(work)
        with self._lock:
            _keep(self._newest, sha256, errand.id)
        return errand

    def get(self, id: str) -> Errand:
        """One by its id; raises `PageError` when it is not known."""
        return self._errands.get(id)

    def running(self, sha256: str) -> Errand | None:
        """The search that runs or waits on a clip."""
        with self._lock:
            id = self._newest.get(sha256)
        errand = None if id is None else self._errands.known(id)
        return None if errand is None or errand.ended.is_set() else errand

    def found(self, sha256: str) -> FoundAttempts | None:
        """What the last search of a clip that came to its end found."""
        with self._lock:
            return self._found.get(sha256)

    def close(self) -> None:
        """Start nothing more; what runs ends at its next frame."""
        self._errands.close()


def _keep(kept: OrderedDict[str, Kept], key: str, value: Kept) -> None:
    kept[key] = value
    kept.move_to_end(key)
    if len(kept) > MOST_KEPT:
        kept.popitem(last=False)
