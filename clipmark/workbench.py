"""Joins measuring and recording: whole attempts, as the command line and the page save them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from clipmark.clip import Clip
from clipmark.errors import FolderError, RecordError
from clipmark.marks import Line, Patch, Point, Sheet, Wheel
from clipmark.record import disk
from clipmark.record.attempts_file import SCHEMA_NAME
from clipmark.record.clips import clip_files, clip_sha256, reference
from clipmark.record.draft import AttemptDraft, Details, DraftCall, FurtherDraftClip
from clipmark.record.draft_marks import declared, marks_of, merged
from clipmark.record.folder import EventFolder
from clipmark.record.markings import MarkType, mark_of
from clipmark.record.models import (
    CALL_NAMES,
    Attempt,
    Call,
    ClipRef,
    FileRef,
    FurtherClip,
    JournalLine,
    RecordRef,
    Span,
)
from clipmark.record.readings import Reading
from clipmark.record.rule_sheet import read_rule_sheet
from clipmark.record.texts import as_model

MarkedThing = Line | Point | Patch | Wheel | Sheet
Role = str
DRAWN_ANEW = ("marked_by", "marked_at", "software", "rules", "session")  # by each revision
EMPTY_TEXTS = ("setup", "surface", "called_by", "note")  # unknown is an empty text there
FROM_MARKS = ("angle", "crawl")  # measures that a draft's marks give


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

    def given(self) -> dict[str, object]:
        """Only what is known."""
        pairs = ((item.name, getattr(self, item.name)) for item in fields(self))
        return {name: value for name, value in pairs if value is not None}


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
) -> JournalLine:
    """Save one reading as an attempt, or add it to one that is there as a new revision.

    The clip is referred to by content hash; one outside the folder is linked into ``clips/``, or
    copied where links are not possible. It is never written to.

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

    Raises
    ------
    RecordError, RevisionError, FolderError
        A sentence; nothing was saved then.
    """
    reading = Reading.from_measured(measure, result)
    frame = reading.frame
    recorded = tuple(mark_of(mark, role, frame) for mark, role in marks)
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
    clip = _clip_ref(event, clip_path)
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
    if span is not None:
        body["span"] = span
    if details.travel is None and old.travel is None:
        body["travel"] = _travel(result)
    return event.save_attempt(
        Attempt.model_validate(body), by=by, id=attempt_id, base_revision=base
    )


def attempt_from_draft(
    event: EventFolder,
    draft: AttemptDraft,
    results: Mapping[str, Mapping[str, object]],
    *,
    old: Attempt | None = None,
    span: Span | None = None,
) -> Attempt:
    """The attempt that a draft stands for, whole, with what was measured from its marks.

    Parameters
    ----------
    event : EventFolder
    draft : AttemptDraft
    results : mapping
        Results by measure ("angle", "crawl"), as ``--json`` prints them; a measure that is not
        there was not measured, and an earlier reading of it goes, since its marks have gone.
    old : Attempt, optional
        The revision it replaces: what a draft does not show (a proposal, a claim, a tilt reading,
        repeated marks) lives on from it.
    span : Span, optional
        The marked span with its recorded times.

    Raises
    ------
    RecordError, FolderError
        When entry or test is missing, a call, the stand or a clip is not known, or a field is
        wrong.
    """
    if not (draft.details.entry and draft.details.test):
        raise RecordError(
            "an attempt needs its entry and its test before it can be signed; fill them in on the "
            "slip"
        )
    check_calls(event, draft.calls)
    marks = draft.marks
    if span is None and marks.span is not None:
        span = Span(first_frame=marks.span[0], last_frame=marks.span[1])
    kept = {} if old is None else old.model_dump(exclude=set(DRAWN_ANEW))
    readings = [] if old is None else [r for r in old.readings if r.measure not in FROM_MARKS]
    readings += [Reading.from_measured(name, result) for name, result in results.items()]
    said = {name: getattr(draft.details, name) for name in Details.model_fields}
    body = kept | {
        **{name: "" if said[name] is None else said[name] for name in EMPTY_TEXTS},
        **{name: value for name, value in said.items() if name not in EMPTY_TEXTS},
        "clip": _clip_by_hash(event, draft.clip, old),
        "further_clips": [
            FurtherClip(
                clip=_known_clip(event, further.clip, old),
                joins=further.joins,
                offset_s=further.offset_s,
            )
            for further in draft.further_clips
        ],
        "span": span,
        "stand": _stand_ref(event, draft.stand, old),
        "lens": _lens_ref(draft),
        "marks": _marks(draft, old),
        "declared": declared(marks),
        "calls": [
            Call(call=item.call, t_s=item.t_s, frame=item.frame, note=item.note)
            for item in draft.calls
        ],
        "readings": readings,
    }
    return as_model(Attempt, body, "the attempt")


def draft_from_attempt(attempt: Attempt, attempt_id: str, revision: int) -> AttemptDraft:
    """A draft that stands for a saved attempt; signing it anew would change nothing."""
    said = {name: getattr(attempt, name) or None for name in EMPTY_TEXTS}
    others = [name for name in Details.model_fields if name not in EMPTY_TEXTS]
    return AttemptDraft(
        attempt=attempt_id,
        base_revision=revision,
        clip=attempt.clip.sha256 if attempt.clip else None,
        further_clips=tuple(
            FurtherDraftClip.model_validate(
                {"clip": item.clip.sha256, "as": item.joins, "offset_s": item.offset_s}
            )
            for item in attempt.further_clips
        ),
        details=Details(**said, **{name: getattr(attempt, name) for name in others}),
        marks=marks_of(attempt),
        calls=tuple(
            DraftCall(call=item.call, t_s=item.t_s, frame=item.frame, note=item.note)
            for item in attempt.calls
        ),
        stand=attempt.stand.id if attempt.stand else None,
    )


def sign_attempt(
    event: EventFolder,
    draft: AttemptDraft,
    by: str,
    results: Mapping[str, Mapping[str, object]],
    base_revision: int | None,
    *,
    span: Span | None = None,
) -> JournalLine:
    """Save a draft as one revision, with everything in it; on the disk when this returns.

    Raises
    ------
    RevisionError
        When a newer revision was saved meanwhile.
    RecordError, FolderError
        When it cannot be saved as it is; nothing was saved then.
    """
    old = None if draft.attempt is None else event.attempt(draft.attempt)
    attempt = attempt_from_draft(
        event, draft, results, old=None if old is None else old.attempt, span=span
    )
    return event.save_attempt(attempt, by=by, id=draft.attempt, base_revision=base_revision)


def check_calls(event: EventFolder, calls: Sequence[DraftCall | Call]) -> None:
    """Raise `RecordError` for a call that neither the trade nor the rule sheet names."""
    known = call_names(event)
    for call in calls:
        if call.call not in known:
            raise RecordError(
                f"the call '{call.call}' is not known; give one of {', '.join(known)}, or name it "
                "under calls of a test in event.toml"
            )


def call_names(event: EventFolder) -> tuple[str, ...]:
    """What a judge may call: the trade's names, then those that the rule sheet adds."""
    sheet = read_rule_sheet(event.path)
    named = [name for test in sheet.tests for name in test.calls]
    return tuple(dict.fromkeys((*CALL_NAMES, *named)))


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


