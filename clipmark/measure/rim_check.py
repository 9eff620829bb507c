"""Whether the wheels' rims are round in the plane that the sheet shows: a check, never a source."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from clipmark.errors import LensError
from clipmark.geometry.hub_fit import HubFit
from clipmark.geometry.plane import Rectifier, rectifier
from clipmark.geometry.rim_round import Ovalness, mean_ovalness, ovalness
from clipmark.measure.view import Look

FloatArray = NDArray[np.float64]

CONTRADICTS = 11.83  # chi-square of two, exceeded by chance as seldom as 3 sigma of a normal
DRAWS, SEED = 80, 20_260_502
NAMES = ("rear", "front")
STARTS_DEG = 8.0  # first guesses of the sheet's turn, each way
MOST_DEG = 45.0


def rims_contradict(look: Look, hub_fits: Sequence[HubFit]) -> str | None:
    """Say so when fitted rims are not round in the plane of motion as the view has it.

    Parameters
    ----------
    look : Look
        The view, with a sheet behind it.
    hub_fits : sequence of HubFit
        The wheels, rear then front, as fitted.

    Returns
    -------
    str or None
        A sentence, or None where rims are round within three standard uncertainties or too little
        of them is seen. What the view itself is uncertain by is counted.
    """
    rims = [_Rim.of(look, fit) for fit in hub_fits]
    told = [(name, rim) for name, rim in zip(NAMES, rims, strict=False) if rim is not None]
    if not told:
        return None
    both = mean_ovalness([rim.oval for _, rim in told])
    if _misfit(both) > CONTRADICTS:
        turned = _turned_deg(look, [rim for _, rim in told])
        what = "wheels' rims are" if len(told) > 1 else f"{told[0][0]} wheel's rim is"
        return (
            f"the {what} not round in the sheet's plane ({_ratio(both)}): the sheet is turned "
            f"against the plane of motion{turned}, or the wheels are steered; put the sheet flat "
            "against the board's side, or steer straight ahead"
        )
    for name, rim in told:
        if _misfit(rim.oval) > CONTRADICTS:
            return (
                f"the {name} wheel's rim is not round in the sheet's plane ({_ratio(rim.oval)}), "
                "and the other is: that wheel is steered or leans; steer straight ahead, or mark "
                "a rail of the chassis"
            )
    return None


class _Rim:
    """One rim: its points in square px, and its ovalness with the view's uncertainty in it."""

    def __init__(self, points: FloatArray, used: NDArray[np.bool_], oval: Ovalness) -> None:
        self.points, self.used, self.oval = points, used, oval

    @classmethod
    def of(cls, look: Look, fit: HubFit) -> _Rim | None:
        """None where the rim cannot be told."""
        points = look.picture.to_square(fit.rim_points)
        middle = look.picture.to_square(fit.centre_px)
        oval = _seen(points, fit.rim_used, look.viewing.rectifier(middle))
        if oval is None:
            return None
        cameras, normals = look.viewing.draw(np.random.default_rng(SEED), DRAWS)
        drawn = [
            _seen(points, fit.rim_used, rectifier(camera, normal, middle))
            for camera, normal in zip(
                np.broadcast_to(cameras, (DRAWS, cameras.shape[-1])),
                np.broadcast_to(normals, (DRAWS, 3)),
                strict=True,
            )
        ]
        away = np.array([item.share - oval.share for item in drawn if item is not None])
        if len(away) < DRAWS // 2:
            return None
        spread = away.T @ away / len(away)
        return cls(points, fit.rim_used, Ovalness(oval.share, oval.covariance + spread))


def _seen(points: FloatArray, used: NDArray[np.bool_], flat: Rectifier) -> Ovalness | None:
    try:
        return ovalness(flat.to_flat(points), used)
    except (LensError, np.linalg.LinAlgError):
        return None


def _misfit(oval: Ovalness) -> float:
    """Chi-square against a circle."""
    return float(oval.share @ np.linalg.solve(oval.covariance, oval.share))


def _ratio(oval: Ovalness) -> str:
    """The ratio of the axes and its standard uncertainty, in words."""
    size = float(np.hypot(*oval.share))
    way = oval.share / size
    u_ratio = 2.0 * math.sqrt(float(way @ oval.covariance @ way))
    return f"axis ratio {1.0 - 2.0 * size:.3f}, u {u_ratio:.3f}"


def _turned_deg(look: Look, rims: list[_Rim]) -> str:
    """By how much the plane must be turned for the rims to be round, in words; '' if unknown."""
    camera, normal = look.viewing.camera, look.viewing.normal
    first = np.cross(normal, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)

    def off(tilt: FloatArray) -> FloatArray:
        turned = normal + math.tan(tilt[0]) * first + math.tan(tilt[1]) * second
        turned = turned / np.linalg.norm(turned)
        found = []
        for rim in rims:
            oval = _seen(rim.points, rim.used, rectifier(camera, turned, rim.points.mean(axis=0)))
            found.append(np.full(2, 1.0) if oval is None else oval.share)
        return np.concatenate(found)

    start, limit = math.radians(STARTS_DEG), math.radians(MOST_DEG)
    best, size = math.inf, 0.0
    for guess in ((start, 0.0), (-start, 0.0), (0.0, start), (0.0, -start)):
        fit = scipy.optimize.least_squares(
            off, guess, bounds=(-limit, limit), diff_step=[1e-4, 1e-4]
        )
        if fit.cost < 0.8 * best:
            best, size = fit.cost, math.degrees(math.hypot(*np.tan(fit.x)))
    return f" by about {size:.0f} deg" if math.isfinite(best) else ""
