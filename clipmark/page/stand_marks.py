"""Stands between the page and the journal: marks in the marks-file form on the one side."""

from __future__ import annotations

from typing import Any

from clipmark.marks import Line, Sheet
from clipmark.marks_file import LEVEL_U_DEG
from clipmark.measure.camera_moved import CameraMove
from clipmark.page.bodies import StandBody
from clipmark.page.desk import Desk
from clipmark.record.clips import reference
from clipmark.record.draft_marks import OF_A_STAND, marks_of_stand, recorded
from clipmark.record.models import FileRef, Stand
from clipmark.record.texts import as_model


def stand_of(desk: Desk, body: StandBody) -> Stand:
    """The stand as the journal keeps it, with proof of its reference picture.

    Raises
    ------
    PageError, FrameError, RecordError
        When the clip or frame is not there, or a field is wrong.
    """
    marks = body.marks
    frame = body.frame if body.frame is not None else marks.frame
    fields: dict[str, Any] = {
        "name": body.name,
        "camera": body.camera,
        "note": body.note,
        "distance_mm": body.distance_mm,
        "level_u_deg": body.level_u_deg if body.level_u_deg is not None else marks.level_u,
        "square_within_deg": body.square_within_deg
        if body.square_within_deg is not None
        else marks.square_within,
        "view_angle_deg": body.view_angle_deg
        if body.view_angle_deg is not None
        else marks.view_angle,
        "lens": FileRef(path=f"lenses/{marks.lens}") if marks.lens else None,
        "marks": recorded(marks),
        "reference_frame": frame,
    }
    if body.clip is not None:
        path = desk.shelf.path(body.clip)
        fields["reference_clip"] = reference(desk.event_path, path, body.clip)
        if frame is not None:
            with desk.shelf.clip(body.clip) as clip:
                fields["reference_fingerprint"] = clip.frame(frame).fingerprint
    return as_model(Stand, fields, "the stand")


def page_body(stand: Stand) -> dict[str, Any]:
    """A stand as the page has it."""
    return StandBody(
        name=stand.name,
        camera=stand.camera,
        clip=stand.reference_clip.sha256 if stand.reference_clip else None,
        frame=stand.reference_frame,
        marks=marks_of_stand(stand),
        level_u_deg=stand.level_u_deg,
        square_within_deg=stand.square_within_deg,
        view_angle_deg=stand.view_angle_deg,
        distance_mm=stand.distance_mm,
        note=stand.note,
    ).model_dump(mode="json")


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
    if marks.level is not None or marks.plumb is not None:
        kept["level_u"] = move.level_u_deg(own)
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
