"""The sample clips measured two at a time, where the machine has the cores; results stay in order.

Each clip is measured by itself in a process of its own, with nothing shared, so the figures are
those of one clip after the other.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from clipmark.clip import open_clip
from clipmark.marks_file import MarksFile
from clipmark.marks_measured import measure_marks

AT_ONCE = 2
Results = dict[str, dict[str, object]]
Traces = dict[str, pd.DataFrame]
Measured = tuple[Results, Traces]


@dataclass(frozen=True)
class Job:
    """One clip to be measured; `join` names the job whose tilt it is joined with."""

    name: str
    clip: Path
    marks: MarksFile
    join: str = ""


def measure_clip(job: Job, other: Mapping[str, object] | None) -> Measured:
    """Everything that a job's marks ask for, and the traces."""
    traces: Traces = {}
    with open_clip(job.clip) as clip:
        results = measure_marks(clip, job.marks, None, traces.__setitem__, other)
    return results, traces


def measured(jobs: Sequence[Job]) -> Iterator[tuple[Job, Measured]]:
    """Each job with what was measured, in the order given.

    Raises
    ------
    ClipmarkError
        Of any kind the measurements raise; a sentence.
    """
    done: dict[str, Measured] = {}
    with _pool() as pool:
        waiting: dict[str, Future[Measured]] = {}
        if pool is not None:
            with contextlib.suppress(OSError, BrokenProcessPool):  # measured here then
                for job in jobs:
                    if not job.join:
                        waiting[job.name] = pool.submit(measure_clip, job, None)
        for job in jobs:
            other = done[job.join][0].get("tilt") if job.join else None
            if job.join and pool is not None:
                with contextlib.suppress(OSError, BrokenProcessPool):
                    waiting[job.name] = pool.submit(measure_clip, job, other)
            done[job.name] = _taken(waiting.get(job.name), job, other)
            yield job, done[job.name]


def _taken(
    waiting: Future[Measured] | None, job: Job, other: Mapping[str, object] | None
) -> Measured:
    """What the other process measured; measured here where there is none, or it has died."""
    if waiting is not None:
        with contextlib.suppress(OSError, BrokenProcessPool):
            return waiting.result()
    return measure_clip(job, other)


@contextlib.contextmanager
def _pool() -> Iterator[ProcessPoolExecutor | None]:
    """Processes to measure in; None where the machine has one core, or cannot start any."""
    if (os.cpu_count() or 1) < AT_ONCE:
        yield None
        return
    try:
        pool = ProcessPoolExecutor(AT_ONCE, mp_context=multiprocessing.get_context("spawn"))
    except (OSError, ImportError, NotImplementedError):
        yield None
        return
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
