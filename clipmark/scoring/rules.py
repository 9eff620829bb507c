"""What the rule sheet says of scoring: points tables, tries, caps, ties, drops. No formulas.

Keys that other rooms read (grades of a crawl, stands) are read by `record.rule_sheet`; an old
sheet without any of the keys here opens as before and scores by what each kind does by default.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Literal

from clipmark.errors import RecordError
from clipmark.record import sheets
from clipmark.record.rule_sheet import GRADED_MEASURES, RuleSheet, rule_sheet_of
from clipmark.scoring.result import Better
from clipmark.scoring.sheet_lines import Block, Pair, Sheet
from clipmark.uncertainty.grades import GradeTable

KINDS = ("ladder", "reading", "graded", "smoothness", "course")
COUNTED = ("best", "worst", "mean", "sum", "first", "last")
MEASURES = ("ramp_deg", "chassis_deg", "chassis_to_ramp_deg", "tilt_deg", *GRADED_MEASURES)
TIES = ("best-step", "fewest-tries", "time", "count-back", "fewest-penalties")
EVENT_KEYS = (
    "name", "date", "place", "ties", "order", "classes", "points_to", "drop_tests", "reference",
)  # fmt: skip
ENTRY_KEYS = ("name", "driver", "setups", "class", "out_of_ranking", "number", "note")
TEST_KEYS = (
    "id", "kind", "surface", "measure", "note", "points", "cap", "least", "counted", "tries",
    "drop_tries", "steps_deg", "tries_per_step", "passes_needed", "stop_after_failed_steps",
    "score_by", "round_to", "tilt_event", "largest_rate_deg_s", "reverse_needs", "band_hz",
    "hold_s", "grade_below", "grade_above", "grade_else", "grades", "calls", "progress",
    "time_limit_s", "time_points", "did_not_start", "did_not_finish", "less_progress", "drift",
    "classes",
)  # fmt: skip
DriftRule = Literal["show", "take out"]


@dataclass(frozen=True)
class TestScoring:
    """How one test is scored; what the sheet does not say holds the kind's default.

    Attributes
    ----------
    points : tuple of pairs
        Measure and points, joined by straight lines; the ends hold beyond the table. Empty: the
        measure itself is the points.
    grades : dict
        Points of each grade; empty: the grade itself is the points.
    score_by : str
        A ladder: ``step`` or ``measured``; smoothness: ``grade`` or ``measure``.
    round_to : Decimal or None
        A measured value is first rounded to this, half to even.
    """

    __test__ = False

    id: str
    kind: str
    surface: str = ""
    measure: str = ""
    points: tuple[Pair, ...] = ()
    grades: Mapping[Decimal, Decimal] = field(default_factory=dict)
    grade_table: GradeTable | None = None
    cap: Decimal | None = None
    least: Decimal | None = None
    counted: str = "best"
    tries: int | None = None
    drop_tries: int = 0
    steps_deg: tuple[Decimal, ...] = ()
    tries_per_step: int | None = None
    passes_needed: int = 1
    stop_after_failed_steps: int | None = None
    score_by: str = ""
    round_to: Decimal | None = None
    tilt_event: str = ""
    calls: Mapping[str, Decimal] = field(default_factory=dict)
    progress: Decimal = Decimal(0)
    time_limit_s: Decimal | None = None
    time_points: tuple[Pair, ...] = ()
    did_not_start: Decimal | None = None
    did_not_finish: Decimal | None = None
    less_progress: bool = False
    drift: str = "show"
    classes: tuple[str, ...] = ()

    @property
    def measured(self) -> bool:
        """Whether its points come from a reading."""
        return (
            self.kind == "reading"
            or (self.kind == "smoothness" and self.score_by == "measure")
            or (self.kind == "ladder" and self.score_by == "measured")
            or (self.kind == "smoothness" and self.grade_table is not None)
        )


@dataclass(frozen=True)
class EntryScoring:
    """One entry: its class, its set-ups, whether it is ranked."""

    name: str
    driver: str = ""
    class_name: str = ""
    setups: tuple[str, ...] = ()
    out_of_ranking: bool = False


@dataclass(frozen=True)
class Rules:
    """The rule sheet as scoring reads it."""

    sheet: RuleSheet
    text: str
    better: Better = "highest"
    ties: tuple[str, ...] = ()
    points_to: Decimal = Decimal("0.01")
    drop_tests: int = 0
    reference: str = ""
    classes: tuple[str, ...] = ("",)
    tests: tuple[TestScoring, ...] = ()
    entries: tuple[EntryScoring, ...] = ()

    def test(self, test_id: str) -> TestScoring | None:
        """The test of that id, or None."""
        return next((test for test in self.tests if test.id == test_id), None)

    def entry(self, name: str) -> EntryScoring | None:
        """The entry of that name, or None."""
        return next((entry for entry in self.entries if entry.name == name), None)


def read_rules(folder: Path, *, strict: bool = False) -> Rules:
    """The rules of an event folder.

    Parameters
    ----------
    strict : bool
        Unknown keys and what a sheet leaves open are refused too, as ``clipmark score --check``.

    Raises
    ------
    RecordError
        With file, line and key of what cannot be used.
    """
    path = folder / sheets.EVENT_NAME
    text = sheets.read_text(path)
    if text is None:
        raise RecordError(f"{path}: the rule sheet is missing; put it back")
    return rules_of(text, str(path), strict=strict)


def rules_of(text: str, name: str = sheets.EVENT_NAME, *, strict: bool = False) -> Rules:
    """The rules from the text of a sheet; raises as `read_rules`."""
    found = Sheet(text, name)
    sheet = rule_sheet_of(text, name)
    event = found.block("event")
    tables = {test.id: test.grade_table for test in sheet.tests}
    tests = tuple(_test(block, tables, strict) for block in found.blocks("test"))
    entries = tuple(_entry(block, strict) for block in found.blocks("entry"))
    ties = event.texts("ties")
    for rule in ties:
        if rule not in TIES and not any(rule == f"test:{test.id}" for test in tests):
            raise event.refused(
                "ties",
                f"holds '{rule}'; give {', '.join(TIES)}, or test:ID for the points of one test",
            )
    classes = event.texts("classes") or tuple(dict.fromkeys(e.class_name for e in entries))
    for block, entry in zip(found.blocks("entry"), entries, strict=True):
        if entry.class_name not in classes:
            raise block.refused(
                "class", f"is not among the classes of [event]: {', '.join(classes)}"
            )
    reference = event.text("reference")
    if reference and reference not in {entry.name for entry in entries}:
        raise event.refused("reference", f"names '{reference}', which is no entry; add it as one")
    points_to = event.above_0("points_to") or Decimal("0.01")
    if points_to < Decimal("0.000001"):
        raise event.refused("points_to", f"is {points_to}; give 0.000001 or more")
    if strict:
        event.check_known(EVENT_KEYS)
        if not tests:
            raise event.refused("name", "stands there, but no [[test]] does; add one at least")
    return Rules(
        sheet=sheet,
        text=text,
        better="lowest" if event.one_of("order", ("highest", "lowest"), "highest") == "lowest"
        else "highest",
        ties=ties,
        points_to=points_to,
        drop_tests=event.count("drop_tests") or 0,
        reference=reference,
        classes=classes or ("",),
        tests=tests,
        entries=entries,
    )  # fmt: skip


def _entry(block: Block, strict: bool) -> EntryScoring:
    if strict:
        block.check_known(ENTRY_KEYS)
    return EntryScoring(
        name=block.text("name"),
        driver=block.text("driver"),
        class_name=block.text("class"),
        setups=block.texts("setups"),
        out_of_ranking=block.flag("out_of_ranking"),
    )


def _test(block: Block, tables: Mapping[str, GradeTable | None], strict: bool) -> TestScoring:
    if strict:
        block.check_known(TEST_KEYS)
    test_id = block.text("id")
    kind = block.one_of("kind", KINDS, "ladder") if block.has("kind") else ""
    if strict and not kind:
        raise block.refused("kind", f"is missing; give one of {', '.join(KINDS)}")
    table = tables.get(test_id)
    points = block.line_table("points")
    grades = _grades(block, table)
    measure = _measure(block, kind)
    test = TestScoring(
        id=test_id,
        kind=kind,
        surface=block.text("surface"),
        measure=measure,
        points=points,
        grades=grades,
        grade_table=table,
        cap=block.decimal("cap"),
        least=block.decimal("least"),
        counted=block.one_of("counted", COUNTED, "best"),
        tries=block.count("tries", 1),
        drop_tries=block.count("drop_tries") or 0,
        steps_deg=_steps(block),
        tries_per_step=block.count("tries_per_step", 1),
        passes_needed=block.count("passes_needed", 1) or 1,
        stop_after_failed_steps=block.count("stop_after_failed_steps", 1),
        score_by=_score_by(block, kind, points, table),
        round_to=block.above_0("round_to"),
        tilt_event=block.text("tilt_event"),
        calls=block.named("calls"),
        progress=block.decimal("progress") or Decimal(0),
        time_limit_s=block.above_0("time_limit_s"),
        time_points=block.line_table("time_points"),
        did_not_start=block.decimal("did_not_start"),
        did_not_finish=block.decimal("did_not_finish"),
        less_progress=block.flag("less_progress"),
        drift=block.one_of("drift", ("show", "take out"), "show"),
        classes=block.texts("classes"),
    )
    if test.cap is not None and test.least is not None and test.cap < test.least:
        raise block.refused("cap", f"is {test.cap}, below least, {test.least}; mend one of them")
    if strict:
        _check_complete(block, test)
    return test


def _measure(block: Block, kind: str) -> str:
    measure = block.text("measure")
    if kind == "reading" and measure not in MEASURES:
        raise block.refused("measure", f"must be one of {', '.join(MEASURES)}")
    if kind == "smoothness" and measure and measure not in GRADED_MEASURES:
        raise block.refused("measure", f"must be one of {', '.join(GRADED_MEASURES)}")
    return measure


def _steps(block: Block) -> tuple[Decimal, ...]:
    steps = block.decimals("steps_deg")
    for before, after in itertools.pairwise(steps):
        if not after > before:
            raise block.refused("steps_deg", f"must rise, but {after} comes after {before}")
    return steps


def _grades(block: Block, table: GradeTable | None) -> dict[Decimal, Decimal]:
    pairs = block.pairs("grades")
    found = dict(pairs)
    if len(found) != len(pairs):
        raise block.refused("grades", "holds one grade twice; take one of the two out")
    if table and found:
        for grade in table.grades:
            if Decimal(str(grade)) not in found:
                raise block.refused(
                    "grades",
                    f"has a gap: grade {grade:g} can be given, but has no points; add [{grade:g}, "
                    "...]",
                )
    return found


def _score_by(block: Block, kind: str, points: tuple[Pair, ...], table: GradeTable | None) -> str:
    if kind == "ladder":
        return block.one_of("score_by", ("step", "measured"), "step")
    if kind == "smoothness":
        default = "measure" if points or table is None else "grade"
        return block.one_of("score_by", ("grade", "measure"), default)
    if block.has("score_by"):
        raise block.refused("score_by", "belongs to a ladder or a smoothness test; take it out")
    return ""


def _check_complete(block: Block, test: TestScoring) -> None:
    """What a strict check asks for beyond what scoring needs."""
    if test.kind == "ladder":
        for key in ("tries_per_step", "stop_after_failed_steps"):
            if not block.has(key):
                raise block.refused(
                    key, "is missing; the number of tries and the stop rule move a ladder's result"
                )
        if test.tries_per_step and test.passes_needed > test.tries_per_step:
            raise block.refused("passes_needed", "is more than tries_per_step; mend one of them")
        if test.points and test.steps_deg:
            low, high = test.points[0][0], test.points[-1][0]
            for step in test.steps_deg:
                if not low <= step <= high:
                    raise block.refused(
                        "points",
                        f"ends before step {step}; add a pair, so that each step has points",
                    )
    if test.kind == "graded" and not test.grades:
        raise block.refused("grades", "is missing; give each grade its points")
    if test.kind == "smoothness" and test.score_by == "measure" and not test.measure:
        raise block.refused("measure", "is missing; say what is graded, such as ripple")
