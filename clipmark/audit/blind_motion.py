"""What a climb or a side tilt was marked with, and the same with a second marker's marks. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import hypot
from typing import cast

from pydantic import JsonValue

from clipmark.record.draft import Marks

REFERENCES = ("level", "plumb")
IN_A_TILT = ("platform", "chassis")
IN_A_CLIMB = ("ramp", "hubs")


def marked_in_motion(measure: str, settings: Mapping[str, JsonValue]) -> Iterable[str]:
    """Roles of a climb or a side tilt, in the order of marking."""
    yield from (kind for kind in REFERENCES if settings.get(kind))
    lines = IN_A_TILT if measure == "tilt" else IN_A_CLIMB
    yield from (name for name in (*lines, "sheet", "scale") if settings.get(name) is not None)
    if measure == "tilt":
        if settings.get("uphill_tyres"):
            yield "tyre"
        return
    if settings.get("wheels"):
        yield "wheel"
    yield "patch"
    if settings.get("finish") is not None:
        yield "finish"


def motion_settings(
    measure: str, settings: Mapping[str, JsonValue], asked: set[str], marks: Marks
) -> dict[str, JsonValue]:
    """Of a climb or a side tilt: the same settings with the second marker's marks."""
    found: dict[str, JsonValue] = {}
    for name in (*(IN_A_TILT if measure == "tilt" else (*IN_A_CLIMB, "finish")), "scale"):
        line = getattr(marks, name)
        if name in asked and line is not None and settings.get(name) is not None:
            found[name] = list(line)
    for name in REFERENCES:
        line = getattr(marks, name)
        if name in asked and line is not None and settings.get(name):
            found[name] = [list(line)]
    if measure == "climb" and marks.patch is not None:
        found["patch"] = list(marks.patch)
    for role, name, several in (
        ("wheel", "wheels", marks.wheels),
        ("tyre", "uphill_tyres", marks.uphill_tyres),
    ):
        if role in asked and settings.get(name):
            before = cast("list[list[float]]", settings[name])
            found[name] = cast(JsonValue, paired(before, several))
    return found


def paired(
    before: Sequence[Sequence[float]], after: Sequence[Sequence[float]]
) -> list[list[float]]:
    """Wheels or tyres in the order of the first marking's, so that the first meets the first."""
    left = [list(wheel) for wheel in after]
    ordered = []
    for wheel in before:
        nearest = min(left, key=lambda one: hypot(one[0] - wheel[0], one[1] - wheel[1]))
        left.remove(nearest)
        ordered.append(nearest)
    return ordered


def listed(value: object) -> list[object]:
    """The value where it is a list, else an empty one."""
    return value if isinstance(value, list) else []
