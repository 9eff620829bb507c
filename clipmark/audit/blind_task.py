"""What a second marker is to mark in one picture, and the readings that their marks give.

A blind reading is the first one repeated with other marks: lens, promises, lengths, frame and
span are those of the first, so that markings are compared and nothing else. What came from a
stand, or was marked several times over, is given and not asked for again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from numpy.linalg import LinAlgError
from pydantic import JsonValue

from clipmark.audit.blind_motion import (
    REFERENCES,
    listed,
    marked_in_motion,
    motion_settings,
    paired,
)
from clipmark.audit.repeat import REPLAYED, repeat_reading
from clipmark.clip import Clip
from clipmark.errors import AuditError, MarkError
from clipmark.record.draft import Marks
from clipmark.record.draft_marks import marks_of, recorded
from clipmark.record.folder import EventFolder
from clipmark.record.markings import MarkType
from clipmark.record.models import Attempt, Stand
from clipmark.record.readings import Reading
from clipmark.record.texts import as_model

IN_AN_ANGLE = (*REFERENCES, "ramp", "hubs", "chassis")
FIELDS = {
    "wheel": "wheels",
    "tyre": "uphill_tyres",
}  # names of marks where they differ from the role
WORDS = {
    "level": "level line",
    "plumb": "plumb line",
    "ramp": "ramp line",
    "hubs": "hubs",
    "chassis": "chassis rail",
    "sheet": "sheet",
    "scale": "scale mark",
    "wheel": "wheel",
    "patch": "body patch",
    "travel": "line of travel",
    "platform": "platform line",
    "tyre": "uphill tyre",
    "finish": "finish line",
}
SEVERAL = {"wheel": "wheels", "tyre": "uphill tyres"}  # of these there may be more than one


@dataclass(frozen=True)
class Role:
    """One thing to be marked.

    Attributes
    ----------
    name : str
        Level, plumb, ramp, hubs, chassis, sheet, scale, wheel, patch, travel, platform, tyre or
        finish.
    hint : str
        What cannot be seen in the picture; empty where nothing need be said.
    count : int
        How many of them.
    needed : bool
        False where the first marking's own is used if it is left.
    """

    name: str
    hint: str = ""
    count: int = 1
    needed: bool = True


@dataclass(frozen=True)
class Task:
    """What is to be marked of one attempt, and where.

    Attributes
    ----------
    frame : int
        Ordinal that the marks belong to, as the first marking had it.
    patch_frame : int or None
        Ordinal for body patch and wheels, where it is another one.
    span : (int, int) or None
        First and last frame of the attempt.
    roles : tuple of Role
        In the order in which they are asked for.
    readings : tuple of Reading
        The readings to be taken anew.
    """

    frame: int
    patch_frame: int | None
    span: tuple[int, int] | None
    roles: tuple[Role, ...]
    readings: tuple[Reading, ...]

    def role(self, name: str) -> Role | None:
        """The role of that name, or None when it is not asked for."""
        return next((role for role in self.roles if role.name == name), None)

    def missing(self, marks: Marks) -> list[str]:
        """What is needed and not marked, in words."""
        found = []
        for role in self.roles:
            value = getattr(marks, FIELDS.get(role.name, role.name))
            have = len(value) if role.name in SEVERAL else int(value is not None)
            if role.needed and have < role.count:
                short = f"{have} of {role.count} {SEVERAL.get(role.name, '')} are marked"
                found.append(WORDS[role.name] if role.count == 1 else short)
        return found


def task_of(event: EventFolder, attempt: Attempt) -> Task:
    """What a second marker has to mark of an attempt.

    Raises
    ------
    AuditError
        When it has no clip, or no reading that this version can take again.
    """
    if attempt.clip is None:
        raise AuditError("it has no clip, so there is nothing to mark")
    held = {measure: attempt.reading(measure) for measure in REPLAYED}
    readings = tuple(reading for reading in held.values() if reading is not None)
    if not readings:
        raise AuditError(
            "it has no reading that can be taken again, so there is nothing to compare"
        )
    frames = [reading.marked_frame for reading in readings]
    if any(frame is None for frame in frames):
        raise AuditError("its reading names no frame, so it cannot be taken again")
    # One picture is marked: a climb or a tilt that was marked on another one is left as it is.
    readings = tuple(
        reading
        for reading, frame in zip(readings, frames, strict=True)
        if frame == frames[0] or reading.measure == "crawl"
    )
    given = given_roles(event, attempt)
    names = dict.fromkeys(n for reading in readings for n in _marked_in(attempt, reading))
    roles = tuple(_role(n, attempt, readings) for n in names if n not in given)
    crawl = held["crawl"]
    span = None if attempt.span is None else (attempt.span.first_frame, attempt.span.last_frame)
    for reading in readings:
        if reading.measure == "angle":
            continue
        first, last = cast("list[int]", _settings(reading)["span"])
        span = (min(first, span[0]), max(last, span[1])) if span else (first, last)
    frame = cast(int, frames[0])
    patch_frame = None if crawl is None or crawl.frame == frame else crawl.frame
    return Task(frame, patch_frame, span, roles, readings)


def given_roles(event: EventFolder, attempt: Attempt) -> set[str]:
    """Roles whose marks are the first marking's own: of a stand, carried, or marked several times.

    An error in one of them moves both markings alike.
    """
    given: set[str] = set()
    if attempt.stand is not None:
        for line in event.history(attempt.stand.id, "stand"):
            if line.revision == attempt.stand.revision:
                stand = as_model(Stand, line.body, f"the stand {line.id}")
                given |= {mark.role for mark in stand.marks}
    for measure in ("climb", "tilt"):
        reading = attempt.reading(measure)
        settings = {} if reading is None else _settings(reading)
        given |= {kind for kind in REFERENCES if len(listed(settings.get(kind))) > 1}
    angle = attempt.reading("angle")
    for kind in REFERENCES if angle is not None else ():
        told = _lines(cast(Reading, angle)).get(kind)
        several = isinstance(told, list) and len(told) > 1
        one = told[0] if isinstance(told, list) and told else told
        if several or (isinstance(one, dict) and one.get("carried")):
            given.add(kind)
    return given


def recorded_marks(task: Task, attempt: Attempt, marks: Marks) -> tuple[MarkType, ...]:
    """The asked-for marks as the journal keeps them, with the sizes that were given."""
    said = marks_of(attempt)
    asked = {FIELDS.get(role.name, role.name) for role in task.roles}
    body = {name: getattr(marks, name) for name in asked}
    body |= {"frame": task.frame, "patch_frame": task.patch_frame}
    known = ("sheet_size", "sheet_u_mm", "scale_mm", "wheel_mm", "level_u", "edge_fit")
    body |= {name: getattr(said, name) for name in known}
    sheet = _sheet(task.readings)
    if sheet is not None:
        body["sheet_size"] = cast("list[float]", sheet["size_mm"])
    return recorded(as_model(Marks, body, "the marks"))


def measure_anew(
    clip: Clip,
    attempt: Attempt,
    reading: Reading,
    task: Task,
    marks: Marks,
    progress: Callable[[int, int], None] | None = None,
) -> Reading:
    """One reading taken again from a second marker's marks, everything else as it was.

    Parameters
    ----------
    clip : Clip
        Opened with `clipmark.audit.repeat.true_fps_of` the reading.
    attempt : Attempt
        The revision that holds the reading.
    reading : Reading
    task : Task
        Of that attempt.
    marks : Marks
        Px of the upright picture, on the frames that the task names.
    progress : callable, optional
        Called with frames done and frames in all, of a crawl.

    Raises
    ------
    AuditError
        When something needed is not marked.
    ClipmarkError
        Of any kind that the measurement raises.
    """
    missing = task.missing(marks)
    if missing:
        raise AuditError(f"not everything is marked: mark {', '.join(missing)} as well")
    try:
        result = repeat_reading(clip, attempt, with_marks(reading, task, marks), progress=progress)
    except (LinAlgError, ArithmeticError) as error:
        raise MarkError(
            f"these marks give no result ({error}); some of them lie on one another, or on one "
            "line: mark them further apart"
        ) from error
    return Reading.from_measured(reading.measure, result)


def with_marks(reading: Reading, task: Task, marks: Marks) -> Reading:
    """The reading as if it had been taken from these marks; its numbers are not touched."""
    asked = {role.name for role in task.roles}
    result = dict(reading.result)
    settings = dict(_settings(reading))
    if "sheet" in asked and marks.sheet is not None and settings.get("sheet") is not None:
        corners = [list(marks.sheet[at : at + 2]) for at in range(0, 8, 2)]
        settings["sheet"] = cast(
            JsonValue, {**cast("dict[str, JsonValue]", settings["sheet"]), "corners": corners}
        )
    if reading.measure == "angle":
        lines = dict(_lines(reading))
        for name in ("ramp", "chassis", "hubs", *REFERENCES):
            line = getattr(marks, name)
            if name in asked and name in lines and line is not None:
                lines[name] = {"marked": [list(line)]}
        result["lines"] = lines
    elif reading.measure == "crawl":
        settings |= _crawl_settings(settings, asked, marks)
    else:
        settings |= motion_settings(reading.measure, settings, asked, marks)
    result["settings"] = settings
    return reading.model_copy(update={"result": result})


def _crawl_settings(
    settings: Mapping[str, JsonValue], asked: set[str], marks: Marks
) -> dict[str, JsonValue]:
    found: dict[str, JsonValue] = {}
    if marks.patch is not None:
        found["patch"] = list(marks.patch)
    for name in ("travel", "scale"):
        line = getattr(marks, name)
        if name in asked and line is not None:
            found[name] = list(line)
    if "wheel" in asked:
        before = cast("list[list[float]]", settings["wheels"])
        found["wheels"] = cast(JsonValue, paired(before, marks.wheels))
    return found


def _marked_in(attempt: Attempt, reading: Reading) -> Iterable[str]:
    """Roles whose marks a reading used, in the order of marking."""
    settings = _settings(reading)
    if reading.measure in ("climb", "tilt"):
        yield from marked_in_motion(reading.measure, settings)
        return
    if reading.measure == "angle":
        lines = _lines(reading)
        yield from (
            name for name in ("level", "plumb", "ramp", "hubs", "chassis") if lines.get(name)
        )
        if settings.get("sheet") is not None:
            yield "sheet"
        return
    if settings.get("sheet") is not None:
        yield "sheet"
    marked = settings.get("scale_marked", attempt.mark("scale") is not None)
    if settings.get("scale_from") == "scale mark" and marked:
        yield "scale"
    if settings.get("wheels"):
        yield "wheel"
    yield "patch"
    if settings.get("travel") is not None:
        yield "travel"


def _role(name: str, attempt: Attempt, readings: Sequence[Reading]) -> Role:
    if name == "sheet":
        width, height = cast("list[float]", cast(Mapping[str, object], _sheet(readings))["size_mm"])
        side = "longer" if width > height else "shorter"
        hint = "" if width == height else f"Begin with a {side} side of the sheet."
        return Role(name, hint)
    told = [_settings(reading) for reading in readings if reading.measure != "angle"]
    if name in SEVERAL:
        marked = next(found for one in told if (found := one.get(FIELDS[name])))
        return Role(name, count=len(listed(marked)))
    if name == "scale":
        length = cast(float, next(found for one in told if (found := one.get("scale_mm"))))
        hint = f"Two points {length:g} mm apart; leave it when you cannot tell which they are."
        return Role(name, hint, needed=False)
    return Role(name)


def _sheet(readings: Sequence[Reading]) -> Mapping[str, object] | None:
    told = next((found for r in readings if (found := _settings(r).get("sheet"))), None)
    return cast("Mapping[str, object] | None", told)


def _settings(reading: Reading) -> Mapping[str, JsonValue]:
    found = reading.result.get("settings")
    if not isinstance(found, dict):
        raise AuditError(
            f"its {reading.measure} reading does not say how it was measured, so it cannot be "
            "taken again"
        )
    return found


def _lines(reading: Reading) -> Mapping[str, JsonValue]:
    found = reading.result.get("lines")
    if not isinstance(found, dict):
        raise AuditError("its angle reading does not say what was marked; it cannot be taken again")
    return found
