"""What markers can and cannot tell apart, in words, with what would settle what they cannot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import scipy

from clipmark.audit.study import Pair, Scatter, ValueStudy, VerdictStudy
from clipmark.record.rule_sheet import RuleSheet
from clipmark.uncertainty.digits import digits_for
from clipmark.uncertainty.gauge_study import GaugeStudy, planned_limit
from clipmark.uncertainty.variance_parts import Estimate

UNITS = {  # how a value's name ends, and how its unit is written
    "mm_s2": "mm/s\N{SUPERSCRIPT TWO}",
    "mm_s": "mm/s",
    "deg_s": "deg/s",
    "deg": "deg",
    "mm": "mm",
    "hz": "Hz",
    "px": "px",
    "s": "s",
}
WIDE = 0.5  # an interval of a coefficient between 0 and 1 that is wider tells little
COVERED = 1.5  # scatter of up to so much times the stated still counts as covered
MOST_MARKERS = 12  # beyond it a plan is no advice
MOST_DOF = 200


@dataclass(frozen=True)
class Step:
    """The smallest step that the rule sheet makes in a value.

    Attributes
    ----------
    size : float
        In the unit of the value.
    of : str
        Which steps, for people: "the ladder 'rough board'".
    """

    size: float
    of: str


def unit_of(value: str) -> str:
    """Unit that a value's name ends in, as in names; empty of a pure number."""
    return next((unit for unit in UNITS if value.endswith(f"_{unit}")), "")


def smallest_step(sheet: RuleSheet, tests: frozenset[str], value: str) -> Step | None:
    """The smallest step of a value in the rules of some tests; None where they make none.

    Of a ladder it is the closest two rungs, for ``ramp_deg``; of a graded measure the closest two
    limits of its table.
    """
    found: list[Step] = []
    for test in sheet.tests:
        if test.id not in tests:
            continue
        table = test.grade_table
        if value == "ramp_deg" and len(set(test.steps_deg)) > 1:
            found.append(Step(_closest(test.steps_deg), f"the ladder '{test.id}'"))
        if table is not None and table.measure == value and len(table.limits) > 1:
            found.append(Step(_closest(table.limits), f"the grades of '{test.id}'"))
    return min(found, key=lambda step: step.size, default=None)


def words_of(study: ValueStudy, step: Step | None = None) -> list[str]:
    """What the study says of all markers together, most useful first, one sentence each."""
    unit = UNITS.get(unit_of(study.value), "")
    told = _apart(study, step, unit)
    told += _scatter(study.scatter, unit)
    told += _icc(study)
    told += _missing(study)
    if study.other_frames:
        told.append(
            f"{_count(study.other_frames, 'blind marking')} set on another frame than the "
            "original; what moved in between stands in the scatter too"
        )
    return told


def verdict_words(study: VerdictStudy) -> list[str]:
    """What the verdicts of two markers say of each other."""
    table, kappa = study.table, study.table.kappa
    agreed = table.agreed
    same = sum(table.counts[k][k] for k in range(len(table.classes)))
    told = [
        f"{study.first} and {study.second} gave the same verdict on {same} of {table.n} attempts "
        f"({_share(agreed.value)}, 95 % interval {_share(agreed.low)} to {_share(agreed.high)})"
    ]
    if kappa is None:
        told.append(f"no kappa: {table.why_not}")
    elif kappa.interval is None and kappa.value < 1.0:
        told.append(
            f"kappa is {kappa.value:.2f} without an interval: one of the two gave the same verdict "
            "throughout, so nothing can be said of agreement beyond chance"
        )
    elif kappa.interval is None:
        told.append(
            "kappa is 1, but its standard error is 0 where nobody disagrees, so the interval of "
            "the agreement above is all that can be said"
        )
    else:
        low, high = kappa.interval
        tail = (
            "; that is no more than chance can do"
            if low <= 0
            else "; the interval is too wide to say how much"
            if high - low > WIDE
            else ""
        )
        told.append(
            f"beyond chance: kappa {kappa.value:.2f} (95 % interval {low:.2f} to {high:.2f}){tail}"
        )
    return told


def _apart(study: ValueStudy, step: Step | None, unit: str) -> list[str]:
    """The smallest difference that two markings by different people can tell apart."""
    gauge = study.across
    if gauge is None:
        return [
            "how far markings by different people lie apart cannot be told: no two attempts were "
            "marked by the same two people"
        ]
    limit = gauge.reproducibility_limit
    told = [
        "two people who mark the same clip differ by less than "
        f"{_with_interval(limit, unit)} in 95 % of cases, as {_listed(study.across_markers)} "
        "show; a smaller difference between two markings may be the marker's. What all markers "
        "share (lens, level, plane) comes on top"
    ]
    if step is not None:
        told.append(_against(step, gauge, limit, unit))
    return told


def _against(step: Step, gauge: GaugeStudy, limit: Estimate, unit: str) -> str:
    size = f"{step.size:.3g} {unit}".rstrip()
    apart = f"tell the closest steps of {step.of} apart ({size})"
    if limit.high < step.size:
        return f"markings by different people {apart}"
    if limit.low >= step.size:
        return f"markings by different people do not {apart}"
    would = next(
        (
            count
            for count in range(gauge.markers + 1, MOST_MARKERS + 1)
            if planned_limit(gauge, count).high < step.size
        ),
        None,
    )
    tail = (
        f"with scatter as found, {would} markers of {_count(gauge.parts, 'attempt')} would settle "
        "it"
        if would is not None
        else f"not even {MOST_MARKERS} markers would settle it with scatter as found"
    )
    return f"whether markings by different people {apart} cannot be said yet; {tail}"


