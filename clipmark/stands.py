"""Stands used: the camera compared with the stand's reference picture, its marks carried over."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from clipmark.clip import Clip, open_clip
from clipmark.errors import FitError, RecordError
from clipmark.marks import Line, Sheet
from clipmark.marks_file import LEVEL_U_DEG
from clipmark.measure.camera_moved import CameraMove, compare_clips
from clipmark.measure.lens_file import LensSource
from clipmark.measure.marked_line import (
    MarkedLine,
    PlacedLine,
    line_from_marks,
    line_from_picture,
)
from clipmark.measure.stabiliser import Steadiness, steadiness
from clipmark.measure.view import Picture, ViewOptions, bend, camera_of, straighten
from clipmark.record import lens_files
from clipmark.record.draft import Marks
from clipmark.record.draft_marks import OF_A_STAND, marks_of_stand
from clipmark.record.folder import EventFolder
from clipmark.record.markings import LineMark, MarkType, mark_of
from clipmark.record.models import ClipRef, JournalLine, RecordRef, Stand
from clipmark.record.texts import as_model

_seen_steady: dict[tuple[str, float], Steadiness] = {}
MOST_REMEMBERED = 64
WITHOUT_STAND = (
    "For this clip leave the stand out and mark what is needed in its own picture: a level or "
    "plumb line (--level, --plumb), a sheet (--sheet) or a scale mark (--scale)."
)


@dataclass(frozen=True, eq=False)
class StandCheck:
    """A clip compared with a stand.

    Attributes
    ----------
    move : CameraMove
        Of the frame against the reference picture.
    camera : Steadiness
        Of the clip in itself.
    marks : dict
        The stand's marks for this clip, in the form of a marks file; empty where none hold.
    done : str
        What was done with them, in words.
    """

    move: CameraMove
    camera: Steadiness
    marks: dict[str, Any]
    done: str

    @property
    def holds(self) -> bool:
        """Whether the stand's marks hold for the frame."""
        return bool(self.marks)

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {**self.move.to_dict(), "done": self.done, **self.camera.to_dict()}


@dataclass(frozen=True, eq=False)
class StandUse:
    """A stand's references in one frame of an attempt's clip, ready for measuring.

    Attributes
    ----------
    ref : RecordRef
        Which revision of the stand.
    check : StandCheck
    level, plumb : PlacedLine or None
        Fitted in the reference picture and carried over, since a plumb line may be gone by now.
    sheet, scale, scale_mm
        Carried over.
    lens : Path or None
    view_angle_deg, square_within_deg, level_u_deg : float or None
        As the stand says; None where it says nothing. What carrying over adds is in the lines.
    """

    ref: RecordRef
    check: StandCheck
    level: PlacedLine | None
    plumb: PlacedLine | None
    sheet: Sheet | None
    scale: Line | None
    scale_mm: float | None
    lens: Path | None
    view_angle_deg: float | None
    square_within_deg: float | None
    level_u_deg: float | None

    def to_dict(self) -> dict[str, object]:
        """What a reading says of its stand."""
        return {"id": self.ref.id, "revision": self.ref.revision, **self.check.to_dict()}


def find_stand(event: EventFolder, name: str) -> tuple[RecordRef, Stand]:
    """A stand by its id, or by its name; raises `RecordError` when there is none."""
    event.journal.refresh()
    there = {
        id: as_model(Stand, entry.body, f"the stand {id}")
        for (kind, id), entry in event.journal.chain.newest.items()
        if kind == "stand"
    }
    named = [id for id, stand in there.items() if stand.name == name]
    id = name if name in there else named[0] if len(named) == 1 else None
    if id is None:
        known = f"those there are: {', '.join(sorted(there))}" if there else "none is there yet"
        raise RecordError(
            f"there is no stand '{name}' in {event.path.name} ({known}); mark one on a clip and "
            "keep it (--save-stand NAME), or name one that is there"
        )
    entry = event.journal.newest("stand", id)
    assert entry is not None
    return RecordRef(id=id, revision=entry.revision), there[id]


def reference_of(stand: Stand, id: str) -> tuple[ClipRef, int]:
    """Clip and frame of a stand's reference picture; raises `RecordError` when it names none."""
    if stand.reference_clip is None or stand.reference_frame is None:
        raise RecordError(
            f"the stand {id} names no reference picture; mark it on a clip and save it again"
        )
    return stand.reference_clip, stand.reference_frame


