"""A side tilt joined with the saved one of the other side: which there are, and what is taken."""

from __future__ import annotations

from collections.abc import Mapping

from clipmark.errors import ClipmarkError, MarkError, PageError
from clipmark.marks_file import MarksFile
from clipmark.measure.tilt_join import read_other
from clipmark.page.desk import Desk
from clipmark.record.folder import SavedAttempt
from clipmark.record.readings import Reading

Told = dict[str, object]


def check_tilt(marks: MarksFile) -> None:
    """Raise `MarkError` when too little is marked for a side tilt."""
    if "platform" not in marks.lines:
        raise MarkError("no platform line is marked; mark two places along the platform's edge")
    if "chassis" not in marks.lines:
        raise MarkError(
            "no chassis rail is marked; mark both ends of a straight edge of the truck, across it"
        )


def tilts(desk: Desk, entry: str | None = None) -> list[Told]:
    """Saved side tilts that another one can be joined with, newest last.

    Parameters
    ----------
    desk : Desk
    entry : str, optional
        Only of this truck.

    Returns
    -------
    list of dict
        ``attempt, revision, entry, setup, test, try_no, low_side, tilt_deg, tilt_u95_deg,
        rate_deg_s, clip``.
    """
    with desk.event_lock:
        desk.event.journal.refresh()
        saved = desk.event.attempts()
    rows = [_row(item) for item in saved if entry is None or item.attempt.entry == entry]
    return [row for row in rows if row is not None]


def joined_tilt(desk: Desk, attempt: str | None) -> dict[str, object] | None:
    """The tilt reading of an attempt, as it is joined; None for no attempt.

    Raises
    ------
    PageError
        When there is no such attempt.
    MarkError
        When it has no tilt reading.
    """
    if attempt is None:
        return None
    reading = _reading(desk, attempt)
    if reading is None:
        raise MarkError(
            f"attempt {attempt} has no side tilt to join this one with; choose another attempt, or "
            "none"
        )
    return dict(reading.result)


def joins_as_before(desk: Desk, attempt: str | None, result: Mapping[str, object]) -> bool:
    """Whether joining again takes what a saved tilt was joined with.

    What cannot be found any more is no reason to measure again, and neither is a file that was
    given on the command line.
    """
    if attempt is None:
        return True
    settings = result.get("settings")
    before = settings.get("joined_with") if isinstance(settings, dict) else None
    try:
        other = joined_tilt(desk, attempt)
        return other is None or read_other(other).to_dict() == before
    except ClipmarkError:
        return True


def _reading(desk: Desk, attempt: str) -> Reading | None:
    with desk.event_lock:
        desk.event.journal.refresh()
        if desk.event.journal.newest("attempt", attempt) is None:
            raise PageError(
                f"there is no attempt '{attempt}' to join this tilt with; choose another, or none"
            )
        return desk.event.attempt(attempt).attempt.reading("tilt")


def _row(saved: SavedAttempt) -> Told | None:
    """One tilt that has an angle of first motion; None for any other attempt."""
    body = saved.attempt
    reading = body.reading("tilt")
    if reading is None or reading.number("tilt_deg") is None:
        return None
    return {
        "attempt": saved.id,
        "revision": saved.revision,
        "entry": body.entry,
        "setup": body.setup,
        "test": body.test,
        "try_no": body.try_no,
        "low_side": reading.result.get("low_side"),
        "tilt_deg": reading.number("tilt_deg"),
        "tilt_u95_deg": reading.number("tilt_u95_deg"),
        "rate_deg_s": reading.number("rate_deg_s"),
        "clip": body.clip.path.rsplit("/", 1)[-1] if body.clip else None,
    }
