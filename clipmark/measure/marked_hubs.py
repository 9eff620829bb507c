"""Both hub centres of a truck as they are measured, rear first."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FitError
from clipmark.geometry.hub_fit import HubFit, fit_hub
from clipmark.marks import Line
from clipmark.measure.marked_line import MARK_U_PX
from clipmark.measure.view import Look

FloatArray = NDArray[np.float64]
HUB_NAMES = ("rear hub", "front hub")


@dataclass(frozen=True, eq=False)
class MarkedHubs:
    """Rear and front hub, px of the upright picture.

    Attributes
    ----------
    marked : tuple of Line
        Every marking, rear to front.
    centres_px : ndarray, shape (2, 2)
    covariance_px2 : ndarray, shape (2, 2, 2)
        Covariance of each centre.
    kind : str
        "A" when fitted or repeated, "B" when declared.
    dof : float
    fits : tuple of HubFit
        The fits behind them, rear then front; empty when taken as marked.
    """

    marked: tuple[Line, ...]
    centres_px: FloatArray
    covariance_px2: FloatArray
    kind: str
    dof: float = math.inf
    fits: tuple[HubFit, ...] = ()
    warnings: tuple[str, ...] = field(default=())


def hubs_as_marked(pairs: list[Line]) -> MarkedHubs:
    """Take marked centres as they are: declared `MARK_U_PX` per axis, or the scatter of repeats.

    Repeated marks are averaged; their covariance over n replaces the declared one, with n - 1
    degrees of freedom (JCGM 100:2008, 4.2.3).
    """
    places = np.array([[[pair.x1, pair.y1], [pair.x2, pair.y2]] for pair in pairs])
    count = len(pairs)
    if count == 1:
        spread = np.broadcast_to(MARK_U_PX**2 * np.eye(2), (2, 2, 2)).copy()
        return MarkedHubs(tuple(pairs), places[0], spread, "B")
    spread = np.stack([np.diag(np.var(places[:, hub], axis=0, ddof=1)) / count for hub in (0, 1)])
    return MarkedHubs(tuple(pairs), places.mean(axis=0), spread, "A", dof=count - 1.0)


def hubs_from_picture(look: Look, pairs: list[Line], rim_px: float | None) -> MarkedHubs:
    """Move rough hub centres onto the wheels' true centres by their round symmetry.

    Raises
    ------
    FitError
        Naming the hub where no round thing is seen.
    """
    rough = hubs_as_marked(pairs).centres_px
    fits = []
    for index, name in enumerate(HUB_NAMES):
        flat = look.flat(rough[index])
        try:
            fits.append(
                fit_hub(
                    look.picture.luma,
                    rough[index],
                    rim_px=rim_px,
                    black=look.picture.levels[0],
                    white=look.picture.levels[1],
                    to_flat=flat.to_flat,
                    from_flat=flat.from_flat,
                )
            )
        except FitError as error:
            raise FitError(f"{name}: {error}") from error
    notes = [
        f"{name}: {note}"
        for name, fit in zip(HUB_NAMES, fits, strict=True)
        for note in fit.warnings
    ]
    return MarkedHubs(
        tuple(pairs),
        np.stack([fit.centre_px for fit in fits]),
        np.stack([fit.covariance for fit in fits]),
        "A",
        fits=tuple(fits),
        warnings=tuple(notes),
    )
