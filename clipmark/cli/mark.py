"""``clipmark mark``: the marking page in the browser."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, screen
from clipmark.errors import RecordError
from clipmark.record.folder import EventFolder

LAN_MEANS = (
    "With --lan the page answers to every machine on this network. Who has the address with the "
    "key can see every clip and sign attempts, and because the connection is not encrypted, others "
    "on the network can read that key. Addresses of the internet are refused. Use it only on a "
    "network you trust."
)


def run(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="The event folder; here when left out.")
    ] = Path(),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free port.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address; open no browser.")
    ] = False,
    lan: Annotated[
        bool,
        typer.Option("--lan", help="Answer to other machines on the network; asks first."),
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="The explicit yes that --lan asks for.")
    ] = False,
    as_json: opt.Json = False,
) -> None:
    """Open the marking page of an event: step through clips, mark, call, sign.

    Served by this machine to this machine only, under an address with a random key. Ctrl+C ends it.

    Example: clipmark mark tarn-hollow
    """
    from clipmark.page.serve import Place, serve  # the web server is not needed by other verbs

    with EventFolder.open(folder) as event:
        name = event.name
    if lan and not yes:
        ask_for_lan()

    def ready(place: Place) -> None:
        if as_json:
            emit_json({"event": name, "address": place.address, "on_lan": list(place.on_lan)})
            return
        screen.print(f"The marking page of [bold]{name}[/bold] is at")
        screen.print(f"  {place.address}", soft_wrap=True, highlight=False)
        for address in place.on_lan:
            screen.print(f"  {address}", soft_wrap=True, highlight=False)
        screen.print("Ctrl+C ends it. What is signed is saved; what is only marked is kept.")

    with contextlib.suppress(KeyboardInterrupt):  # Ctrl+C, the usual end
        serve(folder, port=port, lan=lan, ready=ready, open_browser=not no_browser)


def ask_for_lan() -> None:
    """Say what --lan means, and go on only after an explicit yes."""
    screen.print(LAN_MEANS)
    if not sys.stdin.isatty():
        raise RecordError("--lan was not confirmed; add --yes after reading what it means")
    if not typer.confirm("Answer to other machines?", default=False):
        raise RecordError("--lan was not confirmed, so nothing was started; leave --lan out")
