"""Many jobs in processes of their own, side by side on this machine's cores.

Each process does one job at a time, so that it is known which job a dead process was at: that
job is tried once more, and what kills two processes is told by a sentence. A job that fails costs
only itself.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess

from clipmark.clip.threads import keep_to
from clipmark.errors import ClipmarkError

TRIES = 2  # of a job whose process ends under it
LOOK_S = 0.2  # how soon a pause is seen
STARTS = 3  # processes that may die before they are ready, in a row
# Libraries that would otherwise start a thread per core in every process.
ONE_EACH = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
RUNNING, PAUSE, GIVE_UP = 0, 1, 2


@dataclass(frozen=True)
class Ended:
    """How one job ended.

    Attributes
    ----------
    number : int
        As it was given.
    outcome : object
        What the work function returned; None when it was lost.
    lost : str
        Why there is no outcome, as the middle of a sentence; empty when there is one.
    """

    number: int
    outcome: object = None
    lost: str = ""


Jobs = Iterable[tuple[int, object]]


@dataclass(frozen=True)
class _Last:
    """An answer after which the process ends."""

    outcome: object


_line: Connection | None = None  # of this process, when it is one that does jobs


def answer_last(outcome: object) -> None:
    """From inside a job: its outcome, since this process is about to end; nothing elsewhere."""
    if _line is not None:
        _line.send(_Last(outcome))


class _Worker:
    """A process and the job it is at."""

    def __init__(self, work: str, threads: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, far = context.Pipe()
        self.process: BaseProcess = context.Process(
            target=_serve, args=(far, work, threads), daemon=True, name="clipmark-batch"
        )
        with _children_of_their_own(threads):
            self.process.start()
        far.close()
        self.ready = False
        self.job: tuple[int, object] | None = None
        self.since = 0.0

    def give(self, job: tuple[int, object]) -> None:
        self.job, self.since = job, time.monotonic()
        with contextlib.suppress(OSError):  # it died just now: seen when its answer is read
            self.connection.send(job[1])

    def over(self, limit_s: float) -> bool:
        """Whether the job has taken longer, and has not ended just now."""
        late = self.ready and time.monotonic() - self.since > limit_s
        return late and not self.connection.poll()

    def end(self) -> None:
        """End the process, whatever it does."""
        self.connection.close()
        self.process.kill()
        self.process.join()

    def how_it_died(self) -> str:
        self.process.join(5)
        code = self.process.exitcode
        if code is None or code >= 0:
            return f"the process measuring it ended by itself (status {code})"
        name = signal.Signals(-code).name
        why = " (out of memory?)" if name == "SIGKILL" else ""
        return f"the process measuring it was ended by {name}{why}"


def run_on_cores(
    work: str,
    jobs: Jobs,
    processes: int,
    *,
    threads: int = 1,
    limit_s: float | None = None,
    state: Callable[[], int] = lambda: RUNNING,
    started: Callable[[int], None] = lambda number: None,
) -> Iterator[Ended]:
    """Do every job, as many at a time as there are processes; yield each as it ends.

    Parameters
    ----------
    work : str
        The function that does a job, as ``module:name``; it takes the job and what it returns is
        the outcome. Both must be fit for pickling.
    jobs : iterable of (int, object)
        Number and job; taken one by one as processes become free.
    processes : int
    threads : int
        That each process may keep busy.
    limit_s : float, optional
        A job that takes longer is given up, s.
    state : callable
        Asked several times a second: `RUNNING`; `PAUSE`, no further job is begun and the running
        ones are waited for; `GIVE_UP`, these are let go as well.
    started : callable
        Told the number of each job as it begins.

    Raises
    ------
    ClipmarkError
        When no process can be started.
    """
    waiting, again = iter(jobs), deque[tuple[int, object]]()
    tries: dict[int, int] = {}
    workers: list[_Worker] = []
    died_early = 0

    def next_job() -> tuple[int, object] | None:
        if state() != RUNNING:
            return None
        return again.popleft() if again else next(waiting, None)

    def employ(worker: _Worker) -> None:
        job = next_job()
        if job is None:
            worker.job = None
            return
        started(job[0])
        worker.give(job)

    try:
        while True:
            while len(workers) < processes and (job := next_job()) is not None:
                workers.append(_Worker(work, threads))
                again.appendleft(job)
                employ(workers[-1])
            busy = [worker for worker in workers if worker.job is not None]
            if not busy or state() == GIVE_UP:
                return
            heard = wait([worker.connection for worker in busy], timeout=LOOK_S)
            for worker in busy:
                ended = None
                if worker.connection in heard:
                    try:
                        answer = worker.connection.recv()
                    except (EOFError, OSError):
                        died_early = 0 if worker.ready else died_early + 1
                        if died_early >= STARTS:
                            raise _cannot_start(worker) from None
                        ended = _lost(worker, tries, again)
                        workers.remove(worker)
                        worker.end()
                    else:
                        if not worker.ready:
                            worker.ready, died_early = True, 0
                            worker.since = time.monotonic()  # starting is not the job's time
                            continue
                        if isinstance(answer, _Last):
                            ended = Ended(_number(worker), answer.outcome)
                            workers.remove(worker)
                            worker.end()
                        else:
                            ended = Ended(_number(worker), answer)
                            employ(worker)
                elif limit_s is not None and worker.over(limit_s):
                    ended = Ended(
                        _number(worker), lost=f"it took longer than {limit_s:g} s (--limit-s)"
                    )
                    workers.remove(worker)
                    worker.end()
                if ended is not None:
                    yield ended
    finally:
        for worker in workers:
            worker.end()


def _number(worker: _Worker) -> int:
    assert worker.job is not None
    return worker.job[0]


def _lost(worker: _Worker, tries: dict[int, int], again: deque[tuple[int, object]]) -> Ended | None:
    """Put the job of a dead process back, or say how it was lost when it was tried often enough."""
    job = worker.job
    assert job is not None
    if worker.ready:
        tries[job[0]] = tries.get(job[0], 0) + 1
    if tries.get(job[0], 0) < TRIES:
        again.append(job)
        return None
    return Ended(job[0], lost=f"{worker.how_it_died()}, {TRIES} times")


def _cannot_start(worker: _Worker) -> ClipmarkError:
    return ClipmarkError(
        f"processes to measure in cannot be started: {worker.how_it_died()} before it was ready; "
        "start fewer (--processes), or free some memory"
    )


@contextlib.contextmanager
def _children_of_their_own(threads: int) -> Iterator[None]:
    """Processes started inside keep to so many threads, and leave Ctrl-C to this one."""
    before = {name: os.environ.get(name) for name in ONE_EACH}
    os.environ.update(dict.fromkeys(ONE_EACH, str(threads)))
    masked = hasattr(signal, "pthread_sigmask")
    if masked:
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if masked:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _serve(connection: Connection, work: str, threads: int) -> None:
    """What a process does: job after job, until nobody asks any more."""
    global _line
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_to(threads)
    _line = connection
    function = work_function(work)
    try:
        connection.send(None)
        while True:
            connection.send(function(connection.recv()))
    except (EOFError, OSError):  # whoever asked is gone
        return


def work_function(work: str) -> Callable[[object], object]:
    """The function named ``module:name``."""
    module, _, name = work.partition(":")
    found: Callable[[object], object] = getattr(import_module(module), name)
    return found
