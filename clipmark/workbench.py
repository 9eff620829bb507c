"""Joins measuring and recording: whole attempts, as the command line and the page save them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from clipmark.clip import Clip
from clipmark.errors import FolderError, RecordError
from clipmark.marks import Line, Patch, Point, Sheet, Wheel
from clipmark.record import disk, lens_files
from clipmark.record.attempts_file import SCHEMA_NAME
from clipmark.record.folder import EventFolder
from clipmark.record.markings import LineMark, MarkType, WheelMark, mark_of
from clipmark.record.models import Attempt, ClipRef, Declared, JournalLine, RecordRef, Span
from clipmark.record.readings import Reading
from clipmark.record.revisions import DRAWN_ANEW
from clipmark.record.texts import as_model
from clipmark.sheet_grade import TestGrade, grade_of_test, read_grade

_TERMS = ("motion", "mode", "give_up_s", "gap_mm", "track_mm", "track_u_mm", "low_side")
MarkedThing = Line | Point | Patch | Wheel | Sheet
Role = str


@dataclass(frozen=True)
class AttemptDetails:
    """What people say of an attempt, beside what is measured; None is unknown."""

    entry: str | None = None
    test: str | None = None
    try_no: int | None = None
    setup: str | None = None
    surface: str | None = None
    step_deg: float | None = None
    set_start_deg: float | None = None
    set_end_deg: float | None = None
    travel: str | None = None
    verdict: str | None = None
    reason: str | None = None
    called_by: str | None = None
    note: str | None = None
    stand: RecordRef | None = None
    grade: float | None = None

    def given(self) -> dict[str, object]:
        """Only what is known."""
        pairs = ((item.name, getattr(self, item.name)) for item in fields(self))
        return {name: value for name, value in pairs if value is not None}


@dataclass(frozen=True)
class Declaration:
    """What was said of the view and the marks beside the marks themselves; None is not said."""

    lens: Path | None = None
    view_angle_deg: float | None = None
    square_within_deg: float | None = None
    level_u_deg: float | None = None
    scale_mm: float | None = None
    rim_px: float | None = None
    facing: str | None = None
    edge_fit: bool = True
    true_fps: float | None = None
    wheel_mm: float | None = None
    motion: str | None = None
    mode: str | None = None
    give_up_s: float | None = None
    gap_mm: float | None = None
    track_mm: float | None = None
    track_u_mm: float | None = None
    low_side: str | None = None


def save_reading(
    event: EventFolder,
    clip_path: Path,
    measure: str,
    result: Mapping[str, object],
    marks: Sequence[tuple[MarkedThing, Role]],
    details: AttemptDetails,
    by: str,
    *,
    attempt_id: str | None = None,
    span: Span | None = None,
    declared: Declaration | None = None,
) -> JournalLine:
    """Save one reading as an attempt, or add it to one that is there as a new revision.

    The clip is referred to by content hash; one outside the folder is linked into ``clips/``, or
    copied where links are not possible. It is never written to. A crawl of a test that the rule
    sheet grades is graded: in its reading, and as the grade of the attempt. What the sheet calls
    the facts of a reverse is kept in the reading.

    Parameters
    ----------
    event : EventFolder
    clip_path : Path
    measure : {'angle', 'crawl', ...}
    result : mapping
        What the measurement gave (``to_dict()``).
    marks : sequence of (mark, role)
        Marks of `clipmark.marks` with their role ("ramp", "plumb", "hubs", "body", ...).
    details : AttemptDetails
    by : str
        Who marks and signs.
    attempt_id : str, optional
        An attempt of the folder; a new one needs `details.entry` and `details.test`.
    span : Span, optional
        Frames of the attempt.
    declared : Declaration, optional
        What was said beside the marks, so that the attempt can be opened and measured again. A
        lens file from elsewhere is copied into ``lenses/``.

    Raises
    ------
    RecordError, RevisionError, FolderError
        A sentence; nothing was saved then.
    """
    reading = Reading.from_measured(measure, result)
    frame = reading.marked_frame
    said = declared or Declaration()
    recorded = tuple(_with_sizes(mark_of(mark, role, frame), said) for mark, role in marks)
    if attempt_id is None:
        body = _new_attempt(details)
        base = None
    else:
        saved = event.attempt(attempt_id)
        body = {
            name: value
            for name, value in saved.attempt.model_dump().items()
            if name not in DRAWN_ANEW
        } | details.given()
        base = saved.revision
    old = Attempt.model_validate(body)
    if measure == "crawl":
        test_grade = grade_of_test(event.path, old.test)
        reading, body["grade"] = _graded(test_grade, reading, old)
    if measure == "climb":
        called = grade_of_test(event.path, old.test).graded("climb", reading.result)
        reading = as_model(Reading, {**dict(reading), "result": called}, "the climb reading")
    clip = clip_ref(event, clip_path)
    if old.clip is not None and old.clip.sha256 != clip.sha256:
        raise RecordError(
            f"attempt {attempt_id} was marked on another clip ({old.clip.path}); measure that "
            "one, or save this reading as a new attempt"
        )
    body |= {
        "clip": clip,
        "marks": _replaced(old.marks, recorded),
        "readings": (*(item for item in old.readings if item.measure != measure), reading),
    }
    if declared is not None:
        body["declared"] = _declared(said, frame, old.declared)
        body["lens"] = lens_files.take_in(event.path, said.lens) if said.lens else old.lens
    if span is not None:
        body["span"] = span
    if details.travel is None and old.travel is None:
        body["travel"] = _travel(result)
    return event.save_attempt(
        Attempt.model_validate(body), by=by, id=attempt_id, base_revision=base
    )


def export_attempts(event: EventFolder, target: Path) -> Path:
    """Write the attempts file, up to date, to another place as well; its schema goes beside it.

    Raises
    ------
    RecordError
        When the journal has a fault.
    FolderError
        When it cannot be written.
    """
    written = event.write_attempts_file()
    schema = written.with_name(SCHEMA_NAME)
    try:
        disk.replace_file(target, written.read_bytes())
        disk.replace_file(target.with_suffix(".schema.json"), schema.read_bytes())
    except OSError as error:
        raise disk.explain(error, "export the attempts file", target) from error
    return target


def span_of(clip: Clip, first: int, last: int) -> Span:
    """Frames and recorded times of an attempt."""
    if not clip.has_times:
        return Span(first_frame=first, last_frame=last)
    return Span(
        first_frame=first,
        last_frame=last,
        first_t_s=float(clip.times_s[first]),
        last_t_s=float(clip.times_s[last]),
    )


def _graded(test: TestGrade, crawl: Reading, old: Attempt) -> tuple[Reading, object]:
    """The crawl with what the rule sheet makes of it, and the grade of the attempt then."""
    result = test.graded("crawl", crawl.result)
    before = old.reading("crawl")
    held = read_grade(before.result if before else None)
    return (
        as_model(Reading, {**dict(crawl), "result": result}, "the crawl reading"),
        test.of_attempt(old.grade, {"crawl": result}, held),
    )


def _new_attempt(details: AttemptDetails) -> dict[str, object]:
    missing = [name for name in ("entry", "test") if getattr(details, name) is None]
    if missing:
        options = " and ".join(f"--{name}" for name in missing)
        raise RecordError(
            f"a new attempt needs {options}; give the truck as entered and the test it ran"
        )
    return details.given()


def clip_ref(event: EventFolder, path: Path) -> ClipRef:
    """How a record names a clip; one outside the folder is linked or copied into ``clips/``."""
    clips = (event.path / "clips").resolve()
    if path.resolve().is_relative_to(clips):
        return event.clip_ref(path)
    try:
        return event.add_clip(path, link="hard")
    except FolderError:  # another disk, or one without hard links
        return event.add_clip(path)


def _replaced(old: Sequence[MarkType], new: Sequence[MarkType]) -> tuple[MarkType, ...]:
    """Marks of the old revision, those of the same roles replaced."""
    roles = {mark.role for mark in new}
    return (*(mark for mark in old if mark.role not in roles), *new)


def _with_sizes(mark: MarkType, said: Declaration) -> MarkType:
    """The mark with what belongs to it: a scale's length, how true a level line is, its fit."""
    if isinstance(mark, WheelMark):
        return mark.model_copy(update={"diameter_mm": said.wheel_mm})
    if not isinstance(mark, LineMark):
        return mark
    known: dict[str, object] = {"edge_fit": said.edge_fit}
    if mark.role == "scale":
        known["length_mm"] = said.scale_mm
    if mark.role in ("level", "plumb"):
        known["u_deg"] = said.level_u_deg
    return mark.model_copy(update=known)


