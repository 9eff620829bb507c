"""A ruling in words: what was decided with which risk, and what else is known beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from pydantic import JsonValue

from clipmark.audit.claims import Asked
from clipmark.audit.knowledge import Chance, Knowledge
from clipmark.audit.quantities import Quantity, quantities_in
from clipmark.measure.crawl_stall_odds import StallOdds
from clipmark.record.audit_records import BlindMarking
from clipmark.record.folder import EventFolder, SavedAttempt
from clipmark.record.models import Ruling
from clipmark.record.readings import Reading
from clipmark.uncertainty.digits import digits_for

PM = "\N{PLUS-MINUS SIGN}"
INCLINOMETER = (("set_start_deg", "start"), ("set_end_deg", "end"))
IS = {"equal to": "is", "at least": "is at least", "at most": "is at most"}


def percent(p: float) -> str:
    """A probability for people; never 0 % or 100 % of what is only nearly so."""
    if p < 0.001:
        return "less than 0.1 %"
    if p > 0.999:
        return "more than 99.9 %"
    return f"{100 * p:.1f} %"


def in_unit(value: float, unit: str, u95: float | None = None) -> str:
    """A number to two figures of its uncertainty, or as it is known, with its unit."""
    text = f"{value:.7g}" if not u95 else f"{value:.{digits_for(u95)}f}"
    return f"{text} {unit}".rstrip()


def measured(value: float, u95: float, unit: str) -> str:
    """``53.41 ± 0.28 deg``."""
    if u95 == 0:
        return in_unit(value, unit)
    return f"{in_unit(value, '', u95)} {PM} {in_unit(u95, unit, u95)}"


def sentences(
    asked: Asked,
    ruling: Ruling,
    chance: Chance,
    interval: tuple[float, float],
    distance_u: float | None,
    known: Knowledge,
) -> tuple[str, ...]:
    """The ruling, both of its risks, the value beside the limit, and where the p comes from."""
    return (
        _decision(asked, ruling),
        _risks(chance),
        _distance(asked, interval, distance_u),
        _source(chance, known),
    )


def _decision(asked: Asked, ruling: Ruling) -> str:
    claim = str(asked.claim)
    if ruling.outcome == "cannot decide":
        return f"The footage cannot decide whether {claim} is true."
    return f"The claim {ruling.outcome}: {claim} is {'true' if ruling.outcome == 'stands' else 'false'}."


def _risks(chance: Chance) -> str:
    if chance.p is None:
        least, most = percent(chance.low), percent(chance.high)
        if chance.high == 1.0:
            most = "100 %"
        least = "0 %" if chance.low == 0.0 else least
        return (
            f"It is true with a probability between {least} and {most}: said to stand, it would be "
            f"wrong with at most {percent(1 - chance.low)}; said to fall, with at most {most}."
        )
    return (
        f"It is true with a probability of {percent(chance.p)}: said to stand, it would be wrong "
        f"with {percent(1 - chance.p)}; said to fall, it would be wrong with {percent(chance.p)}."
    )


def _distance(asked: Asked, interval: tuple[float, float], distance_u: float | None) -> str:
    quantity = asked.quantity
    if quantity.quality == "count":
        return f"Counted are {quantity.value:.0f}; the claim asks for {_range(asked)}."
    u95 = (interval[1] - interval[0]) / 2
    told = measured(quantity.value, u95, quantity.unit)
    off = quantity.value - asked.limit
    side = "above" if off > 0 else "below"
    places = digits_for(u95) if u95 else 3
    far = "" if distance_u is None else f", or {abs(distance_u):.2f} standard uncertainties,"
    stated = f"The reading is {told} (95 %: {interval[0]:.{places}f} to {interval[1]:.{places}f})"
    equal = ""
    if asked.claim.relation == "equal to":
        equal = (
            f" As it was given, {asked.claim} stands for {in_unit(asked.low, '')} to "
            f"{in_unit(asked.high, quantity.unit)}."
        )
    return f"{stated}: {abs(off):.{places}f} {quantity.unit}{far} {side} what is claimed.{equal}"


def _range(asked: Asked) -> str:
    if math.isinf(asked.high):
        return f"{asked.low:.0f} or more"
    if asked.low == asked.high:
        return f"exactly {asked.low:.0f}"
    return f"{asked.high:.0f} or fewer" if asked.high else "none"


def _source(chance: Chance, known: Knowledge) -> str:
    scatter = ""
    if chance.u:
        scatter = f"; their number leaves the probability open by {percent(2 * chance.u)} (95 %)"
    return f"The probability comes from {known.said}{scatter}."


def said_of_count(odds: StallOdds) -> dict[str, JsonValue]:
    """Probability of each count and of each place, for the record."""
    return {
        "shares": {str(count): share for count, share in odds.shares().items()},
        "stalls": [
            {"t_s": place.t_s, "dwell_s": place.dwell_s, "p": place.p, "found": place.found}
            for place in odds.stalls
        ],
    }


def beside_it(
    event: EventFolder, saved: SavedAttempt, quantity: Quantity, known: Knowledge
) -> tuple[str, ...]:
    """Facts that stand beside the ruling: the judge's call, the set angle, other readings."""
    out = [_judge(saved)]
    if quantity.name == "ramp":
        out += _set_angles(event, saved, quantity)
    out += _other_readings(saved, quantity)
    out += _blind(event, saved, quantity)
    further = len(saved.attempt.further_clips)
    if further:
        files = "file" if further == 1 else "files"
        out.append(
            f"The attempt has {further} further {files}; only readings that are in the journal are "
            "heard, so measure there too if they show the same."
        )
    return tuple(out)


