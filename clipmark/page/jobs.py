"""Measurements that run in the background: one at a time, with progress, and truly stopped.

A finished result is kept by the clip's content and the marks it was made from, so that the same
question is never worked out twice while the page is open.
"""

from __future__ import annotations

import math
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from typing import Literal, Protocol, get_args

import pandas as pd

from clipmark import defects
from clipmark.clip import Clip
from clipmark.errors import ClipmarkError, PageError
from clipmark.marks import Line
from clipmark.marks_file import MarksFile, climb_from, crawl_from, tilt_from
from clipmark.page.traces import Trace, trace_of
from clipmark.record.models import Motion

MOST_WAITING = 16
MOST_KEPT = 64
MOST_FRAMES_KEPT = 200_000  # of all jobs together: about 70 MB, an hour at 60 frames/s
State = Literal["running", "done", "failed", "stopped"]
MOTIONS: tuple[Motion, ...] = get_args(Motion)


class Measured(Protocol):
    """What is kept of a reading: figures, and the trace behind them."""

    @property
    def table(self) -> pd.DataFrame:
        """The trace."""

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""


Work = Callable[["Job"], Measured]


class QueueFullError(ClipmarkError):
    """Too many measurements wait already."""


class _StoppedError(Exception):
    """Raised inside a measurement that is to end."""


@dataclass(frozen=True, slots=True)
class Followed:
    """Where the body was seen in one frame, along the way, px; None where it was lost."""

    frame: int
    t_s: float
    along_px: float | None


@dataclass(eq=False)
class Job:
    """One motion being measured."""

    id: str
    key: str
    work: Work
    way: tuple[float, float] | None
    measure: Motion = "crawl"
    state: State = "running"
    done: int = 0
    total: int = 0
    error: str | None = None
    result: dict[str, object] | None = None
    table: pd.DataFrame | None = None
    followed: list[Followed] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)
    _start: tuple[float, float] | None = None

    def stop(self) -> None:
        """End it between two frames; one that has ended stays as it is."""
        self._stop.set()

    @property
    def trace(self) -> Trace | None:
        """The trace for drawing, once it is done."""
        return None if self.table is None else trace_of(self.table)

    @property
    def stopping(self) -> bool:
        """Whether it was told to end."""
        return self._stop.is_set()

    def progress(self, done: int, total: int) -> None:
        """For the measurement: frames done and in all; ends it when it was stopped."""
        if self._stop.is_set():
            raise _StoppedError
        self.done, self.total = done, total

    def observe(self, ordinal: int, t_s: float, x_px: float, y_px: float) -> None:
        """For the measurement: the body's place in one frame; ends it when it was stopped."""
        if self._stop.is_set():
            raise _StoppedError
        along = self._along(x_px, y_px)
        self.followed.append(Followed(ordinal, t_s, along if math.isfinite(along) else None))

    def _along(self, x_px: float, y_px: float) -> float:
        """Place along the way, px from the first frame; for display while it is measured."""
        if self._start is None:
            if not (math.isfinite(x_px) and math.isfinite(y_px)):
                return math.nan
            self._start = (x_px, y_px)
        off = (x_px - self._start[0], y_px - self._start[1])
        if self.way is None and math.hypot(*off) > _CLEARLY_PX:
            length = math.hypot(*off)
            self.way = (off[0] / length, off[1] / length)
        way = self.way or (1.0, 0.0)
        return off[0] * way[0] + off[1] * way[1]


@dataclass(eq=False)
class _Turn:
    """Who makes the result of one key, and how many want it."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    wanted: int = 0


_CLEARLY_PX = 3.0  # the first direction is taken once the body has moved this far


class ClipShelf(Protocol):
    """What jobs need of the shelf."""

    def clip(self, sha256: str) -> AbstractContextManager[Clip]:
        """An open clip, held open while it is used."""

    def apart(self, sha256: str, true_fps: float) -> Clip:
        """The clip opened once more with its true rate, frames per second."""


@contextmanager
def opened(shelf: ClipShelf, sha256: str, true_fps: float | None) -> Iterator[Clip]:
    """The shelf's clip, or, for a slow-motion clip with a true rate, one opened with it."""
    if true_fps is None:
        with shelf.clip(sha256) as clip:
            yield clip
    else:
        with shelf.apart(sha256, true_fps) as clip:
            yield clip


