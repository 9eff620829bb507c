"""Reading a claim, "ramp >= 53.0 deg", and finding what it is about in the readings.

The claim is kept as it was handed in, in its own unit; what it asks of the reading is a range of
values in the reading's unit.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import Literal

from clipmark.audit.quantities import KNOWN, Quantity, facts_of, quantities_of
from clipmark.errors import AuditError
from clipmark.record.models import Attempt, Claim
from clipmark.record.texts import as_model

Relation = Literal["at least", "at most", "above", "below", "equal to"]
RELATIONS: dict[str, Relation] = {
    ">=": "at least",
    "≥": "at least",
    "<=": "at most",
    "≤": "at most",
    ">": "above",
    "<": "below",
    "==": "equal to",
    "=": "equal to",
    "at least": "at least",
    "at most": "at most",
    "above": "above",
    "below": "below",
    "equal to": "equal to",
}
SIGNS = {"at least": ">=", "at most": "<=", "above": ">", "below": "<", "equal to": "="}
# Of each unit that may be claimed in: the reading's unit, and how many of those it is.
UNITS: dict[str, tuple[str, float]] = {
    "deg": ("deg", 1.0),
    "mm": ("mm", 1.0),
    "cm": ("mm", 10.0),
    "m": ("mm", 1000.0),
    "mm/s": ("mm/s", 1.0),
    "cm/s": ("mm/s", 10.0),
    "m/s": ("mm/s", 1000.0),
    "s": ("s", 1.0),
    "ms": ("s", 0.001),
    "deg/s": ("deg/s", 1.0),
    "Hz": ("Hz", 1.0),
    "%": ("", 0.01),
    "": ("", 1.0),
}
_SPELLED = {
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "percent": "%",
    "none": "",
}
# Calls of the judge, and what is measured of the same thing.
CALLS = {
    "touch": "",
    "touched": "",
    "off line": "",
    "off-line": "",
    "line": "",
    "gate": "",
    "marker": "",
    "reposition": "",
    "repositioned": "",
    "interference": "",
    "rollover": "chassis",
    "rolled": "chassis",
    "tipped back": "chassis to ramp",
    "reverse": "rollback",
    "reversed": "rollback",
    "slid back": "rollback",
    "stalled": "stalls",
    "spun": "driving slip of wheel 1",
    "out of time": "duration",
    "time": "duration",
    "cleared": "",
    "failed": "",
    "void": "",
    "verdict": "",
    "penalties": "",
    "progress": "",
}
FORM = 'write it as "MEASURE RELATION VALUE UNIT", such as "ramp >= 53.0 deg" or "stalls <= 1"'
LONGEST = 200  # characters; whatever is claimed fits, and no number outgrows what can be read
_PARTS = re.compile(
    r"\s*(?P<measure>.*?)\s*(?P<relation>>=|<=|==|≥|≤|=|>|<|\b(?:at least|at most|above|below|"
    r"equal to)\b)\s*(?P<value>[-+\N{MINUS SIGN}]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*"
    r"(?P<unit>.*?)\s*",
    re.DOTALL,
)


@dataclass(frozen=True, eq=False)
class Asked:
    """What a claim asks of a reading.

    Attributes
    ----------
    claim : Claim
    quantity : Quantity
    low, high : float
        The claim is true when the value lies between them, both included, in the reading's unit.
    limit : float
        The value that is claimed, in the reading's unit.
    """

    claim: Claim
    quantity: Quantity
    low: float
    high: float
    limit: float


def parse_claim(text: str, by: str = "") -> Claim:
    """Read a claim from its text.

    Parameters
    ----------
    text : str
        Such as ``ramp >= 53.0 deg``, or with the relation in words, ``ramp at least 53 deg``.
    by : str
        Who protests.

    Raises
    ------
    AuditError
        When it is no claim, or in a unit that nothing here is measured in.
    """
    if len(text) > LONGEST:
        raise AuditError(
            f"a claim of {len(text)} characters is not ruled on; it may have {LONGEST} at most: "
            f"{FORM}"
        )
    called = _called(text)
    if called is not None:
        raise AuditError(_stays_the_judges(called, None))
    found = _PARTS.fullmatch(text)
    if found is None or not found["measure"]:
        raise AuditError(f"'{text}' is no claim that can be ruled on; {FORM}")
    unit = found["unit"]
    unit = _SPELLED.get(unit.lower(), unit)
    if unit not in UNITS:
        listed = ", ".join(name for name in UNITS if name)
        raise AuditError(
            f"the claim '{text}' is in '{found['unit']}', which is no unit that is measured in "
            f"here; give one of {listed}, or none for a ratio or a count, and a point for the "
            "decimals"
        )
    relation = RELATIONS[found["relation"]]
    number = found["value"].replace("\N{MINUS SIGN}", "-")
    if not math.isfinite(float(number)):
        raise AuditError(f"the claim '{text}' is about a value beyond all bounds; {FORM}")
    body: dict[str, object] = {
        "measure": found["measure"],
        "relation": relation,
        "value": float(number),
        "unit": unit,
        "by": by,
    }
    if relation == "equal to":
        body["within"] = _half_of_last_digit(number)
    return as_model(Claim, body, "the claim")


def ask(attempt_id: str, attempt: Attempt, claim: Claim) -> Asked:
    """Find what a claim is about among the readings of an attempt, in the reading's unit.

    Raises
    ------
    AuditError
        For a judge's call, a measure that is not known, one that the attempt has no reading of, a
        unit that does not fit, or a limit that no footage can tell.
    """
    there = quantities_of(attempt)
    name = _name_of(attempt_id, attempt, claim, there)
    quantity = there[name]
    factor = _factor(claim, quantity)
    limit = claim.value * factor
    named = claim.model_copy(update={"measure": name})
    _refuse_senseless(named, quantity, limit)
    if quantity.quality == "count":
        low, high = _counts(claim)
        return Asked(named.model_copy(update={"within": None}), quantity, low, high, limit)
    if claim.relation == "equal to":
        within = (claim.within or 0.0) * factor
        if within == 0:
            raise AuditError(
                f"the claim '{claim}' does not say within what the value is to be equal; write it "
                "with the digits that are meant, or claim at least and at most"
            )
        return Asked(named, quantity, limit - within, limit + within, limit)
    upper = claim.relation in ("at most", "below")
    low, high = (-math.inf, limit) if upper else (limit, math.inf)
    return Asked(named, quantity, low, high, limit)


def _half_of_last_digit(number: str) -> float:
    """53.0 stands for what lies within 0.05 of it."""
    digits, _, power = number.lower().partition("e")
    places = len(digits.partition(".")[2])
    return float(f"5e{int(power or 0) - places - 1}")


def _counts(claim: Claim) -> tuple[float, float]:
    """Least and most count that make the claim true."""
    value = claim.value
    return {
        "at least": (value, math.inf),
        "above": (value + 1, math.inf),
        "at most": (0.0, value),
        "below": (0.0, value - 1),
        "equal to": (value, value),
    }[claim.relation]


def _name_of(attempt_id: str, attempt: Attempt, claim: Claim, there: dict[str, Quantity]) -> str:
    said = _normal(claim.measure)
    named = {_normal(name): name for name in (*KNOWN, *there)}
    keys = {item.key: item.name for item in there.values() if item.key not in ("stalls", "slip")}
    named |= {_normal(key): name for key, name in keys.items()}
    slips = [name for name in there if name.endswith(f"slip of wheel {said[-1:]}")]
    if said.startswith("slip of wheel ") and len(slips) == 1:
        return slips[0]
    name = named.get(said)
    if name is not None and name in there:
        return name
    if said in CALLS:
        raise AuditError(_stays_the_judges(said, attempt))
    if name is not None:
        why = _why_not_told(attempt, name)
        raise AuditError(
            f"attempt {attempt_id} has no reading that tells its {name}{why}; told are: "
            f"{facts_of(attempt)}. Measure it first (clipmark {KNOWN.get(name, 'angle')} CLIP "
            f"--into FOLDER --attempt {attempt_id}), or rule on one of these"
        )
    near = difflib.get_close_matches(said, list(named), n=1, cutoff=0.5)
    meant = f"did you mean '{named[near[0]]}'? " if near else ""
    raise AuditError(
        f"'{claim.measure}' is nothing that is measured; {meant}the readings of attempt "
        f"{attempt_id} tell: {facts_of(attempt)}"
    )


def _normal(text: str) -> str:
    """Without case, hyphens and units that stand in a key."""
    return re.sub(r"[\s_/-]+", " ", text.strip().lower())


def _why_not_told(attempt: Attempt, name: str) -> str:
    reading = attempt.reading(KNOWN.get(name, ""))
    if reading is None:
        return ""
    about = name.split()[0]
    why = next((said for said in reading.warnings if about in said.lower()), "")
    return f" (its {reading.measure} reading says: {why.rstrip('.')})" if why else ""


def _called(text: str) -> str | None:
    """The judge's call that a text names, where it is one."""
    said = _normal(text)
    return said if said in CALLS else None