def _judge(saved: SavedAttempt) -> str:
    attempt = saved.attempt
    if attempt.verdict is None:
        return "No verdict of the judge is in the journal."
    reason = f", {attempt.reason.replace('-', ' ')}" if attempt.reason else ""
    by = f" by {attempt.called_by}" if attempt.called_by else ""
    return f"The judge's verdict{by} is {attempt.verdict}{reason}; a ruling leaves it as it is."


def _set_angles(event: EventFolder, saved: SavedAttempt, quantity: Quantity) -> Iterator[str]:
    session = event.session()
    u_set = session.inclinometer_u_deg if session else None
    for name, when in INCLINOMETER:
        angle = getattr(saved.attempt, name)
        if angle is None:
            continue
        off = quantity.value - abs(angle)
        both = math.hypot(quantity.u95, 2 * (u_set or 0.0))
        known = (
            f"its own uncertainty of {u_set:g} deg (standard) included"
            if u_set is not None
            else "the inclinometer's own uncertainty not stated"
        )
        agrees = "agree within" if abs(off) <= both else "disagree beyond"
        yield (
            f"The inclinometer said {abs(angle):g} deg at the {when}; reading and inclinometer "
            f"{agrees} the uncertainty ({abs(off):.{digits_for(both)}f} of {both:.2g} deg, {known})."
        )


def _other_readings(saved: SavedAttempt, quantity: Quantity) -> Iterator[str]:
    """Earlier readings of the same quantity, which do not count."""
    for reading in saved.attempt.readings:
        if reading is not quantity.reading and reading.measure == quantity.reading.measure:
            yield from _told(reading, saved, quantity, "An earlier reading of the attempt")


def _told(reading: Reading, saved: SavedAttempt, quantity: Quantity, whose: str) -> Iterator[str]:
    for item in quantities_in(reading, saved.attempt):
        if item.name == quantity.name:
            value = measured(item.value, item.u95, item.unit)
            where = "" if reading.frame is None else f" on frame {reading.frame}"
            yield f"{whose}{where} says {value}; it was not used for the ruling."


def _blind(event: EventFolder, saved: SavedAttempt, quantity: Quantity) -> Iterator[str]:
    """Blind markings of plans that are closed; before that nothing is compared."""
    newest = event.journal.chain.newest
    for (kind, _), entry in list(newest.items()):
        body = entry.body
        if kind != "blind" or body.get("what") != "marking" or not _is_of(body, saved.id):
            continue
        plan_ref = body.get("plan")
        plan_id = plan_ref.get("id") if isinstance(plan_ref, dict) else None
        plan = newest.get(("blind", str(plan_id)))
        if plan is None or plan.body.get("closed") is not True:
            continue
        marking = BlindMarking.model_validate(body)
        for reading in marking.readings:
            whose = f"{marking.marker}, marking it blind ({entry.id}),"
            yield from _told(reading, saved, quantity, whose)


def _is_of(body: Mapping[str, JsonValue], attempt_id: str) -> bool:
    about = body.get("attempt")
    return isinstance(about, dict) and about.get("id") == attempt_id
