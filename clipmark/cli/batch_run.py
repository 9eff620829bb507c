"""A batch from its tasks to its report: what is done is skipped, what ends is written down."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from clipmark.batch_cluster import run_on_cluster
from clipmark.batch_pool import RUNNING, Ended, run_on_cores
from clipmark.batch_results import DONE, MEASURED, REFUSED, ResultsFile
from clipmark.cli.app import DEFECT
from clipmark.cli.app import DONE as STATUS_DONE
from clipmark.cli.batch_call import CLIP, Called
from clipmark.cli.batch_evidence import EVIDENCE
from clipmark.cli.batch_save import save_put_off
from clipmark.cli.batch_send import packed, refuse_to_send
from clipmark.cli.batch_tasks import (
    REPLAY,
    Ready,
    Task,
    key_without_files,
    make_ready,
    refuse_same_output,
)
from clipmark.cli.batch_work import WORK, Job, Outcome
from clipmark.cli.show import json_text
from clipmark.errors import ClipmarkError
from clipmark.record import disk
from clipmark.record.instants import utc_now, utc_text
from clipmark.record.readings import versions_in_use

DONE_BEFORE, LEFT = "done before", "left"


@dataclass(frozen=True)
class Where:
    """Where a batch is measured.

    Attributes
    ----------
    processes : int
        On this machine.
    threads : int
        That each may keep busy.
    cluster : str or None
        Address of a Dask scheduler, in place of this machine.
    send : bool
        Send the clips' contents to the cluster, instead of their paths.
    limit_s : float or None
        A clip that takes longer is given up, s.
    """

    processes: int = 1
    threads: int = 1
    cluster: str | None = None
    send: bool = False
    limit_s: float | None = None


@dataclass
class Row:
    """How one task stands.

    Attributes
    ----------
    task : Task
    key : str
    status : {'done', 'done before', 'refused', 'left'}
    sentence : str
        Why it was refused.
    defect : bool
        Whether that is a defect of clipmark.
    """

    task: Task
    key: str
    status: str = LEFT
    sentence: str = ""
    defect: bool = False


@dataclass
class Batch:
    """A batch that is run.

    Attributes
    ----------
    tasks : sequence of Task
    results : ResultsFile
        Open for adding.
    where : Where
    state : callable
        Whether to go on, as of `batch_pool.run_on_cores`.
    step : callable
        Told what is being done, how much of it is over and how much there is.
    told : callable
        Given sentences that an operator should see on the way.
    """

    tasks: Sequence[Task]
    results: ResultsFile
    where: Where
    state: Callable[[], int] = lambda: RUNNING
    step: Callable[[str, int, int], None] = lambda what, done, total: None
    told: Callable[[str], None] = lambda sentence: None
    rows: dict[int, Row] = field(default_factory=dict)

    def run(self) -> list[Row]:
        """Do what is not done; how every task stands then, in the order of the list.

        Raises
        ------
        FolderError
            When the results cannot be written, or no cluster answers.
        ClipmarkError
            When no process can be started, or the cluster is gone.
        """
        ready = self._made_ready()
        todo: dict[int, Ready] = {}
        first: dict[str, Ready] = {}
        for item in ready:
            number, row = item.task.number, self.rows[item.task.number]
            if item.key in first:
                continue
            first[item.key] = item
            before = self.results.newest.get(item.key)
            there = before is not None and before.status == DONE
            if there and all(path.exists() for path in item.outputs + self._evidence(item)):
                row.status = DONE_BEFORE
            else:
                todo[number] = item
        self._measure(todo)
        for item in ready:
            row, one = self.rows[item.task.number], self.rows[first[item.key].task.number]
            row.status, row.sentence, row.defect = one.status, one.sentence, one.defect
        return [self.rows[task.number] for task in self.tasks]

    def _made_ready(self) -> list[Ready]:
        """Tasks whose options and files can be read; the others are refused at once."""
        ready = []
        for count, task in enumerate(self.tasks):
            if self.state() != RUNNING:
                break
            self.step("looking at the files", count, len(self.tasks))
            try:
                item = make_ready(task)
                if self.where.send:
                    refuse_to_send(item)
            except ClipmarkError as error:
                self.rows[task.number] = Row(task, key_without_files(task))
                self._refuse(task, " ".join(str(error).split()))
                continue
            self.rows[task.number] = Row(task, item.key)
            ready.append(item)
        for task in self.tasks:
            self.rows.setdefault(task.number, Row(task, key_without_files(task)))
        return refuse_same_output(ready, lambda item, sentence: self._refuse(item.task, sentence))

    def _measure(self, todo: dict[int, Ready]) -> None:
        """Give out what is to be done, and write down what ends."""
        over = 0

        def started(number: int) -> None:
            self.step(f"{todo[number].task.verb} {todo[number].task.label}", over, len(todo))

        ends = self._ends(todo, started) if todo and self.state() == RUNNING else iter(())
        for ended in ends:
            over += 1
            self._over(todo[ended.number], ended)
            self.step(todo[ended.number].task.verb, over, len(todo))

    def _ends(self, todo: dict[int, Ready], started: Callable[[int], None]) -> Iterator[Ended]:
        where = self.where
        versions = versions_in_use() if where.cluster else {}
        jobs = (
            (number, Job(
                item.task.verb, item.parsed.arguments, item.paths,
                item.hashes if where.cluster else {}, versions,
            ))
            for number, item in todo.items()
        )  # fmt: skip
        if where.cluster is None:
            return run_on_cores(
                WORK, jobs, min(where.processes, len(todo)), threads=where.threads,
                limit_s=where.limit_s, state=self.state, started=started,
            )  # fmt: skip
        more = {"pack": packed} if where.send else {}
        return run_on_cluster(
            WORK, jobs, where.cluster, versions, limit_s=where.limit_s, state=self.state,
            started=started, told=self.told, **more,
        )  # fmt: skip

    def _over(self, item: Ready, ended: Ended) -> None:
        """Write down how a task ended, and save its reading where that was asked for."""
        if ended.lost:
            self._refuse(
                item.task, f"{item.task.label}: {ended.lost}; look at the file, or leave it out"
            )
            return
        outcome = ended.outcome
        assert isinstance(outcome, Outcome)
        called = outcome.called
        row = self.rows[item.task.number]
        if called.status != STATUS_DONE:
            row.defect = called.status == DEFECT
            self._refuse(item.task, called.text, outcome.took_s)
            return
        try:
            text = self._saved(item, called, outcome)
        except ClipmarkError as error:
            self._refuse(item.task, " ".join(str(error).split()), outcome.took_s)
            return
        self._add(row, DONE, f'"result": {text}', outcome.took_s)
        row.status, row.sentence = DONE, ""

    def _saved(self, item: Ready, called: Called, outcome: Outcome) -> str:
        """The result as the verb prints it, after what it writes was written."""
        measured = json.loads(called.text).get("clip_sha256")
        if measured not in (None, item.hashes.get(CLIP, measured)):
            raise ClipmarkError(
                f"{item.task.label} was changed while the batch ran; start the batch again"
            )
        for name, content in outcome.files.items():
            place = Path(item.paths.get(name) or Path(item.paths["folder"]) / name)
            try:
                place.parent.mkdir(parents=True, exist_ok=True)
                disk.replace_file(place, content)
            except OSError as error:
                raise disk.explain(error, "write it", place) from error
        if item.task.verb == REPLAY:  # the folder as it was named here, wherever it was done
            return json_text({**json.loads(called.text), "folder": item.task.options[0]})
        if not called.to_save:
            return called.text
        row = self.rows[item.task.number]
        before = self.results.newest.get(item.key)
        self._add(row, MEASURED, f'"result": {called.text}', outcome.took_s)
        maybe_saved = before is not None and before.status == MEASURED
        result = json.loads(called.text)
        return json_text(save_put_off(called.to_save[0], item, result, maybe_saved=maybe_saved))

    def _evidence(self, item: Ready) -> list[Path]:
        """Files that a task of evidence has left."""
        if item.task.verb != EVIDENCE:
            return []
        result = self.results.line(item.key).get("result")
        names = result.get("files") if isinstance(result, dict) else None
        folder = Path(item.paths["folder"])
        return [folder / str(name) for name in names] if isinstance(names, list) else []

    def _refuse(self, task: Task, sentence: str, took_s: float = 0.0) -> None:
        row = self.rows[task.number]
        row.status, row.sentence = REFUSED, sentence
        self._add(row, REFUSED, f'"sentence": {json.dumps(sentence, ensure_ascii=False)}', took_s)

    def _add(self, row: Row, status: str, tail: str, took_s: float) -> None:
        task = row.task
        options = task.options if task.verb not in (REPLAY, EVIDENCE) else task.options[1:]
        self.results.add(
            row.key,
            status,
            task.number,
            {
                "name": task.label,
                "verb": task.verb,
                "clip": task.clip,
                "options": list(options),
                "at": utc_text(utc_now()),
                "took_s": round(took_s, 3),
            },
            tail,
        )