def _declared(said: Declaration, frame: int | None, old: Declared | None) -> Declared:
    """What this measurement was told; what only another one uses stays as it was."""
    rim_px, facing = said.rim_px, said.facing
    terms = {name: getattr(said, name) for name in _TERMS}
    if old is not None:
        rim_px, facing = rim_px or old.rim_px, facing or old.facing
        terms = {name: getattr(old, name) if it is None else it for name, it in terms.items()}
        terms["join"] = None if said.motion == "tilt" else old.join
    return as_model(
        Declared,
        {
            "frame": frame,
            "rim_px": rim_px,
            "facing": facing,
            "view_angle_deg": said.view_angle_deg,
            "square_within_deg": said.square_within_deg,
            "edge_fit": said.edge_fit,
            "true_fps": said.true_fps,
            **terms,
        },
        "what was declared",
    )


def _travel(result: Mapping[str, object]) -> str | None:
    """Up or down from which way the nose points along the board; unknown without a chassis."""
    ramp, chassis, to_ramp = (
        result.get(f"{name}_deg") for name in ("ramp", "chassis", "chassis_to_ramp")
    )
    if not all(isinstance(value, (int, float)) for value in (ramp, chassis, to_ramp)):
        return None
    board_ahead = float(chassis) - float(to_ramp)  # type: ignore[arg-type]
    if abs(board_ahead) < 1.0:
        return "level"
    return "up" if board_ahead > 0 else "down"
