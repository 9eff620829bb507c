"""What moved a truck in one phase: its motor, its weight, or both against locked wheels.

Pure. A decision table over facts that are measured apart: whether the wheels turned, whether their
surface ran ahead of the body or behind it, which came first, whether the way went up or down, and
how the speed grew. Where the facts do not decide, that is the answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

LOCKED_SHARE = 0.15  # of the travel: a wheel whose surface went less did not roll
RIM_SHARE = 0.5  # least size of a marked rim over that of its wheel
SPUN_SHARE = 0.15  # slip from which a wheel spins rather than rolls
SIGMAS = 2.0
LEAD_SIGMAS, LEAD_S = 4.0, 0.05  # a lead of the wheels that is no chance
NOT_TOLD = "not told"


@dataclass(frozen=True)
class WheelWay:
    """How far one wheel went in a phase; lengths positive in the sense of the motion.

    Attributes
    ----------
    travel_mm, u_travel_mm : float
        Way of the body while the wheel was seen, above zero, and its standard uncertainty.
    surface_mm, u_surface_mm : float or None
        Way of the wheel's surface by its rolling radius; None without a radius or a turn.
    rim_mm : float or None
        Way of the marked rim, which is no longer than that of the surface; None without a turn.
    """

    travel_mm: float
    u_travel_mm: float
    surface_mm: float | None
    u_surface_mm: float
    rim_mm: float | None


@dataclass(frozen=True)
class Facts:
    """What is known of one moving phase.

    Attributes
    ----------
    wheels : tuple of str
        What each wheel did, by `wheel_state`.
    climbs : bool or None
        Whether the motion went uphill; None on the level or where it is not known.
    lead_s, u_lead_s : float or None
        How long the wheels turned before the body moved.
    growth : str or None
        How the speed grew, by `clipmark.motion.growth`: ``freely``, ``driven`` or ``not told``;
        None where the phase is too short.
    """

    wheels: tuple[str, ...]
    climbs: bool | None
    lead_s: float | None
    u_lead_s: float
    growth: str | None


def wheel_state(way: WheelWay) -> str:
    """What one wheel did: ``rolling`` or one of the others.

    ``locked``; ``spinning``: its surface ran ahead of the body; ``dragging``: behind it;
    ``against``: it turned the other way; ``turning``: it turned, and without a rolling radius no
    more is known; ``not told``.
    """
    if way.rim_mm is None:
        return NOT_TOLD
    if way.surface_mm is None:
        return _by_rim(way.travel_mm, way.u_travel_mm, way.rim_mm)
    doubt = SIGMAS * math.hypot(way.u_surface_mm, way.u_travel_mm)
    if way.surface_mm < -LOCKED_SHARE * way.travel_mm - doubt:
        return "against"
    if abs(way.surface_mm) < LOCKED_SHARE * way.travel_mm:
        return "locked"
    ahead = way.surface_mm - way.travel_mm
    if ahead > SPUN_SHARE * way.surface_mm + doubt:
        return "spinning"
    if -ahead > SPUN_SHARE * way.travel_mm + doubt:
        return "dragging"
    return "rolling"


def _by_rim(travel_mm: float, u_travel_mm: float, rim_mm: float) -> str:
    """The rim goes no further than the surface, so what it tells is one-sided."""
    if rim_mm < -LOCKED_SHARE * travel_mm:
        return "against"
    if abs(rim_mm) < RIM_SHARE * LOCKED_SHARE * travel_mm:
        return "locked"
    if rim_mm - travel_mm > SPUN_SHARE * rim_mm + SIGMAS * u_travel_mm:
        return "spinning"
    return "turning"


def moved_by(facts: Facts) -> tuple[str, str]:
    """``driven``, ``rolling freely``, ``sliding`` or ``not told``, and why, in words."""
    told = [state for state in facts.wheels if state != NOT_TOLD]
    if told and all(state == "locked" for state in told):
        return "sliding", f"the body moved while {_wheels(told)} hardly turned"
    if "against" in told:
        return _against(facts)
    if facts.climbs:
        return "driven", "it went uphill, which its weight alone does not do"
    if "spinning" in told:
        return "driven", "the surface of a wheel ran ahead of the body"
    if facts.lead_s is not None and facts.lead_s > max(LEAD_SIGMAS * facts.u_lead_s, LEAD_S):
        return "driven", f"the wheels turned {facts.lead_s:.2f} s before the body moved"
    if not told:
        return NOT_TOLD, "no wheel was followed through; mark one to tell rolling from sliding"
    if facts.climbs is None:
        return NOT_TOLD, "on the level, rolling out and being driven look alike"
    if "locked" in told or "dragging" in told:
        return NOT_TOLD, "a wheel held back, so its speed does not tell what moved it downhill"
    return _by_growth(facts)


def _against(facts: Facts) -> tuple[str, str]:
    """Wheels that turned against the motion do not make it."""
    if facts.climbs:
        return NOT_TOLD, "it went uphill while a wheel turned the other way"
    return "sliding", "the body moved while a wheel turned the other way"


def _by_growth(facts: Facts) -> tuple[str, str]:
    """Downhill on rolling wheels: by how the speed went."""
    if facts.growth is None:
        return NOT_TOLD, "the phase is too short, or too little seen, to tell how its speed grew"
    if facts.growth == "freely":
        return "rolling freely", "it rolled downhill and gained speed at one rate all along"
    if facts.growth == "driven":
        return "driven", "it came to a speed downhill and did not gain on, as a free truck does"
    return NOT_TOLD, "its speed downhill neither held nor grew at one rate all along"


def _wheels(told: Sequence[str]) -> str:
    return "its wheels" if len(told) > 1 else "its wheel"
