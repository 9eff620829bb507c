"""Measuring for the page: the same functions as the command line, remembered by clip and marks."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace

from numpy.linalg import LinAlgError

from clipmark.errors import FollowError, LensError, MarkError
from clipmark.marks_file import MarksFile, angle_from
from clipmark.measure.crawl_terms import CrawlTerms
from clipmark.measure.tilt_join import read_other
from clipmark.page.bodies import finite
from clipmark.page.desk import Desk
from clipmark.page.jobs import MOTIONS, Job, opened
from clipmark.page.joining import check_tilt, joined_tilt, joins_as_before
from clipmark.record import disk
from clipmark.record.draft import AttemptDraft, Marks
from clipmark.record.models import Attempt, Declared, Motion, Span
from clipmark.sheet_grade import TestGrade
from clipmark.signing import draft_from_attempt
from clipmark.workbench import span_of

Results = dict[str, dict[str, object]]
VIEW = (
    "sheet", "sheet_size", "sheet_u_mm", "lens", "view_angle", "square_within", "edge_fit",
    "true_fps",
)  # fmt: skip
USED = {  # which marks a measure depends on
    "angle": (
        "frame", "ramp", "chassis", "hubs", "rim_px", "facing", "level", "plumb", "level_u", *VIEW
    ),
    "crawl": (
        "patch", "patch_frame", "span", "travel", "scale", "scale_mm", "wheels", "wheel_mm", "nose",
        *VIEW,
    ),
    "climb": (
        "frame", "patch", "patch_frame", "ramp", "hubs", "wheels", "wheel_mm", "finish", "mode",
        "facing", "level", "plumb", "level_u", "span", "scale", "scale_mm", "give_up_s", *VIEW,
    ),
    "tilt": (
        "frame", "platform", "chassis", "uphill_tyres", "level", "plumb", "level_u", "scale",
        "scale_mm", "track_mm", "track_u_mm", "low_side", "gap_mm", "span", "join", *VIEW,
    ),
}  # fmt: skip


def marks_file(desk: Desk, marks: Marks) -> MarksFile:
    """The marks ready for measuring.

    Raises
    ------
    MarkError, LensError
        When they cannot mean what they say, or the lens file is not in ``lenses/``.
    """
    lenses = desk.event_path / "lenses"
    if marks.lens is not None and not (lenses / marks.lens).is_file():
        raise LensError(
            f"there is no lens file {marks.lens} in the event's lenses/; put it there, or choose "
            "another"
        )
    return MarksFile.of(marks.given(), lenses)


def key_of(
    desk: Desk, measure: str, sha256: str, marks: Marks, terms: CrawlTerms | None = None
) -> str:
    """What a result depends on: clip, the marks that enter, the lens file's own content, terms."""
    used: list[object] = [measure, sha256, used_by(measure, marks), _lens_sha256(desk, marks)]
    return json.dumps(used if terms is None else [*used, *terms.settings()], sort_keys=True)


def motion_key(
    desk: Desk, measure: Motion, sha256: str, marks: Marks, test: str | None = None
) -> str:
    """What the measurement of a motion depends on; of a crawl also the test it is measured for."""
    if measure == "tilt":
        other = joined_tilt(desk, marks.join)
        told = None if other is None else read_other(other).to_dict()
        return key_of(desk, measure, sha256, marks) + json.dumps(told, sort_keys=True)
    terms = _terms(desk, test) if measure == "crawl" else None
    return key_of(desk, measure, sha256, marks, terms)


def _terms(desk: Desk, test: str | None) -> CrawlTerms:
    """The hold time and the band that the rule sheet, as it last could be read, gives that test."""
    return TestGrade.of(desk.sheets.look().rules, test).terms


def _lens_sha256(desk: Desk, marks: Marks) -> str | None:
    """Hash of the lens file as it is now; None where none is used."""
    if marks.lens is None:
        return None
    path = desk.event_path / "lenses" / marks.lens
    try:
        return disk.file_sha256(path)
    except OSError as error:
        raise disk.explain(error, "read the lens file", path) from error


def used_by(measure: str, marks: Marks) -> dict[str, object]:
    """The marks that enter a measure, in one form."""
    given = marks.given()
    given.setdefault("patch_frame", given["frame"])
    given["nose"] = _nose(marks)
    return {name: given.get(name) for name in USED[measure]}


def _nose(marks: Marks) -> str | None:
    """Where the nose points, as `MarksFile.nose` has it: all that a crawl takes of the hubs."""
    if marks.facing is not None or marks.hubs is None:
        return marks.facing
    return "right" if marks.hubs[2] > marks.hubs[0] else "left"


def angle_result(
    desk: Desk,
    sha256: str,
    marks: Marks,
    *,
    live: bool = False,
    gone: Callable[[], bool] = lambda: False,
) -> dict[str, object]:
    """The angle reading as ``clipmark angle`` gives it; a live one is never remembered.

    A live one is read from the clip that is open anyway: the true rate of a slow-motion clip, for
    which it would have to be opened anew, moves no angle. `gone` tells whether whoever asked has
    given up waiting.
    """
    ready = marks_file(desk, marks)
    true_fps = None if live else marks.true_fps

    def measure() -> dict[str, object]:
        try:
            with opened(desk.shelf, sha256, true_fps) as clip:
                found: dict[str, object] = finite(angle_from(clip, ready, live=live).to_dict())
        except (LinAlgError, ArithmeticError) as error:
            raise MarkError(
                f"these marks give no angle ({error}); some of them lie on one another, or on one "
                "line: mark them further apart"
            ) from error
        return found

    if live:
        return measure()
    return desk.jobs.kept(key_of(desk, "angle", sha256, marks), measure, gone)


