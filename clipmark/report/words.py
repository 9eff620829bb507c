"""Numbers, places and names as people read them: rounded by their uncertainty, with their unit."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from clipmark.record.models import Claim
from clipmark.record.readings import beside
from clipmark.uncertainty.digits import digits_for, number_of

PLUS_MINUS = "\N{PLUS-MINUS SIGN}"
MINUS = "\N{MINUS SIGN}"
DASH = "\N{EN DASH}"
_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}
LONGEST_NAME = 40


@dataclass(frozen=True)
class Figure:
    """One measured value as it is handed out.

    Attributes
    ----------
    name : str
        What people call it.
    value : float or None
        None where it is below the noise floor.
    u95, low, high : float or None
        Expanded uncertainty and interval, 95 %.
    unit : str
        As it stands behind a number, empty for none.
    aside : str
        What belongs to it, such as the band of a ripple.
    """

    name: str
    value: float | None
    u95: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    aside: str = ""

    @property
    def words(self) -> str:
        """``35.28 ± 0.28°``, two figures of U."""
        if self.value is None:
            return "below the noise floor"
        return measured(self.value, self.u95, self.unit)

    @property
    def interval(self) -> str:
        """``34.99° to 35.55°``, ``20.1 to 20.3 mm/s``, or nothing where there is none."""
        if self.value is None or self.low is None or self.high is None:
            return ""
        return between(self.low, self.high, self.unit, self.u95)


# Told without their sign, as in the attempts file; the way of travel says the rest.
MAGNITUDES = ("ramp_deg", "tilt_deg")
# Of each measure: key, what people call it, unit.
_TOLD: dict[str, tuple[tuple[str, str, str], ...]] = {
    "angle": (
        ("ramp_deg", "ramp", "°"),
        ("chassis_deg", "chassis", "°"),
        ("chassis_to_ramp_deg", "chassis to ramp", "°"),
    ),
    "tilt": (("tilt_deg", "tilt", "°"), ("tilt_rate_deg_s", "tilting rate", "°/s")),
    "climb": (("finish_t_s", "finish", "s"),),
    "crawl": (
        ("mean_speed_mm_s", "mean speed", "mm/s"),
        ("slowest_speed_mm_s", "slowest held", "mm/s"),
        ("ripple", "ripple", ""),
        ("rollback_mm", "rolled back", "mm"),
    ),
}


def figures_of(measure: str, result: Mapping[str, object]) -> list[Figure]:
    """What a reading says that is handed out, in a fixed order; unknown values are left out."""
    found = []
    for key, name, unit in _TOLD.get(measure, ()):
        value = number_of(result.get(key))
        hidden = result.get(beside(key, "below_noise_floor")) is True
        if value is None and not hidden:
            continue
        u95, low, high = (
            number_of(result.get(beside(key, mark))) for mark in ("u95", "low95", "high95")
        )
        falls = low is None or low < 0, high is None or high < 0
        if key in MAGNITUDES and value is not None and value < 0 and all(falls):
            value = -value
            low, high = (None if end is None else -end for end in (high, low))
        band = _band(result) if key == "ripple" else ""
        found.append(Figure(name, None if hidden else value, u95, low, high, unit, band))
    return found


def claim_words(claim: Claim) -> str:
    """``ramp at most 18°`` of a claim on ``ramp_deg``."""
    known = {key: (name, unit) for told in _TOLD.values() for key, name, unit in told}
    bare = re.sub(r"_(deg_s|deg|mm_s|mm|s)$", "", claim.measure)
    name, unit = known.get(claim.measure, (bare.replace("_", " "), claim.unit))
    unit = "°" if unit == "deg" else unit
    # The claim itself knows with how many digits it was given.
    value = str(claim).removeprefix(f"{claim.measure} {claim.relation} ").split(" ")[0]
    return f"{name} {claim.relation} {with_unit(value.replace('-', MINUS, 1), unit)}"


def _band(result: Mapping[str, object]) -> str:
    band = result.get("ripple_band_hz")
    if isinstance(band, (list, tuple)) and len(band) == 2:
        return f"{number(band[0])} to {number(band[1])} Hz"
    return ""


def number(value: object, places: int | None = None) -> str:
    """A number with a true minus sign; to so many places, or as it is known."""
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
        return "not known"
    text = f"{value:.7g}" if places is None else f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS, 1) if text.startswith("-") else text


def with_unit(text: str, unit: str) -> str:
    """A unit as it stands behind a number: the degree sign without a space."""
    return f"{text}{unit}" if unit.startswith("°") or not unit else f"{text} {unit}"


def measured(value: float, u95: float | None, unit: str) -> str:
    """A value with its expanded uncertainty, to two figures of it."""
    if u95 is None or not math.isfinite(u95) or u95 <= 0:
        return with_unit(number(value, _sensible(value)), unit)
    places = digits_for(u95)
    return with_unit(f"{number(value, places)} {PLUS_MINUS} {number(u95, places)}", unit)


def _sensible(value: float) -> int | None:
    """Decimals of a value without an uncertainty: as written where short, else four figures."""
    if float(f"{value:.4g}") == value or value == 0:
        return None
    return max(0, 3 - math.floor(math.log10(abs(value))))


def between(low: float, high: float, unit: str, u95: float | None = None) -> str:
    """Both ends of an interval, to two figures of its half width or of `u95`."""
    places = digits_for(u95 if u95 else (high - low) / 2)
    first = with_unit(number(low, places), unit if unit.startswith("°") else "")
    return f"{first} to {with_unit(number(high, places), unit)}"


def percent(share: float) -> str:
    """A probability: never 0 % or 100 % of what is only likely."""
    if 0 < share < 0.005:
        return "under 1 %"
    if 0.995 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def place_words(place: int | None) -> str:
    """``1st``, ``2nd``, ``11th``; a dash for nobody's place."""
    if place is None:
        return DASH
    ending = "th" if place % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(place % 10)
    return f"{place}{ending or 'th'}"


def counted(count: int, one: str, many: str) -> str:
    """``1 attempt``, ``3 attempts``."""
    return f"{count} {one if count == 1 else many}"


def file_names(names: Iterable[str]) -> dict[str, str]:
    """A name for files of each text: plain letters, never the same twice, fit for every disk."""
    found: dict[str, str] = {}
    for name in names:
        if name in found:
            continue
        plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
        base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_NAME].strip("-") or "entry"
        base = f"entry-{base}" if base in _RESERVED else base
        taken, wanted, count = set(found.values()), base, 1
        while wanted in taken:
            count += 1
            wanted = f"{base}-{count}"
        found[name] = wanted
    return found
