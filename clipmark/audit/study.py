"""How well markers agree on one value: everything that the markings of an event allow to be said.

Where the markings do not suffice for a figure, the reason and what is missing stand in its place.
The sentences of it are in `study_words`, its JSON form in `study_out`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.audit.markings import Marking, Markings
from clipmark.audit.shared import compare_values, nearest_turn, own_budget
from clipmark.uncertainty.agreement import (
    LEAST_PAIRS,
    LimitsOfAgreement,
    Repeatability,
    limits_from_repeats,
    repeatability,
)
from clipmark.uncertainty.average_and_range import AverageAndRange, average_and_range
from clipmark.uncertainty.gauge_study import GaugeStudy, gauge_study
from clipmark.uncertainty.intraclass import Intraclass, intraclass
from clipmark.uncertainty.kappa import VerdictTable, verdict_table
from clipmark.uncertainty.variance_parts import Estimate

FloatArray = NDArray[np.float64]
VERDICTS = ("cleared", "failed", "void")
MANY_MARKERS = 8  # beyond it not every group of markers is tried
Cells = dict[tuple[str, str], tuple[Marking, ...]]


@dataclass(frozen=True)
class Pair:
    """Two markers on one value.

    Attributes
    ----------
    first, second : str
        Differences are the first less the second.
    attempts : tuple of str
        Those that both marked.
    limits : LimitsOfAgreement or None
    compared, at_odds : int
        Readings compared by E_n without what they share (the first marking of each attempt by
        either), and how many of them are at odds.
    why_not : str
        Why there are no limits; empty where there are.
    """

    first: str
    second: str
    attempts: tuple[str, ...]
    limits: LimitsOfAgreement | None
    compared: int
    at_odds: int
    why_not: str = ""


@dataclass(frozen=True)
class Scatter:
    """How the scatter of the markings compares with what they state of themselves.

    Attributes
    ----------
    ratio : Estimate
        Scatter found over scatter stated, with its 95 % interval by the chi-square distribution.
    stated_u : float
        Root mean square of the stated standard uncertainties that are the markings' own.
    dof : int
        Markings less attempts.
    """

    ratio: Estimate
    stated_u: float
    dof: int


@dataclass(frozen=True)
class ValueStudy:
    """Agreement of markers on one value.

    Attributes
    ----------
    value : str
        Such as ``ramp_deg``.
    attempts, markers : tuple of str
    cells : dict
        Markings by attempt and marker, in order.
    pairs : tuple of Pair
    repeats : dict of str to Repeatability
        Of the markers who marked something twice.
    icc : Intraclass or None
    icc_attempts : tuple of str
        Attempts that every marker marked.
    gauge : GaugeStudy or None
    gauge_attempts, gauge_markers : tuple of str
        The largest complete part of the markings; see `full_table`.
    ranges : AverageAndRange or None
        Beside `gauge` where there are repeats.
    across : GaugeStudy or None
        What tells how far different people lie apart: `gauge`, or where the first markings of each
        attempt come from more markers, the study of these.
    across_markers : tuple of str
    scatter : Scatter or None
    other_frames : int
        Blind markings that were set on another frame than the original.
    """

    value: str
    attempts: tuple[str, ...]
    markers: tuple[str, ...]
    cells: Cells
    pairs: tuple[Pair, ...]
    repeats: dict[str, Repeatability]
    icc: Intraclass | None
    icc_attempts: tuple[str, ...]
    gauge: GaugeStudy | None
    gauge_attempts: tuple[str, ...]
    gauge_markers: tuple[str, ...]
    ranges: AverageAndRange | None
    across: GaugeStudy | None
    across_markers: tuple[str, ...]
    scatter: Scatter | None
    other_frames: int

    @property
    def markings(self) -> int:
        """How many markings hold the value."""
        return sum(len(items) for items in self.cells.values())

    def missing(self, repeats: int) -> dict[str, int]:
        """How many more markings each marker owes, for every attempt to be marked `repeats` times.

        Markers who owe nothing are left out.
        """
        owed = {
            marker: sum(
                max(0, repeats - len(self.cells.get((attempt, marker), ())))
                for attempt in self.attempts
            )
            for marker in self.markers
        }
        return {marker: count for marker, count in owed.items() if count}


@dataclass(frozen=True)
class VerdictStudy:
    """Verdicts of two markers on the same attempts, the first marking of each."""

    first: str
    second: str
    table: VerdictTable


def study_value(markings: Markings, value: str) -> ValueStudy:
    """Study one value of the markings.

    Parameters
    ----------
    markings : Markings
    value : str
        A name out of ``markings.values()``.
    """
    cells: Cells = {}
    for item in markings.markings:
        if item.number(value) is not None:
            key = (item.attempt, item.marker)
            cells[key] = (*cells.get(key, ()), item)
    attempts = tuple(x for x in markings.attempts if any(key[0] == x for key in cells))
    markers = tuple(x for x in markings.markers if any(key[1] == x for key in cells))
    repeats = {}
    for marker in markers:
        rows = [_numbers(cells, (attempt, marker), value) for attempt in attempts]
        if any(len(row) > 1 for row in rows):
            repeats[marker] = repeatability([row for row in rows if row])
    of_all = full_table(cells, attempts, markers, 1, all_markers=True)
    icc = None
    if len(of_all[0]) > 1 and len(markers) > 1:
        table = _array(cells, *of_all, 1, value)[:, :, 0]
        icc = intraclass(table) if np.ptp(table) > 0 else None
    once = full_table(cells, attempts, markers, 1)
    gauge_attempts, gauge_markers = full_table(cells, attempts, markers, 2)
    if not gauge_attempts:
        gauge_attempts, gauge_markers = once
    gauge = ranges = None
    if gauge_attempts:
        least = min(len(cells[a, m]) for a in gauge_attempts for m in gauge_markers)
        readings = _array(cells, gauge_attempts, gauge_markers, least, value)
        gauge = gauge_study(readings)
        ranges = average_and_range(readings) if least > 1 else None
    across, across_markers = gauge, gauge_markers
    if len(once[1]) > len(gauge_markers):
        across, across_markers = gauge_study(_array(cells, *once, 1, value)), once[1]
    return ValueStudy(
        value=value,
        attempts=attempts,
        markers=markers,
        cells=cells,
        pairs=tuple(
            _pair(cells, attempts, one, other, value) for one, other in combinations(markers, 2)
        ),
        repeats=repeats,
        icc=icc,
        icc_attempts=of_all[0],
        gauge=gauge,
        gauge_attempts=gauge_attempts,
        gauge_markers=gauge_markers,
        ranges=ranges,
        across=across,
        across_markers=across_markers,
        scatter=_scatter(cells, attempts, value),
        other_frames=_other_frames(cells, attempts, value),
    )


def full_table(
    cells: Cells,
    attempts: Sequence[str],
    markers: Sequence[str],
    repeats: int,
    *,
    all_markers: bool = False,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The largest part of the markings in which every marker marked every attempt so often.

    Parameters
    ----------
    cells : dict
        Markings by attempt and marker.
    attempts, markers : sequence of str
    repeats : int
    all_markers : bool
        Leave out attempts only, no marker.

    Returns
    -------
    tuple of (attempts, markers)
        At least two of each, most cells first, then most markers; both empty where there is none.
    """
    groups = [tuple(markers)]
    if not all_markers and len(markers) <= MANY_MARKERS:
        groups = [
            group for size in range(len(markers), 1, -1) for group in combinations(markers, size)
        ]
    best: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    for group in groups:
        full = tuple(
            attempt
            for attempt in attempts
            if all(len(cells.get((attempt, marker), ())) >= repeats for marker in group)
        )
        enough = len(full) > 1 and len(group) > 1
        if enough and len(full) * len(group) > len(best[0]) * len(best[1]):
            best = full, group
    return best


