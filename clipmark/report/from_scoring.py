"""A scored event in the words of the report: standings, tests, remarks."""

from __future__ import annotations

import re
from collections.abc import Sequence

from clipmark.measure.crawl_terms import BAND_HZ
from clipmark.record.rule_sheet import RuleSheet
from clipmark.report.setups import setup_differences
from clipmark.report.views import Results, TestRow, TestView, TotalRow
from clipmark.report.words import (
    counted,
    measured,
    number,
    percent,
    place_words,
    with_unit,
)
from clipmark.scoring.result import (
    EventResult,
    LimitFact,
    Row,
    TestFacts,
    TestScore,
    points_text,
)
from clipmark.uncertainty.digits import digits_for

MEASURES = {
    "step_deg": "steepest step cleared",
    "ramp_deg": "ramp",
    "chassis_deg": "chassis",
    "tilt_deg": "tilt",
    "finish_t_s": "time to the finish",
    "mean_speed_mm_s": "mean speed",
    "slowest_speed_mm_s": "slowest held",
}
TILDE = "marked ~"  # a sign of the printed table; here the remarks name who is not separated
MOST_SURE = 0.9999  # so many draws can tell no more
COUNTED = {"ripple": "ratio", "grade": "grade", "start_jump": "ratio"}  # what has no unit
_DEGREES = re.compile(r"(?<=\d) deg\b")
UNITS = {"deg": "°", "deg/s": "°/s", "mm_s": "mm/s"}


def results_view(result: EventResult, sheet: RuleSheet | None = None) -> Results:
    """What the report shows of one scoring; the bands of ripples are those of `sheet`."""
    several = {
        row.key: row.setup for row in result.rows
        if sum(1 for other in result.rows
               if (other.class_name, other.entry) == (row.class_name, row.entry)) > 1
    }  # fmt: skip
    classes = list(dict.fromkeys(row.class_name for row in result.rows))
    tests = [
        _test(result, test, name, several, len(classes) > 1, _band(test, sheet))
        for test in result.tests
        for name in classes
        if any(row.class_name == name and row.test(test.id) for row in result.rows)
    ]
    return Results(
        totals=[_total(result, row, several, len(classes) > 1) for row in result.rows],
        tests=tests,
        setups=setup_differences(result),
        notes=[
            _sentence(each)
            for each in dict.fromkeys([*result.notes, *(flag.sentence for flag in result.flags)])
            if TILDE not in each
        ],
        changes=[_sentence(change.sentence) for change in result.changes],
        since=result.since,
    )


def _total(result: EventResult, row: Row, several: dict[str, str], classed: bool) -> TotalRow:
    return TotalRow(
        key=row.key,
        entry=row.entry,
        place=row.place,
        total=f"{points_text(row.total)} points" if row.total is not None else "no points",
        spread=_spread(row.total_low95, row.total_high95),
        remark="; ".join(_remarks(result, row, several)),
        sure=_sure(row.place_p, row),
        setup=several.get(row.key, ""),
        class_name=row.class_name if classed else "",
        value=float(row.total) if row.total is not None else None,
        low=row.total_low95,
        high=row.total_high95,
    )


def _spread(low: float | None, high: float | None) -> str:
    """The interval of points, where there is one."""
    if low is None or high is None or high <= low:
        return ""
    places = digits_for((high - low) / 2)
    return f"{number(low, places)} to {number(high, places)} points with 95 %"


def _remarks(result: EventResult, row: Row, several: dict[str, str]) -> list[str]:
    said = ["under protest"] if row.under_protest else []
    if row.tied:
        said.append("shares the place")
    names = [
        _name(row, other, several.get(key, ""))
        for key in row.not_separated_from
        if (other := result.row(key))
    ]
    if names:
        said.append(f"not separated from {_listed(names)}")
    said += [f"{name} {told}" for name, told in row.ties.items()] if row.tied else []
    return [*said, *row.remarks]


def _name(row: Row, other: Row, setup: str) -> str:
    """Another row as it is named beside this one: by its set-up where the entry is the same."""
    if other.entry == row.entry:
        return f"its set-up {other.setup}"
    short = other.entry if len(other.entry) <= 40 else f"{other.entry[:39]}\N{HORIZONTAL ELLIPSIS}"
    return f"{short} ({setup})" if setup else short


