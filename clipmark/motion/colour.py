"""The colour of position noise: how large it is, and how far errors of neighbouring frames agree.

Pure numerics. What is left of a trace after a short local fit is noise above the frequencies that
a truck's body moves with. Its spectrum, put right for the fit's own response, is compared by
Whittle's likelihood (Ark. Mat. 2, 1953, 423-434) with that of a first-order autoregression from
frame to frame, which white noise is one case of and compression makes more of. Every correlation
counts by its likelihood, so that noise extrapolated to lower frequencies, where it hides under the
motion, carries the doubt about its colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from clipmark.motion.lines import find_lines
from clipmark.motion.sampling import FloatArray
from clipmark.motion.speed import stretches

BANDWIDTH, TAPERS = 3.0, 4  # of the spectrum: half width in cycles per stretch; tapers in it
WEIGHT = 0.8  # information of a tapered ordinate beside a raw one
LEAST_ORDINATES = 8.0
LEAST_FRAMES = 12  # of a piece
WINDOW_CYCLES = 0.7  # of the lowest frequency used, in the window of the local fit
WILD = 4.0  # an ordinate of so many times the noise is a line of real motion (1 in 3000 else)
_RHOS = np.concatenate([np.arange(0.0, 0.8, 0.04), np.arange(0.8, 0.96, 0.02)])
PRIOR_POWER = 0.5  # prior of the correlation, (1 - rho) to this power: long memory is rarer


@dataclass(frozen=True)
class Colour:
    """Noise of single positions and how it goes together.

    Attributes
    ----------
    size : float
        Standard deviation of a single position.
    size_doubt : float
        Relative standard uncertainty of its square.
    sizes, rhos, weights : ndarray, shape (M,)
        Variance that fits a lag-one correlation, that correlation, its posterior probability.
    ordinates : float
        Independent values of the spectrum behind it.
    """

    size: float
    size_doubt: float
    sizes: FloatArray
    rhos: FloatArray
    weights: FloatArray
    ordinates: float

    def correlation(self, lags: int) -> FloatArray:
        """Expected correlation at lags 0 to `lags` frames, shape (lags + 1,)."""
        powers = self.rhos[:, None] ** np.arange(lags + 1)
        return np.asarray(self.weights @ powers, dtype=np.float64)

    @property
    def rho(self) -> float:
        """Correlation of neighbouring frames: the median, as its posterior is skewed."""
        return float(np.interp(0.5, np.cumsum(self.weights), self.rhos))

    def inflation(self, weights: FloatArray) -> float:
        """Variance of a weighted sum of neighbouring positions over that for white noise."""
        count = len(weights)
        lag = np.abs(np.arange(count)[:, None] - np.arange(count))
        covariance = self.correlation(count)[lag]
        return float(weights @ covariance @ weights / (weights @ weights))

    def in_band(self, band_hz: tuple[float, float], step_s: float) -> tuple[float, float]:
        """White noise that puts as much speed noise into a band: variance, relative doubt of it."""
        f = np.linspace(band_hz[0], band_hz[1], 64)
        shape = _shapes(2 * np.pi * f * step_s, self.rhos)
        each = self.sizes * (shape @ (f**2 / np.sum(f**2)))
        return _log_mean(each, self.weights, self.ordinates)

    def over_white(self, hz: FloatArray, step_s: float) -> FloatArray:
        """White noise of the density that this one has at each frequency: variance, like `hz`."""
        shape = _shapes(2 * np.pi * hz * step_s, self.rhos)
        return np.asarray(np.exp(self.weights @ np.log(self.sizes[:, None] * shape)))


def noise_colour(
    times_s: FloatArray, positions: FloatArray, where: NDArray[np.bool_], from_hz: float
) -> Colour | None:
    """Size and colour of the noise as the spectrum above `from_hz` tells it.

    Parameters
    ----------
    times_s, positions : ndarray, shape (K,)
        Increasing instants and positions.
    where : ndarray of bool, shape (K,)
        Instants to use: away from stops and starts.
    from_hz : float
        Above the truck's own motion. Single lines of it above are left out.

    Returns
    -------
    Colour or None
        None where too little of the trace or of the spectrum is left.
    """
    pieces = []
    for a, b in _pieces(times_s, where):
        t, s = times_s[a:b], positions[a:b]
        if len(t) >= LEAST_FRAMES:
            s = s - find_lines(t, s, from_hz).swing  # uneven steps would smear them
            piece = _ordinates(t, s, from_hz)
            pieces += [] if piece is None else [piece]
    if not pieces:
        return None
    omega, power, response = (np.concatenate(part) for part in zip(*pieces, strict=True))
    if len(omega) * WEIGHT < LEAST_ORDINATES:
        return None
    return _weigh(omega, power / response)


def _pieces(times_s: FloatArray, where: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs [a, b) of instants to use, without a gap in time."""
    runs = []
    for run in stretches(times_s):
        padded = np.concatenate([[0], where[run].astype(np.int8), [0]])
        edges = np.flatnonzero(np.diff(padded)) + run.start
        runs += list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    return runs


