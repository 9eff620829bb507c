"""How results are printed: one JSON object, or a table for people."""

from __future__ import annotations

import json
import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Literal

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table

from clipmark.uncertainty.digits import digits_for

screen = Console()
aside = Console(stderr=True)
_handed_over: ContextVar[list[Mapping[str, object]] | None] = ContextVar("results", default=None)


def emit_json(result: Mapping[str, object]) -> None:
    """Write one JSON object on stdout; not-a-number never gets out."""
    wanted = _handed_over.get()
    if wanted is not None:
        wanted.append(result)
        return
    sys.stdout.write(json_text(result) + "\n")
    sys.stdout.flush()  # a reader may wait for it while the program goes on


def json_text(result: Mapping[str, object]) -> str:
    """The JSON object that ``--json`` prints; not-a-number is an error."""
    return json.dumps(result, ensure_ascii=False, allow_nan=False)


@contextmanager
def results_handed_over() -> Iterator[list[Mapping[str, object]]]:
    """What verbs called inside would print with ``--json`` goes into this list instead."""
    wanted: list[Mapping[str, object]] = []
    before = _handed_over.set(wanted)
    try:
        yield wanted
    finally:
        _handed_over.reset(before)


def warn(sentences: Sequence[str]) -> None:
    """Print warnings on stderr, one a line."""
    for sentence in sentences:
        aside.print(f"[bold]note:[/bold] {escape(sentence)}", highlight=False, soft_wrap=True)


def with_u(value: object, u95: object, unit: str = "") -> str:
    """``45.03 +/- 0.12 deg``, to two figures of the uncertainty; a dash when unknown."""
    if not isinstance(value, (int, float)):
        return "-"
    tail = f" {unit}" if unit else ""
    if not isinstance(u95, (int, float)):
        return f"{value:.4g}{tail}"
    places = digits_for(float(u95))
    return f"{value:.{places}f} \N{PLUS-MINUS SIGN} {u95:.{places}f}{tail}"


def table(
    title: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    words: Collection[str] = (),
) -> None:
    """Print a table on stdout; the first column and those named in `words` hold words."""
    drawn = Table(title=title, title_justify="left", title_style="bold")
    alone = len(columns) == 1  # sentences: they are wrapped, not cut
    for index, column in enumerate(columns):
        side: Literal["left", "right"] = "left" if index == 0 or column in words else "right"
        drawn.add_column(column, justify=side, overflow="fold", no_wrap=index == 0 and not alone)
    for row in rows:
        drawn.add_row(*(escape(cell) for cell in row))
    screen.print(drawn)


def budget_table(name: str, rows: Sequence[Mapping[str, object]]) -> None:
    """Print the contributions behind one value, largest first."""
    table(
        f"What makes up the uncertainty of {name} (standard, deg)",
        ("source", "kind", "u", "what would reduce it"),
        [
            (
                str(row["source"]),
                str(row["kind"]),
                f"{row['u_deg']:.4f}",
                str(row["advice"] or ""),
            )
            for row in rows
        ],
        words=("kind", "what would reduce it"),
    )


@contextmanager
def progress_bar(what: str, quiet: bool = False) -> Iterator[Progress]:
    """A progress bar on stderr, silent when stderr is not a terminal or `quiet`."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    hidden = quiet or not aside.is_terminal
    with Progress(*columns, console=aside, transient=True, disable=hidden) as bar:
        yield bar


def show_saved(result: Mapping[str, object]) -> None:
    """Say under which attempt and revision a reading was saved, if it was."""
    saved = result.get("saved")
    if isinstance(saved, Mapping):
        screen.print(
            f"saved as attempt [bold]{saved['attempt']}[/bold], revision {saved['revision']}"
        )
