"""What is reported of the wheels of a crawl: turn, slip over distance, ripple by order."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from clipmark.measure.crawl_path import Path
from clipmark.measure.crawl_ruler import FloatArray
from clipmark.measure.crawl_values import Trace
from clipmark.measure.crawl_wheels import WheelTrace
from clipmark.measure.values import Value, named
from clipmark.motion.orders import no_orders_reason, orders
from clipmark.motion.slip import braking_slip, driving_slip
from clipmark.uncertainty.digits import number_of

SLIP_FORM = "driving 1 - v/(omega r), braking 1 - omega r/v"
Z95 = 1.96
LEAST_TRAVEL_MM = 5.0
ODD_SLIP = 0.15


def describe_wheels(wheels: Sequence[WheelTrace]) -> list[dict[str, object]]:
    """One object per wheel: where it was marked, how far it turned, what was lost and why."""
    out: list[dict[str, object]] = []
    for wheel in wheels:
        mark, known = wheel.mark, wheel.known
        turned = wheel.turn_rad[known]
        total = float(turned[-1] - turned[0]) if turned.size else math.nan
        through = np.unique(wheel.stretch[known]).size == 1
        value = _degrees(total, wheel.u_step_rad()) if through else None
        out.append(
            {
                "wheel": wheel.number,
                "hub_px": [mark.cx, mark.cy],
                "rim_px": [mark.rx, mark.ry],
                "like_parts": wheel.parts,
                "found_frames": int(known.sum()),
                **named("turned", "deg", value),
                "u_turn_deg": number_of(math.degrees(float(np.nanmedian(wheel.u_turn_rad))))
                if known.any()
                else None,
                "not_told": dict(Counter(filter(None, wheel.reasons))),
                "rolling_radius_mm": None if wheel.radius is None else wheel.radius.mm,
            }
        )
    return out


def slip_over_distance(
    wheels: Sequence[WheelTrace], trace: Trace, path: Path, first: int, last: int
) -> list[dict[str, object]] | None:
    """Slip of each wheel over a stretch of known instants; None without a rolling radius.

    The shared doubts of scale and rolling radius are in its uncertainty; the trace's columns leave
    them out, as they do for speed.
    """
    if not any(wheel.radius for wheel in wheels):
        return None
    rows = np.flatnonzero(path.known)[first : last + 1]
    out: list[dict[str, object]] = []
    for wheel in wheels:
        driving, braking, surface, travel = _over(wheel, trace, rows)
        out.append(
            {
                "wheel": wheel.number,
                "form": SLIP_FORM,
                **named("driving", "", driving),
                **named("braking", "", braking),
                "surface_mm": surface,
                "travel_mm": travel,
                "window_s": 0.2,
                "knowable_above_mm_s": number_of(wheel.knowable_mm_s),
            }
        )
    return out


def _over(
    wheel: WheelTrace, trace: Trace, rows: np.ndarray[tuple[int], np.dtype[np.intp]]
) -> tuple[Value | None, Value | None, float | None, float | None]:
    """Driving and braking slip over the frames `rows`, and the two ways, mm."""
    seen = rows[np.isfinite(wheel.turn_rad[rows]) & np.isfinite(wheel.hub_mm[rows])]
    if wheel.radius is None or seen.size < 3 or np.unique(wheel.stretch[seen]).size > 1:
        return None, None, None, None
    few = max(1, min(5, seen.size // 10))
    surface = _ends(wheel.turn_rad[seen], few) * wheel.radius.mm
    travel = _ends(wheel.hub_mm[seen], few)
    if max(abs(surface), abs(travel)) < LEAST_TRAVEL_MM:
        return None, None, surface, travel
    drives = abs(surface) >= abs(travel)
    slip = driving_slip(travel, surface) if drives else braking_slip(travel, surface)
    assert slip is not None
    shared = math.hypot(
        wheel.radius.u_relative, *(source.u_relative for source in trace.ruler.sources)
    )
    larger = max(abs(surface), abs(travel))
    gain = math.sqrt(2 * wheel.correlation / few)
    own = math.hypot(wheel.noise_rad * wheel.radius.mm, trace.noise.position_mm) * gain / larger
    u = math.hypot(own, abs(1 - slip) * shared)
    value = Value(slip, u, slip - Z95 * u, slip + Z95 * u)
    return (value, None, surface, travel) if drives else (None, value, surface, travel)


def _ends(values: FloatArray, few: int) -> float:
    """Last less first, each the mean of a few."""
    return float(np.mean(values[-few:]) - np.mean(values[:few]))


def ripple_by_order(
    wheels: Sequence[WheelTrace], trace: Trace, path: Path
) -> tuple[list[dict[str, object]] | None, list[str]]:
    """Lines of ripple per turn of each wheel, and in words what the footage cannot show."""
    if not wheels:
        return None, []
    known = path.known
    lines: list[dict[str, object]] = []
    highest: list[float] = []
    reasons: list[str] = []
    for wheel in wheels:
        if wheel.note:
            continue
        turn = np.where(_longest(wheel), wheel.turn_rad, np.nan)[known]
        noise = trace.noise.position_mm
        found = orders(trace.times_s, trace.s_mm, turn, noise)
        if found is None:
            reasons.append(no_orders_reason(trace.times_s, trace.s_mm, turn, noise) or "")
            continue
        highest.append(found.highest)
        for line in found.lines:
            u = line.u_ripple
            low = max(line.ripple - Z95 * u, 0.0)
            value = Value(line.ripple, u, low, line.ripple + Z95 * u)
            entry: dict[str, object] = {"wheel": wheel.number, "per_turn": line.per_turn}
            lines.append(entry | named("ripple", "", value))
    if highest:
        return lines, [
            f"Per turn of a wheel this footage shows up to {min(highest):.0f} events; faster ones, "
            "as motor cogging usually is, are folded down and cannot be named."
        ]
    return None, [f"Ripple per turn of a wheel is not told: {reasons[0]}."] if reasons else []


def _longest(wheel: WheelTrace) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Frames of the longest counted-through stretch, (K,)."""
    known = wheel.known
    if not known.any():
        return known
    names, counts = np.unique(wheel.stretch[known], return_counts=True)
    return np.asarray(known & (wheel.stretch == names[np.argmax(counts)]))