class Jobs:
    """The background measurements of one event; safe for several threads."""

    def __init__(self, shelf: ClipShelf) -> None:
        self._shelf = shelf
        self._kept: OrderedDict[str, dict[str, object]] = OrderedDict()
        self._lock = threading.Condition()
        self._waiting: deque[Job] = deque()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._by_key: dict[str, str] = {}
        self._worker: threading.Thread | None = None
        self._closed = False
        self._turns: dict[str, _Turn] = {}
        self._one_at_a_time = threading.Lock()

    def follow(
        self,
        measure: Motion,
        key: str,
        sha256: str,
        marks: MarksFile,
        join: Mapping[str, object] | None = None,
    ) -> Job:
        """Start measuring a motion of one clip, as `start` does.

        `join` is the reading of a tilt with the other side low.
        """

        def work(job: Job) -> Measured:
            with opened(self._shelf, sha256, marks.true_fps) as clip:
                if measure == "tilt":
                    return tilt_from(clip, marks, job.progress, join)
                if measure == "climb":
                    return climb_from(clip, marks, job.progress, job.observe)
                return crawl_from(clip, marks, job.progress, job.observe)

        return self.start(key, work, _way_of(measure, marks), measure)

    def kept(
        self,
        key: str,
        make: Callable[[], dict[str, object]],
        gone: Callable[[], bool] = lambda: False,
    ) -> dict[str, object]:
        """A quick result by its key: remembered, being made for somebody else, or made now.

        One is made at a time. Whoever marks moves on faster than a machine measures: what nobody
        waits for any more by the time its turn comes (`gone`) is not made.

        Raises
        ------
        PageError
            When `gone` says so.
        """
        with self._making(key):  # who asks the same meanwhile waits here, and finds it made
            with self._lock:
                found = self._kept.get(key)
                if found is not None:
                    self._kept.move_to_end(key)
                    return found
            with self._one_at_a_time:
                if gone():
                    raise PageError("nobody waits for this measurement any more; ask for it again")
                made = make()
            with self._lock:
                self._kept[key] = made
                if len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
            return made

    @contextmanager
    def _making(self, key: str) -> Iterator[None]:
        """Held by one thread for each key; forgotten when nobody holds or wants it."""
        with self._lock:
            turn = self._turns.setdefault(key, _Turn())
            turn.wanted += 1
        try:
            with turn.lock:
                yield
        finally:
            with self._lock:
                turn.wanted -= 1
                if not turn.wanted:
                    self._turns.pop(key, None)

    def start(
        self,
        key: str,
        work: Work,
        way: tuple[float, float] | None = None,
        measure: Motion = "crawl",
    ) -> Job:
        """Start a measurement, or give the one of the same key that runs or is done.

        Parameters
        ----------
        key : str
            Clip and marks, canonical.
        work : callable
            Measures; is given the job, whose `progress` and `observe` it passes on.
        way : pair, optional
            Unit direction of travel, px, for display.
        measure : str
            What is measured.

        Raises
        ------
        QueueFullError
            When too many wait already.
        PageError
            When the page is being closed.
        """
        with self._lock:
            held = self._jobs.get(self._by_key.get(key, ""))
            if held is not None and held.state in ("running", "done") and not held.stopping:
                self._jobs.move_to_end(held.id)
                return held
            if self._closed:
                raise PageError("the page is being closed; start it again")
            if len(self._waiting) >= MOST_WAITING:
                raise QueueFullError(
                    f"{len(self._waiting)} measurements wait already; let them end, or stop some"
                )
            job = Job(secrets.token_hex(8), key, work, way, measure)
            self._jobs[job.id] = job
            self._by_key[key] = job.id
            self._waiting.append(job)
            self._forget_old()
            if self._worker is None:
                self._worker = threading.Thread(
                    target=self._run, name="clipmark-motion", daemon=True
                )
                self._worker.start()
            self._lock.notify_all()
        return job

    def get(self, job_id: str) -> Job:
        """One job; raises `PageError` when there is none, or it was long ago."""
        with self._lock:
            job = self._jobs.get(job_id)
        if job is None:
            raise PageError(f"there is no measurement '{job_id[:40]}'; start it again")
        return job

    def table(self, key: str) -> pd.DataFrame | None:
        """The trace of what was measured for a key, or None."""
        with self._lock:
            job = self._jobs.get(self._by_key.get(key, ""))
            return None if job is None else job.table

    def stop(self, job_id: str) -> None:
        """End a job between two frames; raises `PageError` when there is none."""
        job = self.get(job_id)
        job.stop()
        with self._lock:
            if job in self._waiting:
                self._waiting.remove(job)
                _end(job, "stopped")

    def close(self) -> None:
        """Stop what runs and wait for it."""
        with self._lock:
            self._closed = True
            for job in self._jobs.values():
                job.stop()
            while self._waiting:
                _end(self._waiting.popleft(), "stopped")
            worker = self._worker
            self._lock.notify_all()
        if worker is not None:
            worker.join(timeout=10)

    def _forget_old(self) -> None:
        """Keep so many jobs and frames at most; those that run or wait are always kept."""
        frames = sum(len(job.followed) for job in self._jobs.values())
        for job in list(self._jobs.values()):
            if len(self._jobs) <= MOST_KEPT and frames <= MOST_FRAMES_KEPT:
                return
            if job.ended.is_set():
                frames -= len(job.followed)
                del self._jobs[job.id]
                if self._by_key.get(job.key) == job.id:
                    del self._by_key[job.key]

    def _run(self) -> None:
        while True:
            with self._lock:
                while not self._waiting and not self._closed:
                    self._lock.wait()
                if self._closed:
                    return
                job = self._waiting.popleft()
            _measure(job)


def _measure(job: Job) -> None:
    """Run one job to its end, whatever that is."""
    try:
        reading = job.work(job)
        job.result, job.table = reading.to_dict(), reading.table
    except _StoppedError:
        _end(job, "stopped")
    except ClipmarkError as error:
        job.error = str(error)
        _end(job, "failed")
    except Exception as error:  # the thread must live on; the page is told
        defects.keep("a measurement on the page", error)
        job.error = (
            f"this is a defect of clipmark, not of your marks ({type(error).__name__}: {error}); "
            "measure another span, and tell us"
        )
        _end(job, "failed")
    else:
        _end(job, "done")


def _end(job: Job, state: State) -> None:
    job.state = state
    job.ended.set()


def _way_of(measure: Motion, marks: MarksFile) -> tuple[float, float] | None:
    """Unit direction of travel, px; None where none is marked. Up the board is up the picture."""
    line = marks.lines.get("ramp" if measure == "climb" else "travel")
    if line is None or line.length_px == 0 or measure == "tilt":
        return None
    if measure == "climb" and (line.y2 > line.y1) == (marks.mode != "descend"):
        line = Line(line.x2, line.y2, line.x1, line.y1)
    return (line.x2 - line.x1) / line.length_px, (line.y2 - line.y1) / line.length_px
