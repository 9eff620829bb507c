"""Slip of a wheel against the ground, in the form of terramechanics.

Driving ``1 - v / (omega r)``, braking ``1 - omega r / v`` (J. Y. Wong, Theory of Ground Vehicles).
Road-vehicle texts refer both to the travel, ``omega r / v - 1``: 0.20 here is 0.25 there. Pure
numerics.

Speeds are signed, positive ahead; the surface speed ``omega r`` is positive when the wheel turns
the way that rolling ahead turns it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from clipmark.motion.sampling import FloatArray

MOST_U = 0.05  # with a standard uncertainty above this, slip is called unknowable
NOISE_FACTOR = 2.0  # a speed below so many standard uncertainties is within noise


@dataclass(frozen=True, eq=False)
class Slip:
    """Slip at K instants.

    Attributes
    ----------
    driving : ndarray, shape (K,)
        ``1 - v / (omega r)`` where ``|omega r| >= |v|``, else NaN: 0 rolling, 1 spinning on the
        spot, over 1 when wheel and body go opposite ways.
    braking : ndarray, shape (K,)
        ``1 - omega r / v`` where ``|omega r| < |v|``, else NaN: 0 rolling, 1 locked and sliding,
        over 1 when they go opposite ways.
    u : ndarray, shape (K,)
        Standard uncertainty of whichever of the two stands; NaN where neither does, because
        it cannot be known.
    """

    driving: FloatArray
    braking: FloatArray
    u: FloatArray


def driving_slip(speed_mm_s: float, surface_mm_s: float) -> float | None:
    """``1 - v / (omega r)`` of two speeds, mm/s; None for a wheel that does not turn."""
    return None if surface_mm_s == 0 else 1 - speed_mm_s / surface_mm_s


def braking_slip(speed_mm_s: float, surface_mm_s: float) -> float | None:
    """``1 - omega r / v`` of two speeds, mm/s; None for a body that does not move."""
    return None if speed_mm_s == 0 else 1 - surface_mm_s / speed_mm_s


def ratio_to_travel(speed_mm_s: float, surface_mm_s: float) -> float | None:
    """``omega r / v - 1``, the road-vehicle form; None for a body that does not move."""
    return None if speed_mm_s == 0 else surface_mm_s / speed_mm_s - 1


def knowable_above(u_speed: float, u_surface: float) -> float:
    """Speed, mm/s, below which the slip of a rolling wheel is less sure than `MOST_U`.

    At ``v = omega r`` both forms have ``u = sqrt(u_v**2 + u_surface**2) / v``. Standard
    uncertainties in mm/s.
    """
    return math.hypot(u_speed, u_surface) / MOST_U


def slip_of(
    speed_mm_s: FloatArray,
    surface_mm_s: FloatArray,
    u_speed: ArrayLike,
    u_surface: ArrayLike,
    least_surface: float,
) -> Slip:
    """Slip at every instant, with its uncertainty to first order.

    Parameters
    ----------
    speed_mm_s, surface_mm_s : ndarray, shape (K,)
        Speed of the body along the ground and of the wheel's surface, mm/s, signs as in the
        module's docstring; NaN where not known.
    u_speed, u_surface : float or ndarray, shape (K,)
        Their standard uncertainties, mm/s, taken as independent.
    least_surface : float
        Where neither speed reaches this, mm/s, nothing is told.

    Returns
    -------
    Slip
        NaN where the standard uncertainty is above `MOST_U`, or both speeds are within noise
        (`NOISE_FACTOR` standard uncertainties).
    """
    v, w = np.asarray(speed_mm_s, dtype=np.float64), np.asarray(surface_mm_s, dtype=np.float64)
    u_v = np.broadcast_to(np.asarray(u_speed, dtype=np.float64), v.shape)
    u_w = np.broadcast_to(np.asarray(u_surface, dtype=np.float64), v.shape)
    drives = np.abs(w) >= np.abs(v)
    larger, smaller = np.where(drives, w, v), np.where(drives, v, w)
    u_larger, u_smaller = np.where(drives, u_w, u_v), np.where(drives, u_v, u_w)
    told = (np.abs(larger) > 0) & (np.abs(larger) >= least_surface)
    told &= (np.abs(v) > NOISE_FACTOR * u_v) | (np.abs(w) > NOISE_FACTOR * u_w)
    divisor = np.where(told, larger, np.nan)
    share = smaller / divisor
    u = np.hypot(u_smaller, share * u_larger) / np.abs(divisor)
    told &= u <= MOST_U
    slip = np.where(told, 1 - share, np.nan)
    return Slip(
        driving=np.where(drives, slip, np.nan),
        braking=np.where(drives, np.nan, slip),
        u=np.where(told, u, np.nan),
    )