def wheel_notes(
    wheels: Sequence[WheelTrace], path: Path, slip: list[dict[str, object]] | None
) -> list[str]:
    """What an operator should know of the wheels, in sentences."""
    notes = []
    for wheel in wheels:
        if wheel.note:
            notes.append(f"Wheel {wheel.number} is not followed: {wheel.note}.")
            continue
        for reason, count in sorted(Counter(filter(None, wheel.reasons)).items()):
            first = path.ordinals[wheel.reasons.index(reason)]
            notes.append(
                f"Wheel {wheel.number} has no turn in {count} frame{'s' if count > 1 else ''} "
                f"({reason}), first in frame {first}."
            )
        if np.unique(wheel.stretch[wheel.known]).size > 1:
            notes.append(
                f"The turn of wheel {wheel.number} is counted through in pieces only: between them "
                f"it may have turned any number of its {wheel.parts} like parts further."
                if wheel.parts > 1
                else f"The turn of wheel {wheel.number} is counted through in pieces only: between "
                "them it may have made further whole turns."
            )
    limits = [w.knowable_mm_s for w in wheels if math.isfinite(w.knowable_mm_s)]
    if limits:
        notes.append(
            f"Slip is not told below {max(limits):.1f} mm/s: there the noise over 0.2 s is more "
            "than 0.05 of it. Film nearer, or with more light, to tell it lower."
        )
    if wheels and all(wheel.radius is None for wheel in wheels):
        notes.append(
            "Slip needs the rolling diameter of the wheels; give it (--wheel-mm), taken from the "
            "way of ten turns rolled without slip."
        )
    if slip:
        notes += _radius_notes(slip)
    return notes


def _radius_notes(slip: list[dict[str, object]]) -> list[str]:
    """A constant large slip of all wheels alike may be a wrong diameter."""
    found = []
    for item in slip:
        driving, braking = item["driving"], item["braking"]
        if isinstance(driving, float):
            found.append(driving)
        elif isinstance(braking, float):
            found.append(-braking)
    if len(found) >= 2 and 0.9 > min(abs(x) for x in found) > ODD_SLIP and np.ptp(found) < 0.03:
        return [
            f"All wheels slip by about {abs(float(np.mean(found))):.0%} alike over the whole way; "
            "a rolling diameter or a scale that is off looks the same. Check both."
        ]
    return []


def _degrees(rad: float, u_rad: float) -> Value:
    value, u = math.degrees(rad), math.degrees(u_rad)
    return Value(value, u, value - Z95 * u, value + Z95 * u)
