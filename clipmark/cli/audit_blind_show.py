"""How a closed blind plan is shown to people."""

from __future__ import annotations

import math

from clipmark.audit.blind_compare import ItemCompared, PlanCompared, ValueCompared
from clipmark.cli.show import screen, table, with_u
from clipmark.uncertainty.digits import digits_for

UNITS = (
    ("_mm_s", "mm/s"), ("_deg", "deg"), ("_mm", "mm"), ("_s", "s"),
)  # fmt: skip
COLUMNS = ("picture", "value", "first marking", "blind", "difference", "E_n", "")


def show_comparison(compared: PlanCompared) -> None:
    """Print what a closed plan says: every value that can be compared, repeats, verdicts."""
    plan = compared.plan
    rows = [row for item in compared.items for row in _rows(item)]
    if rows:
        table(f"Plan {plan.id}, marked blind by {plan.plan.marker}", COLUMNS, rows, words=[""])
    for item in compared.items:
        if item.left_out:
            screen.print(f"Picture {item.item}, {item.attempt}: not marked, {item.left_out}")
    again = [row for item in compared.repeats for row in _rows(item)]
    if again:
        columns = ("picture", "value", "at first", "again", "difference", "E_n", "")
        table("Shown twice, unknown to the marker", columns, again, words=[""])
    _show_verdicts(compared)
    screen.print(
        f"Values compared: {compared.compared}, at odds: {compared.at_odds}. Both markings used "
        "the same frame, lens and sizes, so E_n rests on the marks alone: up to 1 they agree."
    )


def _rows(item: ItemCompared) -> list[list[str]]:
    return [_row(item, value) for value in item.values if value.comparison is not None]


def _row(item: ItemCompared, value: ValueCompared) -> list[str]:
    told = value.comparison
    assert told is not None
    name, unit = _unit(value.name)
    places = digits_for(told.expanded) if told.expanded > 0 else 3
    e_n = f"{told.e_n:.2f}" if math.isfinite(told.e_n) else "without bound"
    return [
        f"{item.item}, {item.attempt}",
        name,
        with_u(value.first, value.first_u95, unit),
        with_u(value.second, value.second_u95, unit),
        f"{told.difference:+.{places}f} \N{PLUS-MINUS SIGN} {told.expanded:.{places}f}",
        e_n,
        "" if told.verdict == "agree" else "at odds",
    ]


def _unit(name: str) -> tuple[str, str]:
    for ending, unit in UNITS:
        if name.endswith(ending):
            return name.removesuffix(ending).replace("_", " "), unit
    return name.replace("_", " "), ""


def _show_verdicts(compared: PlanCompared) -> None:
    verdicts = compared.verdicts
    if verdicts is None:
        return
    rows = [
        [name, *(str(count) for count in counts)]
        for name, counts in zip(verdicts.classes, verdicts.counts, strict=True)
    ]
    table("Verdicts: the judge's down, blind across", ("", *verdicts.classes), rows)
    agreed = verdicts.agreed
    told = (
        f"Same verdict in {agreed.value:.0%} of {verdicts.n} attempts "
        f"(95 % interval {agreed.low:.0%} to {agreed.high:.0%})"
    )
    kappa = verdicts.kappa
    if kappa is None:
        screen.print(f"{told}; no kappa: {verdicts.why_not}.")
        return
    reach = "" if kappa.interval is None else " ({:.2f} to {:.2f})".format(*kappa.interval)
    screen.print(f"{told}; kappa {kappa.value:.2f}{reach}.")
