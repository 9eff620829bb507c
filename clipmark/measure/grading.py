"""The grade of a crawl: a reading against a table of grades, and how sure that grade is.

Pure: numbers and mappings in, numbers and sentences out. Nothing here ranks or gives points.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from clipmark.measure.crawl_terms import CrawlTerms
from clipmark.measure.values import Value
from clipmark.uncertainty.digits import digits_for, number_of
from clipmark.uncertainty.grades import GradeTable, probabilities

Z95 = 1.959963984540054  # of a two-sided 95 % interval
TOLD_FROM = 0.05  # a neighbouring grade more probable than this is named


@dataclass(frozen=True)
class Measure:
    """What a measure of the crawl is called, its unit, and whether it can be below 0."""

    words: str
    unit: str = ""
    signed: bool = False


MEASURES: dict[str, Measure] = {
    "duration_s": Measure("duration", "s"),
    "distance_mm": Measure("distance", "mm", signed=True),
    "mean_speed_mm_s": Measure("mean speed", "mm/s", signed=True),
    "slowest_speed_mm_s": Measure("slowest speed held", "mm/s"),
    "ripple": Measure("ripple"),
    "stalls": Measure("count of stalls"),
    "rollback_mm": Measure("rolled-back way", "mm"),
    "start_jump": Measure("start jump"),
    "start_delay_s": Measure("delay from wheel to body", "s", signed=True),
    "stop_distance_mm": Measure("stopping distance", "mm"),
    "roll_off_mm": Measure("roll-off while held", "mm", signed=True),
    "sparc": Measure("spectral arc length", signed=True),
    "ldlj": Measure("log dimensionless jerk", signed=True),
}


@dataclass(frozen=True)
class Graded:
    """A graded value.

    Attributes
    ----------
    grade : float or None
        Grade of the estimate; of the worst end of the 95 % interval where the value lies below its
        noise floor; None where not even that says more than the last grade.
    p : dict of float to float
        Probability of every grade of the table, best first; empty where there is no value.
    better, worse : tuple of (float, float) or None
        The next better and the next worse grade with their probabilities.
    said : str
        The same in a sentence.
    """

    grade: float | None
    p: dict[float, float]
    better: tuple[float, float] | None
    worse: tuple[float, float] | None
    said: str


def grade_of(value: Value, table: GradeTable, *, below_floor: bool = False) -> Graded:
    """Grade of a value, with the probability of each grade.

    The value is taken as normal with its standard uncertainty, cut at 0 where the measure cannot
    be below (see `uncertainty.grades.probabilities`). Where 0 has cut the interval itself, the
    upper half of the interval says how far it reaches.

    Parameters
    ----------
    value : Value
    table : GradeTable
    below_floor : bool
        The value is below its noise floor: only the interval counts. The grade is then the best
        one that is certain at 95 %.
    """
    measure = MEASURES.get(table.measure, Measure(table.measure, signed=True))
    lowest = -math.inf if measure.signed else 0.0
    u = value.u
    if value.low95 <= lowest:
        u = max(u, (value.high95 - value.estimate) / Z95)
    shares = probabilities(table, max(value.estimate, lowest), u, lowest)
    p = dict(zip(table.grades, shares, strict=True))
    if below_floor:
        return _below_floor(value, table, measure, p)
    grade = table.grade_at(value.estimate)
    better, worse = _neighbours(table, p, grade)
    said = f"Grade {grade:g}, with {percent(p[grade])}: {_told(value, measure)}."
    near = " and ".join(
        f"grade {other:g}, the next {side}, has {percent(share)}"
        for side, (other, share) in _named(better, worse)
        if share > TOLD_FROM
    )
    if near:
        said += f" {near[0].upper()}{near[1:]}: the footage does not settle it."
    return Graded(grade, p, better, worse, said)


def grade_result(
    result: Mapping[str, object],
    table: GradeTable,
    test: str,
    terms: CrawlTerms | None = None,
) -> dict[str, object]:
    """Grade of a crawl reading in its JSON form.

    Parameters
    ----------
    result : mapping
        ``CrawlReading.to_dict()``, or what the journal keeps of it.
    table : GradeTable
    test : str
        Name of the test in the rule sheet that the table stands in.
    terms : CrawlTerms, optional
        What that test says of the hold time and the band: a value taken on others has no grade.

    Returns
    -------
    dict
        ``{test, measure, grade, p, said}``: `grade` is null where the footage cannot tell one, `p`
        then null too unless the probabilities can be told; its keys are the grades as text.
    """
    name = table.measure
    value, why = _value_in(result, name)
    why = why or ("" if terms is None else terms.why_not(name, result))
    if value is None or why:
        graded = Graded(None, {}, None, None, f"No grade: {why}.")
    else:
        below = name == "ripple" and result.get("ripple_below_noise_floor") is True
        graded = grade_of(value, table, below_floor=below)
    shares = {f"{grade:.15g}": round(share, 6) for grade, share in graded.p.items()}
    return {
        "test": test,
        "measure": name,
        "grade": graded.grade,
        "p": shares or None,
        "said": graded.said,
    }


def percent(share: float) -> str:
    """A probability for people; never 0 % or 100 % of what is only nearly so."""
    if 0 < share < 0.01:
        return "less than 1 %"
    if 0.99 < share < 1:
        return "more than 99 %"
    return f"{100 * share:.0f} %"


def _below_floor(
    value: Value, table: GradeTable, measure: Measure, p: dict[float, float]
) -> Graded:
    """The best grade that holds at the worst end of the interval."""
    worst = value.low95 if table.more_is_better else value.high95
    grade = table.grade_at(worst)
    relation = "at least" if table.more_is_better else "at most"
    floor = (
        f"the {measure.words} is below the noise floor, {relation} "
        f"{_number(worst, value.u95, measure)} (95 %)"
    )
    if grade == table.otherwise:
        said = f"No grade: {floor}, which every grade of the table allows; only steadier or "
        return Graded(None, p, None, None, said + "sharper footage can tell.")
    better, worse = _neighbours(table, p, grade)
    said = f"Grade {grade:g} is certain at 95 %: {floor}."
    if better is not None:
        over = math.fsum(share for other, share in p.items() if _is_before(table, other, grade))
        said += f" It may be better, with {percent(over)}, which this footage cannot show."
    return Graded(grade, p, better, worse, said)


def _is_before(table: GradeTable, grade: float, other: float) -> bool:
    return table.grades.index(grade) < table.grades.index(other)


def _neighbours(
    table: GradeTable, p: dict[float, float], grade: float
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    at = table.grades.index(grade)
    better = table.grades[at - 1] if at else None
    worse = table.grades[at + 1] if at + 1 < len(table.grades) else None
    return (
        None if better is None else (better, p[better]),
        None if worse is None else (worse, p[worse]),
    )


def _named(
    better: tuple[float, float] | None, worse: tuple[float, float] | None
) -> list[tuple[str, tuple[float, float]]]:
    pairs = (("better", better), ("worse", worse))
    return [(side, found) for side, found in pairs if found is not None]


def _value_in(result: Mapping[str, object], name: str) -> tuple[Value | None, str]:
    """The value of that name with its interval, or None and why in words."""
    measure = MEASURES.get(name)
    words = measure.words if measure else name
    if name == "stalls":  # counted: those that were seen, and the reading says when they cannot be
        stalls = result.get(name)
        if not isinstance(stalls, (list, tuple)):
            return None, "this footage cannot tell stalls"
        count = float(sum(not _commanded(stall) for stall in stalls))
        return Value(count, 0.0, count, count), ""
    estimate = number_of(result.get(name))
    if estimate is None:
        return None, f"the {words} is not told"
    ends = [number_of(result.get(_beside(name, mark))) for mark in ("low95", "high95")]
    low, high = ends
    if low is None or high is None:
        return None, f"the {words} carries no uncertainty"
    value = Value(estimate, 0.0, low, high)
    return replace(value, u=value.u95 / Z95), ""


def _beside(name: str, mark: str) -> str:
    """Name of a value's companion, unit last: ``rollback_mm, low95`` -> ``rollback_low95_mm``."""
    measure = MEASURES.get(name)
    unit = f"_{measure.unit.replace('/', '_')}" if measure and measure.unit else ""
    return f"{name.removesuffix(unit)}_{mark}{unit}" if unit else f"{name}_{mark}"


def _commanded(stall: object) -> bool:
    """Whether a standstill was asked for: it is a phase then, and no stall."""
    return isinstance(stall, Mapping) and stall.get("commanded") is True


def _told(value: Value, measure: Measure) -> str:
    """``ripple 0.058, 0.049 to 0.067 at 95 %``."""
    estimate = _number(value.estimate, value.u95, measure)
    if value.low95 == value.high95:
        return f"{measure.words} {estimate}"
    unit = f" {measure.unit}" if measure.unit else ""
    low = _number(value.low95, value.u95, measure).removesuffix(unit)
    return (
        f"{measure.words} {estimate}, {low} to {_number(value.high95, value.u95, measure)} (95 %)"
    )


def _number(value: float, u95: float, measure: Measure) -> str:
    unit = f" {measure.unit}" if measure.unit else ""
    if u95 == 0:
        return f"{value:.6g}{unit}"
    return f"{value:.{digits_for(u95)}f}{unit}"