def _stays_the_judges(call: str, attempt: Attempt | None) -> str:
    beside = CALLS[call]
    facts = f": {facts_of(attempt)}" if attempt is not None else ""
    hint = f'; a claim such as "{beside} <= ..." can be ruled on' if beside else ""
    return (
        f"'{call}' is a judgement call, which stays the judge's; the footage gives only the "
        f"measured facts{facts}{hint}"
    )


def _factor(claim: Claim, quantity: Quantity) -> float:
    unit, factor = UNITS.get(claim.unit, (claim.unit, math.nan))
    if unit != quantity.unit or (quantity.quality == "count" and claim.unit):
        fits = [name for name, (base, _) in UNITS.items() if base == quantity.unit]
        if quantity.quality == "count":
            fits = [""]
        listed = " or ".join(name or "no unit" for name in fits)
        given = f"in {claim.unit}" if claim.unit else "without a unit"
        raise AuditError(
            f"the claim '{claim}' is {given}, but {quantity.name} is given in {listed}; write the "
            "claim so"
        )
    return factor


def _refuse_senseless(claim: Claim, quantity: Quantity, limit: float) -> None:
    if quantity.quality == "count":
        if limit < 0 or limit != int(limit):
            raise AuditError(
                f"the claim '{claim}' is about a count, which is a whole number from 0 on"
            )
        if _counts(claim) == (0.0, math.inf) or _counts(claim)[1] < 0:
            raise AuditError(
                f"the claim '{claim}' is settled without footage, since no count is below 0"
            )
        return
    if quantity.lowest == 0 and limit <= 0:
        told = _told(quantity)
        raise AuditError(
            f"the claim '{claim}' cannot be ruled on: {quantity.name} is never below 0, and what "
            f"is smaller than the footage resolves cannot be told from 0. The reading says {told}; "
            "claim a size above 0"
        )


def _told(quantity: Quantity) -> str:
    unit = f" {quantity.unit}" if quantity.unit else ""
    return f"{quantity.low95:.3g} to {quantity.high95:.3g}{unit} (95 %)"
