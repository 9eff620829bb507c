"""Work on clips that a broken file cannot take the session down with.

`run_guarded` runs a function in a process of its own under limits. A crash or a hang of the native
decoder, or a file that asks for too much memory, ends that process and becomes a sentence that
names the clip; the next piece of work gets a fresh one. What the function gives or raises is what
it would have given or raised here.

This keeps accidents away, not attackers: the process may do whatever its user may, and its
answers are trusted.
"""

from __future__ import annotations

import atexit
import pickle
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self, TypeVar, cast

from clipmark.clip import guarded_wire
from clipmark.clip.guarded_process import CAN_GUARD, GuardedProcess, Limits
from clipmark.clip.guarded_wire import GoneError, send
from clipmark.clip.idle import IdlePool
from clipmark.clip.limits import MEMORY_GB, STALL_S
from clipmark.errors import DecoderError

__all__ = ["GuardedWorker", "Limits", "RemoteTracebackError", "run_guarded", "tell", "usual_limits"]

T = TypeVar("T")
_MOST_TASKS = 200  # a process is renewed after so many: what leaks is let go
_MOST_SPARE = 2


class RemoteTracebackError(Exception):
    """Where in the worker an error came from; the cause of the error that is raised here."""

    def __str__(self) -> str:
        """The worker's own account."""
        return "\n" + str(self.args[0])


def usual_limits() -> Limits:
    """What work on one clip may use, unless told otherwise.

    `CLIPMARK_MEMORY_GB` and `CLIPMARK_STALL_S` count.
    """
    return Limits(memory_bytes=int(MEMORY_GB.value * 1e9), stall_s=STALL_S.value)


class GuardedWorker:
    """A process for one piece of work after the other; renewed when one of them ends it.

    For one thread at a time. A context manager.

    Parameters
    ----------
    limits : Limits, optional
        What each piece may use; by default `usual_limits`.
    """

    def __init__(self, limits: Limits | None = None) -> None:
        self.limits = limits
        self._process: GuardedProcess | None = None
        self._tasks = 0

    def run(
        self,
        task: Callable[[], T],
        *,
        about: str = "the clip",
        limits: Limits | None = None,
        told: Callable[[Any], None] | None = None,
    ) -> T:
        """Run one piece of work and wait for it.

        Parameters
        ----------
        task : callable
            Without arguments, and importable by its name: a top-level function, or a
            `functools.partial` of one. What it is given and gives must pickle.
        about : str
            Name of the clip, with which a refusal begins.
        limits : Limits, optional
            For this piece only.
        told : callable, optional
            Called with whatever the work says by `tell`; what it raises ends the work.

        Returns
        -------
        object
            What the task gave.

        Raises
        ------
        DecoderError
            If the process crashed, hung or passed its limits.
        BaseException
            Whatever the task raised, a refusal or a defect, as if it had run here.
        """
        limits = limits or self.limits or usual_limits()
        pickled = pickled_task(task)
        if not CAN_GUARD:
            return task()
        used_before = self._tasks > 0
        answer = self._ask(pickled, limits, about, told)
        if answer[0] == "memory" and used_before:  # what others left in it may be to blame
            self.close()
            answer = self._ask(pickled, limits, about, told)
        kind, value = answer
        if kind == "gave":
            return cast(T, value)
        if kind == "memory":
            self.close()
            raise DecoderError(
                f"{about} needs more than the {limits.memory_bytes / 1e9:.1f} GB of memory "
                "that reading one clip may take, and was given up; export it with smaller "
                "pictures, or allow more memory"
            )
        error, told_where = value
        raise error from RemoteTracebackError(told_where)

    def _ask(
        self, pickled: bytes, limits: Limits, about: str, told: Callable[[Any], None] | None
    ) -> tuple[str, Any]:
        if self._tasks >= _MOST_TASKS:
            self.close()
        if self._process is None or not self._process.alive:
            self._renew(limits)
        process = self._process
        assert process is not None
        process.limits = limits
        self._tasks += 1
        finished = False
        try:
            try:
                process.post((pickled, limits))
            except GoneError:
                raise process.died(about) from None
            while True:
                kind, value = process.wait(about)
                if kind != "told":
                    finished = True
                    return kind, value
                if told is not None:
                    told(value)
        finally:
            if not finished:  # it hung, died, or whoever waited gave up: a fresh one next time
                process.kill()
                self._process = None

    def _renew(self, limits: Limits) -> None:
        self.close()
        self._process, self._tasks = GuardedProcess(limits), 0

    def close(self) -> None:
        """Let the process go; the next piece of work gets a new one."""
        process, self._process, self._tasks = self._process, None, 0
        if process is not None:
            process.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def run_guarded(
    task: Callable[[], T],
    limits: Limits | None = None,
    *,
    about: str = "the clip",
    told: Callable[[Any], None] | None = None,
) -> T:
    """Run one piece of work in a guarded process; what it gives, or a refusal in a sentence.

    Processes are kept and used again, so that only the first piece pays for a start. For any
    number of threads and processes: each piece of work has a process for itself.

    Parameters
    ----------
    task, limits, about, told
        As for `GuardedWorker.run`.

    Raises
    ------
    DecoderError
        If the process crashed, hung or passed its limits.

    Examples
    --------
    >>> from functools import partial
    >>> run_guarded(partial(max, 3, 7), about="run.mp4")
    7
    """
    worker = _spare.take() or GuardedWorker()
    try:
        return worker.run(task, about=about, limits=limits, told=told)
    finally:
        _spare.give_back(worker)


def tell(word: object) -> None:
    """From inside a piece of work: say something to whoever waits for it; else nothing."""
    line = guarded_wire.line_of_this_process
    if line is not None:
        send(line, ("told", word))


_spare = IdlePool(_MOST_SPARE, GuardedWorker.close)
atexit.register(_spare.close)


def pickled_task(task: Callable[[], Any]) -> bytes:
    """The work in pickled form; a task that another process cannot find is the caller's mistake."""
    data = pickle.dumps(task, protocol=pickle.HIGHEST_PROTOCOL)
    if b"__main__" in data:
        raise TypeError(
            "guarded work must be a function of an importable module, not of the script that was "
            "started; put it into a module of its own"
        )
    return data