def check_stand(
    stand: Stand,
    reference: Clip,
    clip: Clip,
    frame: int,
    *,
    lens: LensSource | None = None,
) -> StandCheck:
    """Compare a clip with a stand, and carry its marks over where they hold.

    Parameters
    ----------
    stand : Stand
        With a reference frame.
    reference : Clip
        The clip it was marked on.
    clip, frame : Clip, int
        The attempt's clip, and the frame to be measured.
    lens : path or lens, optional
        The stand's lens, to say which yaw or pitch would have been seen.

    Raises
    ------
    FrameError, LensError
    """
    assert stand.reference_frame is not None
    camera = _steadiness_of(clip)
    move = compare_clips(
        reference, stand.reference_frame, clip, frame, focal_px=_focal_px(stand, clip, lens)
    )
    if camera.state in ("hand-held", "stabilised"):
        return StandCheck(move, camera, {}, f"{camera.sentence} Nothing was carried over.")
    marks, done = carried(stand, move, frame)
    if camera.state == "bumped" and marks:
        done = f"{done} {camera.sentence}"
    return StandCheck(move, camera, marks, done)


def use_stand(event: EventFolder, name: str, clip: Clip, frame: int) -> StandUse:
    """A stand's references for one frame of a clip, or a refusal.

    Parameters
    ----------
    event : EventFolder
    name : str
        Id or name of the stand.
    clip, frame : Clip, int
        What is to be measured.

    Raises
    ------
    RecordError
        When there is no such stand, or its marks do not hold for this clip; the sentence says why.
    FolderError, FrameError, LensError
    """
    ref, stand = find_stand(event, name)
    found = reference_of(stand, ref.id)[0]
    lens = event.path / stand.lens.path if stand.lens else None
    if lens is not None and not lens.is_file():
        raise RecordError(f"the lens file {lens.name} of the stand {ref.id} is gone; put it back")
    with open_clip(event.find_clip(found)) as reference:
        used = carry_over(ref, stand, reference, clip, frame, lens)
    return replace(used, lens=lens)


def carry_over(
    ref: RecordRef, stand: Stand, reference: Clip, clip: Clip, frame: int, lens: LensSource | None
) -> StandUse:
    """The references of one revision of a stand, from its open reference clip and its lens.

    Raises `RecordError` where its marks do not hold for this clip, else as `use_stand` does.
    """
    check = check_stand(stand, reference, clip, frame, lens=lens)
    if not check.holds:
        own = check.done.startswith(check.camera.sentence)
        why = check.camera.sentence if own else check.move.sentence
        raise RecordError(
            f"the stand {ref.id} cannot be used for {clip.path.name}: {why} {WITHOUT_STAND}"
        )
    given = marks_of_stand(stand)
    placed = {
        kind: _placed(reference, stand, kind, lens, check.move)
        for kind in ("level", "plumb")
        if getattr(given, kind) is not None
    }
    now = as_model(Marks, check.marks, "the marks of the stand")
    return StandUse(
        ref=ref,
        check=check,
        level=placed.get("level"),
        plumb=placed.get("plumb"),
        sheet=None
        if now.sheet is None or now.sheet_size is None
        else Sheet.from_values(now.sheet, now.sheet_size, now.sheet_u_mm or 0.5),
        scale=None if now.scale is None else Line(*now.scale),
        scale_mm=now.scale_mm,
        lens=None,
        view_angle_deg=now.view_angle,
        square_within_deg=now.square_within,
        level_u_deg=given.level_u,
    )


def carried(stand: Stand, move: CameraMove, frame: int) -> tuple[dict[str, Any], str]:
    """The stand's marks for an attempt filmed from it, and a sentence of what was done.

    Nothing is carried over when it cannot be told how the camera stood.
    """
    marks = marks_of_stand(stand)
    if move.state == "cannot tell":
        return (
            {},
            "Nothing was carried over; mark the level, and what else is needed, on this clip.",
        )
    given = marks.given()
    kept: dict[str, Any] = {
        name: given[name]
        for name in (*OF_A_STAND, "sheet_size", "sheet_u_mm", "scale_mm", "lens", "view_angle",
                     "square_within")
        if name in given
    }  # fmt: skip
    kept["frame"] = frame
    own = LEVEL_U_DEG if marks.level_u is None else marks.level_u
    lines = [Line(*line) for line in (marks.level, marks.plumb) if line is not None]
    if lines:
        kept["level_u"] = max(move.level_u_deg(own, line) for line in lines)
    if move.state == "same":
        return kept, "The stand's marks were taken as they are."
    for name in ("level", "plumb", "scale"):
        if name in kept:
            x1, y1, x2, y2 = kept[name]
            kept[name] = list(move.carried_line(Line(x1, y1, x2, y2)).as_tuple())
    if marks.sheet is not None and marks.sheet_size is not None:
        sheet = move.carried_sheet(Sheet.from_values(marks.sheet, marks.sheet_size))
        kept["sheet"] = [value for point in sheet.corners for value in (point.x, point.y)]
    told = (
        f"The stand's marks were shifted by {move.distance_px:.1f} px and turned by "
        f"{move.roll_deg:+.3f} deg with the picture"
    )
    if "level_u" in kept and f"{own:.3f}" != f"{kept['level_u']:.3f}":
        told += (
            f"; the level's standard uncertainty went from {own:.3f} to {kept['level_u']:.3f} deg"
        )
    return kept, told + ". Look whether they still lie where they belong."


