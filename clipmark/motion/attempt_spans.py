"""Spans of a recording in which one truck was on its own way: proposed attempts.

Pure: series in, dataclasses out. Moves with rests between them are one span up to a told rest,
unless a hand took the truck from one place to another, or it left and came in again. Nothing here
judges: a span says when something moved and how that began and ended, as far as it was seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.mover_paths import TruckSeries

REST_S, MARGIN_S = 8.0, 1.0  # defaults
BRIDGED_S = 0.5  # a gap so short is no rest
LEAST_MOVING_S = 0.8  # what moves less in all is no attempt
CARRIED_LENGTHS = 1.0  # farther off than this after a hand was there: carried
HELD_S = 1.5  # a hand at the truck for so long in a rest: handled, wherever it stands then
BEFORE_S, AFTER_S = 1.5, 1.0  # a hand seen so shortly before or after set it down or took it
ENDS_S = 0.6  # the clip begins or ends so near
ANOTHER_VIEW_S = 1.5  # untold for so long parts two spans
FALL_S, FALL_LENGTHS, DOWN_LENGTHS = 0.8, 1.2, 0.35  # so far in so short a time, and so far down
CLEAR_LENGTHS, SLIGHT_LENGTHS = 1.5, 0.5  # farthest it got from where it began
SHORT_S = 1.5
OFTEN = 0.3  # of the span's samples

STARTS = ("enters", "set-down", "moves-off", "clip-begins", "view-changes")
ENDS = ("rests", "leaves", "falls", "carried-off", "clip-ends", "view-changes")
SURE = ("clear", "likely", "doubtful")


@dataclass(frozen=True)
class SpanTerms:
    """What a span is taken to be.

    Attributes
    ----------
    rest_s : float
        The longest rest within one span, s.
    margin_s : float
        How long a span goes on before and after what moved, s.
    """

    rest_s: float = REST_S
    margin_s: float = MARGIN_S


@dataclass(frozen=True)
class AttemptSpan:
    """One proposed span; frames both included.

    Attributes
    ----------
    first_frame, last_frame : int
        With the margins.
    moves_first_frame, moves_last_frame : int
        First and last sample in which the truck was seen to move.
    start : str
        One of `STARTS`.
    end : str
        One of `ENDS`.
    busy : float
        Share of the time between its first and last move in which it moved, 0 to 1.
    reach_lengths : float
        Farthest that it got from where it began, in lengths of the truck.
    longest_rest_s : float
        Between two of its moves, s.
    sure : str
        One of `SURE`.
    beside : (int, int) or None
        First and last frame in which something else moved meanwhile.
    handled : (int, int) or None
        First and last frame in which that was where the truck was.
    doubts : tuple of str
        Words for what makes it less sure: ``beside``, ``handled``, ``slight``, ``short``,
        ``untold``.
    """

    first_frame: int
    last_frame: int
    moves_first_frame: int
    moves_last_frame: int
    start: str
    end: str
    busy: float
    reach_lengths: float
    longest_rest_s: float
    sure: str
    beside: tuple[int, int] | None
    handled: tuple[int, int] | None
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class _Run:
    """Samples `first` to `last`, both moving."""

    first: int
    last: int


def attempt_spans(
    series: TruckSeries, frame_times_s: NDArray[np.float64], terms: SpanTerms | None = None
) -> list[AttemptSpan]:
    """Propose spans, in order of time, disjoint, inside the clip.

    Parameters
    ----------
    series : TruckSeries
    frame_times_s : ndarray, shape (N,)
        Time of every frame of the clip, rising.
    terms : SpanTerms, optional
    """
    terms = terms or SpanTerms()
    groups = _grouped(series, _runs(series), terms)
    groups = [runs for runs in groups if _moving_s(series, runs) >= LEAST_MOVING_S]
    edges = [(runs[0].first, runs[-1].last) for runs in groups]
    bounds = _bounds(series, edges, frame_times_s, terms.margin_s)
    return [
        _described(series, runs, bound, place) for place, (runs, bound) in
        enumerate(zip(groups, bounds, strict=True))
    ]  # fmt: skip


def _runs(series: TruckSeries) -> list[_Run]:
    """Stretches of moving samples, short gaps bridged."""
    found: list[_Run] = []
    for at in np.flatnonzero(series.moving):
        here = int(at)
        if found and series.t_s[here] - series.t_s[found[-1].last] <= BRIDGED_S:
            parted = _untold_s(series, found[-1].last, here) > ANOTHER_VIEW_S
            jumped = _jump(series, found[-1].last, here) > CARRIED_LENGTHS and bool(
                series.at_truck[found[-1].last : here + 1].any()
            )
            if not parted and not jumped:
                found[-1] = _Run(found[-1].first, here)
                continue
        found.append(_Run(here, here))
    return found


def _grouped(series: TruckSeries, runs: list[_Run], terms: SpanTerms) -> list[list[_Run]]:
    """Runs that belong to one span."""
    groups: list[list[_Run]] = []
    for run in runs:
        if groups and not _parted(series, groups[-1][-1], run, terms):
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _parted(series: TruckSeries, before: _Run, after: _Run, terms: SpanTerms) -> bool:
    """Whether two runs are of different spans."""
    t = series.t_s
    if t[after.first] - t[before.last] > terms.rest_s:
        return True
    if _untold_s(series, before.last, after.first) > ANOTHER_VIEW_S:
        return True
    if series.at_edge[before.last] and series.at_edge[after.first]:
        return bool(t[after.first] - t[before.last] > BRIDGED_S)
    handled = series.at_truck[before.last : after.first + 1]
    if not handled.any():
        return False
    if _jump(series, before.last, after.first) > CARRIED_LENGTHS:
        return True
    held = np.flatnonzero(handled) + before.last
    return bool(t[held[-1]] - t[held[0]] > HELD_S)


def _jump(series: TruckSeries, before: int, after: int) -> float:
    """Lengths between two places."""
    return float(np.hypot(*(series.place[after] - series.place[before]))) / series.length


def _untold_s(series: TruckSeries, first: int, last: int) -> float:
    """Longest time for which nothing could be told between two samples."""
    longest, began = 0.0, None
    for at in range(first, last + 1):
        if series.told[at]:
            began = None
        else:
            began = series.t_s[max(at - 1, first)] if began is None else began
            longest = max(longest, float(series.t_s[min(at + 1, last)] - began))
    return longest


def _moving_s(series: TruckSeries, runs: list[_Run]) -> float:
    return float(sum(series.t_s[run.last] - series.t_s[run.first] for run in runs))


def _bounds(
    series: TruckSeries,
    edges: list[tuple[int, int]],
    frame_times_s: NDArray[np.float64],
    margin_s: float,
) -> list[tuple[int, int]]:
    """First and last frame of each span with margins, halved where two would meet."""
    bounds = []
    last_frame = len(frame_times_s) - 1
    for place, (first, last) in enumerate(edges):
        begins, ends = series.t_s[first] - margin_s, series.t_s[last] + margin_s
        low, high = 0, last_frame
        if place > 0:
            gap = (int(series.ordinals[edges[place - 1][1]]), int(series.ordinals[first]))
            low = (gap[0] + gap[1]) // 2 + 1
        if place + 1 < len(edges):
            gap = (int(series.ordinals[last]), int(series.ordinals[edges[place + 1][0]]))
            high = (gap[0] + gap[1]) // 2
        a = int(np.searchsorted(frame_times_s, begins - 1e-9, side="left"))
        b = int(np.searchsorted(frame_times_s, ends + 1e-9, side="right")) - 1
        bounds.append((
            min(max(a, low), int(series.ordinals[first])),
            max(min(b, high), int(series.ordinals[last])),
        ))  # fmt: skip
    return bounds


def _described(
    series: TruckSeries, runs: list[_Run], bound: tuple[int, int], place: int
) -> AttemptSpan:
    first, last = runs[0].first, runs[-1].last
    t = series.t_s
    lasted = float(t[last] - t[first])
    places = series.place[first : last + 1]
    reach = float(np.nanmax(np.hypot(*(places - series.place[first]).T))) / series.length
    rests = [float(t[after.first] - t[before.last]) for before, after in pairwise(runs)]
    beside, handled = (
        _frames_of(series, flags, first, last) for flags in (series.beside, series.at_truck)
    )
    doubts = _doubts(series, runs, reach, (beside, handled))
    return AttemptSpan(
        *bound,
        int(series.ordinals[first]),
        int(series.ordinals[last]),
        _start(series, first),
        _end(series, last),
        round(_moving_s(series, runs) / lasted, 3) if lasted > 0 else 1.0,
        reach,
        max(rests, default=0.0),
        _sure(doubts, reach),
        beside,
        handled,
        doubts,
    )


def _frames_of(
    series: TruckSeries, flags: NDArray[np.bool_], first: int, last: int
) -> tuple[int, int] | None:
    """First and last frame with a flag within some samples."""
    found = np.flatnonzero(flags[first : last + 1]) + first
    return (int(series.ordinals[found[0]]), int(series.ordinals[found[-1]])) if len(found) else None


def _doubts(
    series: TruckSeries,
    runs: list[_Run],
    reach: float,
    others: tuple[tuple[int, int] | None, tuple[int, int] | None],
) -> tuple[str, ...]:
    first, last = runs[0].first, runs[-1].last
    beside, handled = others
    found = []
    if beside is not None:
        found.append("beside")
    if handled is not None:
        found.append("handled")
    if reach < SLIGHT_LENGTHS:
        found.append("slight")
    if _moving_s(series, runs) < SHORT_S:
        found.append("short")
    if np.mean(~series.told[first : last + 1]) > 0.05:
        found.append("untold")
    if np.mean(series.beside[first : last + 1]) > OFTEN:
        found.append("often")
    return tuple(found)


def _sure(doubts: tuple[str, ...], reach: float) -> str:
    if {"slight", "short", "untold", "often"} & {*doubts}:
        return "doubtful"
    return "clear" if reach >= CLEAR_LENGTHS and "handled" not in doubts else "likely"


def _start(series: TruckSeries, first: int) -> str:
    """The word for how a span begins."""
    t = series.t_s
    if series.at_edge[first]:
        return "enters"
    if t[first] - t[0] <= ENDS_S:
        return "clip-begins"
    lately = (t >= t[first] - BEFORE_S) & (t < t[first])
    if (~series.told[lately]).any():
        return "view-changes"
    return "set-down" if series.at_truck[lately].any() or _left(series, first) else "moves-off"


def _left(series: TruckSeries, first: int) -> bool:
    """Whether something else moved just before, where the truck's place was not known yet."""
    t = series.t_s
    lately = (t >= t[first] - BEFORE_S) & (t < t[first])
    known = series.moving[:first].any()
    return bool(not known and series.beside[lately].any())


def _end(series: TruckSeries, last: int) -> str:
    """The word for how a span ends."""
    t = series.t_s
    if series.at_edge[last]:
        return "leaves"
    near = (t >= t[last] - FALL_S) & (t <= t[last]) & series.moving
    places = series.place[near]
    down = float(series.lowest[last] - places[:, 1].min())
    away = float(np.hypot(*(places - places[-1]).T).max())
    if away > FALL_LENGTHS * series.length and down > DOWN_LENGTHS * series.length:
        return "falls"
    after = (t > t[last]) & (t <= t[last] + AFTER_S)
    if series.at_truck[after].any() or series.at_truck[last]:
        return "carried-off"
    if t[-1] - t[last] <= ENDS_S:
        return "clip-ends"
    return "view-changes" if (~series.told[after]).any() else "rests"