def start_motion(
    desk: Desk, measure: Motion, sha256: str, marks: Marks, test: str | None = None
) -> Job:
    """The background measurement of a motion: started, running or done already.

    Parameters
    ----------
    desk, measure, sha256, marks
    test : str, optional
        Of a crawl: the test whose hold time and band it is measured with.

    Raises
    ------
    MarkError, LensError, PageError
        When too little is marked, a lens or a clip is not there, or there is nothing to join.
    """
    ready, join = marks_file(desk, marks), None
    if measure == "crawl":
        ready = replace(ready, terms=_terms(desk, test))
    if measure != "tilt" and ready.patch is None:
        raise MarkError("no body patch is marked; mark a textured part of the body to follow")
    if measure == "climb" and not ready.can_climb():
        raise MarkError("no ramp line is marked; mark two places along the edge of the board")
    if measure == "tilt":
        check_tilt(ready)
        join = joined_tilt(desk, marks.join)
    desk.shelf.path(sha256)
    key = motion_key(desk, measure, sha256, marks, test)
    return desk.jobs.follow(measure, key, sha256, ready, join)


def results_for(desk: Desk, draft: AttemptDraft, old: Attempt | None) -> Results:
    """What the draft's marks give; readings of unchanged marks are those saved before.

    A measure for which too little is marked is left out.

    Raises
    ------
    ClipmarkError
        When a measurement fails; a sentence that says which marks to take away or mend.
    """
    if draft.clip is None:
        return {}
    ready = marks_file(desk, draft.marks)
    results: Results = {}
    if ready.can_angle():
        saved = _unchanged(desk, "angle", draft, old)
        results["angle"] = saved or angle_result(desk, draft.clip, draft.marks)
    for measure in MOTIONS:
        saved = _unchanged(desk, measure, draft, old)
        if saved is not None:
            results[measure] = saved
        elif _is_wanted(measure, ready, draft.marks, old):
            results[measure] = _motion_result(desk, measure, draft)
    return results


def _is_wanted(measure: Motion, ready: MarksFile, marks: Marks, old: Attempt | None) -> bool:
    """Whether a motion is to be measured: it can be, and it was chosen, or had a reading before.

    Where nothing is chosen a crawl is measured, and a tilt, which nothing else has a platform for.
    """
    can = {"crawl": ready.can_crawl, "climb": ready.can_climb, "tilt": ready.can_tilt}
    if not can[measure]():
        return False
    had = old is not None and old.reading(measure) is not None
    return had or marks.motion == measure or (marks.motion is None and measure != "climb")


def _motion_result(desk: Desk, measure: Motion, draft: AttemptDraft) -> dict[str, object]:
    """A crawl, a climb or a tilt, waited for."""
    assert draft.clip is not None
    job = start_motion(desk, measure, draft.clip, draft.marks, draft.details.test)
    job.ended.wait()
    if job.state == "done" and job.result is not None:
        return job.result
    why = job.error or "it was stopped"
    what = "platform line" if measure == "tilt" else "body patch"
    raise FollowError(
        f"the {measure} is not measured: {why} (nothing was signed; measure it again, or take the "
        f"{what} away to sign without it)"
    )


def _unchanged(
    desk: Desk, measure: str, draft: AttemptDraft, old: Attempt | None
) -> dict[str, object] | None:
    """The saved result, when clip, marks and lens are those that it was made from."""
    if old is None or draft.attempt is None:
        return None
    reading = old.reading(measure)
    before = draft_from_attempt(old, draft.attempt, 1)
    if reading is None or reading.clip_sha256 != draft.clip or before.clip != draft.clip:
        return None
    same = used_by(measure, before.marks) == used_by(measure, draft.marks)
    if same and measure == "tilt":
        same = joins_as_before(desk, draft.marks.join, reading.result)
    if same and measure == "crawl":
        same = _terms(desk, draft.details.test).were_those_of(reading.result)
    if same and old.lens is not None:
        same = old.lens.sha256 == _lens_sha256(desk, draft.marks)
    return dict(reading.result) if same else None


def recorded_span(desk: Desk, draft: AttemptDraft, old: Attempt | None) -> Span | None:
    """The marked span with its recorded times; None where nothing is marked.

    One that was saved before is taken as it is: its clip need not be there any more.

    Raises
    ------
    MarkError
        When it ends after the clip.
    """
    span = draft.marks.span
    if span is None or draft.clip is None:
        return None
    if old is not None and old.span is not None and old.clip is not None:
        held, said = old.span, old.declared or Declared()
        if (old.clip.sha256, held.first_frame, held.last_frame, said.true_fps) == (
            draft.clip, *span, draft.marks.true_fps
        ):  # fmt: skip
            return held
    with opened(desk.shelf, draft.clip, draft.marks.true_fps) as clip:
        if span[1] >= clip.frame_count:
            raise MarkError(
                f"the span {span[0]}:{span[1]} ends after the clip, whose last frame is "
                f"{clip.frame_count - 1}; mark an end inside the clip"
            )
        return span_of(clip, span[0], span[1])


def readings_of(attempt: Attempt) -> Mapping[str, dict[str, object] | None]:
    """Every measure's reading that counts, None where there is none."""
    found = {name: attempt.reading(name) for name in ("angle", "crawl", "tilt", "climb")}
    return {name: None if item is None else dict(item.result) for name, item in found.items()}
