"""``clipmark score``: points, places, totals, how sure the places are."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.score_show import show_result
from clipmark.cli.show import emit_json, screen
from clipmark.errors import RecordError
from clipmark.record.folder import EventFolder
from clipmark.report.print_page import write_page
from clipmark.report.run_slips import slips
from clipmark.scoring import kept
from clipmark.scoring.drawn import DRAWS, SEED
from clipmark.scoring.exports import attempts_table, standings_table, write_table
from clipmark.scoring.rules import read_rules
from clipmark.scoring.score import score_event

LEAST_DRAWS, MOST_DRAWS = 200, 200_000
PAPER = "On paper"
FILES = "As files"


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")] = Path(),
    check: Annotated[
        bool, typer.Option("--check", help="Check the rule sheet strictly; score nothing.")
    ] = False,
    name: Annotated[
        str, typer.Option("--name", metavar="NAME", help="Keep this scoring under a name.")
    ] = "",
    since: Annotated[
        str, typer.Option("--since", metavar="NAME", help="What changed since a kept scoring.")
    ] = "",
    by: Annotated[
        str, typer.Option("--by", metavar="WHO", help="Who keeps it, with a name (--name).")
    ] = "",
    limits: Annotated[
        bool | None,
        typer.Option(
            "--limits/--no-limits",
            help="Climbing limits from the tries; left out, for up to 60 sets of tries.",
        ),
    ] = None,
    details: Annotated[
        bool, typer.Option("--details", help="Every attempt as well, with what was left out.")
    ] = False,
    draws: Annotated[
        int, typer.Option("--draws", metavar="N", help="Draws of the place probabilities.")
    ] = DRAWS,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the draws.")] = SEED,
    standings_out: Annotated[
        Path | None,
        typer.Option(
            "--standings",
            metavar="FILE",
            help="Write the standings: .csv, .json, .parquet.",
            rich_help_panel=FILES,
        ),
    ] = None,
    attempts_out: Annotated[
        Path | None,
        typer.Option(
            "--attempts",
            metavar="FILE",
            help="Write every attempt as scored, likewise.",
            rich_help_panel=FILES,
        ),
    ] = None,
    decimal_comma: Annotated[
        bool,
        typer.Option(
            "--decimal-comma",
            help="CSV with semicolons, decimal commas and a byte order mark.",
            rich_help_panel=FILES,
        ),
    ] = False,
    print_slips: Annotated[
        Path | None,
        typer.Option(
            "--print-slips",
            metavar="FILE.pdf",
            help="Blank run slips to print; scores nothing.",
            rich_help_panel=PAPER,
        ),
    ] = None,
    print_slates: Annotated[
        Path | None,
        typer.Option(
            "--print-slates",
            metavar="FILE.pdf",
            help="Blank slates to hold before the camera.",
            rich_help_panel=PAPER,
        ),
    ] = None,
    paper: Annotated[
        str,
        typer.Option(
            "--paper",
            metavar="A4|A6",
            help="A4 holds four.",
            rich_help_panel=PAPER,
        ),
    ] = "A4",
    as_json: opt.Json = False,
) -> None:
    """Score an event by its rule sheet: points, totals, places, and how sure the places are.

    Example: clipmark score tarn-hollow

    Example: clipmark score tarn-hollow --name "after round 1" --by Fell

    Example: clipmark score tarn-hollow --since "after round 1" --standings standings.csv
    """  # fmt: skip
    if print_slips or print_slates:
        _print_paper(folder, print_slips, print_slates, paper, as_json)
        return
    if check:
        rules = read_rules(folder, strict=True)
        facts = {
            "event": rules.sheet.name,
            "tests": len(rules.tests),
            "entries": len(rules.entries),
        }
        if as_json:
            emit_json({"checked": True, **facts})
        else:
            screen.print(
                f"event.toml of {rules.sheet.name} is sound: {facts['tests']} tests, "
                f"{facts['entries']} entries.", markup=False, highlight=False,
            )  # fmt: skip
        return
    if not LEAST_DRAWS <= draws <= MOST_DRAWS:
        raise RecordError(
            f"the number of draws (--draws) is {draws}; give {LEAST_DRAWS} to {MOST_DRAWS}"
        )
    if seed < 0:
        raise RecordError(f"the seed (--seed) is {seed}; give a whole number from 0")
    if name and not by.strip():
        raise RecordError("a scoring that is kept says who kept it; add the person (--by)")
    if by and not name:
        raise RecordError("who keeps it was given (--by), but no name; add one (--name)")
    with EventFolder.open(folder) as event:
        result = score_event(event, draws=draws, seed=seed, limits=limits, since=since, name=name)
        saved = kept.keep(event, result, by=by) if name else None
    if standings_out:
        write_table(standings_table(result), standings_out, decimal_comma=decimal_comma)
    if attempts_out:
        write_table(attempts_table(result), attempts_out, decimal_comma=decimal_comma)
    if as_json:
        told = result.to_dict()
        if saved:
            told["kept"] = {"id": saved.id, "revision": saved.revision, "journal_seq": saved.seq}
        emit_json(told)
        return
    show_result(result, details=details)
    if saved:
        screen.print(f"kept as scoring {saved.id}, revision {saved.revision}", markup=False)


def _print_paper(
    folder: Path, slips_out: Path | None, slates_out: Path | None, paper: str, as_json: bool
) -> None:
    size = paper.strip().upper()
    if size not in ("A4", "A6"):
        raise RecordError(f"the paper (--paper) is '{paper[:20]}'; give A4 or A6")
    rules = read_rules(folder)
    tests = [test.id for test in rules.tests]
    written = {}
    for what, out in (("slips", slips_out), ("slates", slates_out)):
        if out is not None:
            write_page(slips(rules.sheet.name, tests, size=size, slates=what == "slates"), out)
            written[what] = str(out)
    if as_json:
        emit_json(dict(written))
    else:
        for what, where in written.items():
            screen.print(f"{what}: {where}", markup=False, highlight=False, soft_wrap=True)