def _listed(names: Sequence[str], most: int = 3) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _sure(place_p: Sequence[float], row: Row | None = None) -> str:
    """How sure a place is, and over which places it may move."""
    if not place_p:
        return ""
    best = max(range(len(place_p)), key=lambda at: place_p[at])
    likely = min(place_p[best], MOST_SURE)
    said = f"{place_words(best + 1)} with {percent(likely)}"
    if row is None or row.place_low95 is None or row.place_high95 is None:
        return said
    if row.place_low95 == row.place_high95:
        return said
    ends = place_words(row.place_low95), place_words(row.place_high95)
    return f"{said}; {ends[0]} to {ends[1]} with 95 %"


def _test(
    result: EventResult,
    test: TestFacts,
    name: str,
    several: dict[str, str],
    classed: bool,
    band: str,
) -> TestView:
    rows = [
        _test_row(result, test, row, score, several.get(row.key, ""), band)
        for row in result.rows
        if row.class_name == name and (score := row.test(test.id)) is not None
    ]
    rows.sort(key=lambda row: (row.place is None, row.place or 0))
    parts = [test.said.rstrip("."), f"surface {test.surface}" if test.surface else ""]
    return TestView(
        id=test.id,
        title=f"{test.id}, class {name}" if classed and name else test.id,
        axis=_axis(test, band) if any(row.value is not None or row.low is not None for row in rows)
        else "",
        rules="; ".join(part for part in parts if part),
        rows=rows,
    )  # fmt: skip


def _band(test: TestFacts, sheet: RuleSheet | None) -> str:
    """The band that a ripple belongs to; empty for other measures."""
    if test.measure != "ripple":
        return ""
    rules = sheet.test(test.id) if sheet is not None else None
    low, high = (rules.band_hz if rules is not None else None) or BAND_HZ
    return f" ({number(low)} to {number(high)} Hz)"


def _sentence(text: str) -> str:
    """A sentence of the scoring as the page shows it."""
    told = _degrees(text).strip().rstrip(".")
    first = told.split(" ", 1)[0]
    return f"{told[:1].upper()}{told[1:]}." if first.isalpha() else f"{told}."


def _degrees(text: str) -> str:
    return _DEGREES.sub("°", text)


def _axis(test: TestFacts, band: str) -> str:
    if test.kind == "ladder":
        return "climbing limit, or steepest step cleared, °"
    unit = UNITS.get(test.unit, test.unit)
    return f"{_measure(test)}{band}, {unit or COUNTED.get(test.measure, 'count')}"


def _measure(test: TestFacts) -> str:
    return MEASURES.get(test.measure, test.measure.replace("_", " "))


def _test_row(
    result: EventResult, test: TestFacts, row: Row, score: TestScore, setup: str, band: str
) -> TestRow:
    limit = _limit_of(result, test, row)
    unit = UNITS.get(score.unit or test.unit, score.unit or test.unit)
    told: list[str] = []
    if score.status != "scored":
        told.append(score.status)
    if score.value is not None:
        told.append(f"{_measure(test)} {measured(score.value, score.u95, unit)}{band}")
    if limit is not None and limit.said:
        told.append(_degrees(limit.said).rstrip("."))
    if score.tries:
        tries = counted(score.tries, "try", "tries")
        told.append(f"{score.cleared} of {tries} cleared" if score.cleared else tries)
    value, low, high = _drawn(score, limit)
    proven = score.proves if limit is None or not limit.said else ""  # it says so itself
    remarks = [_degrees(proven).rstrip(".")] if proven else []
    remarks += ["left out of the total"] if score.dropped else []
    sure = _sure(score.place_p)
    remarks += [sure] if sure and max(score.place_p) < 0.95 else []
    points = "" if score.points is None else f"{points_text(score.points)} points"
    return TestRow(
        key=row.key,
        entry=row.entry,
        place=score.place,
        result="; ".join(told) or with_unit("not measured", ""),
        points=points,
        spread=_spread(score.low95, score.high95) if points else "",
        value=value,
        low=low,
        high=high,
        remark="; ".join(remarks),
        setup=setup,
    )


def _limit_of(result: EventResult, test: TestFacts, row: Row) -> LimitFact | None:
    """The climbing limit that rests on the most tries."""
    found = [each for each in result.limits if each.test == test.id and each.row == row.key]
    return max(found, key=lambda each: each.tries - each.left_out, default=None)


def _drawn(
    score: TestScore, limit: LimitFact | None
) -> tuple[float | None, float | None, float | None]:
    """Value and interval for the chart: a ladder's limit where there is one, else what counts."""
    if limit is not None and (limit.low95_deg is not None or limit.high95_deg is not None):
        return limit.limit_deg, limit.low95_deg, limit.high95_deg
    if score.value is None or not score.u95:
        return score.value, None, None
    return score.value, score.value - score.u95, score.value + score.u95