def study_verdicts(markings: Markings) -> tuple[VerdictStudy, ...]:
    """Verdicts of every two markers who gave one on the same attempts."""
    found = []
    for one, other in combinations(markings.markers, 2):
        both = [
            (ours, theirs)
            for attempt in markings.attempts
            if (ours := _verdict(markings.of(attempt, one))) is not None
            and (theirs := _verdict(markings.of(attempt, other))) is not None
        ]
        if both:
            first, second = zip(*both, strict=True)
            found.append(VerdictStudy(one, other, verdict_table(first, second, VERDICTS)))
    return tuple(found)


def _verdict(markings: Sequence[Marking]) -> str | None:
    return next((item.verdict for item in markings if item.verdict is not None), None)


def _pair(cells: Cells, attempts: Sequence[str], one: str, other: str, value: str) -> Pair:
    both = tuple(x for x in attempts if (x, one) in cells and (x, other) in cells)
    first, second = ([cells[x, who] for x in both] for who in (one, other))
    limits, why_not = None, ""
    if len(both) < LEAST_PAIRS:
        more = LEAST_PAIRS - len(both)
        why_not = (
            f"{one} and {other} both marked {_count(len(both), 'attempt')}, and limits of "
            f"agreement need {LEAST_PAIRS}; {more} more marked by both"
        )
    else:
        limits = limits_from_repeats(
            [_numbers(cells, (x, one), value) for x in both],
            [_numbers(cells, (x, other), value) for x in both],
        )
    compared = [
        found
        for ours, theirs in zip(first, second, strict=True)
        if (found := _compare(ours[0], theirs[0], value)) is not None
    ]
    return Pair(one, other, both, limits, len(compared), compared.count("at odds"), why_not)


