"""What standings, charts and cards show of a scored event: plain rows, whoever scored it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class TestRow:
    """One entry in one test.

    Attributes
    ----------
    key : str
        Which line of the standings: one entry in one set-up.
    entry : str
    place : int or None
        None for who has no place in this test.
    result : str
        What counts, in words with its uncertainty and unit.
    points : str
        As they are printed.
    value, low, high : float or None
        What is drawn: result and its 95 % interval, in the test's unit; a bound has one end only.
    remark : str
        Separation, bounds, protests, reasons for having no place.
    spread : str
        95 % interval of the points, in words; empty where they are exact.
    setup : str
        Named where the entry ran in several.
    """

    __test__ = False  # a test of the event, not of the software

    key: str
    entry: str
    place: int | None
    result: str
    points: str = ""
    value: float | None = None
    low: float | None = None
    high: float | None = None
    remark: str = ""
    setup: str = ""
    spread: str = ""


@dataclass(frozen=True)
class TestView:
    """One test of the event with everybody in it, in order of place.

    Attributes
    ----------
    id : str
        Of the test.
    title : str
        Its name, with the class where the event has several.
    axis : str
        What is drawn, with its unit, such as ``"climbing limit, °"``; empty for nothing to draw.
    rules : str
        What stands beside every result: tries, stop rule, band.
    rows : sequence of TestRow
    """

    __test__ = False

    id: str
    title: str
    axis: str
    rules: str
    rows: Sequence[TestRow]


@dataclass(frozen=True)
class TotalRow:
    """One entry in one set-up over all tests, in its class; `sure` says how sure its place is.

    `spread` is the 95 % interval of its total, in words.
    """

    key: str
    entry: str
    place: int | None
    total: str
    remark: str = ""
    sure: str = ""
    setup: str = ""
    class_name: str = ""
    spread: str = ""
    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class SetupDifference:
    """Two set-ups of one entry in one test, and by how much they differ.

    Attributes
    ----------
    entry, test : str
    before, after : str
        Names of the set-ups, in the order in which they ran.
    before_words, after_words, difference_words : str
        With uncertainty and unit.
    verdict : str
        Whether the difference is more than chance.
    difference, low, high : float or None
        After less before with its 95 % interval.
    unit : str
    """

    entry: str
    test: str
    before: str
    after: str
    before_words: str
    after_words: str
    difference_words: str
    verdict: str
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Results:
    """A scored event.

    Attributes
    ----------
    totals : sequence of TotalRow
        In order of place; empty where nothing was scored.
    tests : sequence of TestView
    setups : sequence of SetupDifference
    notes : sequence of str
        Sentences that must be read with the standings.
    changes : sequence of str
        What is different since an earlier scoring, which `since` names.
    """

    totals: Sequence[TotalRow] = ()
    tests: Sequence[TestView] = ()
    setups: Sequence[SetupDifference] = ()
    notes: Sequence[str] = ()
    changes: Sequence[str] = ()
    since: str = ""

    @property
    def classes(self) -> list[tuple[str, list[TotalRow]]]:
        """Rows of each class, in the order given."""
        found: dict[str, list[TotalRow]] = {}
        for row in self.totals:
            found.setdefault(row.class_name, []).append(row)
        return list(found.items())
