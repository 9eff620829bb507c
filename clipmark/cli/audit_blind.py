"""``clipmark audit blind``: have attempts marked again by somebody who does not know them."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.blind import REPEATS, MadePlan, SavedPlan, close_plan, make_plan, open_plan
from clipmark.audit.blind import the_plan as plan_of
from clipmark.audit.blind_compare import compare
from clipmark.cli import options as opt
from clipmark.cli.audit_blind_show import show_comparison
from clipmark.cli.mark import ask_for_lan
from clipmark.cli.show import emit_json, screen, warn
from clipmark.errors import AuditError
from clipmark.record.folder import EventFolder


def run(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="The event folder; here when left out.")
    ] = Path(),
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who marks; not who signed before.")
    ] = None,
    attempts: Annotated[
        list[str] | None,
        typer.Option(
            "--attempts",
            metavar="ID",
            help="Which attempts, several times or with commas; all with a reading if left out.",
        ),
    ] = None,
    repeats: Annotated[
        float | None,
        typer.Option(
            "--repeats",
            metavar="SHARE",
            help="Attempts shown twice, unknown to the marker: a share below 1, or a number; 0.2.",
        ),
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", metavar="N", help="Of the hidden order.")
    ] = None,
    even_own: Annotated[
        bool, typer.Option("--even-own", help="Also attempts that the marker signed.")
    ] = False,
    plan: Annotated[
        str | None, typer.Option("--plan", metavar="ID", help="A plan that is there, such as b001.")
    ] = None,
    do_compare: Annotated[
        bool, typer.Option("--compare", help="Hold a closed plan against the first markings.")
    ] = False,
    do_close: Annotated[
        bool, typer.Option("--close", help="Close the plan: nothing more is marked in it.")
    ] = False,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free port.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address; open no browser.")
    ] = False,
    lan: Annotated[
        bool, typer.Option("--lan", help="Answer to other machines on the network; asks first.")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="The explicit yes that --lan asks for.")
    ] = False,
    as_json: opt.Json = False,
) -> None:
    """Have attempts marked again by somebody who is not told which they are.

    Serves a page of its own that shows one picture after the other, in a hidden order, some of
    them twice, and tells no results. Started again, it goes on where the marker was. Once the
    plan is closed, --compare holds what was marked against the first markings.

    Example: clipmark audit blind tarn-hollow --by Brook
    """
    chosen = attempts is not None or repeats is not None or seed is not None
    with EventFolder.open(folder) as event:
        if do_close or do_compare:
            _end(event, _named(event, plan, by), do_close, do_compare, as_json)
            return
        made = _to_mark(event, plan, by, chosen)
        if made is None:
            made = make_plan(
                event,
                by or "",
                attempts=None if attempts is None else _ids(attempts),
                repeats=REPEATS if repeats is None else repeats,
                seed=seed,
                even_own=even_own,
            )
    if lan and not yes:
        ask_for_lan()
    _serve(folder, made, port=port, lan=lan, open_browser=not no_browser, as_json=as_json)


def _ids(attempts: list[str]) -> list[str]:
    return [part.strip() for one in attempts for part in one.split(",") if part.strip()]


def _to_mark(event: EventFolder, plan: str | None, by: str | None, chosen: bool) -> MadePlan | None:
    """The open plan to go on with; None when a new one is to be made."""
    if plan is None and not (by and by.strip()):
        raise AuditError("say who marks (--by), so that a plan can be made or gone on with")
    held = plan_of(event, plan) if plan else open_plan(event, by or "")
    if held is None:
        return None
    if chosen:
        raise AuditError(
            f"plan {held.id} of {held.plan.marker} is there already, with {len(held.markings)} of "
            f"{held.total} pictures marked; leave --attempts, --repeats and --seed out to go on "
            f"with it, or close it first (--plan {held.id} --close)"
        )
    return MadePlan(held)


def _named(event: EventFolder, plan: str | None, by: str | None) -> str:
    """Id of the plan that is meant."""
    if plan:
        return plan
    held = open_plan(event, by) if by else None
    if held is None:
        raise AuditError("say which plan is meant (--plan), such as b001")
    return held.id


def _end(event: EventFolder, plan: str, do_close: bool, do_compare: bool, as_json: bool) -> None:
    if do_close:
        saved = close_plan(event, plan)
        if not do_compare:
            told = {"plan": saved.id, "closed": True, "marked": len(saved.markings)}
            if as_json:
                emit_json({**told, "pictures": saved.total})
            else:
                screen.print(
                    f"Plan {saved.id} is closed, with {len(saved.markings)} of {saved.total} "
                    f"pictures marked. --plan {saved.id} --compare holds it against the first "
                    "markings."
                )
            return
    compared = compare(event, plan)
    if as_json:
        emit_json(compared.to_dict())
    else:
        show_comparison(compared)


def _serve(
    folder: Path, made: MadePlan, *, port: int, lan: bool, open_browser: bool, as_json: bool
) -> None:
    from clipmark.page.blind_app import create_blind_app  # the web server is not needed above
    from clipmark.page.serve import Place, serve

    saved: SavedPlan = made.saved

    def ready(place: Place) -> None:
        kept = len(saved.markings)
        if as_json:
            emit_json(
                {
                    "plan": saved.id,
                    "marker": saved.plan.marker,
                    "pictures": saved.total,
                    "marked": kept,
                    "left_out": [{"attempt": one, "why": why} for one, why in made.left_out],
                    "address": place.address,
                    "on_lan": list(place.on_lan),
                }
            )
            return
        warn([f"attempt {one} is left out: {why}" for one, why in made.left_out])
        screen.print(
            f"Plan [bold]{saved.id}[/bold]: {saved.total} pictures for {saved.plan.marker}, "
            f"{kept} marked so far. The page is at"
        )
        for address in (place.address, *place.on_lan):
            screen.print(f"  {address}", soft_wrap=True, highlight=False)
        screen.print("Ctrl+C ends it. What is signed is saved; start it again to go on.")

    with contextlib.suppress(KeyboardInterrupt):  # Ctrl+C, the usual end
        serve(
            folder,
            port=port,
            lan=lan,
            ready=ready,
            open_browser=open_browser,
            make_app=lambda path, doors: create_blind_app(path, saved.id, doors),
        )
