"""``clipmark audit replay``: results repeated from the journal and the clips."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.another_clip import OtherClip, measure_another_clip
from clipmark.audit.replay import AttemptReplay, replay_attempt, replay_event
from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, progress_bar, screen, warn
from clipmark.errors import AuditError, FolderError
from clipmark.record.clips import clip_sha256
from clipmark.record.folder import EventFolder, SavedAttempt


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")] = Path(),
    attempts: Annotated[
        list[str] | None,
        typer.Argument(metavar="[ATTEMPT]...", help="Which attempts; all of them when left out."),
    ] = None,
    all_revisions: Annotated[
        bool, typer.Option("--all-revisions", help="Every revision, not only the newest.")
    ] = False,
    clip: Annotated[
        Path | None,
        typer.Option(
            "--clip",
            metavar="FILE",
            help="Take this file for the clip of one attempt, when it lies elsewhere; one with "
            "another content is refused.",
        ),
    ] = None,
    as_another: Annotated[
        bool,
        typer.Option(
            "--as-another-clip",
            help="Measure that file as another clip (a copy coded again) and compare; nothing is "
            "saved.",
        ),
    ] = False,
    recorded_size: Annotated[
        str | None,
        typer.Option(
            "--recorded-size",
            metavar="WxH",
            help="Size of the recorded picture, px, where the recorded clip is gone.",
        ),
    ] = None,
    as_json: opt.Json = False,
) -> None:
    """Measure once more from the recorded marks and clips, and say what comes back.

    Nothing is saved. What is found is told, and the exit status is 0 whatever it is; scripts read
    "agrees" (--json).

    Example: clipmark audit replay tarn-hollow a0003

    Example: clipmark audit replay tarn-hollow a0003 --clip from-phone.mp4 --as-another-clip
    """
    if (as_another or recorded_size is not None) and clip is None:
        raise AuditError(
            "another clip was announced, but not which; name its file (--clip), or leave "
            "--as-another-clip and --recorded-size out"
        )
    event = EventFolder.open(folder)  # never closed: nothing is saved, so nothing has to follow
    with progress_bar("measuring", quiet=as_json) as bar:
        task = bar.add_task("measuring", total=None)

        def tell(id: str, done: int, total: int) -> None:
            bar.update(task, description=f"measuring {id}", completed=done, total=total)

        if clip is not None:
            if len(attempts or []) != 1 or all_revisions:
                raise AuditError(
                    "a clip (--clip) belongs to one attempt in its newest revision; name that "
                    "attempt alone"
                )
            saved = event.attempt((attempts or [])[0])
            _one_clip(event, saved, clip, as_another, recorded_size, as_json, tell)
            return
        found = []
        for item in replay_event(event, attempts or [], all_revisions=all_revisions, progress=tell):
            found.append(item)
            if not as_json:
                bar.stop()
                _print(item)
                bar.start()
        faults = [str(fault) for fault in event.journal.faults]
        findings = list(event.findings)
    if as_json:
        emit_json(
            {
                "folder": str(event.path),
                "event": event.name,
                "agrees": all(item.agrees for item in found),
                "findings": findings,
                "journal_faults": faults,
                "attempts": [item.to_dict() for item in found],
            }
        )
        return
    _print_all(found)
    warn(findings)


def _one_clip(
    event: EventFolder,
    saved: SavedAttempt,
    clip: Path,
    as_another: bool,
    recorded_size: str | None,
    as_json: bool,
    tell: Callable[[str, int, int], None],
) -> None:
    """One attempt on a file that is named."""
    wanted = saved.attempt.clip
    if wanted is None:
        raise AuditError(f"attempt {saved.id} has no clip, so that {clip.name} cannot be it")

    def progress(done: int, total: int) -> None:
        tell(saved.id, done, total)

    found = clip_sha256(clip, fresh=True)
    if found == wanted.sha256:
        replay = replay_attempt(event, saved, progress=progress, clip_path=clip)
        if as_json:
            emit_json(
                {
                    "folder": str(event.path),
                    "event": event.name,
                    "clip": str(clip),
                    "is_the_recorded_clip": True,
                    "agrees": replay.agrees,
                    "attempts": [replay.to_dict()],
                }
            )
        else:
            screen.print(f"{clip.name} is the recorded clip, byte for byte.", highlight=False)
            _print(replay)
        return
    if not as_another:
        raise AuditError(
            f"{clip} is not the clip of attempt {saved.id}: its content is another (SHA-256 "
            f"{found[:16]}..., recorded {wanted.sha256[:16]}...), as when a messenger or an editor "
            "has coded it again; find the original, or have this one measured as another clip "
            "(--as-another-clip)"
        )
    try:
        recorded: Path | None = event.find_clip(wanted, fresh=True)
    except FolderError:
        recorded = None
    other = measure_another_clip(
        saved.attempt,
        clip,
        recorded=recorded,
        recorded_size=None if recorded_size is None else _size(recorded_size),
        progress=progress,
    )
    if as_json:
        emit_json(
            {
                "folder": str(event.path),
                "event": event.name,
                "attempt": saved.id,
                "revision": saved.revision,
                **other.to_dict(),
            }
        )
    else:
        _print_other(other)


def _size(text: str) -> tuple[int, int]:
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(part.isdecimal() and int(part) > 0 for part in parts):
        raise AuditError(
            f"the size '{text}' (--recorded-size) cannot be read; write width and height in px, "
            "as 1920x1080"
        )
    return int(parts[0]), int(parts[1])


def _print(item: AttemptReplay) -> None:
    screen.print(
        f"{item.id}, revision {item.revision}: {item.entry}, {item.test}",
        highlight=False,
        markup=False,
        style="bold",
    )
    for sentence in (*(text for full in item.readings for text in full.sentences), *item.notes):
        screen.print(f"  {sentence}", highlight=False, markup=False, soft_wrap=True)


def _print_all(found: list[AttemptReplay]) -> None:
    """How many came back."""
    readings = [full for item in found for full in item.readings]
    if not readings:
        screen.print("There is no reading to repeat.")
        return
    agreeing = sum(full.agrees for full in readings)
    what = "reading" if len(readings) == 1 else "readings"
    screen.print(
        f"{agreeing} of {len(readings)} {what} came back as saved.", highlight=False, style="bold"
    )


def _print_other(other: OtherClip) -> None:
    screen.print(other.sentence, highlight=False, markup=False, soft_wrap=True)
    for item in other.readings:
        screen.print(f"  {item.sentence}", highlight=False, markup=False, soft_wrap=True)
