"""``clipmark audit bundle`` and ``audit key``: evidence handed over, and a key to sign it with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.bundle import BundleMade, make_bundle
from clipmark.audit.bundle_verify import BundleCheck, verify_bundle
from clipmark.audit.signature import new_key
from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, progress_bar, screen, warn
from clipmark.evidence import trace_path

REFUSED = 2  # exit status where a bundle is not confirmed, as for every refusal
_MARKS = {
    "confirmed": "confirmed  ",
    "repacked": "REPACKED   ",
    "failed": "FAILED     ",
    "not checked": "not checked",
}


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")],
    attempt: Annotated[str, typer.Argument(metavar="ATTEMPT", help="Its id, such as a0003.")],
    target: Annotated[
        Path, typer.Argument(metavar="OUT.zip", help="The bundle to write; it must not exist.")
    ],
    cut: Annotated[
        bool,
        typer.Option(
            "--cut",
            help="Take only the frames that the readings need, without coding anything anew; "
            "sound, place and notes of the camera stay behind.",
        ),
    ] = False,
    without_clip: Annotated[
        bool, typer.Option("--without-clip", help="Leave clip and frames out.")
    ] = False,
    sign: Annotated[
        Path | None,
        typer.Option("--sign", metavar="KEY.pem", help="Sign it; writes OUT.zip.sig beside it."),
    ] = None,
    by: Annotated[
        str, typer.Option("--by", metavar="NAME", help="Who hands it over; stands in the bundle.")
    ] = "",
    note: Annotated[
        str, typer.Option("--note", metavar="TEXT", help="A word to whoever gets it.")
    ] = "",
    as_json: opt.Json = False,
) -> None:
    """Pack everything that speaks for or against one attempt into one file, to hand over.

    Example: clipmark audit bundle tarn-hollow a0003 a0003.zip --cut --by Fell
    """
    with progress_bar("measuring", quiet=as_json) as bar:
        task = bar.add_task("measuring", total=None)
        made = make_bundle(
            folder,
            attempt,
            target,
            cut=cut,
            without_clip=without_clip,
            by=by,
            note=note,
            sign_with=sign,
            kept_trace=trace_path,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    if as_json:
        emit_json(made.to_dict())
        return
    _print_made(made)
    warn(made.warnings)


def _print_made(made: BundleMade) -> None:
    told = made.manifest
    _line(
        f"{made.path}: attempt {told.attempt.id}, revision {told.attempt.revision}, "
        f"{len(told.files)} files, {made.size / 1e6:.1f} MB"
    )
    if told.clip is None:
        _line("without a clip")
    elif told.clip.cut is None:
        _line(f"{told.clip.member}: the whole clip, as recorded")
    else:
        _line(
            f"{told.clip.member}: {told.clip.cut.frames} frames, {told.clip.cut.frames_before} "
            "before them left out; every frame that the readings need was compared"
        )
    for item in told.left_out:
        _line(f"not in the bundle: {item}")
    _line(f"SHA-256 of the bundle: {made.sha256}")
    _line(f"head of the journal: line {told.head.seq}, {told.head.sha256}")
    if made.signature is not None:
        _line(f"signature: {made.signature}")


def run_key(
    path: Annotated[Path, typer.Argument(metavar="KEY.pem", help="The private key to write.")],
    as_json: opt.Json = False,
) -> None:
    """Make a key pair to sign bundles with; the public key is written beside it.

    Keep KEY.pem to yourself. Give KEY.pub.pem to everybody, and publish its fingerprint.

    Example: clipmark audit key club.pem
    """
    public, fingerprint = new_key(path)
    if as_json:
        emit_json({"key": str(path), "public_key": str(public), "fingerprint": fingerprint})
        return
    _line(f"private key, for nobody else: {path}")
    _line(f"public key, for everybody: {public}")
    _line(f"fingerprint: {fingerprint}")


def check_bundle(
    path: Path, *, public_key: Path | None = None, head: str | None = None, as_json: bool = False
) -> None:
    """Check a bundle and print what was found; exit status 2 where it is not confirmed."""
    with progress_bar("repeating", quiet=as_json) as bar:
        task = bar.add_task("repeating", total=None)
        check = verify_bundle(
            path,
            public_key=public_key,
            head=head,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    if as_json:
        emit_json(check.to_dict())
    else:
        print_check(check)
    if not check.whole:
        raise typer.Exit(REFUSED)


def print_check(check: BundleCheck) -> None:
    """What was confirmed, what was not, and what no bundle can tell; then the outcome."""
    for stage in check.stages:
        _line(f"{_MARKS[stage.outcome]}  {stage.name}: {stage.sentence}")
    _line("")
    _line("What cannot be told from the bundle:")
    for item in check.cannot_tell:
        _line(f"- {item}")
    _line("")
    _line(check.sentence)


def _line(text: str) -> None:
    screen.print(text, highlight=False, markup=False, soft_wrap=True)
