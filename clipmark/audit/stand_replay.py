"""Carrying a stand's references over once more, from the stand's own reference clip."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from numpy.linalg import LinAlgError
from pydantic import JsonValue

from clipmark.audit.compare import ROUNDING, Sameness
from clipmark.audit.repeat import true_fps_of
from clipmark.clip import open_clip
from clipmark.errors import ClipmarkError, FolderError, RecordError
from clipmark.measure.lens_file import LensSource
from clipmark.measure.marked_line import PlacedLine
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Entry
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, LensRecord, RecordRef, Stand
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model
from clipmark.stands import StandUse, carry_over, reference_of


@dataclass(frozen=True)
class StandReplay:
    """The references of a stand, carried over again.

    Attributes
    ----------
    id, revision
        Which stand.
    sameness : {'equal', 'within rounding', 'changed'} or None
        Of the lines and sheets carried over now and those in the reading; None where they could
        not be carried over.
    largest_px : float or None
        Farthest that an end of a line or a corner lies from where it lay.
    sentence : str
    """

    id: str
    revision: int
    sameness: Sameness | None
    largest_px: float | None
    sentence: str


def replay_stand(
    event: EventFolder, attempt: Attempt, reading: Reading, clip_path: Path
) -> StandReplay | None:
    """Carry the stand's marks over to the reading's frame again; None where no stand was used."""
    told = reading.result.get("stand")
    if not isinstance(told, dict) or reading.frame is None:
        return None
    try:
        ref = as_model(
            RecordRef, {name: told.get(name) for name in ("id", "revision")}, "the stand's name"
        )
    except RecordError as error:
        return StandReplay("", 0, None, None, f"The stand cannot be carried over again: {error}.")
    try:
        used = _carried(event, ref, attempt, reading, clip_path)
    except FolderError as error:
        return StandReplay(
            ref.id,
            ref.revision,
            None,
            None,
            f"The stand {ref.id} cannot be carried over again, since its reference clip is not "
            f"there as recorded ({error}). The reading was repeated from the lines it stored.",
        )
    except (ClipmarkError, LinAlgError, ArithmeticError) as error:
        return StandReplay(
            ref.id,
            ref.revision,
            None,
            None,
            f"The stand {ref.id} cannot be carried over again: {str(error).rstrip('.')}. The "
            "reading was repeated from the lines it stored.",
        )
    pairs = _pairs(reading, used)
    if not pairs:
        return StandReplay(
            ref.id,
            ref.revision,
            None,
            None,
            f"The reading uses no line or sheet of the stand {ref.id}.",
        )
    exact = all(a == b for one, other in pairs for a, b in zip(one, other, strict=True))
    off = max(abs(a - b) for one, other in pairs for a, b in zip(one, other, strict=True))
    close = all(
        math.isclose(a, b, rel_tol=ROUNDING, abs_tol=ROUNDING)
        for one, other in pairs
        for a, b in zip(one, other, strict=True)
    )
    sameness: Sameness = "equal" if exact else "within rounding" if close else "changed"
    words = {
        "equal": "to the last digit as in the reading",
        "within rounding": "as in the reading, within rounding",
        "changed": f"up to {off:.2g} px away from where the reading has it",
    }[sameness]
    sentence = (
        f"The stand {ref.id}, revision {ref.revision}, was carried over again from its reference "
        f"clip: {words}."
    )
    return StandReplay(ref.id, ref.revision, sameness, off, sentence)


def _carried(
    event: EventFolder, ref: RecordRef, attempt: Attempt, reading: Reading, clip_path: Path
) -> StandUse:
    entries = event.journal.entries
    stand = as_model(
        Stand, _held(entries, "stand", ref).body, f"the stand {ref.id}, revision {ref.revision}"
    )
    found, _ = reference_of(stand, ref.id)
    lens = _lens_of(stand, entries)
    assert reading.frame is not None
    with (
        open_clip(event.find_clip(found, fresh=True)) as reference,
        open_clip(clip_path, true_fps=true_fps_of(attempt, reading)) as clip,
    ):
        return carry_over(ref, stand, reference, clip, reading.frame, lens)


def _held(entries: Sequence[Entry], kind: str, ref: RecordRef) -> Entry:
    for entry in entries:
        if (entry.kind, entry.id, entry.revision) == (kind, ref.id, ref.revision):
            return entry
    raise RecordError(f"the journal holds no {kind} {ref.id}, revision {ref.revision}")


def _lens_of(stand: Stand, entries: Sequence[Entry]) -> LensSource | None:
    """The stand's lens as the journal kept it."""
    if stand.lens is None:
        return None
    for entry in reversed(entries):
        if entry.kind == "lens" and entry.body.get("sha256") == stand.lens.sha256:
            record = as_model(LensRecord, entry.body, f"lens {entry.id}")
            return cast("Mapping[str, object]", record.lens)
    raise RecordError(f"the journal holds no lens file {stand.lens.path} of that content")


def _pairs(reading: Reading, used: StandUse) -> list[tuple[list[float], list[float]]]:
    """Numbers in the reading and carried over now, of all that came from the stand."""
    pairs: list[tuple[list[float], list[float]]] = []
    lines = _table(reading.result.get("lines"))
    for kind, line in (("level", used.level), ("plumb", used.plumb)):
        described = lines.get(kind)
        for item in described if isinstance(described, list) else [described]:
            carried = _table(item).get("carried")
            if line is not None and isinstance(carried, list) and carried:
                pairs.append((_numbers(_table(carried[0])), _numbers_of(line)))
    settings = _table(reading.result.get("settings"))
    sheet = _table(settings.get("sheet")).get("corners")
    if used.sheet is not None and isinstance(sheet, list):
        old = [float(value) for pair in cast("list[list[float]]", sheet) for value in pair]
        new = [value for point in used.sheet.corners for value in (point.x, point.y)]
        pairs.append((old, new))
    scale = settings.get("scale")
    if used.scale is not None and isinstance(scale, list) and settings.get("scale_marked") is True:
        pairs.append((cast("list[float]", scale), list(used.scale.as_tuple())))
    return [(old, new) for old, new in pairs if len(old) == len(new)]


def _numbers(carried: JsonObject) -> list[float]:
    points = cast("list[list[float]]", carried.get("points_px") or [])
    flat = [float(value) for point in points for value in point]
    names = ("half_length_px", "u_offset_px", "u_angle_rad")
    return [*flat, *(float(cast(float, carried.get(name) or 0.0)) for name in names)]


def _numbers_of(line: PlacedLine) -> list[float]:
    flat = [value for point in line.points_px for value in point]
    return [*flat, line.half_length_px, line.u_offset_px, line.u_angle_rad]


def _table(value: JsonValue) -> JsonObject:
    return value if isinstance(value, dict) else {}
