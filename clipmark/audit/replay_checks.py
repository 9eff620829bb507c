"""What a reading leans on beside its clip: lens, marks, rule sheet, as the journal holds them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from pydantic import JsonValue

from clipmark.errors import LensError, RecordError
from clipmark.measure.lens_file import load_lens
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Entry
from clipmark.record.models import Attempt, LensRecord, Rules
from clipmark.record.readings import Reading
from clipmark.record.rule_sheet import rule_sheet_of
from clipmark.record.texts import as_model
from clipmark.sheet_grade import TestGrade

_CLOSE = 1e-9  # relative: what a change of units or a file's decimals may do
_LINE_ROLES = {
    "ramp": "ramp line",
    "chassis": "chassis rail",
    "hubs": "hubs",
    "level": "level line",
    "plumb": "plumb line",
    "travel": "travel line",
    "scale": "scale mark",
}


@dataclass(frozen=True)
class LensCheck:
    """Whether a reading was measured with the lens that its attempt names."""

    agrees: bool | None  # None: there is nothing to compare
    sentence: str


def check_lens(attempt: Attempt, reading: Reading, entries: Sequence[Entry]) -> LensCheck | None:
    """Compare the lens in a reading with the journal's lens file that the attempt names.

    Returns
    -------
    LensCheck or None
        None where neither names a lens.
    """
    settings = reading.result.get("settings")
    used = settings.get("lens") if isinstance(settings, dict) else None
    named = attempt.lens
    if not isinstance(used, dict) and named is None:
        return None
    if named is None:
        return LensCheck(
            None, "The lens it was measured with stands in the reading; the attempt names no file."
        )
    if not isinstance(used, dict):
        return LensCheck(
            False,
            f"The attempt names the lens file {named.path}, but this reading was measured without "
            "a lens.",
        )
    held = next(
        (
            entry
            for entry in reversed(entries)
            if entry.kind == "lens" and entry.body.get("sha256") == named.sha256
        ),
        None,
    )
    if held is None:
        return LensCheck(
            None,
            f"The journal does not hold the lens file {named.path} that the attempt names; the "
            "reading carries the lens that it was measured with.",
        )
    try:
        record = as_model(LensRecord, held.body, f"lens {held.id}")
        file, own = load_lens(record.lens).to_dict(), load_lens(used).to_dict()
    except (RecordError, LensError) as error:
        return LensCheck(None, f"The lens cannot be compared: {error}.")
    different = _lens_differences(file, own)
    if not different:
        return LensCheck(True, f"It was measured with the lens file {named.path} of the journal.")
    return LensCheck(
        False,
        f"The lens in the reading is not that of {named.path}, which the attempt names: "
        f"{'; '.join(different)}. The reading is repeated with its own.",
    )


def _lens_differences(file: Mapping[str, object], own: Mapping[str, object]) -> list[str]:
    """What two lenses, in their whole JSON form, say differently."""
    old, new = _numbers_of(file), _numbers_of(own)
    told = [
        f"{name.replace('_', ' ')} {own.get(name)}, file {file.get(name)}"
        for name in ("model", "image_size", "focal")
        if file.get(name) != own.get(name)
    ]
    told += [
        f"{name} {new[name]:.9g}, file {old[name]:.9g}"
        for name in new
        if name in old and not _close(new[name], old[name])
    ]
    matrices = [_flat(cast(JsonValue, lens.get("covariance"))) for lens in (file, own)]
    same = len(matrices[0]) == len(matrices[1]) and all(
        _close(a, b, floor=0.0) for a, b in zip(*matrices, strict=True)
    )
    return told if same else [*told, "its covariance"]


def _numbers_of(lens: Mapping[str, object]) -> dict[str, float]:
    distortion = cast("dict[str, float]", lens["distortion"])
    centre = {name: float(cast(float, lens[name])) for name in ("fx", "fy", "cx", "cy")}
    return centre | {name: float(value) for name, value in distortion.items()}


def changed_marks(attempt: Attempt, reading: Reading) -> tuple[str, ...]:
    """Marks of the attempt that are not those the reading was measured from, by name.

    An attempt that holds no marks at all is not compared: it was saved by a program.
    """
    if not attempt.marks:
        return ()
    used = _used(reading)
    held = _held(attempt)
    changed = [name for name, marks in used.items() if not _same(marks, held.get(name, []))]
    if reading.measure == "angle":  # a line that was marked later belongs to a new reading
        later = set(held) & {"ramp line", "chassis rail", "hubs", "level line", "plumb line"}
        changed += sorted(later - set(used))
    at = _frame_of(attempt, reading)
    if at is not None and at != reading.frame:
        changed.append(f"frame of the marks ({reading.frame} then, {at} now)")
    return tuple(changed)


def _used(reading: Reading) -> dict[str, list[list[float]]]:
    """What a reading was measured from: numbers of each mark, by name."""
    found: dict[str, list[list[float]]] = {}
    settings = _table(reading.result.get("settings"))
    for role, described in _table(reading.result.get("lines")).items():
        several = described if isinstance(described, list) else [described]
        for item in several:
            marked = _table(item).get("marked")
            if isinstance(marked, list):
                name = _LINE_ROLES.get(role, role)
                found.setdefault(name, []).extend(cast("list[list[float]]", marked))
    if reading.measure == "crawl":
        patch, travel = settings.get("patch"), settings.get("travel")
        found |= {"body patch": [cast("list[float]", patch)]} if patch else {}
        found |= {"travel line": [cast("list[float]", travel)]} if travel else {}
        if settings.get("scale_marked") is True and isinstance(settings.get("scale"), list):
            found["scale mark"] = [cast("list[float]", settings["scale"])]
        wheels = settings.get("wheels")
        if isinstance(wheels, list) and wheels:
            found["wheel"] = cast("list[list[float]]", wheels)
    sheets = [settings.get("sheet"), *cast("list[JsonValue]", settings.get("further_sheets") or [])]
    corners = [_flat(_table(item).get("corners")) for item in sheets if item]
    return found | ({"sheet": corners} if corners else {})


def _held(attempt: Attempt) -> dict[str, list[list[float]]]:
    found: dict[str, list[list[float]]] = {}
    for mark in attempt.marks:
        if mark.shape == "line":
            name = _LINE_ROLES.get(mark.role, mark.role)
            numbers = [mark.x1, mark.y1, mark.x2, mark.y2]
        elif mark.shape == "patch":
            name, numbers = "body patch", [mark.x, mark.y, mark.w, mark.h]
        elif mark.shape == "wheel":
            name, numbers = "wheel", [mark.cx, mark.cy, mark.rx, mark.ry, mark.turn_deg]
        elif mark.shape == "sheet":
            name, numbers = "sheet", _flat(cast(JsonValue, mark.corners))
        else:
            continue
        found.setdefault(name, []).append(numbers)
    return found


def _frame_of(attempt: Attempt, reading: Reading) -> int | None:
    """The frame that the attempt's marks of this measure were set on, where all say the same."""
    of_crawl = {"body"}
    frames = {
        mark.frame
        for mark in attempt.marks
        if mark.frame is not None
        and (mark.role in of_crawl if reading.measure == "crawl" else mark.role == "ramp")
    }
    return frames.pop() if len(frames) == 1 else None


