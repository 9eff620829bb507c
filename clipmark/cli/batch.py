"""``clipmark batch``: any measurement, replay or evidence over many clips."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer

from clipmark.batch_pool import GIVE_UP, PAUSE, RUNNING
from clipmark.batch_results import REFUSED as ROW_REFUSED
from clipmark.batch_results import ResultsFile
from clipmark.cli import options as opt
from clipmark.cli.app import DEFECT, INTERRUPTED, REFUSED
from clipmark.cli.batch_evidence import EVIDENCE
from clipmark.cli.batch_file import read_tasks
from clipmark.cli.batch_run import LEFT, Batch, Row, Where
from clipmark.cli.batch_show import emit_report, print_report
from clipmark.cli.batch_tasks import REPLAY, Task, attempts_as_tasks
from clipmark.cli.show import aside, progress_bar, warn
from clipmark.errors import MarkError

WHERE = "Where it is measured"
EVENT = "The saved attempts of an event folder"


def run(
    tasks: Annotated[
        Path,
        typer.Argument(
            metavar="TASKS|FOLDER",
            help="A list of tasks (.toml or .csv), or an event folder with --replay or --evidence.",
        ),
    ],
    replay: Annotated[
        bool,
        typer.Option(
            "--replay",
            help="Repeat the readings of every saved attempt, as clipmark audit replay does.",
            rich_help_panel=EVENT,
        ),
    ] = False,
    evidence: Annotated[
        bool,
        typer.Option(
            "--evidence",
            help="Make the traces and charts of the saved readings anew, under evidence/.",
            rich_help_panel=EVENT,
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="RESULTS.jsonl",
            help="The file of results; beside the list of tasks, or in the event folder, if not "
            "given.",
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            metavar="N",
            min=1,
            help="Clips measured at a time, each on one core; one for each core if not given.",
            rich_help_panel=WHERE,
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="tcp://HOST:8786",
            help="Measure on the workers of this Dask cluster instead of this machine.",
            rich_help_panel=WHERE,
        ),
    ] = None,
    send: Annotated[
        bool,
        typer.Option(
            "--send",
            help="Send the clips to the cluster; without it every worker must see them under the "
            "same path.",
            rich_help_panel=WHERE,
        ),
    ] = False,
    limit_s: Annotated[
        float | None,
        typer.Option(
            "--limit-s",
            metavar="S",
            min=0.1,
            help="Give a clip up that takes longer; no limit if not given.",
            rich_help_panel=WHERE,
        ),
    ] = None,
    as_json: opt.Json = False,
) -> None:
    """Measure, replay or draw many clips: on all cores, or on a cluster of machines.

    What is done stays done: Ctrl-C waits for the clips under way and pauses, a second one gives
    these up, and the same command goes on. One clip that is refused does not stop the others.
    Exit status 0: all done; 2: some were refused; 130: paused.

    Example: clipmark batch tarn-hollow.toml

    Example: clipmark batch tarn-hollow --replay --cluster tcp://bench-pc:8786
    """
    listed, results_path = _listed(tasks, replay, evidence, out)
    if send and cluster is None:
        raise MarkError("clips can be sent only to a cluster; name it (--cluster), or leave --send")
    cores = os.cpu_count() or 1
    at_a_time = min(processes or cores, len(listed))
    where = Where(
        processes=at_a_time,
        threads=1 if processes else max(1, cores // at_a_time),
        cluster=cluster,
        send=send,
        limit_s=limit_s,
    )
    with (
        ResultsFile(results_path) as results,
        _pausing(as_json) as pauses,
        progress_bar("batch", quiet=as_json) as bar,
    ):
        if results.torn:
            warn([f"{results_path.name} ended in a torn line; its task is done again"])
        shown = bar.add_task("batch", total=len(listed))
        batch = Batch(
            listed,
            results,
            where,
            state=lambda: min(len(pauses), GIVE_UP),
            step=lambda what, done, total: bar.update(
                shown, description=what, completed=done, total=total
            ),
            told=lambda sentence: warn([sentence]),
        )
        rows = batch.run()
        if as_json:
            emit_report(results, rows, paused=bool(pauses))
        else:
            bar.stop()
            print_report(results, rows, paused=bool(pauses))
    _leave(rows, paused=bool(pauses))


def _leave(rows: list[Row], *, paused: bool) -> None:
    """Exit with what the shell is to know."""
    if any(row.defect for row in rows):
        raise typer.Exit(DEFECT)
    if paused and any(row.status == LEFT for row in rows):
        raise typer.Exit(INTERRUPTED)
    if any(row.status == ROW_REFUSED for row in rows):
        raise typer.Exit(REFUSED)


def _listed(tasks: Path, replay: bool, evidence: bool, out: Path | None) -> tuple[list[Task], Path]:
    """What is to be done, and the file for its results."""
    if replay and evidence:
        raise MarkError(
            "replay and evidence are two batches; give --replay or --evidence, and the other "
            "afterwards"
        )
    if tasks.is_dir():
        if not (replay or evidence):
            raise MarkError(
                f"it is not said what to do with the attempts of {tasks.name or tasks}: repeat "
                "their readings (--replay), or make their traces and charts (--evidence)"
            )
        what = "replay" if replay else "evidence"
        found = attempts_as_tasks(tasks, REPLAY if replay else EVIDENCE)
        return found, out or tasks / f"{what}.results.jsonl"
    if replay or evidence:
        raise MarkError(
            f"saved attempts lie in an event folder, but {tasks.name} is none; name the folder, "
            "or leave --replay and --evidence out"
        )
    return read_tasks(tasks), out or tasks.with_suffix(".results.jsonl")


@contextlib.contextmanager
def _pausing(quiet: bool) -> Iterator[list[int]]:
    """Signals that came: the first Ctrl-C pauses, a second one, or a request to end, gives up."""
    came: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)
        if number != signal.SIGINT:
            came.extend([number] * (GIVE_UP - RUNNING))
        elif len(came) == PAUSE and not quiet:
            aside.print(
                "pausing: the clips under way are finished; press Ctrl-C again to give them up",
                highlight=False,
            )

    before: dict[int, object] = {}
    with contextlib.suppress(ValueError):  # not the main thread: whoever runs it listens
        for each in (signal.SIGINT, signal.SIGTERM):
            before[each] = signal.signal(each, note)
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
