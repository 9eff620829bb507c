"""What a scoring gives: rows, points, places with probabilities, and what people must know.

Everything is frozen and plain, so that it can be shown, kept and compared. Points are decimals,
exact as the rule sheet says; probabilities and readings are floats. `EventResult.to_dict` has the
same names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from decimal import Decimal
from typing import Literal

Status = Literal["scored", "did not start", "did not finish", "no reading", "not scored"]
Better = Literal["highest", "lowest"]


@dataclass(frozen=True)
class TestFacts:
    """One test of the event, as it is shown over its column.

    Attributes
    ----------
    id, kind, surface, measure, unit : str
        `measure` is what is scored: ``step_deg``, ``tilt_deg``, ``ripple``, ``grade``,
        ``penalties``, ...
    counted : str
        Which tries count: ``best``, ``worst``, ``mean``, ``sum``, ``first`` or ``last``.
    tries_per_step, stop_after_failed_steps : int or None
    said : str
        Number of tries and stop rule in one sentence: they stand beside every result.
    """

    __test__ = False

    id: str
    kind: str
    surface: str = ""
    measure: str = ""
    unit: str = ""
    counted: str = "best"
    tries_per_step: int | None = None
    stop_after_failed_steps: int | None = None
    said: str = ""


@dataclass(frozen=True)
class Part:
    """One line of how points came about: what, how many, and what it gave."""

    what: str
    count: Decimal
    points: Decimal


@dataclass(frozen=True)
class AttemptScore:
    """One attempt as it was taken.

    Attributes
    ----------
    attempt : str
        Its id; `revision` and `journal_seq` say which revision was scored.
    value, u95, low95, high95 : float or None
        The measure that this test scores, in `unit`; None where there is no reading of it.
    points : Decimal or None
        None where it gives none of its own: void, no reading, a step of a ladder.
    counted : bool
        Whether the row's points of the test rest on it.
    left_out : str
        Why it was left out, in words; empty where it was taken.
    set_deg, measured_deg, measured_u95_deg, set_differs_deg : float or None
        Set angle beside the measured ramp, and measured minus set.
    under_protest : bool
        There is a claim without a ruling that decides it.
    clip, frame : str, int or None
        Where the reading came from.
    """

    attempt: str
    revision: int
    journal_seq: int
    test: str
    class_name: str
    entry: str
    setup: str
    surface: str
    try_no: int | None
    step_deg: float | None
    verdict: str
    reason: str
    value: float | None = None
    u95: float | None = None
    low95: float | None = None
    high95: float | None = None
    unit: str = ""
    points: Decimal | None = None
    parts: tuple[Part, ...] = ()
    counted: bool = False
    left_out: str = ""
    set_deg: float | None = None
    measured_deg: float | None = None
    measured_u95_deg: float | None = None
    set_differs_deg: float | None = None
    claim: str = ""
    ruling: str = ""
    under_protest: bool = False
    clip: str = ""
    clip_sha256: str = ""
    frame: int | None = None
    called_by: str = ""
    note: str = ""


@dataclass(frozen=True)
class TestScore:
    """What one row got in one test.

    Attributes
    ----------
    status : str
    points : Decimal or None
    place : int or None
        Standard competition ranking ("1224") among the rows of its class.
    place_p : tuple of float
        Probability of place 1, 2, ...; empty where the row is not placed.
    value, u95 : float or None
        The deciding value: last step cleared, best angle, ripple, ...
    low95, high95 : float or None
        95 % interval of the points.
    tries, cleared : int
        Attempts taken, and cleared ones of them.
    attempts : tuple of str
        Ids of those that the points rest on.
    proves : str
        What "n of n passed" proves, in words; empty where there is nothing to say.
    dropped : bool
        Left out of the total by the rule sheet.
    """

    __test__ = False

    test: str
    status: Status
    points: Decimal | None = None
    place: int | None = None
    place_p: tuple[float, ...] = ()
    value: float | None = None
    u95: float | None = None
    unit: str = ""
    low95: float | None = None
    high95: float | None = None
    tries: int = 0
    cleared: int = 0
    attempts: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    proves: str = ""
    dropped: bool = False


@dataclass(frozen=True)
class Row:
    """One entry in one set-up: one line of the standings.

    Attributes
    ----------
    key : str
        Names the row within the result; other parts point to it.
    total : Decimal or None
    place : int or None
        Within its class; None where it is not ranked, and `remarks` say why.
    tied : bool
        Another row shares the place after all tie-breaks.
    place_p : tuple of float
        Probability of place 1, 2, ... in its class.
    place_low95, place_high95 : int or None
        Best and worst place of the central 95 %.
    separated : bool
        Whether its place is its own with 95 %.
    not_separated_from : tuple of str
        Keys of the rows whose order against this one is less than 95 % sure.
    total_u95, total_low95, total_high95 : float or None
    tests : tuple of TestScore
        In the order of `EventResult.tests`.
    """

    key: str
    class_name: str
    entry: str
    setup: str
    driver: str = ""
    total: Decimal | None = None
    place: int | None = None
    tied: bool = False
    place_p: tuple[float, ...] = ()
    place_low95: int | None = None
    place_high95: int | None = None
    separated: bool = True
    not_separated_from: tuple[str, ...] = ()
    total_u95: float | None = None
    total_low95: float | None = None
    total_high95: float | None = None
    ties: Mapping[str, str] = field(default_factory=dict)
    under_protest: bool = False
    remarks: tuple[str, ...] = ()
    tests: tuple[TestScore, ...] = ()

    def test(self, test_id: str) -> TestScore | None:
        """Its score in one test, or None."""
        return next((score for score in self.tests if score.test == test_id), None)


@dataclass(frozen=True)
class LimitFact:
    """A climbing limit from the tries of one row at one ladder, one failure mode at a time.

    Attributes
    ----------
    mode : str
        Reason of the failures that count; ``any`` where no reason was given.
    method : str
        ``up-and-down``, ``fixed steps``, ``bracket`` or ``bound``.
    limit_deg, low95_deg, high95_deg, spread_deg : float or None
        An end is None where the tries set no bound.
    left_out : int
        Tries that failed for another reason, taken out of this fit.
    said : str
        The result in words.
    """

    test: str
    row: str
    mode: str
    method: str
    tries: int
    passed: int
    left_out: int
    limit_deg: float | None = None
    low95_deg: float | None = None
    high95_deg: float | None = None
    spread_deg: float | None = None
    said: str = ""


@dataclass(frozen=True)
class PairFact:
    """Two neighbours of a ladder: the smallest difference that their tries could prove."""

    test: str
    better: str
    worse: str
    difference_deg: float
    smallest_deg: float
    tries: int
    spread_deg: float
    proven: bool
    said: str


@dataclass(frozen=True)
class DriftFact:
    """How the reference truck's readings moved over one test.

    `per_run` is the change from one run to the next, in the test's unit; `change` from its first to
    its last run.
    """

    test: str
    reference: str
    unit: str
    attempts: tuple[str, ...]
    values: tuple[float, ...]
    per_run: float
    per_run_u95: float
    change: float
    change_u95: float
    seen: bool
    taken_out: bool
    said: str


@dataclass(frozen=True)
class Flag:
    """Something that people must look at: which kind, which attempt or row, and the sentence."""

    kind: str
    sentence: str
    attempt: str = ""
    row: str = ""


@dataclass(frozen=True)
class Change:
    """What changed for one row since an earlier scoring."""

    row: str
    what: str
    before: str
    after: str
    sentence: str


@dataclass(frozen=True)
class EventResult:
    """One scoring of one event.

    Attributes
    ----------
    rows : tuple of Row
        By class in the rule sheet's order, then by place; those without a place last.
    attempts : tuple of AttemptScore
        Every attempt of the journal, newest revision, in the order first saved.
    journal_seq, journal_sha256 : int, str
        The last line of the journal that it was made from.
    rules_sha256 : str
        Hash of the rule sheet's text.
    draws, seed : int
        Of the place probabilities.
    """

    event: str
    date: str
    place: str
    name: str
    better: Better
    classes: tuple[str, ...]
    tests: tuple[TestFacts, ...]
    rows: tuple[Row, ...]
    attempts: tuple[AttemptScore, ...]
    limits: tuple[LimitFact, ...] = ()
    pairs: tuple[PairFact, ...] = ()
    drifts: tuple[DriftFact, ...] = ()
    flags: tuple[Flag, ...] = ()
    changes: tuple[Change, ...] = ()
    since: str = ""
    notes: tuple[str, ...] = ()
    journal_seq: int = 0
    journal_sha256: str = ""
    rules_sha256: str = ""
    draws: int = 0
    seed: int = 0
    software: str = ""

    def row(self, key: str) -> Row | None:
        """The row of that key, or None."""
        return next((row for row in self.rows if row.key == key), None)

    def rows_of(self, class_name: str) -> tuple[Row, ...]:
        """Rows of one class, by place."""
        return tuple(row for row in self.rows if row.class_name == class_name)

    def to_dict(self) -> dict[str, object]:
        """Plain JSON values; a decimal becomes a number, infinity and unknown null."""
        found = plain_of(self)
        assert isinstance(found, dict)
        return found


def plain_of(value: object) -> object:
    """Dataclasses, decimals and tuples as plain JSON values."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain_of(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain_of(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain_of(item) for item in value]
    return value


def points_text(points: Decimal | None) -> str:
    """Points as written, all digits that the rule sheet keeps; a dash where there are none."""
    if points is None:
        return "-"
    text = f"{points:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
