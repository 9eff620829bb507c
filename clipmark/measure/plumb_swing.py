"""Whether a plumb line hangs still: the same string fitted on frames around the one that is read.

A bob on half a metre of string takes 1.4 s for a swing and back, so of frames a quarter of that
apart some differ by at least the amplitude, whatever the instant. A camera that rolls turns the
board's edge alike; only what the string turns against it counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.errors import FitError, FrameError, MarkError
from clipmark.marks import Line
from clipmark.measure.marked_line import MarkedLine, line_from_picture
from clipmark.measure.view import Picture, bend, straighten

FloatArray = NDArray[np.float64]

AROUND_S = (-0.36, 0.36)
TOLD_DEG = 0.05  # a smaller swing is lost in what a plumb line is good to anyhow
TOLD_K = 4.0  # and one within so many standard uncertainties is none


@dataclass(frozen=True)
class Swing:
    """How far a plumb line turned against the board's edge within the frames looked at.

    Attributes
    ----------
    range_deg : float
        What lies between the extremes. Frames over half a swing show at least the amplitude.
    """

    range_deg: float

    @property
    def u_deg(self) -> float:
        """Standard uncertainty of a string caught at a random instant of a swing that wide.

        The arcsine distribution of JCGM 101:2008, 6.4.6: half-width over the root of two, with the
        range seen as the half-width, since of a slow swing no more may have been seen.
        """
        return self.range_deg / math.sqrt(2)

    def sentence(self, name: str) -> str:
        """What an operator should know."""
        return (
            f"the {name} swings: within 0.4 s of this frame it turns by "
            f"{self.range_deg:.2f} deg against the board; u {self.u_deg:.2f} deg is added "
            "for it; read a frame where it hangs still"
        )


def swing_of(
    clip: Clip,
    ordinal: int,
    picture: Picture,
    camera: FloatArray,
    plumb: MarkedLine,
    edge: MarkedLine,
) -> Swing | None:
    """Fit a plumb line and the board's edge on frames around one; None when it hangs still.

    Parameters
    ----------
    clip : Clip
    ordinal : int
        The frame that is read.
    picture : Picture
        That frame.
    camera : ndarray, shape (P,)
        Lens parameter vector.
    plumb, edge : MarkedLine
        Both as fitted there; nothing is told of lines taken as marked.

    Returns
    -------
    Swing or None
        None as well where no other frame shows both lines, or the clip has no times.
    """
    if plumb.fit is None or edge.fit is None or not clip.has_times:
        return None
    around = _around(clip, ordinal)
    hung = _turns(clip, around, picture, camera, plumb)
    if not hung.told:  # the usual case: the board's edge need not be fitted again
        return None
    held = _turns(clip, around, picture, camera, edge)
    against = _Turns(
        {k: hung.turn_rad[k] - held.turn_rad[k] for k in hung.turn_rad if k in held.turn_rad},
        math.hypot(hung.u_rad, held.u_rad),
    )
    return Swing(against.range_deg) if against.told else None


@dataclass(frozen=True)
class _Turns:
    """How a line lies on other frames against the one that is read, and how surely."""

    turn_rad: dict[int, float]
    u_rad: float

    @property
    def range_deg(self) -> float:
        turns = [0.0, *self.turn_rad.values()]
        return math.degrees(max(turns) - min(turns))

    @property
    def told(self) -> bool:
        return self.range_deg > max(TOLD_DEG, TOLD_K * math.degrees(self.u_rad))


def _turns(
    clip: Clip, around: list[int], picture: Picture, camera: FloatArray, line: MarkedLine
) -> _Turns:
    turns, spread = {}, [line.u_angle_rad]
    for ordinal in around:
        there = _refitted(clip, ordinal, picture, camera, line)
        if there is not None:
            turns[ordinal] = _turn(there, line)
            spread.append(there.u_angle_rad)
    return _Turns(turns, max(spread))


def _around(clip: Clip, ordinal: int) -> list[int]:
    """Frames nearest to the instants looked at, in order, each once."""
    at = float(clip.times_s[ordinal])
    inside = [at + off for off in AROUND_S if clip.times_s[0] <= at + off <= clip.times_s[-1]]
    found = {int(np.argmin(np.abs(clip.times_s - moment))) for moment in inside}
    return sorted(found - {ordinal})


def _refitted(
    clip: Clip,
    ordinal: int,
    picture: Picture,
    camera: FloatArray,
    line: MarkedLine,
) -> MarkedLine | None:
    """The line on another frame, or None where it is not seen there."""
    try:
        there = Picture(clip.frame(ordinal).luma, picture.levels, picture.aspect)
        return line_from_picture(
            there.luma,
            Line(*line.points_px[0], *line.points_px[-1]),
            line.what,
            there.levels,
            lambda points: straighten(there, camera, points),
            lambda points: bend(there, camera, points),
            "auto" if line.fit is None else line.fit.kind,
        )
    except (FitError, FrameError, MarkError):
        return None


def _turn(new: MarkedLine, old: MarkedLine) -> float:
    """Turn of one fitted line against another, rad, small."""
    a = old.points_px[-1] - old.points_px[0]
    b = new.points_px[-1] - new.points_px[0]
    b = b if float(a @ b) > 0 else -b
    return math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b))
