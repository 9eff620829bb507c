"""The four events of a side tilt, each where it occurs, or why it is not named.

Pure numerics on series in which everything that tips counts as positive. The events carry the words
of the rule sheet: the first uphill wheel unloads (it leaves the platform), both uphill wheels are
off (the classic definition), the truck topples, the truck slides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.lift_off_gap import Crossing, crossing_of
from clipmark.motion.lift_off_growth import Growth, find_growth
from clipmark.motion.tilt_found import (
    BOTH_WHEELS,
    CANNOT_TELL,
    EVENTS,
    FIRST_MOTION,
    FIRST_WHEEL,
    NOT_REACHED,
    SLIDE,
    TOPPLE,
    NotSeen,
    Seen,
    TiltFacts,
    TiltSeries,
    Work,
    smooth_platform,
)

__all__ = [
    "BOTH_WHEELS",
    "CANNOT_TELL",
    "EVENTS",
    "FIRST_MOTION",
    "FIRST_WHEEL",
    "NOT_REACHED",
    "SLIDE",
    "TOPPLE",
    "NotSeen",
    "Seen",
    "TiltFacts",
    "TiltSeries",
    "find_events",
]
FloatArray = NDArray[np.float64]
TOPPLE_DEG = 15.0  # of extra turn: beyond it a crawler's centre of gravity is far past its wheels
JERKS_SHARE = 0.35
AROUND_S = 0.5  # some five times as long as a truck takes to fall over
LANDS_SHARE = 0.6  # of the gap, nearer than at the start: it was lifted already


def find_events(
    series: TiltSeries, gap: float, slide: float, gap_words: str, slide_words: str
) -> TiltFacts:
    """Find the four events.

    Parameters
    ----------
    series : TiltSeries
    gap, slide : float
        Limits in the unit of the ways.
    gap_words, slide_words : str
        The same for criteria, such as ``1 mm``.
    """
    t = series.t_s
    work = Work(series, smooth_platform(t, series.tilt_deg), gap_words)
    tilt = work.platform.value
    crossings = tuple(crossing_of(t, tilt, way, gap, u_way=series.u_way) for way in series.gaps)
    when = [math.nan if c is None else c.t_s for c in crossings]
    growth = find_growth(
        t, work.platform, series.turn_deg, series.gaps, when, series.u_turn_deg, series.u_way
    )
    crossings = _counted_from_onset(series, tilt, crossings, growth, gap)
    lifted_before = _lifted_before(series, crossings, gap)
    if lifted_before:
        work.notes.append(
            "an uphill tyre stood higher at the start of the span than later on: it was lifted "
            "already, so no gap can be counted from there; begin with all wheels on the platform"
        )
        crossings = tuple(None for _ in crossings)
    _wheels(work, crossings, growth, lifted_before)
    _topple(work, growth)
    _slide(work, crossings, growth, slide, slide_words)
    _remarks(work, crossings, growth, gap)
    work.seen.sort(key=lambda item: item.t_s)
    seen_tilt = series.tilt_deg[np.isfinite(series.tilt_deg)]
    return TiltFacts(
        seen=tuple(work.seen),
        missing=tuple(work.missing),
        growth=growth,
        crossings=crossings,
        platform=work.platform,
        highest_deg=float(tilt.max()) if seen_tilt.size else math.nan,
        notes=tuple(work.notes),
    )


def _counted_from_onset(
    series: TiltSeries,
    tilt: FloatArray,
    crossings: tuple[Crossing | None, ...],
    growth: Growth,
    gap: float,
) -> tuple[Crossing | None, ...]:
    """Gaps of tyres that left with the truck, counted from where they stood at its onset."""
    fit = growth.fit
    if fit is None or not fit.rest_gaps:
        return crossings
    out: list[Crossing | None] = list(crossings)
    # The fit had the tyres that left near its time, in their order.
    taken = [n for n, c in enumerate(crossings) if c is not None and n in _with(crossings, growth)]
    for n, base in zip(taken, fit.rest_gaps, strict=False):
        before = crossings[n]
        assert before is not None
        if abs(base - before.base) < 0.3 * gap:
            found = crossing_of(
                series.t_s, tilt, series.gaps[n], gap, base=base, u_way=series.u_way
            )
            out[n] = found or before
    return tuple(out)


def _with(crossings: Sequence[Crossing | None], growth: Growth) -> list[int]:
    return [n for n, c in enumerate(crossings) if c is not None and growth.leaves_with_it(c.t_s)]


def _lifted_before(series: TiltSeries, crossings: tuple[Crossing | None, ...], gap: float) -> bool:
    """Whether a tyre came nearer to the platform than it was at the start."""
    for way, crossing in zip(series.gaps, crossings, strict=True):
        until = len(way) if crossing is None else int(np.searchsorted(series.t_s, crossing.t_s))
        before = way[:until][np.isfinite(way[:until])]
        if len(before) < 20:
            continue
        start = float(np.median(before[:8]))
        lowest = float(np.min(np.convolve(before, np.ones(8) / 8, mode="valid")))
        if lowest < start - LANDS_SHARE * gap:
            return True
    return False


def _wheels(
    work: Work, crossings: tuple[Crossing | None, ...], growth: Growth, lifted: bool
) -> None:
    """The first uphill wheel, and all of that side."""
    criterion = f"gap of {work.gap_words} under the uphill tyre"
    off = sorted((c for c in crossings if c is not None), key=lambda c: c.t_s)
    everyone = len(off) == len(crossings) and bool(off)
    _first_wheel(work, crossings, off, growth, criterion, lifted)
    tips = growth.found and (len(crossings) < 2 or everyone)
    if everyone and (len(crossings) > 1 or growth.found):
        words = criterion if len(crossings) == 1 else f"gap of {work.gap_words} under both tyres"
        work.add(BOTH_WHEELS, words, off[-1])
    fit = growth.fit
    if fit is not None and tips and not lifted:
        ends = (fit.low95_s, fit.high95_s)
        work.seen.append(work.at(BOTH_WHEELS, FIRST_MOTION, fit.t_s, fit.u_t_s, ends))
    if not any(item.event == BOTH_WHEELS for item in work.seen):
        if growth.found or lifted:
            why = growth.why or "the uphill tyre was not seen when it left"
            work.miss(BOTH_WHEELS, CANNOT_TELL, why)
        else:
            _not_reached(work, BOTH_WHEELS)


def _first_wheel(
    work: Work,
    crossings: tuple[Crossing | None, ...],
    off: list[Crossing],
    growth: Growth,
    criterion: str,
    lifted: bool,
) -> None:
    if lifted:
        work.miss(FIRST_WHEEL, CANNOT_TELL, "an uphill tyre was lifted at the start already")
    elif off and (len(crossings) > 1 or not growth.found):
        work.add(FIRST_WHEEL, criterion, off[0])
    elif off or (growth.found and len(crossings) < 2):
        why = (
            "only one uphill tyre was marked, and another may have left before it"
            if crossings
            else "no uphill tyre was marked"
        )
        work.miss(FIRST_WHEEL, CANNOT_TELL, f"{why}; mark both (--uphill-tyre)")
    elif not crossings:
        work.miss(FIRST_WHEEL, CANNOT_TELL, "no uphill tyre was marked (--uphill-tyre)")
    else:
        _not_reached(work, FIRST_WHEEL)


def _not_reached(work: Work, event: str) -> None:
    """Not reached while everything was seen; otherwise it cannot be told."""
    series = work.series
    tail = series.t_s >= series.t_s[-1] - 0.3
    ways = series.slides if event == SLIDE else series.gaps
    hidden = not np.isfinite(series.turn_deg[tail]).any() and event != SLIDE
    hidden |= any(not np.isfinite(way[tail]).any() for way in ways)
    if hidden:
        work.miss(event, CANNOT_TELL, "what would show it was lost before the end of the span")
        return
    work.miss(event, NOT_REACHED, f"up to a platform angle of {work.platform.value.max():.2f} deg")


def _topple(work: Work, growth: Growth) -> None:
    """Extra turn beyond `TOPPLE_DEG`, counted from the onset."""
    series = work.series
    if not growth.found:
        _not_reached(work, TOPPLE)
        return
    k = int(np.searchsorted(series.t_s, growth.at_s))
    earlier = series.turn_deg[max(k - 30, 0) : max(k - 8, 1)]
    earlier = earlier[np.isfinite(earlier)]
    rest = growth.fit.rest_turn_deg if growth.fit is not None else math.nan
    if math.isnan(rest):
        rest = float(np.median(earlier)) if earlier.size else math.nan
    turned = series.turn_deg - rest
    beyond = np.flatnonzero(turned > TOPPLE_DEG)
    if beyond.size and beyond[0] > 0:
        i = int(beyond[0])
        known = [j for j in range(max(i - 3, 0), i) if np.isfinite(turned[j])]
        j = known[-1] if known else i
        share = (TOPPLE_DEG - turned[j]) / (turned[i] - turned[j]) if i != j else 0.0
        at = float(series.t_s[j] + share * (series.t_s[i] - series.t_s[j]))
        u_t = max(0.1 * float(series.t_s[i] - series.t_s[j]), 1e-3)
        words = f"extra turn of {TOPPLE_DEG:g} deg against the platform"
        work.seen.append(work.at(TOPPLE, words, at, u_t))
        return
    seen = np.flatnonzero(np.isfinite(turned))
    if seen.size and seen[-1] < len(turned) - 2 and math.isnan(growth.held_s):
        why = f"the chassis line was lost at an extra turn of {turned[seen[-1]]:.1f} deg"
        work.miss(TOPPLE, CANNOT_TELL, why)
        return
    most = float(np.nanmax(turned)) if seen.size else math.nan
    work.miss(TOPPLE, NOT_REACHED, f"the extra turn went to {most:.1f} deg in this span")


def _slide(
    work: Work,
    crossings: tuple[Crossing | None, ...],
    growth: Growth,
    limit: float,
    words: str,
) -> None:
    """Motion of the truck along the platform while it still stands on its wheels."""
    series = work.series
    if not series.slides:
        work.miss(SLIDE, CANNOT_TELL, "no uphill tyre was marked (--uphill-tyre)")
        return
    ends = [c.t_s for c in crossings if c is not None]
    if growth.found:
        ends.append(growth.at_s if growth.fit is None else growth.fit.t_s)
    until = min(ends, default=math.inf)
    found: list[Crossing] = []
    for way in series.slides:
        standing = np.where(series.t_s <= until, way, np.nan)
        crossing = crossing_of(series.t_s, work.platform.value, standing, limit, u_way=series.u_way)
        if crossing is not None:
            found.append(crossing)
    if len(found) == len(series.slides):
        work.add(SLIDE, f"moved {words} down along the platform", max(found, key=lambda c: c.t_s))
    elif found:
        why = "one of the uphill tyres moved along the platform and the other did not"
        work.miss(SLIDE, CANNOT_TELL, why)
    else:
        _not_reached(work, SLIDE)


def _remarks(
    work: Work, crossings: tuple[Crossing | None, ...], growth: Growth, gap: float
) -> None:
    """What must be read with the figures."""
    series = work.series
    notes = work.notes
    if growth.why:
        notes.append(f"first motion cannot be told: {growth.why}")
    fit = growth.fit
    if fit is not None and fit.misfit > 4.0 and math.isnan(growth.held_s):
        notes.append(
            "the truck did not begin to tip as a body left to itself does (a hand, a strap or a "
            "jerk of the platform may have helped); the interval of first motion is widened for it"
        )
    if math.isfinite(growth.held_s):
        notes.append(
            f"the truck came to rest against the platform at {growth.held_s:.2f} s, after it had "
            "begun to tip: a hand or the strap held it; what came before stands, whether it would "
            "have toppled cannot be told"
        )
    for way, crossing in zip(series.gaps, crossings, strict=True):
        if crossing is None:
            continue
        later = way[(series.t_s > crossing.t_s + 0.2) & np.isfinite(way)]
        if later.size and float(np.min(later)) < crossing.base + 0.3 * gap:
            notes.append(
                f"an uphill wheel that had left at {crossing.t_s:.2f} s came down again; what is "
                "reported is the first time"
            )
            break
    _jerks(work, growth)


def _jerks(work: Work, growth: Growth) -> None:
    """Say that the platform turned unevenly, and widen first motion by what its jerks may do.

    A platform that is slowed down by P'' throws the truck off as an angle of P'' / k^2 more would.
    """
    series, platform = work.series, work.platform
    events = [item for item in work.seen if item.event != TOPPLE]
    if not events:
        return
    item = events[0]
    near = np.abs(series.t_s - item.t_s) < AROUND_S
    spread = float(np.std(platform.rate[near]))
    noise = float(np.median(platform.u_rate[near])) / platform.grown  # jerks go together too
    if spread < JERKS_SHARE * abs(item.rate_deg_s) + 3 * noise:
        return
    work.notes.append(
        f"the platform turned unevenly around {item.t_s:.2f} s (its rate scattered by "
        f"{spread:.2f} deg/s about {item.rate_deg_s:.2f} deg/s), and a jerk throws a truck off "
        "early; tilt more evenly"
    )
    if growth.fit is None:
        return
    before = near & (series.t_s <= growth.at_s)
    shaken = np.gradient(platform.rate, series.t_s)[before]
    u_deg = float(np.std(shaken)) / growth.fit.k_per_s**2
    for number, seen in enumerate(work.seen):
        if seen.criterion == FIRST_MOTION:
            low = math.hypot(seen.tilt_deg - seen.low_deg, 1.96 * u_deg)
            high = math.hypot(seen.high_deg - seen.tilt_deg, 1.96 * u_deg)
            work.seen[number] = replace(
                seen, low_deg=seen.tilt_deg - low, high_deg=seen.tilt_deg + high
            )
