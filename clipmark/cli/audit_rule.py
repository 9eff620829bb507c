"""``clipmark audit rule``: what the footage says of a claim, and what is entered of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.filing import (
    EnteredProtest,
    Filed,
    enter_protest,
    file_ruling,
    protest_of,
    protests_of,
)
from clipmark.audit.ruling import RuledClaim, ruling_on
from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, progress_bar, screen, warn
from clipmark.errors import AuditError
from clipmark.record.folder import EventFolder
from clipmark.record.models import Claim

NOT_SAVED = "nothing was saved; sign (--by NAME) to enter the protest and this ruling"
OUTCOMES = {
    "stands": "The claim stands.",
    "falls": "The claim falls.",
    "cannot decide": "The footage cannot decide.",
}


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")],
    attempt: Annotated[str, typer.Argument(metavar="ATTEMPT", help="Its id, such as a0003.")],
    claim: Annotated[
        str | None,
        typer.Option(
            "--claim",
            metavar='"MEASURE RELATION VALUE UNIT"',
            help='What is claimed, such as "ramp >= 53 deg", "stalls <= 2" or '
            '"mean speed < 30 mm/s"; left out, the protests that wait are ruled on.',
        ),
    ] = None,
    protest: Annotated[
        str | None,
        typer.Option("--protest", metavar="ID", help="Rule on this protest, entered earlier."),
    ] = None,
    enter_only: Annotated[
        bool, typer.Option("--enter-only", help="Enter the protest; rule on it later.")
    ] = False,
    by: Annotated[
        str | None,
        typer.Option(
            "--by", metavar="NAME", help="Who enters and rules; without it nothing is saved."
        ),
    ] = None,
    protested_by: Annotated[
        str, typer.Option("--protested-by", metavar="NAME", help="Who protests.")
    ] = "",
    note: Annotated[
        str, typer.Option("--note", metavar="TEXT", help="A word to the protest or the ruling.")
    ] = "",
    as_json: opt.Json = False,
) -> None:
    """Hold a claim against the footage: it stands, falls, or the footage cannot decide.

    The judge's verdict is never changed: claim and ruling stand beside it.

    Example: clipmark audit rule tarn-hollow a0003 --claim "ramp >= 53 deg" --by Marsh
    --protested-by Brook
    """
    _check(claim, protest, enter_only, by)
    if claim is None and protested_by:
        raise AuditError(
            "who protests (--protested-by) was said when the protest was entered; leave it away, "
            "or give the claim of a new protest (--claim)"
        )
    with EventFolder.open(folder) as event:
        if enter_only:
            filed = enter_protest(
                event, attempt, claim or "", by=by or "", protested_by=protested_by, note=note
            )
            _tell_entered(filed, as_json)
            return
        rulings = [
            _ruled(event, attempt, asked, held, as_json)
            for asked, held in _asked(event, attempt, claim, protest)
        ]
        told = []
        for ruled, held in rulings:
            filed_now = None
            if by:
                filed_now = file_ruling(
                    event,
                    ruled,
                    by=by,
                    protest_id=None if held is None else held.id,
                    protested_by=protested_by,
                    note=note,
                )
            told.append((ruled, held, filed_now))
    if as_json:
        found = [_as_json(*item) for item in told]
        emit_json(found[0] if len(found) == 1 else {"attempt": attempt, "rulings": found})
        return
    for item in told:
        _print(*item)


def _check(claim: str | None, protest: str | None, enter_only: bool, by: str | None) -> None:
    if claim is not None and protest is not None:
        raise AuditError(
            "both a claim (--claim) and an entered protest (--protest) were given; keep the one "
            "that is to be ruled on"
        )
    if enter_only and claim is None:
        raise AuditError("a protest to be entered needs what it claims (--claim)")
    if enter_only and not by:
        raise AuditError("who enters the protest is missing; sign it (--by NAME)")


def _asked(
    event: EventFolder, attempt: str, claim: str | None, protest: str | None
) -> list[tuple[Claim | str, EnteredProtest | None]]:
    """What is to be ruled on: a new claim, one entered protest, or those that wait."""
    if claim is not None:
        return [(claim, None)]
    if protest is not None:
        held = protest_of(event, attempt, protest)
        return [(held.protest.claim, held)]
    event.attempt(attempt)  # refused where there is no such attempt
    waiting = [item for item in protests_of(event, attempt) if item.open]
    if not waiting:
        raise AuditError(
            f"no protest against attempt {attempt} waits for a ruling; say what is claimed "
            "(--claim), or name a protest that is to be ruled on again (--protest)"
        )
    return [(item.protest.claim, item) for item in waiting]


def _ruled(
    event: EventFolder,
    attempt: str,
    asked: Claim | str,
    held: EnteredProtest | None,
    quiet: bool,
) -> tuple[RuledClaim, EnteredProtest | None]:
    with progress_bar("measuring", quiet=quiet) as bar:
        task = bar.add_task("measuring", total=None)

        def tell(step: str, done: int, total: int) -> None:
            bar.update(task, description=step, completed=done, total=total)

        return ruling_on(event, attempt, asked, progress=tell), held


def _as_json(
    ruled: RuledClaim, held: EnteredProtest | None, filed: Filed | None
) -> dict[str, object]:
    saved: dict[str, object] | None = None if filed is None else filed.to_dict()
    return {**ruled.to_dict(), "protest": None if held is None else held.id, "saved": saved}


def _tell_entered(filed: Filed, as_json: bool) -> None:
    if as_json:
        emit_json({"saved": filed.to_dict()})
        return
    screen.print(
        f"Entered as {filed.protest_id}; it waits for a ruling. The judge's verdict is as it was.",
        highlight=False,
        soft_wrap=True,
    )


def _print(ruled: RuledClaim, held: EnteredProtest | None, filed: Filed | None) -> None:
    def line(text: str, style: str = "") -> None:
        screen.print(text, style=style or None, highlight=False, markup=False, soft_wrap=True)

    name = "" if held is None else f"{held.id}, "
    line(f"{ruled.attempt.id}, {name}claimed: {ruled.claim}")
    line(OUTCOMES[ruled.ruling.outcome], "bold")
    for sentence in ruled.said[1:]:
        line(sentence)
    for title, sentences in (
        ("What would decide:", ruled.would_decide),
        ("Beside it:", ruled.beside),
    ):
        if sentences:
            line(title)
            for sentence in sentences:
                line(f"- {sentence}")
    warn(ruled.notes)
    if filed is None:
        warn([NOT_SAVED])
        return
    lines = ", ".join(str(item.seq) for item in filed.lines)
    line(f"Saved as {filed.protest_id}, journal lines {lines}. The judge's verdict is as it was.")
