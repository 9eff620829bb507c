"""``--stand`` and ``--save-stand``: references marked once, used for every attempt filmed so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from clipmark.cli.options import VIEW
from clipmark.cli.saving import Saving
from clipmark.cli.show import aside, warn
from clipmark.clip import Clip
from clipmark.errors import RecordError
from clipmark.marks import Line, Sheet
from clipmark.record.folder import EventFolder
from clipmark.stands import StandUse, save_stand, use_stand
from clipmark.workbench import clip_ref

StandName = Annotated[
    str | None,
    typer.Option(
        "--stand",
        metavar="NAME",
        help="Take level, sheet, scale, lens and view from this stand of the event folder (--into) "
        "wherever they are not given here; the camera is checked first.",
        rich_help_panel=VIEW,
    ),
]
SaveStand = Annotated[
    str | None,
    typer.Option(
        "--save-stand",
        metavar="NAME",
        help="Keep the references given here as this stand of the event folder (--into).",
        rich_help_panel=VIEW,
    ),
]


def check_options(stand: str | None, keep: str | None, saving: Saving) -> None:
    """Refuse a stand without an event folder, before anything is measured."""
    if (stand is not None or keep is not None) and saving.into is None:
        option = "--stand" if stand is not None else "--save-stand"
        raise RecordError(f"{option} names a stand, but not of which event; add --into FOLDER")
    if stand is not None and keep is not None:
        raise RecordError(
            f"the references of the stand '{stand}' cannot be kept as another one, since they were "
            "not marked on this clip; leave --save-stand out, or mark them here and leave --stand "
            "out"
        )


def stand_for(stand: str | None, saving: Saving, clip: Clip, frame: int) -> StandUse | None:
    """The references of the stand for this frame, None without ``--stand``.

    Raises
    ------
    RecordError
        When its marks do not hold for this clip.
    """
    if stand is None or saving.into is None:
        return None
    with EventFolder.open(saving.into) as event:
        return use_stand(event, stand, clip, frame)


def given_or(context: typer.Context, parameter: str, given: float, of_stand: float | None) -> float:
    """What was typed on the command line, else what the stand says, else the usual."""
    source = context.get_parameter_source(parameter)
    typed = source is not None and source.name == "COMMANDLINE"
    return given if typed or of_stand is None else of_stand


def keep_stand(
    name: str | None,
    saving: Saving,
    path: Path,
    clip: Clip,
    frame: int,
    marks: Sequence[tuple[Line | Sheet, str]],
    *,
    said: Mapping[str, object],
    lens: Path | None,
    scale_mm: float | None = None,
    edge_fit: bool = True,
) -> dict[str, object]:
    """Keep the references as a stand if asked; what to add to the result."""
    if name is None or saving.into is None:
        return {}
    with EventFolder.open(saving.into) as event:
        line = save_stand(
            event, name, clip, clip_ref(event, path), frame, marks, saving.by or "",
            said=said, lens=lens, scale_mm=scale_mm, edge_fit=edge_fit,
        )  # fmt: skip
    return {"saved_stand": {"id": line.id, "revision": line.revision, "seq": line.seq}}


def tell_stand(used: StandUse | None, result: Mapping[str, object]) -> None:
    """Say what was found of the camera and done with the stand's marks."""
    if used is not None:
        told = [used.check.move.sentence, used.check.done]
        if used.check.camera.sentence not in used.check.done:
            told.append(used.check.camera.sentence)
        warn(told)
    kept = result.get("saved_stand")
    if isinstance(kept, Mapping):
        aside.print(f"kept as stand [bold]{kept['id']}[/bold], revision {kept['revision']}")
