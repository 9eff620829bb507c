"""Linear propagation: the law of propagation of uncertainty, for several outputs at once.

JCGM 100:2008, equation 13, in matrix form (JCGM 102:2011, 6.2): ``V = J C J^T``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
STEP = 1e-3  # of a standard uncertainty; a constant input is stepped relative to its size


@dataclass(frozen=True, eq=False)
class LinearResult:
    """Outcome of `propagate_linear` for q outputs of m inputs.

    Attributes
    ----------
    estimate : ndarray, shape (q,)
        The model at the input estimates.
    jacobian : ndarray, shape (q, m)
        Sensitivity coefficients.
    covariance : ndarray, shape (q, q)
        Of the outputs.
    contributions : ndarray, shape (q, m)
        ``|c_i| u_i`` of each input taken alone.
    """

    estimate: FloatArray
    jacobian: FloatArray
    covariance: FloatArray
    contributions: FloatArray

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of the outputs, shape (q,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """Correlation matrix of the outputs, 0 where an output is certain, shape (q, q)."""
        u = self.u
        product = np.outer(u, u)
        known = product > 0
        r = np.divide(self.covariance, product, out=np.zeros_like(product), where=known)
        np.fill_diagonal(r, 1.0)
        return r


def propagate_linear(
    f: Callable[[FloatArray], ArrayLike],
    x: ArrayLike,
    covariance: ArrayLike,
    *,
    jacobian: ArrayLike | None = None,
) -> LinearResult:
    """Propagate the covariance of the inputs through the linearised model.

    Parameters
    ----------
    f : callable
        Takes the inputs, shape (m,), and gives one number or q of them.
    x : array_like, shape (m,)
        Input estimates.
    covariance : array_like, shape (m, m), or (m,) standard uncertainties
        Of the inputs.
    jacobian : array_like, shape (q, m), optional
        Sensitivity coefficients; by central differences over 1/1000 of each standard
        uncertainty when not given.

    Returns
    -------
    LinearResult
    """
    at = np.asarray(x, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    if spread.ndim == 1:
        spread = np.diag(spread**2)
    if at.ndim != 1 or spread.shape != (len(at), len(at)):
        raise ValueError(f"{at.shape} inputs do not go with a covariance of shape {spread.shape}")
    estimate = np.atleast_1d(np.asarray(f(at), dtype=np.float64))
    u = np.sqrt(np.diag(spread))
    if jacobian is None:
        slopes = _central_differences(f, at, u, len(estimate))
    else:
        slopes = np.atleast_2d(np.asarray(jacobian, dtype=np.float64))
    return LinearResult(
        estimate=estimate,
        jacobian=slopes,
        covariance=slopes @ spread @ slopes.T,
        contributions=np.abs(slopes) * u,
    )


def _central_differences(
    f: Callable[[FloatArray], ArrayLike], at: FloatArray, u: FloatArray, outputs: int
) -> FloatArray:
    """Sensitivity coefficients, shape (q, m), good to about 1e-7 of their size."""
    slopes = np.zeros((outputs, len(at)))
    for column in range(len(at)):
        # The step must stay well above the rounding of the input itself.
        floor = 1e-6 * max(abs(at[column]), 1e-6)
        step = max(STEP * u[column], floor)
        up, down = at.copy(), at.copy()
        up[column] += step
        down[column] -= step
        rise = np.asarray(f(up), dtype=np.float64) - np.asarray(f(down), dtype=np.float64)
        slopes[:, column] = rise / (up[column] - down[column])
    return slopes
