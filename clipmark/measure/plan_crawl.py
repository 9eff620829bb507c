"""What a planned stand would tell of slow motion, from its scale and frame rate alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clipmark.errors import MarkError
from clipmark.measure.crawl_expect import SPEEDS_MM_S, AtSpeed, at_speed, slip_above
from clipmark.measure.crawl_ruler import Ruler, plane_ruler
from clipmark.measure.crawl_terms import BAND_HZ

SPAN_S = 6.0
POSITION_U_PX = 0.05  # as in docs/filming.md; sharp clips place the body to 0.02 px
TURN_U_DEG = 0.05
HIGHEST_SHARE = 0.45  # of the frame rate: what is faster is folded down


@dataclass(frozen=True)
class _Settings:
    ruler: Ruler
    window_s: float | None = None
    band_hz: tuple[float, float] = BAND_HZ


@dataclass(frozen=True)
class PlannedCrawl:
    """What slow motion could be told.

    Attributes
    ----------
    frame_rate_hz, highest_hz : float
        Frames per second, and the fastest change that they can show.
    position_u_mm : float
        Standard uncertainty of a single position.
    span_s : float
    slip_above_mm_s : float
        Speed below which slip cannot be known.
    at : tuple of AtSpeed
    """

    frame_rate_hz: float
    highest_hz: float
    position_u_mm: float
    span_s: float
    slip_above_mm_s: float
    at: tuple[AtSpeed, ...]

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints."""
        return {**self.__dict__, "at": [item.to_dict() for item in self.at]}


def plan_crawl(px_per_mm: float, frame_rate_hz: float, wheel_mm: float) -> PlannedCrawl:
    """Say what a crawl of six seconds would tell at the usual speeds.

    Parameters
    ----------
    px_per_mm : float
        Scale in the plane of motion.
    frame_rate_hz : float
        Frames per second the camera really takes.
    wheel_mm : float
        Diameter of the wheels.

    Raises
    ------
    MarkError
        If the frame rate or the wheel's diameter is none.
    """
    if not 5.0 <= frame_rate_hz <= 10_000.0:
        raise MarkError(
            f"{frame_rate_hz:g} frames a second cannot be planned for; give the camera's frame "
            "rate, such as 60"
        )
    if not 0 < wheel_mm < math.inf:
        raise MarkError(f"a wheel of {wheel_mm:g} mm is none; give its diameter in mm, such as 54")
    step = 1 / frame_rate_hz
    noise = POSITION_U_PX / px_per_mm
    stamps = np.arange(0.0, SPAN_S + 1e-9, step)
    settings = _Settings(plane_ruler(lambda px: px))
    surface = math.radians(TURN_U_DEG) * wheel_mm / 2
    return PlannedCrawl(
        frame_rate_hz=frame_rate_hz,
        highest_hz=HIGHEST_SHARE * frame_rate_hz,
        position_u_mm=noise,
        span_s=SPAN_S,
        slip_above_mm_s=slip_above(surface, noise, step),
        at=tuple(at_speed(speed, stamps, noise, settings) for speed in SPEEDS_MM_S),
    )
