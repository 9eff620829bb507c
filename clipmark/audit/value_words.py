"""Values of readings as people call them, with their units. Pure."""

from __future__ import annotations

from pydantic import JsonValue

from clipmark.measure.grading import MEASURES
from clipmark.record.body_words import figure
from clipmark.uncertainty.digits import digits_for

ANGLES = {
    "ramp_deg": "ramp angle",
    "chassis_deg": "chassis angle",
    "chassis_to_ramp_deg": "chassis to ramp",
}
_UNITS = (
    ("_mm_s", "mm/s"),
    ("_deg", "°"),
    ("_mm", "mm"),
    ("_hz", "Hz"),
    ("_px", "px"),
    ("_s", "s"),
)


def words_of(name: str) -> str:
    """``ramp_deg`` is "ramp angle"; a name that nobody gave words is spelled out."""
    if name in ANGLES:
        return ANGLES[name]
    if name in MEASURES:
        return MEASURES[name].words
    return name.removesuffix(_unit_part(name)).replace("_", " ").replace(".", ", ")


def unit_of(name: str) -> str:
    """The unit that the name ends in, as it stands behind a number; empty without one."""
    return next((unit for part, unit in _UNITS if name.endswith(part)), "")


def number_words(value: JsonValue, u95: float | None, name: str) -> str:
    """A value with its expanded uncertainty, to two figures of it: ``45.03 ± 0.12°``."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return "none" if value is None else str(value)
    unit = unit_of(name)
    after = unit if unit in ("", "°") else f" {unit}"
    if u95 is None or u95 <= 0:
        return f"{figure(float(value))}{after}"
    places = digits_for(u95)
    return f"{figure(float(value), places)} ± {figure(u95, places)}{after}"


def _unit_part(name: str) -> str:
    return next((part for part, _ in _UNITS if name.endswith(part)), "")
