"""``clipmark report``: what is handed out of an event, as one page and files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, progress_bar, screen, warn
from clipmark.errors import MarkError, RecordError
from clipmark.record.folder import EventFolder
from clipmark.record.hidden_areas import HiddenArea, keep_areas, kept_areas

PRIVACY = "What is left out or hidden"


def run(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="The event folder.")] = Path(),
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where to; report/ of the event folder if not."),
    ] = None,
    clips: Annotated[
        bool,
        typer.Option("--clips", help="Annotated clips too: lines, values, speed on every frame."),
    ] = False,
    attempt: Annotated[
        list[str] | None,
        typer.Option("--attempt", metavar="ID", help="Show this attempt only; repeat for more."),
    ] = None,
    side_by_side: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--side-by-side",
            metavar="ID ID",
            help="A clip of two attempts beside each other, both from their start.",
        ),
    ] = None,
    blur: Annotated[
        list[str] | None,
        typer.Option(
            "--blur",
            metavar="[ID:]x,y,w,h[@FIRST:LAST]",
            help="Make an area unrecognisable in stills and clips, px of the upright picture; with "
            "ID: in the clip of that attempt. Repeat for more.",
            rich_help_panel=PRIVACY,
        ),
    ] = None,
    keep_blur: Annotated[
        bool,
        typer.Option(
            "--keep-blur",
            help="Keep the areas in the event folder: they are hidden in every report to come.",
            rich_help_panel=PRIVACY,
        ),
    ] = False,
    forget_blur: Annotated[
        bool,
        typer.Option(
            "--forget-blur",
            help="First forget the areas that were kept for the clips of the attempts shown.",
            rich_help_panel=PRIVACY,
        ),
    ] = False,
    with_location: Annotated[
        bool,
        typer.Option(
            "--with-location",
            help="Leave in where clips say that they were filmed.",
            rich_help_panel=PRIVACY,
        ),
    ] = False,
    with_sound: Annotated[
        bool,
        typer.Option(
            "--with-sound", help="Leave the sound in annotated clips.", rich_help_panel=PRIVACY
        ),
    ] = False,
    measure_again: Annotated[
        bool,
        typer.Option(
            "--measure-again",
            help="Repeat readings whose trace is not kept any more, so that they have charts.",
        ),
    ] = False,
    as_json: opt.Json = False,
) -> None:
    """Write standings, score cards, charts, stills and clips of an event; the page opens offline.

    Example: clipmark report tarn-hollow --clips --blur a0003:40,60,120,90 --keep-blur
    """
    # Drawing loads slowly: only when something is drawn.
    from clipmark.report.make import Wanted
    from clipmark.reporting import report_of_event

    chosen = list(attempt or [])
    if side_by_side is not None and side_by_side[0] == side_by_side[1]:
        raise RecordError(
            f"{side_by_side[0]} cannot be shown beside itself; name two attempts (--side-by-side)"
        )
    hidden = _areas(folder, chosen, list(side_by_side or ()), blur or [], forget_blur)
    if keep_blur:
        if not hidden:
            raise MarkError("there is no area to keep (--keep-blur); give one (--blur)")
        for clip, areas in hidden.items():
            keep_areas(folder, clip, [*kept_areas(folder).get(clip, ()), *areas])
    wanted = Wanted(clips, side_by_side, hidden, with_location, with_sound)
    with progress_bar("report", quiet=as_json) as bar:
        task = bar.add_task("report", total=None)
        paths = report_of_event(
            folder,
            out=out,
            attempts=chosen,
            wanted=wanted,
            measure_again=measure_again,
            step=lambda what, done, total: bar.update(
                task, description=what, completed=done, total=total
            ),
        )
    if as_json:
        emit_json(
            {
                "folder": str(paths.folder),
                "page": str(paths.page),
                "files": [path.relative_to(paths.folder).as_posix() for path in paths.files],
                "left_out": {key: list(told) for key, told in paths.left_out.items()},
                "notes": list(paths.notes),
            }
        )
        return
    screen.print(f"report: {paths.page}", soft_wrap=True, highlight=False, markup=False)
    kinds = {
        name: [path for path in paths.files if path.parent.name == name]
        for name in ("cards", "charts", "stills", "clips")
    }
    for name, files in kinds.items():
        if files:
            screen.print(
                f"{name}: {len(files)} in {paths.folder / name}",
                soft_wrap=True, highlight=False, markup=False,
            )  # fmt: skip
    warn([f"{key}: {sentence}" for key, told in paths.left_out.items() for sentence in told])
    warn(paths.notes)


def _areas(
    folder: Path, chosen: Sequence[str], pair: Sequence[str], blur: Sequence[str], forget: bool
) -> Mapping[str, Sequence[HiddenArea]]:
    """Areas by content hash of the clip that they lie in."""
    if not blur and not forget:
        return {}
    with EventFolder.open(folder) as event:
        clips = {
            saved.id: saved.attempt.clip.sha256
            for saved in event.attempts()
            if saved.attempt.clip is not None
        }
    shown = {each: clips[each] for each in [*chosen, *pair] if each in clips} or clips
    if forget:
        for clip in set((shown if chosen or pair else clips).values()):
            keep_areas(folder, clip, [])
    found: dict[str, list[HiddenArea]] = {}
    for text in blur:
        owner, _, rest = text.partition(":") if _names_attempt(text) else ("", "", text)
        area = HiddenArea.parse(rest)
        found.setdefault(_clip_of(owner, text, clips, shown), []).append(area)
    return found


def _names_attempt(text: str) -> bool:
    """Whether ``ID:`` stands before the area; the colon of a span comes after the @ sign."""
    return ":" in text.split("@", 1)[0]


def _clip_of(owner: str, text: str, clips: Mapping[str, str], shown: Mapping[str, str]) -> str:
    if owner:
        if owner not in clips:
            raise MarkError(
                f"the area to hide (--blur) '{text[:60]}' names attempt {owner}, which is not "
                "there or has no clip; check the id"
            )
        return clips[owner]
    found = set(shown.values())
    if len(found) != 1:
        raise MarkError(
            f"it is not clear in which clip '{text[:60]}' lies; name an attempt before it, as in "
            "a0003:x,y,w,h (--blur), or show one attempt only (--attempt)"
        )
    return found.pop()