def _clip_by_hash(event: EventFolder, sha256: str | None, old: Attempt | None) -> ClipRef | None:
    """The attempt's own clip; one that is nowhere now keeps the name it was recorded under."""
    return None if sha256 is None else _known_clip(event, sha256, old)


def _known_clip(event: EventFolder, sha256: str, old: Attempt | None) -> ClipRef:
    for path in clip_files(event.path):
        if clip_sha256(path) == sha256:
            return reference(event.path, path, sha256)
    held = [] if old is None else [item.clip for item in old.further_clips]
    held += [old.clip] if old is not None and old.clip is not None else []
    for clip in held:
        if clip.sha256 == sha256:
            return clip
    raise RecordError(
        f"no clip in {event.path / 'clips'} has the content {sha256[:16]}...; put the file into "
        "clips/ and repeat"
    )


def _stand_ref(event: EventFolder, stand_id: str | None, old: Attempt | None) -> RecordRef | None:
    """The revision of the stand in force: the old attempt's own while the stand is the same."""
    if stand_id is None:
        return None
    if old is not None and old.stand is not None and old.stand.id == stand_id:
        return old.stand
    held = event.journal.newest("stand", stand_id)
    if held is None:
        raise RecordError(f"there is no stand '{stand_id}'; save it first, or choose another")
    return RecordRef(id=stand_id, revision=held.revision)


def _marks(draft: AttemptDraft, old: Attempt | None) -> tuple[MarkType, ...]:
    if old is None:
        return merged((), None, draft.marks)
    return merged(old.marks, marks_of(old), draft.marks)


def _lens_ref(draft: AttemptDraft) -> FileRef | None:
    """The lens file by name; its hash is added when the attempt is saved."""
    return None if draft.marks.lens is None else FileRef(path=f"lenses/{draft.marks.lens}")


def _new_attempt(details: AttemptDetails) -> dict[str, object]:
    missing = [name for name in ("entry", "test") if getattr(details, name) is None]
    if missing:
        options = " and ".join(f"--{name}" for name in missing)
        raise RecordError(
            f"a new attempt needs {options}; give the truck as entered and the test it ran"
        )
    return details.given()


def _clip_ref(event: EventFolder, path: Path) -> ClipRef:
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
