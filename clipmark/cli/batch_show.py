"""How ``clipmark batch`` tells what came out: a table in the order of the tasks, or one object."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from clipmark.batch_results import DONE, REFUSED, ResultsFile
from clipmark.cli.batch_evidence import EVIDENCE
from clipmark.cli.batch_run import DONE_BEFORE, LEFT, Row
from clipmark.cli.batch_tasks import REPLAY
from clipmark.cli.show import emit_json, screen, table, with_u
from clipmark.record.readings import HEADLINES, beside

MOST_ROWS = 60  # of a table that is looked at; longer ones leave out what went well
STATES = (DONE, DONE_BEFORE, REFUSED, LEFT)


def emit_report(results: ResultsFile, rows: Sequence[Row], *, paused: bool) -> None:
    """One JSON object: every task in the order of the list, with its result or its sentence."""
    counts = Counter(row.status for row in rows)
    emit_json(
        {
            "results": str(results.path),
            "tasks": len(rows),
            **{status.replace(" ", "_"): counts[status] for status in STATES},
            "paused": paused,
            "rows": [_row(results, row) for row in rows],
        }
    )


def _row(results: ResultsFile, row: Row) -> dict[str, object]:
    told: dict[str, object] = {
        "task": row.task.number,
        "name": row.task.label,
        "verb": row.task.verb,
        "clip": row.task.clip,
        "status": row.status.replace(" ", "_"),
        "key": row.key,
    }
    if row.status in (DONE, DONE_BEFORE):
        told["result"] = results.line(row.key).get("result")
    elif row.status == REFUSED:
        told["sentence"] = row.sentence
    return told


def print_report(results: ResultsFile, rows: Sequence[Row], *, paused: bool) -> None:
    """A table for people, then why tasks were refused, then how many there were of each."""
    fine = (DONE, DONE_BEFORE)
    shown = [row for row in rows if row.status not in fine] if len(rows) > MOST_ROWS else rows
    if shown:
        table(
            "The batch, in the order of the list",
            ("task", "verb", "", "came out"),
            [
                (f"{row.task.number}  {row.task.label}", row.task.verb, row.status,
                 _came_out(results, row))
                for row in shown
            ],
            words=("verb", "", "came out"),
        )  # fmt: skip
    counts = Counter(row.status for row in rows)
    told = ", ".join(f"{counts[status]} {status}" for status in STATES if counts[status])
    screen.print(f"{len(rows)} tasks: {told}", highlight=False, style="bold")
    screen.print(f"results: {results.path}", highlight=False, markup=False, soft_wrap=True)
    if paused and counts[LEFT]:
        screen.print("paused; the same command goes on with what is left", highlight=False)


def _came_out(results: ResultsFile, row: Row) -> str:
    """What to say of one task: its first values with their uncertainty, or its sentence."""
    if row.status == REFUSED:
        return row.sentence
    if row.status == LEFT:
        return ""
    result = results.line(row.key).get("result")
    if not isinstance(result, Mapping):
        return ""
    if row.task.verb == REPLAY:
        return "comes back as saved" if result.get("agrees") else "differs"
    if row.task.verb == EVIDENCE:
        files = result.get("files")
        return ", ".join(map(str, files)) if isinstance(files, list) else ""
    if row.task.verb == "climb":
        reason = result.get("reason")
        return f"proposed: {result.get('proposed')}" + (f" ({reason})" if reason else "")
    if row.task.verb == "footage":
        return f"{result.get('frame_count')} frames, {_count(result, 'findings')} findings"
    return "; ".join(
        f"{_words(name)} {_value(result, name)}"
        for name in HEADLINES[row.task.verb]
        if result.get(name) is not None
    )


def _count(result: Mapping[str, object], name: str) -> int:
    found = result.get(name)
    return len(found) if isinstance(found, list) else 0


_UNITS = (("_mm_s", "mm/s"), ("_deg", "deg"))


def _words(name: str) -> str:
    for tail, _ in _UNITS:
        name = name.removesuffix(tail)
    return name.replace("_", " ")


def _value(result: Mapping[str, object], name: str) -> str:
    unit = next((unit for tail, unit in _UNITS if name.endswith(tail)), "")
    return with_u(result.get(name), result.get(beside(name, "u95")), unit)
