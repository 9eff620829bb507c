"""Marks of a draft as an attempt or a stand keeps them, and back, without loss."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import get_args

from clipmark.errors import RecordError
from clipmark.record.draft import FourPx, Marks
from clipmark.record.markings import (
    LineMark,
    LineRole,
    MarkType,
    PatchMark,
    SheetMark,
    WheelMark,
)
from clipmark.record.models import Attempt, Declared, Span, Stand
from clipmark.record.texts import as_model

LINE_NAMES = (
    "ramp", "level", "plumb", "chassis", "hubs", "finish", "travel", "scale", "platform"
)  # fmt: skip
UPHILL_TYRE = "uphill tyre"
TERMS = (  # of a motion that is followed: they stand beside the marks under the same names
    "motion", "mode", "give_up_s", "gap_mm", "track_mm", "track_u_mm", "low_side", "join"
)  # fmt: skip
OF_A_STAND = ("level", "plumb", "sheet", "scale")
SHEET_U_MM = 0.5  # what a sheet's sides are taken to be good to where nothing is said
_ROLES = (*LINE_NAMES, "sheet", "body", "wheel", UPHILL_TYRE)
assert set(LINE_NAMES) <= set(get_args(LineRole))


def recorded(marks: Marks) -> tuple[MarkType, ...]:
    """The marks with role and frame, as the journal keeps them.

    Raises
    ------
    RecordError
        When a sheet has no size, since its corners alone say nothing.
    """
    frame = marks.frame
    found: list[MarkType] = []
    for name in LINE_NAMES:
        line: FourPx | None = getattr(marks, name)
        if line is not None:
            x1, y1, x2, y2 = line
            body = {
                "role": name,
                "frame": frame,
                "x1": x1,
                "y1": y1,
                "x2": x2,
                "y2": y2,
                "edge_fit": marks.edge_fit,
            }
            body |= {"length_mm": marks.scale_mm} if name == "scale" else {}
            body |= {"u_deg": marks.level_u} if name in ("level", "plumb") else {}
            found.append(as_model(LineMark, body, f"the {name} line"))
    if marks.sheet is not None:
        found.append(_sheet_mark(marks))
    if marks.patch is not None:
        x, y, w, h = marks.patch
        at = frame if marks.patch_frame is None else marks.patch_frame
        found.append(PatchMark(role="body", frame=at, x=x, y=y, w=w, h=h))
    for cx, cy, rx, ry, turn_deg in marks.wheels:
        found.append(
            WheelMark(
                frame=frame,
                cx=cx,
                cy=cy,
                rx=rx,
                ry=ry,
                turn_deg=turn_deg,
                diameter_mm=marks.wheel_mm,
            )
        )
    for x, y, w, h in marks.uphill_tyres:
        found.append(PatchMark(role=UPHILL_TYRE, frame=frame, x=x, y=y, w=w, h=h))
    return tuple(found)


def _sheet_mark(marks: Marks) -> SheetMark:
    if marks.sheet_size is None:
        raise RecordError(
            "the sheet is marked but its size is not given; give its sides in mm, such as 297x210, "
            "or take the sheet away"
        )
    assert marks.sheet is not None
    corners = [marks.sheet[at : at + 2] for at in range(0, 8, 2)]
    body = {
        "frame": marks.frame,
        "corners": corners,
        "width_mm": marks.sheet_size[0],
        "height_mm": marks.sheet_size[1],
    }
    body |= {} if marks.sheet_u_mm is None else {"side_u_mm": marks.sheet_u_mm}
    return as_model(SheetMark, body, "the sheet")


def declared(marks: Marks) -> Declared:
    """What the marks say beside the marks themselves."""
    no_level = marks.level is None and marks.plumb is None
    no_sheet = marks.sheet is None
    return Declared(
        frame=marks.frame,
        rim_px=marks.rim_px,
        facing=marks.facing,
        view_angle_deg=marks.view_angle,
        square_within_deg=marks.square_within,
        edge_fit=marks.edge_fit,
        true_fps=marks.true_fps,
        level_u_deg=marks.level_u if no_level else None,
        scale_mm=marks.scale_mm if marks.scale is None else None,
        sheet_size_mm=marks.sheet_size if no_sheet else None,
        sheet_u_mm=marks.sheet_u_mm if no_sheet else None,
        wheel_mm=None if marks.wheels else marks.wheel_mm,
        **{name: getattr(marks, name) for name in TERMS},
    )


def merged(
    old: Sequence[MarkType], old_marks: Marks | None, new_marks: Marks
) -> tuple[MarkType, ...]:
    """Marks of a new revision: roles that were not touched stay as they were recorded.

    So repeated marks, who set them, and roles that a draft does not show live on.
    """
    new = recorded(new_marks)
    if old_marks is None:
        return (*(mark for mark in old if mark.role not in _ROLES), *new)
    before = recorded(old_marks)
    touched = {
        role
        for role in _ROLES
        if [mark for mark in before if mark.role == role]
        != [mark for mark in new if mark.role == role]
    }
    kept = [mark for mark in old if mark.role not in touched]
    return (*kept, *(mark for mark in new if mark.role in touched))


def marks_of(attempt: Attempt) -> Marks:
    """The marks of a saved attempt as a draft shows them; of repeated marks the last."""
    said = attempt.declared or Declared()
    typed = {
        "level_u": said.level_u_deg,
        "scale_mm": said.scale_mm,
        "sheet_size": said.sheet_size_mm,
        "sheet_u_mm": said.sheet_u_mm,
        "wheel_mm": said.wheel_mm,
    }
    fields = typed | _fields(attempt.marks, said.frame)
    if attempt.declared is not None:
        fields["edge_fit"] = said.edge_fit
    fields |= {
        "rim_px": said.rim_px,
        "facing": said.facing,
        "view_angle": said.view_angle_deg,
        "square_within": said.square_within_deg,
        "true_fps": said.true_fps,
        "span": _span(attempt.span),
        "lens": _plain_lens(attempt.lens.path if attempt.lens else None),
    }
    fields |= _terms(attempt, said)
    return as_model(Marks, fields, "the marks of the attempt")


def _terms(attempt: Attempt, said: Declared) -> dict[str, object]:
    """On which terms it is measured; an older record says so in its readings only."""
    if "motion" in said.model_fields_set:
        return {name: getattr(said, name) for name in TERMS}
    found: dict[str, object] = {}
    for measure in ("climb", "tilt"):
        reading = attempt.reading(measure)
        told = None if reading is None else reading.result.get("settings")
        if isinstance(told, dict):
            found |= {name: told[name] for name in TERMS if name in told}
            found["motion"] = measure
    return found


def marks_of_stand(stand: Stand) -> Marks:
    """The marks of a stand in the same form."""
    fields = _fields(stand.marks, stand.reference_frame)
    fields |= {
        "view_angle": stand.view_angle_deg,
        "square_within": stand.square_within_deg,
        "lens": _plain_lens(stand.lens.path if stand.lens else None),
    }
    if stand.level_u_deg is not None:
        fields["level_u"] = stand.level_u_deg
    return as_model(Marks, fields, "the marks of the stand")


def _span(span: Span | None) -> list[int] | None:
    return None if span is None else [span.first_frame, span.last_frame]


def _plain_lens(path: str | None) -> str | None:
    return None if path is None else path.rsplit("/", 1)[-1]


def _fields(marks: Iterable[MarkType], frame: int | None) -> dict[str, object]:
    """Marks by name; the frame is that of the first mark where none is declared."""
    fields: dict[str, object] = {}
    wheels: list[list[float]] = []
    tyres: list[list[float]] = []
    edge_fit = True
    frames: list[int] = []
    for mark in marks:
        if mark.frame is not None and (not isinstance(mark, PatchMark) or mark.role != "body"):
            frames.append(mark.frame)
        if isinstance(mark, LineMark) and mark.role in LINE_NAMES:
            fields[mark.role] = [mark.x1, mark.y1, mark.x2, mark.y2]
            edge_fit = edge_fit and mark.edge_fit
            if mark.role == "scale":
                fields["scale_mm"] = mark.length_mm
            if mark.role in ("level", "plumb"):
                fields["level_u"] = mark.u_deg
        elif isinstance(mark, SheetMark) and mark.role == "sheet":
            fields["sheet"] = [value for corner in mark.corners for value in corner]
            fields["sheet_size"] = [mark.width_mm, mark.height_mm]
            usual = mark.side_u_mm == SHEET_U_MM
            fields["sheet_u_mm"] = None if usual else mark.side_u_mm
        elif isinstance(mark, PatchMark) and mark.role == "body":
            fields["patch"] = [mark.x, mark.y, mark.w, mark.h]
            fields["patch_frame"] = mark.frame
        elif isinstance(mark, PatchMark) and mark.role == UPHILL_TYRE:
            tyres.append([mark.x, mark.y, mark.w, mark.h])
        elif isinstance(mark, WheelMark):
            wheels.append([mark.cx, mark.cy, mark.rx, mark.ry, mark.turn_deg])
            fields["wheel_mm"] = mark.diameter_mm
    at = frame if frame is not None else (frames[-1] if frames else fields.get("patch_frame"))
    if fields.get("patch_frame") == at:
        fields.pop("patch_frame", None)
    several = {"wheels": wheels, "uphill_tyres": tyres}
    return fields | {"frame": at, "edge_fit": edge_fit, **several}
