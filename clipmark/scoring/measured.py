"""The value that a test scores, out of an attempt's readings, with what of it others share.

Readings from one stand share that stand's level, plane, lens and scale: their rows of the budget
are drawn once for all of them. What is found anew in each clip (lines, hubs and corners in the
picture, noise) is drawn for each reading. A shared row is taken with its sign: an angle whose
magnitude is scored turns it around where the board falls the other way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from clipmark.record.models import Attempt
from clipmark.record.readings import Reading, beside
from clipmark.uncertainty.intervals import coverage_factor

ANGLES = ("ramp_deg", "chassis_deg", "chassis_to_ramp_deg")
MAGNITUDES = ("ramp_deg", "tilt_deg")
FROM_0 = ("ripple", "rollback_mm", "stop_distance_mm", "roll_off_mm", "duration_s", "start_jump",
          "distance_mm", "slowest_speed_mm_s", "start_delay_s")  # fmt: skip
_OWN = ("sheet corners", "hub centres in the picture", "noise in the band", "following the body",
        "camera shake", "time stamps")  # fmt: skip
_UNITS = (("_mm_s", "mm/s"), ("_deg", "deg"), ("_mm", "mm"), ("_s", "s"))
Shared = tuple[tuple[str, str], float]  # (group, source), signed standard uncertainty


@dataclass(frozen=True)
class Measured:
    """One value: estimate, standard uncertainty, and how that is shared."""

    value: float
    u: float
    low95: float | None
    high95: float | None
    frame: int | None
    own_u: float
    shared: tuple[Shared, ...] = ()
    from_0: bool = False

    @property
    def u95(self) -> float:
        """Expanded uncertainty, 95 %."""
        return coverage_factor() * self.u


def unit_of(measure: str) -> str:
    """Unit of a measure by its name; empty for counts and ratios."""
    return next((unit for end, unit in _UNITS if measure.endswith(end)), "")


def measured_of(attempt: Attempt, measure: str, tilt_event: str = "") -> Measured | None:
    """The value of a measure in the attempt's readings, or None where there is none."""
    reading = attempt.reading(reading_kind(measure))
    if reading is None:
        return None
    if measure == "stalls":
        return _stalls(reading)
    if measure == "tilt_deg":
        wanted = tilt_event or attempt.tilt_event
        return _tilt(attempt, reading, wanted)
    return _value(attempt, reading, reading.result, measure)


def reading_kind(measure: str) -> str:
    """Which reading holds a measure."""
    if measure in ANGLES:
        return "angle"
    return "tilt" if measure == "tilt_deg" else "crawl"


def _stalls(reading: Reading) -> Measured | None:
    stalls = reading.result.get("stalls")
    if not isinstance(stalls, list):
        return None
    count = sum(not (isinstance(s, Mapping) and s.get("commanded")) for s in stalls)
    return Measured(float(count), 0.0, None, None, reading.frame, 0.0)


def _tilt(attempt: Attempt, reading: Reading, wanted: str) -> Measured | None:
    events = reading.result.get("events")
    for event in events if isinstance(events, list) else []:
        if wanted and isinstance(event, Mapping) and event.get("event") == wanted:
            return _value(attempt, reading, event, "tilt_deg")
    return None if wanted else _value(attempt, reading, reading.result, "tilt_deg")


def _value(
    attempt: Attempt, reading: Reading, source: Mapping[str, object], measure: str
) -> Measured | None:
    value = _number(source.get(measure))
    if value is None:
        return None
    u95 = _number(source.get(beside(measure, "u95"))) or 0.0
    u = u95 / coverage_factor()
    low, high = (_number(source.get(beside(measure, end))) for end in ("low95", "high95"))
    sign = 1.0
    if measure in MAGNITUDES and value < 0:
        value, sign = -value, -1.0
        low, high = (None if e is None else -e for e in (high, low))
    shared = _shared(attempt, reading, measure, sign)
    common2 = sum(part**2 for _, part in shared)
    if common2 > u**2 > 0:  # an interval by draws may be narrower than the linear budget
        scale = u / common2**0.5
        shared, common2 = tuple((key, part * scale) for key, part in shared), u**2
    own = max(u**2 - common2, 0.0) ** 0.5
    return Measured(value, u, low, high, reading.frame, own, shared, measure in FROM_0)


def _shared(attempt: Attempt, reading: Reading, measure: str, sign: float) -> tuple[Shared, ...]:
    budget = reading.result.get("budget")
    rows = budget.get(measure) if isinstance(budget, Mapping) else None
    found: list[Shared] = []
    for row in rows if isinstance(rows, Sequence) else []:
        if not isinstance(row, Mapping):
            continue
        source = str(row.get("source") or "")
        u = next((_number(v) for k, v in row.items() if str(k).startswith("u")), None)
        if not u or source.endswith("in the picture") or source in _OWN:
            continue
        found.append(((group_of(attempt, source), source), sign * u))
    return tuple(found)


def group_of(attempt: Attempt, source: str) -> str:
    """What shares a source: the lens file for the lens, else stand and lens; else the clip."""
    lens = (attempt.lens.sha256 or attempt.lens.path) if attempt.lens else ""
    if source == "lens" and lens:
        return f"lens {lens}"
    if attempt.stand:
        return f"stand {attempt.stand.id}.{attempt.stand.revision} lens {lens}"
    return f"clip {attempt.clip.sha256 if attempt.clip else id(attempt)}"


def _number(value: object) -> float | None:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    return None
