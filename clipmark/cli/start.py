"""``clipmark start``: a new event folder with a commented rule sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, screen
from clipmark.record.folder import EventFolder


def run(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that is not there yet.")
    ],
    name: Annotated[
        str, typer.Option("--name", help="Name of the event; the folder's name when left out.")
    ] = "",
    gates: Annotated[
        bool,
        typer.Option(
            "--gates", help="A rule sheet for a gate course with penalties, the lowest total wins."
        ),
    ] = False,
    as_json: opt.Json = False,
) -> None:
    """Make a new event folder: rule sheet, session record, places for clips and lenses.

    Example: clipmark start spring-trial --name "Spring trial"

    Example: clipmark start gate-day --gates
    """
    with EventFolder.create(folder, name=name, gates=gates) as event:
        if as_json:
            emit_json({"folder": str(event.path), "event": event.name})
            return
        screen.print(f"{event.path} is ready for [bold]{event.name}[/bold].")
        screen.print("Fill in event.toml (tests, entries) and, on the day, session.toml.")
