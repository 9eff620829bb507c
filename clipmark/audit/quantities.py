"""What the readings of an attempt hold that a claim can be about: values, times, counts.

Everything that a reading states with an uncertainty can be claimed on, under the name that people
give it. Stalls are counted; their dwell and their instants are times.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from clipmark.record.models import Attempt
from clipmark.record.readings import Reading, beside
from clipmark.uncertainty.digits import number_of

Quality = Literal["value", "time", "count"]
_UNITS = {"_mm_s": "mm/s", "_deg_s": "deg/s", "_deg": "deg", "_mm": "mm", "_s": "s", "_hz": "Hz"}
_CANNOT_BE_BELOW_0 = (
    "ramp",
    "tilt",
    "duration",
    "slowest speed",
    "ripple",
    "rollback",
    "start jump",
    "stop distance",
    "longest stall",
    "stalls",
)
_MAGNITUDES = ("ramp", "tilt")  # what is marked of them has a sign, what is claimed has none
KNOWN = {  # what this version reads, by the reading that holds it
    "ramp": "angle",
    "chassis": "angle",
    "chassis to ramp": "angle",
    "tilt": "tilt",
    "finish": "climb",
    "duration": "crawl",
    "distance": "crawl",
    "mean speed": "crawl",
    "slowest speed": "crawl",
    "ripple": "crawl",
    "stalls": "crawl",
    "longest stall": "crawl",
    "first stall": "crawl",
    "rollback": "crawl",
    "start jump": "crawl",
    "start delay": "crawl",
    "stop distance": "crawl",
    "roll off": "crawl",
    "sparc": "crawl",
    "ldlj": "crawl",
    "driving slip of wheel 1": "crawl",
    "braking slip of wheel 1": "crawl",
}


@dataclass(frozen=True, eq=False)
class Quantity:
    """One thing that a reading tells.

    Attributes
    ----------
    name : str
        As people say it: "ramp", "mean speed", "stalls".
    key : str
        Where it stands in the reading: ``ramp_deg``, ``stalls``.
    quality : {'value', 'time', 'count'}
        A time is told from frames, so that half a frame is in its uncertainty.
    unit : str
        Of all numbers here; empty for ratios and counts.
    reading : Reading
    value, low95, high95 : float
        As the reading states them; of a magnitude without its sign.
    magnitude : bool
        The sign, which says which way it leans, is left out.
    lowest : float
        What it cannot be below.
    """

    name: str
    key: str
    quality: Quality
    unit: str
    reading: Reading
    value: float
    low95: float
    high95: float
    magnitude: bool = False
    lowest: float = -math.inf

    @property
    def u95(self) -> float:
        """Expanded uncertainty: half the length of the interval."""
        return (self.high95 - self.low95) / 2


def plain_name(key: str) -> str:
    """``mean_speed_mm_s`` as people say it: "mean speed"."""
    for tail in _UNITS:
        if key.endswith(tail):
            return key.removesuffix(tail).removesuffix("_t").replace("_", " ")
    return key.replace("_", " ")


def quantities_of(attempt: Attempt) -> dict[str, Quantity]:
    """By name, everything that the readings which count tell with an uncertainty."""
    found: dict[str, Quantity] = {}
    for measure in dict.fromkeys(reading.measure for reading in attempt.readings):
        reading = attempt.reading(measure)
        if reading is not None:
            found |= {item.name: item for item in quantities_in(reading, attempt)}
    return found


def quantities_in(reading: Reading, attempt: Attempt) -> Iterator[Quantity]:
    """Everything that one reading tells."""
    for key, _, _ in reading.values():
        item = _value(reading, key)
        if item is not None:
            yield item
    if reading.measure == "climb":
        yield from _finish(reading, attempt)
    yield from _stalls(reading)
    yield from _slips(reading)


def _value(reading: Reading, key: str) -> Quantity | None:
    value, low, high = (
        reading.number(name) for name in (key, beside(key, "low95"), beside(key, "high95"))
    )
    if value is None or low is None or high is None:
        return None
    name = plain_name(key)
    unit = next((unit for tail, unit in _UNITS.items() if key.endswith(tail)), "")
    if name in _MAGNITUDES and value < 0:
        value, low, high = -value, -high, -low
    return Quantity(
        name=name,
        key=key,
        quality="time" if unit == "s" else "value",
        unit=unit,
        reading=reading,
        value=value,
        low95=low,
        high95=high,
        magnitude=name in _MAGNITUDES,
        lowest=0.0 if name in _CANNOT_BE_BELOW_0 else -math.inf,
    )


def _time(name: str, key: str, reading: Reading, value: float, u95: float) -> Quantity:
    lowest = 0.0 if name in _CANNOT_BE_BELOW_0 else -math.inf
    return Quantity(
        name, key, "time", "s", reading, value, max(value - u95, lowest), value + u95, lowest=lowest
    )


def _finish(reading: Reading, attempt: Attempt) -> Iterator[Quantity]:
    """When the finish was crossed, where the reading states no interval of its own."""
    value = reading.number("finish_t_s")
    if value is not None and reading.number("finish_t_u95_s") is None:
        half = half_frame_s(attempt)
        if half is not None:
            yield _time("finish", "finish_t_s", reading, value, 0.95 * half)


def half_frame_s(attempt: Attempt) -> float | None:
    """Half the mean time between frames of the attempt's span, s; None where it is not known."""
    span = attempt.span
    if span is None or span.first_t_s is None or span.last_t_s is None:
        return None
    frames = span.last_frame - span.first_frame
    return (span.last_t_s - span.first_t_s) / frames / 2 if frames > 0 else None


def stalls_in(reading: Reading) -> list[Mapping[str, object]] | None:
    """The stalls of a crawl without the stops that were asked for; None where none can be told."""
    found = reading.result.get("stalls")
    if reading.measure != "crawl" or not isinstance(found, list):
        return None
    return [stall for stall in found if isinstance(stall, dict) and not stall.get("commanded")]


def _stalls(reading: Reading) -> Iterator[Quantity]:
    stalls = stalls_in(reading)
    if stalls is None:
        return
    count = float(len(stalls))
    yield Quantity("stalls", "stalls", "count", "", reading, count, count, count, lowest=0.0)
    told = [
        (t_s, dwell, u95)
        for stall in stalls
        if (t_s := number_of(stall.get("t_s"))) is not None
        and (dwell := number_of(stall.get("dwell_s"))) is not None
        and (u95 := number_of(stall.get("dwell_u95_s"))) is not None
    ]
    if told:
        longest = max(told, key=lambda item: item[1])
        yield _time("longest stall", "stalls", reading, longest[1], longest[2])
        first = min(told)
        yield _time("first stall", "stalls", reading, first[0], first[2] / math.sqrt(2))


def _slips(reading: Reading) -> Iterator[Quantity]:
    slips = reading.result.get("slip")
    for item in slips if isinstance(slips, list) else []:
        if not isinstance(item, dict):
            continue
        for way in ("driving", "braking"):
            ends = [number_of(item.get(name)) for name in (way, f"{way}_low95", f"{way}_high95")]
            value, low, high = ends
            if value is not None and low is not None and high is not None:
                name = f"{way} slip of wheel {item.get('wheel')}"
                yield Quantity(name, "slip", "value", "", reading, value, low, high)


def facts_of(attempt: Attempt) -> str:
    """What the readings tell, by name, for a sentence."""
    names = list(quantities_of(attempt))
    return ", ".join(names) if names else "none yet"
