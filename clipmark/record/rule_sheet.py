"""What the rule sheet, ``event.toml``, says of tests, entries, stands and calls.

Read tolerantly: a key that is not known is passed over, since other rooms have their own; a key
of the wrong kind is refused with file and place. Nothing is scored here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from clipmark.errors import RecordError
from clipmark.motion.reverse_call import FACTS
from clipmark.record import sheets
from clipmark.record.chain import is_id
from clipmark.uncertainty.grades import GradeTable

# What a smoothness test may be graded over: the values of a crawl reading.
GRADED_MEASURES = (
    "duration_s",
    "distance_mm",
    "mean_speed_mm_s",
    "slowest_speed_mm_s",
    "ripple",
    "stalls",
    "rollback_mm",
    "start_jump",
    "start_delay_s",
    "stop_distance_mm",
    "roll_off_mm",
    "sparc",
    "ldlj",
)
GRADE_KEYS = ("grade_below", "grade_above", "grade_else")


@dataclass(frozen=True)
class TestRules:
    """One test of the event; what the sheet does not say is empty or None.

    Attributes
    ----------
    id, kind, surface, measure : str
    steps_deg : tuple of float
        Steps of a ladder, in the order written.
    tries_per_step, stop_after_failed_steps : int or None
    calls : dict of str to float
        Points of each call that this test names.
    grades : tuple of (float, float)
        Grade and its points.
    grade_table : GradeTable or None
        Of a smoothness test: which grade a measure of the crawl gives.
    hold_s : float or None
        How long a slowest speed must be held, s.
    band_hz : tuple of float or None
        Low and high end of the band of a ripple.
    tilt_event : str
        Which event of a side tilt counts.
    reverse_needs : tuple of str or None
        Which facts make a move back a reverse, all of them; None where the sheet does not say.
    """

    __test__ = False  # a test of the event, not of the software

    id: str
    kind: str = ""
    surface: str = ""
    measure: str = ""
    steps_deg: tuple[float, ...] = ()
    tries_per_step: int | None = None
    stop_after_failed_steps: int | None = None
    calls: dict[str, float] = field(default_factory=dict)
    grades: tuple[tuple[float, float], ...] = ()
    grade_table: GradeTable | None = None
    hold_s: float | None = None
    band_hz: tuple[float, float] | None = None
    tilt_event: str = ""
    reverse_needs: tuple[str, ...] | None = None


@dataclass(frozen=True)
class EntryRules:
    """One truck as entered."""

    name: str
    driver: str = ""
    setups: tuple[str, ...] = ()


@dataclass(frozen=True)
class StandRules:
    """What is promised of one camera position, degrees."""

    id: str
    level_u_deg: float | None = None
    square_within_deg: float | None = None
    view_angle_deg: float | None = None


@dataclass(frozen=True)
class RuleSheet:
    """The parts of the rule sheet that marking needs."""

    name: str
    date: str = ""
    place: str = ""
    tests: tuple[TestRules, ...] = ()
    entries: tuple[EntryRules, ...] = ()
    stands: tuple[StandRules, ...] = ()

    def test(self, test_id: str) -> TestRules | None:
        """The test of that name, or None."""
        return next((test for test in self.tests if test.id == test_id), None)


def read_rule_sheet(folder: Path, name: str | None = None) -> RuleSheet:
    """Read ``event.toml`` of an event folder; `name` stands for its path in what is refused.

    Raises
    ------
    RecordError
        When it is missing, is not TOML, or a key is of the wrong kind; with file and place.
    FolderError
        When it cannot be read.
    """
    path = folder / sheets.EVENT_NAME
    named = str(path) if name is None else name
    text = sheets.read_text(path)
    if text is None:
        raise RecordError(f"{named}: the rule sheet is missing; put it back")
    return rule_sheet_of(text, named)


def rule_sheet_of(text: str, name: str = sheets.EVENT_NAME) -> RuleSheet:
    """The rule sheet from its text; raises `RecordError` as `read_rule_sheet` does."""
    data = sheets.parse_toml(text, name)
    event_name = sheets.event_name(text, name)
    event = _Table(data.get("event"), name, "[event]")
    return RuleSheet(
        name=event_name,
        date=event.text("date"),
        place=event.text("place"),
        tests=tuple(_test(table) for table in _tables(data, "test", name)),
        entries=tuple(
            EntryRules(table.needed("name"), table.text("driver"), table.texts("setups"))
            for table in _tables(data, "entry", name)
        ),
        stands=tuple(_stand(table) for table in _tables(data, "stand", name)),
    )


def _test(table: _Table) -> TestRules:
    return TestRules(
        id=table.needed("id"),
        kind=table.text("kind"),
        surface=table.text("surface"),
        measure=table.text("measure"),
        steps_deg=table.numbers("steps_deg"),
        tries_per_step=table.count("tries_per_step"),
        stop_after_failed_steps=table.count("stop_after_failed_steps"),
        calls=table.points("calls"),
        grades=table.pairs("grades"),
        grade_table=_grade_table(table),
        hold_s=_hold_s(table),
        band_hz=_band_hz(table),
        tilt_event=table.text("tilt_event"),
        reverse_needs=_reverse_needs(table),
    )


def _reverse_needs(table: _Table) -> tuple[str, ...] | None:
    """The facts that a reverse needs; None where the key is not there."""
    if not table.has("reverse_needs"):
        return None
    needs = table.texts("reverse_needs")
    if not needs or len(set(needs)) != len(needs) or not set(needs) <= set(FACTS):
        known = ", ".join(f'"{name}"' for name in FACTS)
        raise table.wrong(
            "reverse_needs",
            f"a list of one or more of {known}, each once, all of which a reverse needs",
        )
    return needs


def _hold_s(table: _Table) -> float | None:
    found = table.number("hold_s")
    if found is not None and found <= 0:
        raise table.wrong("hold_s", "a time above 0, in seconds")
    return found


def _band_hz(table: _Table) -> tuple[float, float] | None:
    if not table.has("band_hz"):
        return None
    ends = table.numbers("band_hz")
    if len(ends) != 2 or not 0 < ends[0] < ends[1]:
        raise table.wrong("band_hz", "the low and the high end of a band in Hz, such as [0.5, 5.0]")
    return ends[0], ends[1]


def _grade_table(table: _Table) -> GradeTable | None:
    """The table of grades of a smoothness test; None where the sheet gives none."""
    given = [key for key in GRADE_KEYS if table.has(key)]
    if not given:
        return None
    if table.text("kind") != "smoothness":
        raise table.refused(
            given[0],
            'grades a crawl, so it has its place in a test of kind "smoothness"; give the test '
            "that kind, or take the line out",
        )
    steps = [key for key in given if key != "grade_else"]
    if len(steps) != 1:
        raise table.refused(
            "grade_else" if not steps else "grade_above",
            "needs grade_below (where less is better) or grade_above (where more is better), and "
            "only one of them; give one",
        )
    if table.number("grade_else") is None:
        raise table.refused(
            steps[0], "leaves the rest without a grade; add grade_else, such as grade_else = 1"
        )
    measure = table.text("measure")
    if measure not in GRADED_MEASURES:
        raise table.wrong("measure", f"one of {', '.join(GRADED_MEASURES)}")
    pairs = table.pairs(steps[0], "a list of limits with grades, such as [[0.03, 5], [0.06, 4]]")
    otherwise = table.number("grade_else") or 0.0
    try:
        return GradeTable(measure, pairs, otherwise, steps[0] == "grade_above")
    except ValueError as error:
        raise table.refused(steps[0], f"cannot be used: {error}; mend that line") from error


def _stand(table: _Table) -> StandRules:
    stand_id = table.needed("id")
    if not is_id(stand_id):
        raise table.wrong("id", "letters, digits, dot, dash and underscore, at most 64 of them")
    return StandRules(
        id=stand_id,
        level_u_deg=table.number("level_u_deg"),
        square_within_deg=table.number("square_within_deg"),
        view_angle_deg=table.number("view_angle_deg"),
    )


def _tables(data: Mapping[str, object], name: str, file: str) -> list[_Table]:
    """Every ``[[name]]`` of the sheet, with its place for people."""
    found = data.get(name)
    if found is None:
        return []
    if isinstance(found, Mapping):  # a single one, written [name]
        found = [found]
    if not isinstance(found, Sequence) or isinstance(found, str):
        raise RecordError(f"{file}: {name} must be written as [[{name}]] blocks; mend that")
    tables = [
        _Table(item, file, f"[[{name}]] number {number}")
        for number, item in enumerate(found, start=1)
    ]
    key = "name" if name == "entry" else "id"
    seen: set[str] = set()
    for table in tables:
        title = table.needed(key)
        if title in seen:
            raise RecordError(
                f"{file}, {table.place}: {key} '{title}' stands there twice; rename one, or take "
                "it out"
            )
        seen.add(title)
    return tables


class _Table:
    """One table of the sheet, read key by key; every refusal says where."""

    def __init__(self, data: object, file: str, place: str) -> None:
        self._file, self.place = file, place
        if data is None:
            data = {}
        if not isinstance(data, Mapping):
            raise RecordError(f"{file}, {place}: it must be a table of keys; mend that")
        self._data = data

    def has(self, key: str) -> bool:
        """Whether the key stands there at all."""
        return key in self._data

    def refused(self, key: str, why: str) -> RecordError:
        """A refusal that names the key and its place."""
        return RecordError(f"{self._file}, {self.place}: {key} {why}")

    def wrong(self, key: str, wanted: str) -> RecordError:
        """The refusal of a key, saying what it must be."""
        if not self.has(key):
            return self.refused(key, f"must be {wanted}, but is missing; give it")
        given = repr(self._data.get(key))[:60]
        return self.refused(key, f"must be {wanted}, but is {given}; mend that line")

    def text(self, key: str) -> str:
        value = self._data.get(key)
        if value is None:
            return ""
        if isinstance(value, (bool, int, float, list, dict)):
            raise self.wrong(key, "text in quotes")
        return " ".join(str(value).split())[:200]  # a date is read as its text

    def needed(self, key: str) -> str:
        found = self.text(key)
        if not found:
            raise RecordError(f"{self._file}, {self.place}: {key} is missing; give it")
        return found

    def texts(self, key: str) -> tuple[str, ...]:
        value = self._data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.wrong(key, "a list of texts")
        return tuple(" ".join(item.split())[:200] for item in value)

    def number(self, key: str) -> float | None:
        value = self._data.get(key)
        if value is None:
            return None
        if not _is_number(value):
            raise self.wrong(key, "a number")
        return float(value)

    def count(self, key: str) -> int | None:
        value = self._data.get(key)
        if value is None:
            return None
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 10**9:
            raise self.wrong(key, "a whole number from 0")
        return value

    def numbers(self, key: str) -> tuple[float, ...]:
        value = self._data.get(key, [])
        if not isinstance(value, list) or not all(_is_number(item) for item in value):
            raise self.wrong(key, "a list of numbers")
        return tuple(float(item) for item in value)

    def points(self, key: str) -> dict[str, float]:
        value = self._data.get(key, {})
        if not isinstance(value, Mapping) or not all(_is_number(v) for v in value.values()):
            raise self.wrong(key, "names with points, such as { touch = 10 }")
        return {_call_name(str(name)): float(points) for name, points in value.items()}

    def pairs(
        self, key: str, wanted: str = "a list of pairs, such as [[3, 100], [0, 0]]"
    ) -> tuple[tuple[float, float], ...]:
        value = self._data.get(key, [])
        pairs = isinstance(value, list) and all(
            isinstance(item, list) and len(item) == 2 and all(_is_number(part) for part in item)
            for item in value
        )
        if not pairs:
            raise self.wrong(key, wanted)
        return tuple((float(first), float(second)) for first, second in value)


def _call_name(name: str) -> str:
    """A call as the journal has it: ``out_of_time`` and ``out of time`` are ``out-of-time``."""
    return "-".join(name.replace("_", " ").split())


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return math.isfinite(value) if isinstance(value, float) else abs(value) < 2**53