def _ordinates(
    times_s: FloatArray, positions: FloatArray, from_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Angular frequencies per frame, power of the residuals there, response of the local fit."""
    step = float(np.median(np.diff(times_s)))
    reach = max(2, round(WINDOW_CYCLES / from_hz / step / 2))
    if len(times_s) < 2 * reach + LEAST_FRAMES:
        return None
    t = sliding_window_view(times_s, 2 * reach + 1)
    offsets = (t - t[:, reach : reach + 1]) / (reach * step)
    design = np.stack([np.ones_like(offsets), offsets, offsets**2], axis=-1)
    normal = np.einsum("kni,knj->kij", design, design)
    first = np.zeros((len(t), 3, 1))
    first[:, 0] = 1.0
    weights = -np.einsum("kni,ki->kn", design, np.linalg.solve(normal, first)[..., 0])
    weights[:, reach] += 1.0  # position less fit
    residual = np.einsum("kn,kn->k", weights, sliding_window_view(positions, 2 * reach + 1))
    count = len(residual)
    tapers = _tapers(count)
    power = np.mean(np.abs(np.fft.rfft(tapers * residual, axis=1)) ** 2, axis=0)
    omega = np.asarray(2 * np.pi * np.fft.rfftfreq(count), dtype=np.float64)
    least = from_hz + BANDWIDTH / (count * step)
    use = (omega / (2 * np.pi * step) > least) & (omega < 0.97 * np.pi)
    if not use.any():
        return None
    omega = np.asarray(omega[use])
    some = weights[:: max(1, len(weights) // 40)]
    turning = np.exp(-1j * np.outer(np.arange(-reach, reach + 1), omega))
    response = np.mean(np.abs(some @ turning) ** 2, axis=0)
    return omega, np.asarray(power[use], dtype=np.float64), np.asarray(response)


@lru_cache(maxsize=64)
def _tapers(count: int) -> FloatArray:
    return np.asarray(scipy.signal.windows.dpss(count, BANDWIDTH, Kmax=TAPERS), dtype=np.float64)


def _shapes(omega: FloatArray, rhos: FloatArray) -> FloatArray:
    """Spectra of unit variance per frame, shape (M, F); white is 1 everywhere."""
    rho = rhos[:, None]
    return np.asarray((1 - rho**2) / (1 + rho**2 - 2 * rho * np.cos(omega)), dtype=np.float64)


def _log_mean(each: FloatArray, weights: FloatArray, ordinates: float) -> tuple[float, float]:
    """Weighted geometric mean, and its relative standard uncertainty; variances are skewed."""
    logs = np.log(np.maximum(each, 1e-300))
    mean = float(weights @ logs)
    spread = float(weights @ (logs - mean) ** 2) + 1 / ordinates
    return float(np.exp(mean)), float(np.sqrt(spread))


def _weigh(omega: FloatArray, density: FloatArray) -> Colour:
    """Posterior of the correlation; lines far above the likeliest spectrum are left out."""
    shapes = _shapes(omega, _RHOS)
    prior = PRIOR_POWER * np.log(1 - _RHOS) + np.log(np.gradient(_RHOS))
    keep = np.ones(len(omega), dtype=bool)
    for _ in range(4):
        kept = shapes[:, keep]
        sizes = np.maximum(np.mean(density[keep] / kept, axis=1), 1e-300)
        likelihood = prior - WEIGHT * np.sum(np.log(sizes[:, None] * kept), axis=1)
        best = int(np.argmax(likelihood))
        again = density < WILD * sizes[best] * shapes[best]
        if (again == keep).all() or again.sum() < len(keep) / 2:
            break
        keep = again
    weights = np.exp(likelihood - likelihood[best])
    weights /= np.sum(weights)
    ordinates = float(keep.sum()) * WEIGHT
    size, doubt = _log_mean(sizes, weights, ordinates)
    return Colour(float(np.sqrt(size)), doubt, sizes, _RHOS, weights, ordinates)
