"""Saving what a batch measured in its event folder: by one process, each reading once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from clipmark.cli.batch_call import CLIP
from clipmark.cli.batch_tasks import Ready
from clipmark.cli.crawl_show import draw_chart
from clipmark.cli.saving import PutOff, told_when_saved
from clipmark.evidence import as_measured
from clipmark.record.folder import EventFolder
from clipmark.record.readings import Reading


def save_put_off(
    item: PutOff, ready: Ready, result: Mapping[str, object], *, maybe_saved: bool
) -> dict[str, object]:
    """Save a reading that another process measured; the result as its verb would have printed it.

    Parameters
    ----------
    item : PutOff
    ready : Ready
        Its task: the process may have read copies of its files.
    result : mapping
        What the verb gave without saving.
    maybe_saved : bool
        A batch before this one may have ended between saving and saying so: look first.

    Raises
    ------
    RecordError, RevisionError, FolderError
        A sentence; nothing was saved then.
    """
    lens = item.declared.lens
    own = replace(
        item,
        clip=Path(ready.paths[CLIP]),
        saving=replace(item.saving, into=Path(ready.paths["into"])),
        declared=replace(item.declared, lens=Path(ready.paths["lens"]))
        if lens is not None and "lens" in ready.paths
        else item.declared,
    )
    saved = _there_already(own) if maybe_saved else None
    whole = {**result, **(own.save() if saved is None else saved)}
    if own.trace is not None and "chart" in ready.paths:  # once more: the grade is known now
        draw_chart(whole, own.trace, Path(ready.paths["chart"]), own.measure)
    return whole


def _there_already(item: PutOff) -> dict[str, object] | None:
    """What saving told, if exactly this reading stands in the event folder."""
    wanted = as_measured(Reading.from_measured(item.measure, item.result).result)
    details = item.saving.details
    with EventFolder.open(Path(str(item.saving.into))) as event:
        for saved in event.attempts():
            attempt, found = saved.attempt, saved.attempt.reading(item.measure)
            own = item.saving.attempt in (None, saved.id)
            same_try = all(
                told is None or told == there
                for told, there in (
                    (details.entry, attempt.entry),
                    (details.test, attempt.test),
                    (details.try_no, attempt.try_no),
                )
            )
            if own and same_try and found is not None and as_measured(found.result) == wanted:
                return told_when_saved(saved.line, item.measure)
    return None
