"""Signing: a draft becomes one revision of an attempt, and a saved attempt a draft again."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from clipmark.errors import FolderError, RecordError
from clipmark.record.clips import clip_files, clip_sha256, reference
from clipmark.record.draft import AttemptDraft, Details, DraftCall, FurtherDraftClip
from clipmark.record.draft_marks import declared, marks_of, merged
from clipmark.record.folder import EventFolder
from clipmark.record.markings import MarkType
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
from clipmark.record.revisions import DRAWN_ANEW
from clipmark.record.rule_sheet import read_rule_sheet
from clipmark.record.texts import as_model
from clipmark.sheet_grade import grade_of_test, read_grade

EMPTY_TEXTS = ("setup", "surface", "called_by", "note")  # unknown is an empty text there
FROM_MARKS = ("angle", "crawl", "climb", "tilt")  # measures that a draft's marks give
NONE_KNOWN: Mapping[str, ClipRef] = MappingProxyType({})


def attempt_from_draft(
    event: EventFolder,
    draft: AttemptDraft,
    results: Mapping[str, Mapping[str, object]],
    *,
    old: Attempt | None = None,
    span: Span | None = None,
    clips: Mapping[str, ClipRef] = NONE_KNOWN,
) -> Attempt:
    """The attempt that a draft stands for, whole, with what was measured from its marks.

    A crawl of a test that the rule sheet grades is graded: in its reading, and as the grade of the
    attempt.

    Parameters
    ----------
    event : EventFolder
    draft : AttemptDraft
    results : mapping
        Results by measure ("angle", "crawl", "climb", "tilt"), as ``--json`` prints them; a measure
        that is not there was not measured, and an earlier reading of it goes, since its marks have
        gone.
    old : Attempt, optional
        The revision it replaces: what a draft does not show (a proposal, a claim, repeated
        marks) lives on from it.
    span : Span, optional
        The marked span with its recorded times.
    clips : mapping, optional
        Clips of the folder by content hash, as far as they are known; others are looked for.

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
    test_grade = grade_of_test(event.path, draft.details.test)
    results = {name: test_grade.graded(name, result) for name, result in results.items()}
    held = None if old is None else old.reading("crawl")
    kept = {} if old is None else old.model_dump(exclude=set(DRAWN_ANEW))
    readings = [] if old is None else [r for r in old.readings if r.measure not in FROM_MARKS]
    readings += [Reading.from_measured(name, result) for name, result in results.items()]
    said = {name: getattr(draft.details, name) for name in Details.model_fields}
    body = kept | {
        **{name: "" if said[name] is None else said[name] for name in EMPTY_TEXTS},
        **{name: value for name, value in said.items() if name not in EMPTY_TEXTS},
        "grade": test_grade.of_attempt(
            draft.details.grade, results, read_grade(held.result if held else None)
        ),
        # the attempt's own clip; one that is nowhere now keeps the name it was recorded under
        "clip": None if draft.clip is None else _clip_ref(event, draft.clip, old, clips),
        "further_clips": [
            FurtherClip(
                clip=_clip_ref(event, further.clip, old, clips),
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
    clips: Mapping[str, ClipRef] = NONE_KNOWN,
) -> JournalLine:
    """Save a draft as one revision, with everything in it; on the disk when this returns.

    `span` and `clips` are those of `attempt_from_draft`.

    Raises
    ------
    RevisionError
        When a newer revision was saved meanwhile.
    RecordError, FolderError
        When it cannot be saved as it is; nothing was saved then.
    """
    old = None if draft.attempt is None else event.attempt(draft.attempt)
    attempt = attempt_from_draft(
        event,
        draft,
        results,
        old=None if old is None else old.attempt,
        span=span,
        clips=clips,
    )
    return event.save_attempt(attempt, by=by, id=draft.attempt, base_revision=base_revision)


def parse_call(text: str) -> Call:
    """Read ``touch@12.4``: a call and its time, s from the first shown frame.

    Raises
    ------
    RecordError
        When it is not of that form.
    """
    name, at, time_s = text.rpartition("@")
    try:
        t_s = float(time_s)
    except ValueError:
        t_s = math.nan
    if not at or not name.strip() or not math.isfinite(t_s):
        raise RecordError(
            f"the call '{text}' cannot be read: write it as CALL@SECONDS, such as touch@12.4"
        )
    return as_model(Call, {"call": "-".join(name.split()), "t_s": t_s}, f"the call '{text}'")


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


def _clip_ref(
    event: EventFolder, sha256: str, old: Attempt | None, clips: Mapping[str, ClipRef]
) -> ClipRef:
    """How a clip is named: where it lies now, else where it lay when it was recorded."""
    if sha256 in clips:
        return clips[sha256]
    for path in clip_files(event.path):
        with contextlib.suppress(FolderError):  # a clip that cannot be read is not this one's fault
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
