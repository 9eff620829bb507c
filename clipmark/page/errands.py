"""Audits that run in the background: one at a time, with progress, their answers kept a while."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from clipmark import defects
from clipmark.errors import ClipmarkError, PageError
from clipmark.page.jobs import QueueFullError

MOST_WAITING, MOST_KEPT = 8, 32
State = Literal["running", "done", "failed"]
Work = Callable[["Errand"], object]


class StoppedError(ClipmarkError):
    """An audit that was to end."""


@dataclass(eq=False)
class Errand:
    """One audit that runs, or has run.

    Attributes
    ----------
    id : str
    state : {'running', 'done', 'failed'}
    step : str
        What is being done.
    done, total : int
        How much of the step.
    result : object
        What it gave; None until it is done.
    error : str or None
        A sentence.
    what : str
        What it is, in a word or a few.
    """

    id: str
    work: Work
    what: str = "audit"
    state: State = "running"
    step: str = ""
    done: int = 0
    total: int = 0
    result: object = None
    error: str | None = None
    ended: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)

    def stop(self) -> None:
        """End it at its next step; one that has ended stays as it is."""
        self._stop.set()

    def tell(self, step: str, done: int, total: int) -> None:
        """For the work: how far it is; ends it when it was stopped."""
        if self._stop.is_set():
            raise StoppedError(f"this {self.what} was stopped; ask for it again")
        self.step, self.done, self.total = step, done, total


class Errands:
    """The audits of one event, or other work of one kind; safe for several threads.

    Parameters
    ----------
    what : str
        What each is, in a word or a few, for sentences.
    """

    def __init__(self, what: str = "audit") -> None:
        self._what = what
        self._kept: OrderedDict[str, Errand] = OrderedDict()
        self._waiting: deque[Errand] = deque()
        self._there = threading.Condition()
        self._thread: threading.Thread | None = None
        self._closed = False

    def start(self, work: Work) -> Errand:
        """Put an audit behind those that wait.

        Raises
        ------
        QueueFullError
            When too many wait already.
        """
        errand = Errand(secrets.token_hex(8), work, self._what)
        with self._there:
            if len(self._waiting) >= MOST_WAITING or self._closed:
                raise QueueFullError(
                    f"more than one {self._what} waits already; ask again when they are done"
                )
            self._waiting.append(errand)
            self._kept[errand.id] = errand
            self._forget_old()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name=self._what, daemon=True)
                self._thread.start()
            self._there.notify()
        return errand

    def known(self, id: str) -> Errand | None:
        """One by its id, or None."""
        with self._there:
            return self._kept.get(id)

    def get(self, id: str) -> Errand:
        """One by its id; raises `PageError` when it is not known, or was let go."""
        found = self.known(id)
        if found is None:
            raise PageError(f"this {self._what} is no longer known; ask for it again")
        return found

    def close(self) -> None:
        """Start nothing more; what runs ends at its next step."""
        with self._there:
            self._closed = True
            for errand in self._kept.values():
                errand.stop()
            self._waiting.clear()
            self._there.notify()

    def _forget_old(self) -> None:
        for id in [id for id, errand in self._kept.items() if errand.ended.is_set()]:
            if len(self._kept) <= MOST_KEPT:
                break
            del self._kept[id]

    def _run(self) -> None:
        while True:
            with self._there:
                while not self._waiting and not self._closed:
                    self._there.wait()
                if self._closed:
                    return
                errand = self._waiting.popleft()
            self._do(errand)

    def _do(self, errand: Errand) -> None:
        try:
            errand.result = errand.work(errand)
            errand.state = "done"
        except ClipmarkError as error:
            errand.error, errand.state = str(error), "failed"
        except Exception as error:
            errand.error, errand.state = defects.keep("clipmark mark", error), "failed"
        finally:
            errand.ended.set()