def _scatter(scatter: Scatter | None, unit: str) -> list[str]:
    """Whether the stated marking part of the uncertainty covers what people do."""
    if scatter is None:
        return [
            "whether the stated uncertainty covers how people mark cannot be told: the readings "
            "state no budget, or nothing of it is the markings' own"
        ]
    ratio = scatter.ratio
    stated = f"{scatter.stated_u:.2g} {unit}".rstrip()
    head = (
        f"the markings scatter by {ratio.value:.2f} times what they state of themselves (u = "
        f"{stated}; 95 % interval {ratio.low:.2f} to {_bound(ratio.high)} times)"
    )
    if ratio.low > 1.0:
        return [f"{head}: the stated uncertainty does not cover how differently people mark"]
    if ratio.high <= COVERED:
        return [f"{head}: the stated uncertainty covers how people mark"]
    more = _more_markings(scatter)
    tail = (
        f"; about {more} more markings of the same kind would show it to {COVERED:g} times"
        if more is not None
        else ""
    )
    return [
        f"{head}: nothing speaks against the stated uncertainty, but whether it covers how people "
        f"mark cannot be told yet{tail}"
    ]


def _more_markings(scatter: Scatter) -> int | None:
    """How many markings until the upper end of the ratio is `COVERED`, the ratio as found."""
    for dof in range(scatter.dof + 1, MOST_DOF):
        if (
            scatter.ratio.value * math.sqrt(dof / float(scipy.stats.chi2.ppf(0.025, dof)))
            <= COVERED
        ):
            return dof - scatter.dof
    return None


def pair_words(pair: Pair, unit: str) -> list[str]:
    """What the study says of two markers; `unit` as in names."""
    unit = UNITS.get(unit, "")
    if not pair.attempts:
        return []
    told = []
    limits = pair.limits
    if limits is None:
        told.append(pair.why_not)
    else:
        bias = limits.bias
        size = _with_interval(Estimate(abs(bias.value), *_sorted(bias)), unit)
        more = "more" if bias.value > 0 else "less"
        if not limits.biased:
            places = digits_for(limits.sd / math.sqrt(limits.n))
            told.append(
                f"no bias can be told between {pair.first} and {pair.second}: mean difference "
                f"{bias.value:+.{places}f} (95 % interval {bias.low:+.{places}f} to "
                f"{bias.high:+.{places}f}{_tail(unit)}, {_count(limits.n, 'attempt')})"
            )
        else:
            told.append(
                f"{pair.first} reads {more} than {pair.second}: by {size}, "
                f"{_count(limits.n, 'attempt')}"
            )
        if limits.trending:
            told.append(
                f"the difference of {pair.first} and {pair.second} changes with the value, so one "
                "pair of limits does not hold over the whole range; look at the chart"
            )
    if pair.compared:
        told.append(
            f"{pair.at_odds} of {_count(pair.compared, 'reading')} by {pair.first} and "
            f"{pair.second} {'is' if pair.at_odds == 1 else 'are'} at odds (|E_n| over 1, without "
            "what both share); 1 in 20 is chance"
        )
    return told


def _icc(study: ValueStudy) -> list[str]:
    if study.icc is None:
        return []
    found = study.icc.forms["2,1"]
    text = (
        f"ICC(2,1) {found.value:.3f} (95 % interval {found.low:.3f} to {found.high:.3f}) over "
        f"{_count(len(study.icc_attempts), 'attempt')}: the share of all scatter that is between "
        "attempts and not between markers"
    )
    if found.high - found.low > WIDE:
        text += "; too wide an interval to tell"
    gone = len(study.attempts) - len(study.icc_attempts)
    if gone:
        text += f"; {_count(gone, 'attempt')} that somebody did not mark left out"
    return [text]


def _missing(study: ValueStudy) -> list[str]:
    """What it takes to tell repeatability from reproducibility."""
    gauge = study.gauge
    if gauge is not None and gauge.repeats > 1 and len(study.gauge_markers) == len(study.markers):
        return []
    owed: Mapping[str, int] = study.missing(2)
    if len(study.markers) < 2:
        return ["one more marker is needed before anything can be said of markers"]
    total = sum(owed.values())
    who = ", ".join(f"{marker} {count}" for marker, count in owed.items())
    part = (
        f"the gauge study rests on {_listed(study.gauge_markers)}, who marked "
        f"{_count(len(study.gauge_attempts), 'attempt')} {_times(gauge.repeats)} each; "
        if gauge is not None
        else ""
    )
    return [
        f"{part}to tell for all markers what is the marker's and what is chance, every attempt "
        f"must be marked twice by everybody: {_count(total, 'more marking')} ({who})"
    ]


def _with_interval(found: Estimate, unit: str) -> str:
    """``0.21 deg (95 % interval 0.15 to 0.94)``, to two figures of the value."""
    places = digits_for(found.value)
    return (
        f"{found.value:.{places}f}{_tail(unit)} (95 % interval {found.low:.{places}f} to "
        f"{_bound(found.high, places)})"
    )


def _bound(high: float, places: int = 2) -> str:
    return f"{high:.{places}f}" if math.isfinite(high) else "no bound"


def _sorted(bias: Estimate) -> tuple[float, float]:
    ends = sorted((abs(bias.low), abs(bias.high)))
    return ends[0], ends[1]


def _closest(values: tuple[float, ...]) -> float:
    return min(after - before for before, after in pairwise(sorted(set(values))))


def _listed(names: Sequence[str]) -> str:
    """``Fell, Marsh and Brook``."""
    return " and ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), names[-1]])


def _share(value: float) -> str:
    return f"{100 * value:.0f} %"


def _tail(unit: str) -> str:
    return f" {unit}" if unit else ""


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
