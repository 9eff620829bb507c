"""The marks of an angle measurement, checked against the picture before anything is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from clipmark.clip import Clip
from clipmark.errors import MarkError
from clipmark.marks import Line, as_line, check_line, check_reference
from clipmark.measure.angle_model import Facing

LineLike = Line | Sequence[float]
Repeated = LineLike | Sequence[LineLike]
ReferenceKind = Literal["level", "plumb"]
CLOSE_PX = 3.0  # two lines whose ends lie nearer than this are one line marked twice


@dataclass(frozen=True)
class ReferenceMark:
    """A line marked as level or plumb, with its name for people."""

    line: Line
    kind: ReferenceKind
    name: str


@dataclass(frozen=True)
class AngleMarks:
    """What was marked, checked against the picture."""

    ramp: tuple[Line, ...]
    chassis: tuple[Line, ...]
    hubs: tuple[Line, ...]
    references: tuple[ReferenceMark, ...]
    facing: Facing | None

    @classmethod
    def checked(
        cls,
        clip: Clip,
        ramp: Repeated,
        chassis: Repeated | None,
        hubs: Repeated | None,
        level: Repeated | None,
        plumb: Repeated | None,
        facing: str | None,
        level_u_deg: float,
    ) -> AngleMarks:
        """Check every mark against the picture; raises `MarkError` with a sentence."""
        references = _references(level, plumb)
        if chassis is not None and hubs is not None:
            raise MarkError("both a chassis line and hubs were given; give the one to be measured")
        if facing not in (None, "left", "right"):
            raise MarkError(f"the truck cannot face '{facing}'; give left or right")
        if not 0.0 <= level_u_deg < 45.0:
            raise MarkError(
                f"an uncertainty of {level_u_deg:g} deg was stated for the level reference; "
                "give a standard uncertainty from 0 to 45 deg"
            )
        ramps = _lines(ramp, "the ramp line")
        rails = _lines(chassis, "the chassis line") if chassis is not None else ()
        pairs = _lines(hubs, "the hubs") if hubs is not None else ()
        named_lines = [(line, "the ramp line") for line in ramps]
        named_lines += [(line, "the chassis line") for line in rails]
        named_lines += [(line, "the line between the hubs") for line in pairs]
        named_lines += [(item.line, f"the {item.name}") for item in references]
        for line, what in named_lines:
            check_line(line, clip.width, clip.height, what)
        for item in references:
            check_reference(item.line, item.kind)
        _check_apart(named_lines, references)
        for rail in rails:
            if any(_same_line(rail, line) for line in ramps):
                raise MarkError(
                    "the ramp line and the chassis line are the same line; mark the board's edge "
                    "as the one and the truck's rail as the other"
                )
        return cls(ramps, rails, pairs, references, cast("Facing | None", facing))


def _references(level: Repeated | None, plumb: Repeated | None) -> tuple[ReferenceMark, ...]:
    """Every line that says where level is; several of a kind are different lines, not repeats."""
    found: list[ReferenceMark] = []
    kinds: tuple[tuple[ReferenceKind, Repeated | None], ...] = (("level", level), ("plumb", plumb))
    for kind, given in kinds:
        lines = () if given is None else _lines(given, f"the {kind} line")
        for number, line in enumerate(lines):
            found.append(ReferenceMark(line, kind, name_of_reference(kind, number)))
    if not found:
        raise MarkError(
            "neither a level line nor a plumb line was given; give at least one of them, since "
            "gravity enters only there"
        )
    return tuple(found)


def name_of_reference(kind: ReferenceKind, number: int) -> str:
    """What people read of the line of a kind with that number, from 0: "second plumb line"."""
    return f"{kind} line" if number == 0 else f"{_ordinal(number)} {kind} line"


def _ordinal(number: int) -> str:
    """ "second", "third", ... for 1, 2, ...; further ones by figure."""
    words = ("second", "third", "fourth", "fifth", "sixth")
    return words[number - 1] if number <= len(words) else f"{number + 1}th"


def _check_apart(
    named_lines: list[tuple[Line, str]], references: tuple[ReferenceMark, ...]
) -> None:
    """Refuse a reference that lies on another mark; raises `MarkError`."""
    for number, item in enumerate(references):
        others = named_lines[: len(named_lines) - len(references) + number]
        for line, what in others:
            if _same_line(line, item.line):
                raise MarkError(
                    f"{what} and the {item.name} are the same line; mark two different lines"
                )


def _lines(marked: Repeated, what: str) -> tuple[Line, ...]:
    """One line or several, as a tuple of lines."""
    if isinstance(marked, Line):
        return (marked,)
    items = list(marked)
    if not items:
        raise MarkError(f"{what} was given without any points; mark it")
    if all(isinstance(item, (int, float, np.number)) for item in items):
        return (as_line(cast(Sequence[float], items), what),)
    return tuple(as_line(cast(LineLike, item), what) for item in items)


def _same_line(first: Line, second: Line) -> bool:
    """Whether two marks lie on one another, end by end."""
    ends = np.array(first.as_tuple()).reshape(2, 2)
    other = np.array(second.as_tuple()).reshape(2, 2)
    gaps = [np.abs(ends - candidate).max() for candidate in (other, other[::-1])]
    return bool(min(gaps) < CLOSE_PX)


def lines_told(given: Repeated | None) -> list[list[float]]:
    """Ends of one line or of several, px, as they are kept with a reading; empty for none."""
    if given is None:
        return []
    if isinstance(given, Line):
        return [list(given.as_tuple())]
    if all(isinstance(item, (int, float)) for item in given):
        return [[float(item) for item in given if isinstance(item, (int, float))]]
    return [list(as_line(item, "the line").as_tuple()) for item in given]  # type: ignore[arg-type]