def save_stand(
    event: EventFolder,
    name: str,
    clip: Clip,
    clip_ref: ClipRef,
    frame: int,
    marks: Sequence[tuple[Line | Sheet, str]],
    by: str,
    *,
    said: Mapping[str, object],
    lens: Path | None = None,
    scale_mm: float | None = None,
    edge_fit: bool = True,
) -> JournalLine:
    """Keep marks of a frame as a stand, or as the next revision of the stand of that name.

    Parameters
    ----------
    event : EventFolder
    name : str
        Name of the stand; its id is made from it.
    clip, clip_ref, frame : Clip, ClipRef, int
        The clip it is marked on, how the record names it, and the frame.
    marks : sequence of (mark, role)
        Roles "level", "plumb", "sheet" and "scale" are kept.
    by : str
    said : mapping
        ``level_u_deg``, ``square_within_deg``, ``view_angle_deg``, as far as they were said.
    lens : Path, optional
        Copied into ``lenses/``.
    scale_mm, edge_fit
        Length of the scale mark; whether lines are moved onto edges.

    Raises
    ------
    RecordError, FrameError, FolderError
    """
    id = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-.") or "stand"
    recorded: list[MarkType] = []
    for mark, role in marks:
        if role not in OF_A_STAND:
            continue
        kept = mark_of(mark, role, frame)
        if isinstance(kept, LineMark):
            more: dict[str, object] = {"edge_fit": edge_fit}
            more |= {"length_mm": scale_mm} if role == "scale" else {}
            more |= {"u_deg": said.get("level_u_deg")} if role in ("level", "plumb") else {}
            kept = kept.model_copy(update=more)
        recorded.append(kept)
    if not recorded and lens is None:
        raise RecordError(
            f"the stand {name} would hold nothing; give a level or plumb line (--level, --plumb), "
            "a sheet, a scale or a lens with it"
        )
    event.journal.refresh()
    before = event.journal.newest("stand", id)
    fields = {
        "name": name,
        "lens": lens_files.take_in(event.path, lens) if lens else None,
        "reference_clip": clip_ref,
        "reference_frame": frame,
        "reference_fingerprint": clip.frame(frame).fingerprint,
        "marks": tuple(recorded),
        **said,
    }
    return event.save_stand(
        as_model(Stand, fields, "the stand"),
        by=by,
        id=id,
        base_revision=before.revision if before else None,
    )


def _steadiness_of(clip: Clip) -> Steadiness:
    """Of a clip, remembered by its content."""
    key = (clip.sha256, float(clip.time_scale))
    if key not in _seen_steady:
        while len(_seen_steady) >= MOST_REMEMBERED:
            _seen_steady.pop(next(iter(_seen_steady)))
        _seen_steady[key] = steadiness(clip)
    return _seen_steady[key]


def _picture(clip: Clip, frame: int) -> Picture:
    levels = (float(clip.black_level), float(clip.white_level))
    return Picture(clip.frame(frame).luma, levels, float(clip.pixel_aspect))


def _options(stand: Stand, lens: LensSource | None) -> ViewOptions:
    angle = None if lens is not None else stand.view_angle_deg
    return ViewOptions.declared(lens, angle, 5.0, ())


def _focal_px(stand: Stand, clip: Clip, lens: LensSource | None) -> float | None:
    """Focal length, px, where a lens file or a view angle tells it."""
    if lens is None and stand.view_angle_deg is None:
        return None
    return float(camera_of(_picture(clip, 0), _options(stand, lens)).centre[0])


def _placed(
    reference: Clip, stand: Stand, kind: str, lens: LensSource | None, move: CameraMove
) -> PlacedLine:
    """A level or plumb line fitted in the reference picture, and carried over."""
    mark = next(m for m in stand.marks if isinstance(m, LineMark) and m.role == kind)
    line, what = mark.to_mark(), f"the stand's {kind} line"
    fitted: MarkedLine = line_from_marks(line, what)
    frame = reference_of(stand, stand.name)[1]
    if mark.edge_fit:
        picture = _picture(reference, frame)
        camera = camera_of(picture, _options(stand, lens)).centre
        try:
            fitted = line_from_picture(
                picture.luma,
                line,
                what,
                picture.levels,
                lambda points: straighten(picture, camera, points),
                lambda points: bend(picture, camera, points),
            )
        except FitError as error:
            raise FitError(f"{error} (in the reference picture, frame {frame})") from error
    points = fitted.points_px if move.state == "same" else move.carried(fitted.points_px)
    ends = Line(*(float(value) for value in (*points[0], *points[-1])))
    added_deg = move.level_u_deg(0.0, line)
    return PlacedLine(
        *ends.as_tuple(),
        points_px=tuple((float(x), float(y)) for x, y in points),
        half_length_px=fitted.half_length_px,
        u_offset_px=math.hypot(fitted.u_offset_px, move.u_shift_px),
        u_angle_rad=math.hypot(fitted.u_angle_rad, np.radians(added_deg)),
        dof=fitted.dof,
    )
