"""Value and rate of a series at every frame, by a parabola through the frames around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
LEAST_FRAMES = 5
MOST_LAG = 10


@dataclass(frozen=True, eq=False)
class LocalFit:
    """A smoothed series.

    Attributes
    ----------
    value, rate : ndarray, shape (n,)
        NaN where fewer than `LEAST_FRAMES` frames around hold a value.
    u_value, u_rate : ndarray, shape (n,)
        Standard uncertainty from white noise of `sigma`.
    sigma : float
        Standard deviation of the series about its parabolas; NaN when nothing could be fitted.
    grown : float
        By how much both uncertainties were widened since, for errors that go together.
    """

    value: FloatArray
    rate: FloatArray
    u_value: FloatArray
    u_rate: FloatArray
    sigma: float
    grown: float = 1.0


def local_fit(t_s: FloatArray, y: FloatArray, half_frames: int, order: int = 2) -> LocalFit:
    """Fit a polynomial to `half_frames` either side of every frame, on true times.

    Parameters
    ----------
    t_s, y : ndarray, shape (n,)
        Rising times; values, NaN where there is none.
    half_frames : int
    order : int
        1 for a straight line, 2 for a parabola.
    """
    n = len(t_s)
    wide = 2 * half_frames + 1
    index = np.arange(n)[:, None] + np.arange(-half_frames, half_frames + 1)
    # At the ends the window is moved inwards, so that it holds as many frames as elsewhere.
    index += np.clip(-index[:, :1], 0, None) - np.clip(index[:, -1:] - (n - 1), 0, None)
    index = np.clip(index, 0, n - 1)
    t = t_s[index] - t_s[:, None]
    values = y[index]
    use = np.isfinite(values)
    if wide > n:
        use[:, n:] = False
    span = np.maximum(np.abs(t).max(axis=1), 1e-9)[:, None]
    x = (t / span)[..., None] ** np.arange(order + 1)
    x = np.where(use[..., None], x, 0.0)
    values = np.where(use, values, 0.0)
    count = use.sum(axis=1)
    enough = count >= max(LEAST_FRAMES, order + 2)
    normal = np.einsum("nkp,nkq->npq", x, x)
    normal[~enough] = np.eye(order + 1)
    inverse = np.linalg.pinv(normal, hermitian=True)
    coefficients = np.einsum("npq,nkq,nk->np", inverse, x, values)
    left = np.where(use, values - np.einsum("nkp,np->nk", x, coefficients), 0.0)
    freedom = np.where(enough, count - order - 1, 0)
    total = float(freedom.sum())
    # The median over windows: one jerk in the clip does not speak for all of it.
    per = np.sum(left**2, axis=1)[enough] / freedom[enough] if total else np.array([])
    sigma = float(np.sqrt(np.median(per))) if per.size else float("nan")

    def masked(values: FloatArray) -> FloatArray:
        return np.where(enough, values, np.nan)

    return LocalFit(
        value=masked(coefficients[:, 0]),
        rate=masked(coefficients[:, 1] / span[:, 0]),
        u_value=masked(sigma * np.sqrt(inverse[:, 0, 0])),
        u_rate=masked(sigma * np.sqrt(inverse[:, 1, 1]) / span[:, 0]),
        sigma=sigma,
    )


def correlation_growth(left: FloatArray) -> float:
    """By how much the variance of a mean grows since neighbouring residuals go together, from 1.

    One plus twice the sum of their correlations, up to the first that is not above its noise.
    """
    power = float(np.mean(left**2))
    grown = 1.0
    if power <= 0:
        return grown
    for lag in range(1, min(MOST_LAG, len(left) // 4) + 1):
        rho = float(np.mean(left[lag:] * left[:-lag])) / power
        if rho < 2 / np.sqrt(len(left)):
            break
        grown += 2 * rho
    return grown
