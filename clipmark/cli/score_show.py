"""A scoring as tables for people."""

from __future__ import annotations

from collections.abc import Sequence

from clipmark.cli.show import screen, table, warn, with_u
from clipmark.scoring.result import EventResult, Row, TestScore, points_text

MOST_NAME = 40  # characters of a name in a table; the whole name stands in the files
MOST_TESTS = 6  # columns of tests beside each other


def show_result(result: EventResult, *, details: bool = False) -> None:
    """Print standings of each class, limits, drift, changes and what must be looked at."""
    for class_name in result.classes:
        rows = result.rows_of(class_name)
        title = _cut(result.event, 80) + (f", class {_cut(class_name)}" if class_name else "")
        if not rows:
            screen.print(f"{title}: no entries", markup=False)
            continue
        _standings(title, result, rows)
    for test in result.tests:
        screen.print(f"{_cut(test.id)}: {test.said}", markup=False, highlight=False)
    _proofs(result)
    _facts("Limits from tries", [f"{_at(x.test, x.row, x.mode)}: {x.said}" for x in result.limits])
    _facts("What the tries can tell apart", [f"{_cut(x.test)}: {x.said}" for x in result.pairs])
    _facts("Drift of the reference", [f"{_cut(x.test)}: {x.said}" for x in result.drifts])
    if result.since:
        told = [change.sentence for change in result.changes] or ["nothing changed"]
        _facts(f"Since '{result.since}'", told)
    if details:
        _attempts(result)
    warn([flag.sentence for flag in result.flags])
    warn(result.notes)


def place_text(row: Row) -> str:
    """``2``, ``2=`` where shared, ``2~`` where the evidence does not separate it."""
    if row.place is None:
        return "-"
    return f"{row.place}{'=' if row.tied else ''}{'' if row.separated else '~'}"


def sure_text(row: Row) -> str:
    """How probable the place is, and which other places are."""
    if row.place is None:
        return ""
    told = f"{_percent(row.place_p[row.place - 1])}"
    others = sorted(
        ((p, at) for at, p in enumerate(row.place_p, 1) if at != row.place and p >= 0.005),
        reverse=True,
    )
    shown = ", ".join(f"{at}: {_percent(p)}" for p, at in others[:2])
    return f"{told} ({shown})" if shown else told


def _percent(p: float) -> str:
    return "> 99.5 %" if p >= 0.995 else f"{100 * p:.0f} %"  # drawn: never quite sure


def _standings(title: str, result: EventResult, rows: Sequence[Row]) -> None:
    tests = [test.id for test in result.tests][:MOST_TESTS]
    columns = ("entry", "place", "total", "sure", *(_cut(test, 16) for test in tests), "remarks")
    shown = []
    for row in rows:
        name = _cut(row.entry) + (f", {_cut(row.setup, 24)}" if row.setup else "")
        scores = [_points(row.test(test)) for test in tests]
        remarks = "; ".join(row.remarks)
        total = points_text(row.total)
        shown.append((name, place_text(row), total, sure_text(row), *scores, _cut(remarks, 120)))
    table(title, columns, shown, words=("remarks", "sure"))


def _points(score: TestScore | None) -> str:
    if score is None:
        return ""
    text = points_text(score.points)
    return f"({text})" if score.dropped else text


def _proofs(result: EventResult) -> None:
    lines = [
        f"{_at(score.test, row.key)}: {score.proves}"
        for row in result.rows
        for score in row.tests
        if score.proves
    ]
    _facts("What the passes prove", lines)


def _facts(title: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    screen.print(f"[bold]{title.replace('[', '(')}[/bold]")
    for line in lines:
        screen.print(f"  {line}", markup=False, highlight=False, soft_wrap=True)


def _at(*parts: str) -> str:
    return ", ".join(_cut(part) for part in parts if part)


def _attempts(result: EventResult) -> None:
    table(
        "Attempts as scored",
        ("attempt", "test", "entry", "value", "points", "counts", "why not, claim, ruling"),
        [
            (
                a.attempt,
                _cut(a.test, 20),
                _cut(a.entry, 24),
                with_u(a.value, a.u95, a.unit),
                points_text(a.points),
                "yes" if a.counted else "no",
                "; ".join(
                    t for t in (a.left_out, a.claim, a.ruling,
                                "under protest" if a.under_protest else "") if t
                ),
            )
            for a in result.attempts
        ],
        words=("test", "entry", "counts", "why not, claim, ruling"),
    )  # fmt: skip


def _cut(text: str, most: int = MOST_NAME) -> str:
    return text if len(text) <= most else text[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"
