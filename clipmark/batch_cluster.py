"""Many jobs on an existing Dask cluster, with the same results as on this machine's cores.

Each worker is given one job at a time and the next when it is done, by name, so that it is known
which job a dead worker was at: that job is tried once more on another one, and what kills two
workers is told by a sentence. The cluster's own scheduler carries jobs and results and says which
workers are there.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

from clipmark.batch_pool import GIVE_UP, LOOK_S, RUNNING, TRIES, Ended, Jobs, work_function
from clipmark.clip.threads import keep_to
from clipmark.errors import ClipmarkError, FolderError

CONNECT_S = 10.0
ALONE_S = 60.0  # how long a cluster may be without any worker before the batch stops
Pack = Callable[[object], tuple[object, Sequence[bytes]]]


def run_on_cluster(
    work: str,
    jobs: Jobs,
    address: str,
    versions: Mapping[str, str],
    *,
    pack: Pack = lambda job: (job, ()),
    limit_s: float | None = None,
    state: Callable[[], int] = lambda: RUNNING,
    started: Callable[[int], None] = lambda number: None,
    told: Callable[[str], None] = lambda sentence: None,
) -> Iterator[Ended]:
    """Do every job on the workers of a cluster; yield each as it ends.

    Parameters
    ----------
    work : str
        As for `batch_pool.run_on_cores`; imported on the workers.
    jobs : iterable of (int, object)
    address : str
        Of the scheduler, ``tcp://host:8786`` or ``tls://...``.
    versions : mapping of str to str
        Parts that every worker must have in the same version.
    pack : callable
        What is sent for a job: the job itself, and contents of files.
    limit_s, state, started
        As for `batch_pool.run_on_cores`.
    told : callable
        Given sentences that an operator should see, such as a lost worker.

    Raises
    ------
    FolderError
        When Dask is not installed or the scheduler does not answer.
    ClipmarkError
        When a worker has other software, or the cluster is gone; what was yielded stays done.
    """
    cluster = _Cluster(address, told)
    try:
        cluster.look()
        cluster.check(versions)
        yield from cluster.run(work, jobs, pack, limit_s, state, started)
    finally:
        cluster.close()


@dataclass
class _Slot:
    """A worker process and the job it is at."""

    threads: int
    job: tuple[int, object] | None = None
    future: Any = None
    inputs: list[Any] = field(default_factory=list)
    since: float = 0.0

    def clear(self) -> None:
        self.job, self.future, self.inputs = None, None, []


class _Cluster:
    """The client's side of a cluster."""

    def __init__(self, address: str, told: Callable[[str], None]) -> None:
        self.address, self.told = address, told
        try:
            distributed = import_module("distributed")
        except ImportError:
            raise FolderError(
                "a cluster (--cluster) needs dask.distributed, which is not installed; install it "
                "with pip install 'clipmark[cluster]', here and on every worker"
            ) from None
        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is told here
        try:
            self.client: Any = distributed.Client(
                address, timeout=CONNECT_S, set_as_default=False, name="clipmark-batch"
            )
        except (OSError, ValueError, TypeError) as error:
            raise FolderError(
                f"no Dask scheduler answers at {address} (--cluster): {_short(error)}; start one "
                "with dask scheduler, or check the address"
            ) from error
        self.slots: dict[str, _Slot] = {}
        self.ends: queue.Queue[Any] = queue.Queue()
        self.tries: dict[int, int] = {}
        self.again: deque[tuple[int, object]] = deque()
        self.alone_since = time.monotonic()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.client.close(timeout=2)

    def look(self) -> list[tuple[str, _Slot]]:
        """See which workers are there; those that are gone, with what they were at."""
        try:
            # Asked directly: what the client remembers may be a summary without workers.
            there = self.client.sync(self.client.scheduler.identity, n_workers=-1)["workers"]
        except Exception as error:
            raise self._gone(error) from error
        lost = [(name, self.slots.pop(name)) for name in list(self.slots) if name not in there]
        for name, facts in there.items():
            if name not in self.slots:
                self.slots[name] = _Slot(int(facts.get("nthreads", 1)))
        if self.slots:
            self.alone_since = time.monotonic()
        return lost

    def check(self, versions: Mapping[str, str]) -> None:
        """Refuse workers with other software, before anything is measured."""
        until = time.monotonic() + CONNECT_S
        while not self.slots and time.monotonic() < until:
            time.sleep(LOOK_S)
            self.look()
        if not self.slots:
            raise ClipmarkError(
                f"the scheduler at {self.address} has no workers; start some with dask worker "
                f"{self.address}"
            )
        found = self.client.run(_versions_there, workers=list(self.slots), on_error="return")
        for name, there in found.items():
            if isinstance(there, Exception):
                raise ClipmarkError(
                    f"the worker {name} cannot run clipmark ({_short(there)}); install the same "
                    "clipmark there as here"
                )
            difference = versions_differ(versions, there)
            if difference:
                raise ClipmarkError(f"the worker {name} has {difference}")
        wide = [name for name, slot in self.slots.items() if slot.threads > 1]
        if wide:
            self.told(
                f"{len(wide)} of {len(self.slots)} workers have several threads, but each measures "
                "one clip at a time; dask worker --nworkers N --nthreads 1 gives N clips at a time"
            )

    def run(
        self,
        work: str,
        jobs: Jobs,
        pack: Pack,
        limit_s: float | None,
        state: Callable[[], int],
        started: Callable[[int], None],
    ) -> Iterator[Ended]:
        """Give out jobs and yield how each ended."""
        waiting = iter(jobs)
        seen = time.monotonic()
        while True:
            for name, slot in self.slots.items():
                if slot.job is None and state() == RUNNING:
                    job = self.again.popleft() if self.again else next(waiting, None)
                    if job is None:
                        break
                    started(job[0])
                    self._give(name, slot, job, work, pack)
            busy = [slot for slot in self.slots.values() if slot.job is not None]
            if state() == GIVE_UP:
                self._let_go(busy)
                return
            if not busy and (state() != RUNNING or self.slots):
                return
            with contextlib.suppress(queue.Empty):
                ended = self._ended(self.ends.get(timeout=LOOK_S))
                if ended is not None:
                    yield ended
            if time.monotonic() - seen > LOOK_S:
                for name, slot in self.look():
                    lost = self._lost(slot, f"the worker measuring it ({name}) was lost")
                    if lost is not None:
                        yield lost
                if limit_s is not None:
                    yield from self._too_long(limit_s)
                seen = time.monotonic()
            if time.monotonic() - self.alone_since > ALONE_S:
                raise ClipmarkError(
                    f"the cluster at {self.address} has had no worker for {ALONE_S:g} s; start "
                    "some, and the batch again: what is done stays done"
                )

    def _give(self, name: str, slot: _Slot, job: tuple[int, object], work: str, pack: Pack) -> None:
        slot.job, slot.since = job, time.monotonic()
        packed, contents = pack(job[1])
        try:
            if contents:
                slot.inputs = self.client.scatter(list(contents), workers=[name], hash=False)
            slot.future = self.client.submit(
                _do, work, packed, slot.threads, slot.inputs,
                workers=[name], allow_other_workers=False, pure=False,
                key=f"clipmark-batch-{job[0]}-{time.monotonic_ns()}",
            )  # fmt: skip
        except Exception as error:
            raise self._gone(error) from error
        slot.future.add_done_callback(self.ends.put)

    def _ended(self, future: Any) -> Ended | None:
        """How the job of a future ended; None when it is to be tried again, or was let go."""
        slot = next((item for item in self.slots.values() if item.future is future), None)
        if slot is None:
            return None
        if future.status == "finished":
            try:
                outcome = future.result(timeout=CONNECT_S)
            except Exception as error:
                return self._lost(slot, f"its result did not come back ({_short(error)})")
            assert slot.job is not None
            number = slot.job[0]
            slot.clear()
            return Ended(number, outcome)
        why = "the cluster let it go"
        if future.status == "error":
            why = f"the worker could not do it ({_short(future.exception(timeout=CONNECT_S))})"
        return self._lost(slot, why)

    def _lost(self, slot: _Slot, why: str) -> Ended | None:
        """Put a lost job back, or say how it was lost when it was tried often enough."""
        job = slot.job
        if slot.future is not None:
            with contextlib.suppress(Exception):
                slot.future.cancel()
        slot.clear()
        if job is None:
            return None
        self.tries[job[0]] = self.tries.get(job[0], 0) + 1
        if self.tries[job[0]] < TRIES:
            self.again.append(job)
            self.told(f"task {job[0]}: {why}; it is tried once more")
            return None
        return Ended(job[0], lost=f"{why}, the second time")

    def _too_long(self, limit_s: float) -> Iterator[Ended]:
        """Give up jobs over the limit; their workers are started anew, since they may hang."""
        for name, slot in list(self.slots.items()):
            if slot.job is None or time.monotonic() - slot.since <= limit_s:
                continue
            number = slot.job[0]
            self._let_go([slot])
            self.slots.pop(name)
            with contextlib.suppress(Exception):
                self.client.restart_workers([name], timeout=CONNECT_S, raise_for_error=False)
            yield Ended(number, lost=f"it took longer than {limit_s:g} s (--limit-s)")

    def _let_go(self, slots: Sequence[_Slot]) -> None:
        for slot in slots:
            if slot.future is not None:
                with contextlib.suppress(Exception):
                    slot.future.cancel()
            slot.clear()

    def _gone(self, error: Exception) -> ClipmarkError:
        return ClipmarkError(
            f"the cluster at {self.address} no longer answers ({_short(error)}); what is done "
            "stays done: start it, and the batch again"
        )


def versions_differ(here: Mapping[str, str], there: Mapping[str, str]) -> str:
    """What differs between the software here and there, as the end of a sentence; empty if none."""
    told = [
        f"{name} {there.get(name, 'missing')} (here {here.get(name, 'missing')})"
        for name in sorted({*here, *there})
        if here.get(name) != there.get(name)
    ]
    if not told:
        return ""
    return f"{', '.join(told)}: its results could differ; install the same versions there as here"


def _versions_there() -> dict[str, str]:
    from clipmark.record.readings import versions_in_use

    return versions_in_use()


def _do(work: str, job: object, threads: int, contents: Sequence[bytes]) -> object:
    """What a worker does for one job."""
    keep_to(threads)
    function: Any = work_function(work)
    return function(job, contents) if contents else function(job)


def _short(error: object) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 160 else f"{text[:157]}..."
