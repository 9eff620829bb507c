"""A claim and how sure a ruling on it is, in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import JsonValue

from clipmark.record.body_words import figure
from clipmark.record.readings import unit_split

_NAMES = {"ramp": "the ramp angle", "chassis": "the chassis angle"}


def claim_words(claim: Mapping[str, JsonValue]) -> str:
    """``the ramp angle is at least 45 deg``; of a body that lacks a part, what there is."""
    name, _ = unit_split(str(claim.get("measure") or "something"))
    value = claim.get("value")
    number = figure(float(value)) if isinstance(value, (int, float)) else str(value)
    unit = str(claim.get("unit") or "")
    after = "°" if unit == "deg" else f" {unit}" if unit else ""
    what = _NAMES.get(name, f"the {name.replace('_', ' ')}")
    return f"{what} is {claim.get('relation')} {number}{after}"


def probability_words(probability: JsonValue) -> str:
    """`` (probability that it holds: 97 %)``; never 0 % or 100 % of what is only nearly so."""
    if isinstance(probability, bool) or not isinstance(probability, (int, float)):
        return ""
    share = 100 * probability
    if 0 < share < 1:
        text = "less than 1 %"
    elif 99 < share < 100:
        text = "more than 99 %"
    else:
        text = f"{share:.0f} %"
    return f" (probability that it holds: {text})"
