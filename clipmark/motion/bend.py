"""Travel along a way that bends: the arc of a smooth curve through the body's places.

Pure numerics. Lengths in any one unit.
"""

from __future__ import annotations

import numpy as np

from clipmark.motion.sampling import FloatArray

DEGREE = 6  # of the curve: several bends, and a quarter of a circle to 0.1 %
GRID = 2001
WORTH = 0.5  # of the straying, that a curve must explain before it is believed


def arc_along(along: FloatArray, across: FloatArray) -> tuple[FloatArray, float] | None:
    """Travel along the curve of least squares through places, and what still strays from it.

    Parameters
    ----------
    along, across : ndarray, shape (K,)
        Places along and across the straight way; finite.

    Returns
    -------
    arc : ndarray, shape (K,)
        Travel along the curve from its place nearest ``along = 0``, growing with `along`.
    strays : float
        Root mean square distance from the curve, across the straight way.
    None
        When the straying is no smooth bend: hardly less is left of it than was there.
    """
    middle, reach = float(np.mean(along)), float(np.ptp(along)) / 2
    if reach <= 0 or len(along) < 3 * DEGREE:
        return None
    x = (along - middle) / reach
    curve = np.polynomial.Polynomial.fit(x, across, DEGREE, domain=[-1, 1])
    strays = float(np.sqrt(np.mean((across - curve(x)) ** 2)))
    if strays > WORTH * float(np.std(across)):
        return None
    grid = np.linspace(x.min(), x.max(), GRID)
    speed = np.sqrt(1 + (curve.deriv()(grid) / reach) ** 2) * reach
    steps = (speed[1:] + speed[:-1]) / 2 * np.diff(grid)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    zero = float(np.interp(np.clip(-middle / reach, grid[0], grid[-1]), grid, arc))
    return np.asarray(np.interp(x, grid, arc) - zero, dtype=np.float64), strays
