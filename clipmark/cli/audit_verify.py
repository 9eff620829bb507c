"""``clipmark audit verify``: whether a journal, or a bundle of evidence, is whole."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.journal_check import JournalCheck, check_journal
from clipmark.cli import options as opt
from clipmark.cli.audit_bundle import check_bundle
from clipmark.cli.show import emit_json, progress_bar, screen
from clipmark.errors import AuditError
from clipmark.record.layout import JOURNAL_NAME


def run(
    what: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER",
            help="The event folder; or its journal.jsonl, a backup of it, or a bundle of evidence.",
        ),
    ] = Path(),
    head: Annotated[
        str | None,
        typer.Option(
            "--head",
            metavar="SHA256",
            help="A head hash that was made known before: is it one of the lines?",
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="OTHER",
            help="Another copy of the event (folder, journal or backup): say where they part.",
        ),
    ] = None,
    no_clips: Annotated[
        bool, typer.Option("--no-clips", help="Leave the clips out, which take the longest.")
    ] = False,
    public_key: Annotated[
        Path | None,
        typer.Option(
            "--public-key",
            metavar="PUB.pem",
            help="Of a bundle: the key that should have signed it, known from elsewhere.",
        ),
    ] = None,
    as_json: opt.Json = False,
) -> None:
    """Check that nothing was changed: the journal line by line, what it refers to, the clips.

    Of a journal, what is found is told, and the exit status is 0 whatever it is; scripts read
    "whole" (--json). A bundle that is not confirmed gives the exit status 2.

    Example: clipmark audit verify tarn-hollow --head 3f9a5c01d2e7

    Example: clipmark audit verify tarn-hollow --against friday.zip

    Example: clipmark audit verify a0003.zip --public-key club.pub.pem
    """
    if _is_bundle(what):
        if against is not None or no_clips:
            raise AuditError(
                f"{what} is a bundle of evidence, which is checked whole; leave --against and "
                "--no-clips out"
            )
        check_bundle(what, public_key=public_key, head=head, as_json=as_json)
        return
    if public_key is not None:
        raise AuditError(
            f"{what} is no bundle of evidence, and only bundles are signed; leave --public-key out"
        )
    with progress_bar("reading clips", quiet=as_json) as bar:
        task = bar.add_task("reading clips", total=None)
        check = check_journal(
            what,
            clips=not no_clips,
            head=head,
            against=against,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    if as_json:
        emit_json(check.to_dict())
    else:
        _print(check)
    if not check.whole:
        raise typer.Exit(2)  # as of a bundle: what was to be confirmed is not


def _is_bundle(path: Path) -> bool:
    """A ZIP file that is not a backup of an event, which holds the journal under its own name."""
    try:
        with path.open("rb") as file:
            if file.read(2) != b"PK":
                return False
        with zipfile.ZipFile(path) as archive:
            return JOURNAL_NAME not in archive.namelist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        return True
    except OSError:
        return False


def _print(check: JournalCheck) -> None:
    style = "" if check.whole else "bold "
    screen.print(f"[{style}default]{check.sentence}[/]", highlight=False, soft_wrap=True)
    for finding in check.findings:
        mark = "FAULT" if finding.is_fault else "note"
        screen.print(f"{mark}: {finding}", highlight=False, markup=False, soft_wrap=True)
    if check.clips is not None:
        clips = "1 clip is" if check.clips == 1 else f"{check.clips} clips are"
        screen.print(f"{clips} there, byte for byte as recorded.", highlight=False)
    if check.against is not None:
        screen.print(check.against.sentence, highlight=False, markup=False, soft_wrap=True)
        for name, lines in (
            (check.path, check.against.further),
            (check.against.other, check.against.others_further),
        ):
            for line in lines:
                screen.print(f"  {name}, {line}", highlight=False, markup=False, soft_wrap=True)
    if not check.whole:
        return
    screen.print(f"Head hash: {check.head}", highlight=False, soft_wrap=True)
    screen.print(
        "Make it known (read its first digits out at the drivers' meeting, post it with the "
        "results): whoever has it can tell later, with --head, that nothing before it was changed.",
        highlight=False,
        soft_wrap=True,
    )
