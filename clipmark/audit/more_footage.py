"""Where footage cannot decide a claim: which contribution must shrink to what so that it would."""

from __future__ import annotations

import math

from clipmark.audit.claims import Asked
from clipmark.audit.knowledge import Knowledge
from clipmark.audit.quantities import Quantity
from clipmark.audit.redraw import budget_rows
from clipmark.audit.ruling_words import in_unit, percent
from clipmark.measure.crawl_stall_odds import StallOdds
from clipmark.record.folder import SavedAttempt
from clipmark.uncertainty.conformance import guard_band

STANDS_FROM = 0.95
FINEST = {"deg": 0.01}  # closer to a limit no stand here has been shown to tell
FINEST_SHARE = 0.001  # of the value, for what is told from a length in the picture
MOST_CLIPS = 9
UNSURE = (0.02, 0.98)


def would_decide(
    asked: Asked, known: Knowledge, odds: StallOdds | None, saved: SavedAttempt
) -> tuple[str, ...]:
    """What footage would decide a claim, if the value came out as it was read."""
    if asked.quantity.quality == "count":
        return _count(asked, odds)
    return _value(asked, known)


def _value(asked: Asked, known: Knowledge) -> tuple[str, ...]:
    quantity = asked.quantity
    value, unit = quantity.value, quantity.unit
    inside = min(value - asked.low, asked.high - value)
    far = abs(inside)
    finest = FINEST.get(unit, FINEST_SHARE * abs(value))
    if asked.claim.relation == "equal to" and (asked.high - asked.low) / 2 <= finest:
        return (
            f"No footage would show that it is equal to so many digits: the claim leaves "
            f"{in_unit(asked.high - asked.low, unit)}, and {in_unit(finest, unit)} is the least "
            "that can be told here. It can only be shown to be false.",
        )
    if far <= finest:
        return (
            f"No footage would decide it: the value lies within {in_unit(finest, unit)} of the "
            "limit, closer than can be told here, whatever the stand.",
        )
    need = far / guard_band(1.0, STANDS_FROM)
    u = known.u
    told = (
        f"A standard uncertainty of {in_unit(need, unit, 2 * need)} instead of "
        f"{in_unit(u, unit, 2 * u)} would decide it, if the value came out as it was read."
    )
    return (told, *_shrink(quantity, need), *_again(quantity, u, need))


def _shrink(quantity: Quantity, need: float) -> list[str]:
    """Largest contributions, brought down to one common size that is small enough."""
    rows = budget_rows(quantity)
    if not rows:
        return ["The reading states no budget, so which contribution must shrink is not known."]
    cap = _cap([u for _, u, _, _ in rows], need)
    out = []
    for source, u, _, advice in rows:
        if u > cap:
            how = f": {advice}" if advice else ""
            out.append(
                f"From {in_unit(u, '', 2 * u)} to {in_unit(cap, quantity.unit, 2 * cap)} must come "
                f"down: {source}{how}."
            )
    return out


def _cap(shares: list[float], need: float) -> float:
    """The size to which all larger contributions must come down so that they add up to `need`."""
    ordered = sorted(shares, reverse=True)
    for count in range(1, len(ordered) + 1):
        rest = need**2 - sum(u**2 for u in ordered[count:])
        if rest <= 0:
            continue
        cap = math.sqrt(rest / count)
        if count == len(ordered) or cap >= ordered[count]:
            return cap
    return need / math.sqrt(len(ordered))


def _again(quantity: Quantity, u: float, need: float) -> list[str]:
    clips = math.ceil((u / need) ** 2)
    blind = (
        "A second person's blind marking of the same clip shows what marking adds, but shares the "
        "stand's level, lens and plane with this reading."
    )
    if clips > MOST_CLIPS:
        return [blind]
    return [
        f"The mean of {max(clips, 2)} clips as good as this one, each from a stand set up and "
        "marked anew, would do as well; clips from one stand share its errors.",
        blind,
    ]


def _count(asked: Asked, odds: StallOdds | None) -> tuple[str, ...]:
    if odds is None:
        return (
            "The clip is needed: what was nearly a stall is told from it only. Put it back into "
            "the event's folder and rule again.",
        )
    out = []
    for place in odds.stalls:
        if UNSURE[0] <= place.p <= UNSURE[1]:
            what = "is a stall" if place.found else "is nearly a stall"
            out.append(
                f"What {what} at {place.t_s:.2f} s stands there for {place.dwell_s:.3f} s, beside "
                f"the 0.15 s that count; it is one with a probability of {percent(place.p)}."
            )
    return (
        *out,
        "A second camera, nearer or at a higher frame rate, would tell its dwell better: either "
        "end is known to half a frame and to what the noise of following leaves.",
    )
