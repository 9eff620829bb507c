"""Stands between the page and the journal: marks in the marks-file form on the one side."""

from __future__ import annotations

from typing import Any

from clipmark.page.bodies import StandBody
from clipmark.page.desk import Desk
from clipmark.record.clips import reference
from clipmark.record.draft_marks import marks_of_stand, recorded
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
