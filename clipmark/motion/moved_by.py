"""What moved a truck in one phase: its motor, its weight, or both against locked wheels.

Pure. A decision table over facts that are measured apart: whether the wheels turned, whether their
surface ran ahead of the body or behind it, which came first, whether the way went up or down, and
whether the speed held or grew. Where the facts do not decide, that is the answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

LOCKED_SHARE = 0.15  # of the travel: a wheel whose surface went less did not roll
SPUN_SHARE = 0.15  # slip from which a wheel spins rather than rolls
SIGMAS = 2.0
GREW_SHARE = 0.6  # of the mean speed, gained over the phase: nothing holds the truck back
EVEN_SHARE = 0.25  # gained less than this: something does
LEAD_S = 0.03


@dataclass(frozen=True)
class Facts:
    """What is known of one moving phase; lengths positive in the sense of the motion.

    Attributes
    ----------
    travel_mm, u_travel_mm : float
        Way of the body, and its standard uncertainty.
    surface_mm, u_surface_mm : float or None
        Way of the wheels' surface by their rolling radius; None without a radius or a turn.
    rim_mm : float or None
        Way of the marked rim, which is no longer than that of the surface; None without a turn.
    climbs : bool or None
        Whether the motion went uphill; None on the level or where it is not known.
    lead_s, u_lead_s : float or None
        How long the wheels turned before the body moved.
    gained : float or None
        Speed gained over the phase, over the mean speed; None where the phase is too short.
    u_gained : float
    """

    travel_mm: float
    u_travel_mm: float
    surface_mm: float | None
    u_surface_mm: float
    rim_mm: float | None
    climbs: bool | None
    lead_s: float | None
    u_lead_s: float
    gained: float | None
    u_gained: float


def wheel_state(facts: Facts) -> str:
    """``locked``, ``spinning``, ``rolling``, ``dragging`` or ``not told``."""
    if facts.rim_mm is None:
        return "not told"
    if facts.surface_mm is None:
        turned = facts.rim_mm > LOCKED_SHARE * facts.travel_mm
        return "turning" if turned else "locked"
    if abs(facts.surface_mm) < LOCKED_SHARE * facts.travel_mm:
        return "locked"
    doubt = SIGMAS * math.hypot(facts.u_surface_mm, facts.u_travel_mm)
    ahead = facts.surface_mm - facts.travel_mm
    if facts.surface_mm < 0 or ahead > SPUN_SHARE * facts.surface_mm + doubt:
        return "spinning"
    if -ahead > SPUN_SHARE * facts.travel_mm + doubt:
        return "dragging"
    return "rolling"


def moved_by(facts: Facts) -> tuple[str, str]:
    """``driven``, ``rolling freely``, ``sliding`` or ``not told``, and why, in words."""
    state = wheel_state(facts)
    if state == "locked":
        return "sliding", "the body moved while the wheels hardly turned"
    if facts.climbs:
        return "driven", "it went uphill, which its weight alone does not do"
    if state == "spinning":
        return "driven", "the wheels' surface ran ahead of the body"
    if facts.lead_s is not None and facts.lead_s > max(SIGMAS * facts.u_lead_s, LEAD_S):
        return "driven", f"the wheels turned {facts.lead_s:.2f} s before the body moved"
    if state == "not told":
        return "not told", "no wheel was followed; mark one to tell rolling from sliding"
    if facts.climbs is None:
        return "not told", "on the level, rolling out and being driven look alike"
    if facts.gained is None:
        return "not told", "the phase is too short to see whether the speed grows"
    doubt = SIGMAS * facts.u_gained
    if facts.gained - doubt > GREW_SHARE:
        return "rolling freely", "it rolled downhill and gained speed all along"
    if facts.gained + doubt < EVEN_SHARE:
        return "driven", "it kept an even speed downhill, where a free truck gains speed"
    return "not told", "it rolled downhill, neither at an even speed nor gaining all along"
