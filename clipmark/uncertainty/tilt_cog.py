"""Centre of gravity from the balance angles of both sides, with its uncertainty.

With T between the tipping lines, L the platform angle at first motion with the left side low and R
with the right side low, moments about the low side give tan L = (T/2 + e) / h and
tan R = (T/2 - e) / h, so that::

    h = T / (tan L + tan R),   e = h (tan L - tan R) / 2,   static stability factor = T / (2 h)

e is positive towards the right wheels. On a sprung truck h is an effective height: springs and
tyres move the centre of gravity while it leans.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MOST_DEG = 85.0  # beyond, the tangent makes anything of nothing


@dataclass(frozen=True)
class Balance:
    """Where the centre of gravity is.

    Attributes
    ----------
    height_mm, offset_mm, stability_factor : float
    u_height_mm, u_offset_mm, u_stability_factor : float
        Standard uncertainties, linear (JCGM 100:2008, equations 10 and 13).
    """

    height_mm: float
    offset_mm: float
    stability_factor: float
    u_height_mm: float
    u_offset_mm: float
    u_stability_factor: float


def balance_of(
    left_deg: float,
    right_deg: float,
    track_mm: float,
    u_left_deg: float = 0.0,
    u_right_deg: float = 0.0,
    u_track_mm: float = 0.0,
    shared_deg: float = 0.0,
) -> Balance:
    """Height, sideways offset and stability factor from both sides.

    Parameters
    ----------
    left_deg, right_deg : float
        Platform angles at first motion, left side low and right side low, above 0, deg.
    track_mm : float
        Distance between the tipping lines: the outer edges of the contact patches when stiff.
    u_left_deg, u_right_deg, u_track_mm : float
        Standard uncertainties.
    shared_deg : float
        The part of both angles' uncertainty that one level reference puts into both: it makes one
        side steeper by as much as the other flatter.

    Raises
    ------
    ValueError
        If an angle is not between 0 and 85 deg, or the track is not above 0 mm.
    """
    for name, value in (("left", left_deg), ("right", right_deg)):
        if not 0 < value < MOST_DEG:
            raise ValueError(f"the {name} angle is {value:g} deg, not between 0 and {MOST_DEG:g}")
    if not 0 < track_mm < math.inf:
        raise ValueError(f"the track is {track_mm:g} mm, not above 0")
    tan_l, tan_r = math.tan(math.radians(left_deg)), math.tan(math.radians(right_deg))
    total = tan_l + tan_r
    height = track_mm / total
    offset = height * (tan_l - tan_r) / 2
    # Derivatives by the angles (per rad) and by the track.
    by_l, by_r = 1 + tan_l**2, 1 + tan_r**2
    h_l, h_r = -height / total * by_l, -height / total * by_r
    e_l = track_mm * tan_r / total**2 * by_l
    e_r = -track_mm * tan_l / total**2 * by_r
    s_l, s_r = by_l / 2, by_r / 2
    u_l, u_r = math.radians(u_left_deg), math.radians(u_right_deg)
    covariance = -(math.radians(min(shared_deg, u_left_deg, u_right_deg)) ** 2)

    def combined(by_left: float, by_right: float, by_track: float) -> float:
        variance = (by_left * u_l) ** 2 + (by_right * u_r) ** 2 + (by_track * u_track_mm) ** 2
        return math.sqrt(max(variance + 2 * by_left * by_right * covariance, 0.0))

    return Balance(
        height_mm=height,
        offset_mm=offset,
        stability_factor=total / 2,
        u_height_mm=combined(h_l, h_r, height / track_mm),
        u_offset_mm=combined(e_l, e_r, offset / track_mm),
        u_stability_factor=combined(s_l, s_r, 0.0),
    )
