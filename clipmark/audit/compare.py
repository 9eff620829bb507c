"""A reading beside its repetition: the same to the last digit, within rounding, or different. Pure.

What is of the run and not of the result (versions, the grade that a rule sheet gives, what was
found of the stand) is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import JsonValue

from clipmark.record.readings import beside

ROUNDING = 1e-9  # relative to the value, absolute below 1: what a reordered sum may change
OF_THE_RUN = (
    "versions", "software", "grade", "reverse_call", "stand", "saved_stand", "clip_sha256",
)  # fmt: skip
Sameness = Literal["equal", "within rounding", "changed"]
_SPREADS = ("_u95", "_low95", "_high95")


@dataclass(frozen=True)
class Difference:
    """One place in which two results differ, with both values.

    Attributes
    ----------
    name : str
        Where it stands in the result: ``ramp_deg``, ``stalls.0.dwell_s``.
    before, after
        What the journal holds and what was measured now; None where one has nothing there.
    before_u95, after_u95 : float or None
        Expanded uncertainty (95 %) of each, where the result states one beside the value.
    """

    name: str
    before: JsonValue
    after: JsonValue
    before_u95: float | None = None
    after_u95: float | None = None

    @property
    def size(self) -> float | None:
        """Distance of two numbers; None for anything else."""
        if is_number(self.before) and is_number(self.after):
            return abs(float(self.after) - float(self.before))  # type: ignore[arg-type]
        return None


@dataclass(frozen=True)
class Comparison:
    """How a repetition compares with the reading.

    Attributes
    ----------
    sameness : {'equal', 'within rounding', 'changed'}
    values : tuple of Difference
        Measured values beyond rounding: those that have an uncertainty beside them.
    others : tuple of Difference
        Everything else beyond rounding: ends of intervals, budgets, fits, words.
    largest : float
        Largest distance between two numbers, relative to the value, absolute below 1.
    """

    sameness: Sameness
    values: tuple[Difference, ...]
    others: tuple[Difference, ...]
    largest: float


def compare_results(before: Mapping[str, JsonValue], after: Mapping[str, JsonValue]) -> Comparison:
    """Compare two results of one measurement, as ``--json`` prints them, in plain JSON values."""
    largest = 0.0
    exact = True
    beyond: list[Difference] = []
    old = {name: value for name, value in before.items() if name not in OF_THE_RUN}
    new = {name: value for name, value in after.items() if name not in OF_THE_RUN}
    for name, a, b in _leaves("", old, new):
        if type(a) is not type(b) and not (is_number(a) and is_number(b)):
            exact = False
            beyond.append(Difference(name, a, b))
        elif is_number(a):
            off = _distance(float(a), float(b))  # type: ignore[arg-type]
            largest, exact = max(largest, off), exact and a == b
            if off > ROUNDING:
                beyond.append(Difference(name, a, b))
        elif a != b:
            exact = False
            beyond.append(Difference(name, a, b))
    values = tuple(_with_u95(item, old, new) for item in beyond if _is_value(item.name, old, new))
    named = {item.name for item in values}
    others = tuple(item for item in beyond if item.name not in named)
    sameness: Sameness = "changed" if beyond else "equal" if exact else "within rounding"
    return Comparison(sameness, values, others, largest)


def _leaves(name: str, a: JsonValue, b: JsonValue) -> Iterator[tuple[str, JsonValue, JsonValue]]:
    """Every place that holds no table and no list, with both values."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in (*a, *(key for key in b if key not in a)):
            if key in a and key in b:
                yield from _leaves(f"{name}.{key}".lstrip("."), a[key], b[key])
            elif key not in a and name == "settings":
                continue  # an earlier version told less of what it was asked
            elif a.get(key, b.get(key)) is not None:  # a key that is null is as good as none
                yield f"{name}.{key}".lstrip("."), a.get(key), b.get(key)
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for number, (left, right) in enumerate(zip(a, b, strict=True)):
            yield from _leaves(f"{name}.{number}", left, right)
    else:
        yield name, a, b


def _distance(a: float, b: float) -> float:
    return abs(a - b) / max(1.0, abs(a), abs(b))


def is_number(value: object) -> bool:
    """Whether a value of plain data is a number."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_value(name: str, old: Mapping[str, JsonValue], new: Mapping[str, JsonValue]) -> bool:
    return "." not in name and (beside(name, "u95") in old or beside(name, "u95") in new)


def _with_u95(
    item: Difference, old: Mapping[str, JsonValue], new: Mapping[str, JsonValue]
) -> Difference:
    beside_it = beside(item.name, "u95")
    found = [
        float(value) if is_number(value := table.get(beside_it)) else None  # type: ignore[arg-type]
        for table in (old, new)
    ]
    return Difference(item.name, item.before, item.after, found[0], found[1])