def _same(one: list[list[float]], other: list[list[float]]) -> bool:
    """Whether both are the same marks; their order does not count."""
    if len(one) != len(other):
        return False
    return all(
        len(a) == len(b) and all(_close(x, y) for x, y in zip(a, b, strict=True))
        for a, b in zip(sorted(one), sorted(other), strict=True)
    )


@dataclass(frozen=True)
class GradeReplay:
    """The grade of a crawl once more, by the rule sheet that was in force.

    Attributes
    ----------
    revision : int
        Of the rule sheet in the journal.
    saved, repeated : float or None
        Grade in the reading, and of the repetition.
    of_attempt : float or None
        What the attempt has as its grade.
    agrees : bool
    sentence : str
    """

    revision: int
    saved: float | None
    repeated: float | None
    of_attempt: float | None
    agrees: bool
    sentence: str


def replay_grade(
    attempt: Attempt,
    reading: Reading,
    result: JsonObject,
    graded_by: Attempt,
    entries: Sequence[Entry],
) -> GradeReplay | None:
    """Grade a repeated crawl as the rule sheet did when the reading was saved.

    Parameters
    ----------
    attempt : Attempt
        The revision that is audited.
    reading, result
        The crawl as saved, and as repeated.
    graded_by : Attempt
        The revision in which the reading was first saved: its rule sheet graded it.
    entries : sequence of Entry
        Of the journal.

    Returns
    -------
    GradeReplay or None
        None where the test is not graded and the reading has no grade, or nothing names a sheet.
    """
    ref = graded_by.rules
    if reading.measure != "crawl" or ref is None:
        return None
    saved = _grade(reading.result)
    try:
        test_grade = sheet_in_force(graded_by, entries)
    except RecordError as error:
        return GradeReplay(ref.revision, saved, None, attempt.grade, False, f"No grade: {error}.")
    if test_grade is None:
        if saved is None:
            return None
        told = f"The journal does not hold revision {ref.revision} of the rule sheet; no grade."
        return GradeReplay(ref.revision, saved, None, attempt.grade, False, told)
    graded = test_grade.graded("crawl", result)
    repeated = _grade(graded)
    if test_grade.table is None and saved is None:
        return None
    agrees = saved == repeated
    what = f"by revision {ref.revision} of the rule sheet"
    if agrees:
        told = f"Graded once more {what}: {_grade_words(repeated)}, as saved."
    else:
        told = (
            f"Graded once more {what}: {_grade_words(repeated)}; the reading was saved with "
            f"{_grade_words(saved)}."
        )
    if attempt.grade != saved:
        told += f" The attempt itself has {_grade_words(attempt.grade)}, given by a person."
    return GradeReplay(ref.revision, saved, repeated, attempt.grade, agrees, told)