def _compare(first: Marking, second: Marking, value: str) -> str | None:
    ours, theirs = first.reading_of(value), second.reading_of(value)
    if ours is None or theirs is None:
        return None
    found = compare_values(ours, theirs, value)
    return None if found is None else found.verdict


def _scatter(cells: Cells, attempts: Sequence[str], value: str) -> Scatter | None:
    """Weighted squares within attempts against the stated own uncertainties."""
    squares, stated, dof = 0.0, [], 0
    for attempt in attempts:
        rows = {key: row for key, row in cells.items() if key[0] == attempt}
        items = [item for row in rows.values() for item in row]
        numbers = [x for key in rows for x in _numbers(cells, key, value)]
        owns = [_own_u(item, items, value) for item in items]
        known = [(x, u) for x, u in zip(numbers, owns, strict=True) if u]
        if len(known) < 2:
            continue
        x, u = np.array([one for one, _ in known]), np.array([one for _, one in known])
        middle = float(np.sum(x / u**2) / np.sum(1 / u**2))
        squares += float(np.sum(((x - middle) / u) ** 2))
        stated += [float(one) ** 2 for one in u]
        dof += len(known) - 1
    if dof == 0:
        return None
    least, most = (float(scipy.stats.chi2.ppf(p, dof)) for p in (0.975, 0.025))
    ratio = Estimate(*(math.sqrt(squares / over) for over in (dof, least, most)))
    return Scatter(ratio, math.sqrt(math.fsum(stated) / len(stated)), dof)


def _own_u(item: Marking, items: Sequence[Marking], value: str) -> float | None:
    """Standard uncertainty that is this marking's own beside the first of the others."""
    other = next((x for x in items if x is not item), None)
    ours = item.reading_of(value)
    theirs = None if other is None else other.reading_of(value)
    if ours is None or theirs is None:
        return None
    own = own_budget(ours, theirs, value)
    return None if own is None else own.u


def _other_frames(cells: Cells, attempts: Sequence[str], value: str) -> int:
    """Blind markings on another frame than the original one of their attempt."""
    count = 0
    for attempt in attempts:
        items = [item for key, row in cells.items() if key[0] == attempt for item in row]
        frames = [(item.blind, reading.frame) for item in items
                  if (reading := item.reading_of(value)) is not None]  # fmt: skip
        original = {frame for blind, frame in frames if not blind}
        count += sum(blind and bool(original) and frame not in original for blind, frame in frames)
    return count


def _array(
    cells: Cells, attempts: Sequence[str], markers: Sequence[str], repeats: int, value: str
) -> FloatArray:
    """Markings, shape (attempts, markers, repeats): the first of each cell."""
    return np.array(
        [[_numbers(cells, (a, m), value)[:repeats] for m in markers] for a in attempts],
        dtype=np.float64,
    )


def _numbers(cells: Cells, key: tuple[str, str], value: str) -> list[float]:
    """Values of one cell; angles within half a turn of the first marking of the attempt."""
    items = cells.get(key, ())
    first = next(row[0] for (attempt, _), row in cells.items() if attempt == key[0])
    beside = first.number(value) or 0.0
    told = [item.number(value) for item in items]
    return [nearest_turn(x, beside, value) for x in told if x is not None]


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