def sheet_in_force(attempt: Attempt, entries: Sequence[Entry]) -> TestGrade | None:
    """What the rule sheet that a revision names says of its test; None where no journal holds it.

    Raises
    ------
    RecordError
        When that sheet cannot be read.
    """
    ref = attempt.rules
    held = next(
        (
            e
            for e in entries
            if ref is not None and (e.kind, e.id, e.revision) == ("rules", ref.id, ref.revision)
        ),
        None,
    )
    if held is None:
        return None
    rules = as_model(Rules, held.body, f"journal line {held.line}, the rule sheet")
    sheet = rule_sheet_of(rules.text, f"event.toml, revision {held.revision} in the journal")
    return TestGrade.of(sheet, attempt.test)


def _grade(result: Mapping[str, object]) -> float | None:
    grade = result.get("grade")
    value = grade.get("grade") if isinstance(grade, Mapping) else None
    return float(value) if isinstance(value, (int, float)) else None


def _grade_words(grade: float | None) -> str:
    return "no grade" if grade is None else f"grade {grade:g}"


def _close(a: float, b: float, *, floor: float = 1.0) -> bool:
    return math.isclose(a, b, rel_tol=_CLOSE, abs_tol=_CLOSE * floor)


def _flat(value: JsonValue) -> list[float]:
    if not isinstance(value, (list, tuple)):
        return []
    return [float(part) for pair in value for part in cast("list[float]", pair)]


def _table(value: JsonValue) -> JsonObject:
    return value if isinstance(value, dict) else {}
