"""Direct registration of remembered pieces to a picture: Gauss-Newton on grey levels.

The inverse compositional scheme (Baker and Matthews, Int. J. Computer Vision 56, 2004, 221-255):
the picture is sampled at the warped template pixels, and the residuals are weighed by slopes of
the *reference*. The condition it solves, ``sum steer (I(W(x)) - gain T(x) - bias) = 0``, has no
noise-induced pull to whole pixels, because the noise in the slopes (an odd kernel) does not
correlate with the noise in the values. A gain and a bias per piece follow changing light; Tukey
weights leave out what does not belong (a shadow's edge, a hand, a wheel).

Warp of a piece about its centre c: ``W(x) = c + shift + M (x - c)``, M = [[1+a, -b], [b, 1+a]];
a is the growth in size, b the turn (rad, small, clockwise as seen because y points down).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import (
    REACH_PX,
    Float32Array,
    FloatArray,
    sample,
    spline_coefficients,
)
from clipmark.motion.templates import Templates

CROP_MARGIN_PX = 14
CONVERGED_PX = 0.002  # the step after is some ten times smaller
TUKEY = 4.685  # 95 % efficiency for Gaussian residuals
# For Gaussian residuals under that weight: mean slope of the influence function, E[psi'] = 0.758,
# over the mean weight, E[w] = 0.915 (Huber, Robust Statistics, 1981, ch. 6 for the sandwich).
SLOPE_OVER_WEIGHT = 0.758 / 0.915
# Interpolating damps the fine noise of one of the two pictures, which the residuals then lack,
# but not the coarse noise that the smoothed slopes listen to: var 2 against 1 + 0.69 on average.
FINE_NOISE_LOST = 2 / 1.69
MOST_STEPS = 10


@dataclass(frozen=True)
class Pose:
    """Where P pieces are: ``shift`` (P, 2) px, ``form`` (P, 2) growth a and turn b."""

    shift: FloatArray
    form: FloatArray

    @classmethod
    def at(cls, shift: FloatArray) -> Pose:
        """Pieces moved by `shift` (P, 2) px, neither grown nor turned."""
        shift = np.array(shift, dtype=np.float64)
        return cls(shift, np.zeros_like(shift))


@dataclass(frozen=True)
class Fit:
    """What registration found for P pieces.

    Attributes
    ----------
    pose : Pose
        Estimated pose.
    covariance : ndarray, shape (P, 2, 2)
        Of the shift for white residuals, px^2; the noise of both pictures is in the residuals.
    score_white, score_block : ndarray, shape (P, 2)
        Variance of the two steering sums as white residuals would have it, and as seen between
        coding blocks. Their ratio, averaged over frames, is how much correlation inflates.
    match : ndarray, shape (P,)
        Weighted correlation of picture and template, 1 for a perfect match.
    inliers : ndarray, shape (P,)
        Share of pixels that agree.
    scale : ndarray, shape (P,)
        Robust standard deviation of the residuals, grey levels.
    gain : ndarray, shape (P,)
        Contrast of the picture over that of the template.
    converged : ndarray of bool, shape (P,)
    """

    pose: Pose
    covariance: FloatArray
    score_white: FloatArray
    score_block: FloatArray
    match: FloatArray
    inliers: FloatArray
    scale: FloatArray
    gain: FloatArray
    converged: NDArray[np.bool_]


class _Crops:
    """The parts of a picture around P pieces, stacked in one float picture."""

    def __init__(self, luma: NDArray[np.generic], templates: Templates, pose: Pose) -> None:
        growth = 1 + np.abs(pose.form).sum(axis=1).max()
        size = 2 * (np.ceil(np.array(templates.half) * growth).astype(int) + CROP_MARGIN_PX)
        self.width = int(min(size[0], luma.shape[1]))
        self.height = int(min(size[1], luma.shape[0]))
        middles = templates.centres + pose.shift
        limit = np.array([luma.shape[1] - self.width, luma.shape[0] - self.height])
        corners = np.rint(middles - np.array([self.width, self.height]) / 2)
        corners = np.where(np.isfinite(corners), corners, 0.0)
        self.corners = np.clip(corners, 0, limit).astype(int)
        self.middles = middles
        picture = np.empty((len(self.corners) * self.height, self.width), np.float32)
        for p, (x0, y0) in enumerate(self.corners):
            rows = slice(p * self.height, (p + 1) * self.height)
            picture[rows] = luma[y0 : y0 + self.height, x0 : x0 + self.width]
        self.coefficients = spline_coefficients(picture)

    def hold(self, middles: FloatArray) -> bool:
        """Whether the pieces are still well inside the parts cut out."""
        moved = float(np.max(np.abs(middles - self.middles), initial=0.0))
        return moved < CROP_MARGIN_PX - REACH_PX - 1

    def values(self, x: Float32Array, y: Float32Array) -> tuple[Float32Array, NDArray[np.bool_]]:
        """Values at picture positions (P, N), and which positions are inside."""
        local_x = x - self.corners[:, :1].astype(np.float32)
        local_y = y - self.corners[:, 1:].astype(np.float32)
        inside = (local_x >= REACH_PX) & (local_x <= self.width - REACH_PX - 1)
        inside &= (local_y >= REACH_PX) & (local_y <= self.height - REACH_PX - 1)
        np.clip(local_x, 1, self.width - 3, out=local_x)
        np.clip(local_y, 1, self.height - 3, out=local_y)
        local_y += (np.arange(len(self.corners)) * self.height).astype(np.float32)[:, None]
        return sample(self.coefficients, local_x, local_y), inside


def register(
    templates: Templates,
    luma: NDArray[np.generic],
    start: Pose,
    usual_scale: FloatArray,
    *,
    form: bool,
) -> Fit:
    """Find the pieces in `luma`, starting from `start`.

    Parameters
    ----------
    templates : Templates
        P pieces.
    luma : ndarray, shape (H, W)
        The picture.
    start : Pose
        First guess, within about 3 px.
    usual_scale : ndarray, shape (P,)
        Standard deviation residuals usually have, grey levels; the final weights lean on it so
        that a half hidden piece cannot excuse itself by its own large residuals.
    form : bool
        Whether growth and turn are found as well (else they stay as in `start`).
    """
    solver = _Solver(templates, luma, start, usual_scale, form)
    return solver.run()


class _Solver:
    """One registration in progress."""

    def __init__(
        self,
        templates: Templates,
        luma: NDArray[np.generic],
        start: Pose,
        usual_scale: FloatArray,
        form: bool,
    ) -> None:
        self.t = templates
        self.luma = luma
        self.form = form
        self.usual = np.asarray(usual_scale, dtype=np.float32)[:, None]
        self.shift = start.shift.astype(np.float64).copy()
        self.growth_turn = start.form.astype(np.float64).copy()
        self.steer = self._columns(templates.steer)
        self.model = self._columns(templates.slope)
        self.gain = np.ones(templates.count)
        self.bias = np.zeros(templates.count)
        self.crops = _Crops(luma, templates, start)

    def _columns(self, slopes: Float32Array) -> Float32Array:
        """Columns of the linear model, (P, K, N): shift x, y[, growth, turn], contrast, level."""
        gx, gy = slopes
        x, y = self.t.offsets / np.float32(self.t.radius)
        contrast = self.t.values - self.t.values.mean(axis=1, keepdims=True)
        columns = [gx, gy]
        if self.form:
            columns += [gx * x + gy * y, gy * x - gx * y]
        return np.stack([*columns, contrast, np.ones_like(gx)], axis=1)

    def _residuals(self) -> tuple[Float32Array, NDArray[np.bool_], Float32Array]:
        """Picture less template under the present pose, which pixels count, picture values."""
        a, b = self.growth_turn[:, :1].astype(np.float32), self.growth_turn[:, 1:].astype(np.float32)
        x, y = self.t.offsets
        middle = self.t.centres + self.shift
        if not self.crops.hold(middle):
            pose = Pose(self.shift, self.growth_turn)
            self.crops = _Crops(self.luma, self.t, pose)
        # work near zero so that float32 keeps 1e-5 px
        whole = np.rint(middle)
        part = (middle - whole).astype(np.float32)
        at_x = x + (a * x - b * y) + part[:, :1]
        at_y = y + (b * x + a * y) + part[:, 1:]
        values, inside = self.crops.values(
            at_x + whole[:, :1].astype(np.float32), at_y + whole[:, 1:].astype(np.float32)
        )
        gain = self.gain[:, None].astype(np.float32)
        mean = self.t.values.mean(axis=1, keepdims=True)
        model = mean + gain * (self.t.values - mean) + self.bias[:, None].astype(np.float32)
        return values - model, inside, values

    def _weights(self, e: Float32Array, inside: NDArray[np.bool_], first: bool) -> Float32Array:
        """Huber weights while the guess is rough, Tukey weights after."""
        count = np.maximum(inside.sum(axis=1, keepdims=True), 1)
        spread = 1.2533 * np.sum(np.abs(e) * inside, axis=1, keepdims=True) / count
        if first:
            weights = np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(e), 1e-6))
        else:
            scale = np.clip(spread, self.usual, 3 * self.usual) * TUKEY
            weights = np.maximum(1 - (e / scale) ** 2, 0.0) ** 2
        return np.asarray(weights * inside, dtype=np.float32)

    def run(self) -> Fit:
        """Iterate to convergence and report."""
        count = self.t.count
        settled = np.zeros(count, dtype=bool)
        for step in range(MOST_STEPS):
            e, inside, _ = self._residuals()
            weights = self._weights(e, inside, first=step == 0)
            change = self._solve(weights, e)
            self._apply(change)
            moved = np.hypot(change[:, 0], change[:, 1])
            settled = moved < CONVERGED_PX
            if step > 0 and settled.all():
                break
        return self._report(settled)

    def _solve(self, weights: Float32Array, e: Float32Array) -> FloatArray:
        """One Gauss-Newton change of all parameters, (P, K); zero where it cannot be solved."""
        weighted = self.steer * weights[:, None, :]
        matrix = np.matmul(weighted, self.model.transpose(0, 2, 1)).astype(np.float64)
        vector = np.matmul(weighted, e[:, :, None]).astype(np.float64)
        k = matrix.shape[1]
        ridge = np.einsum("pii->pi", matrix)
        ridge += 1e-6 * np.abs(ridge) + 1e-3
        try:
            change = np.linalg.solve(matrix, vector)[:, :, 0]
        except np.linalg.LinAlgError:
            return np.zeros((self.t.count, k))
        change[:, : k - 2] /= np.clip(self.gain, 0.2, 5.0)[:, None]
        limit = np.maximum(1.0, np.abs(change[:, :2]).max(axis=1, keepdims=True) / 3.0)
        change[:, : k - 2] /= limit
        return np.asarray(np.where(np.isfinite(change), change, 0.0))

    def _apply(self, change: FloatArray) -> None:
        """Compose the inverse of the found change onto the pose."""
        d = change[:, :2]
        a, b = self.growth_turn.T
        if self.form:
            da, db = change[:, 2:4].T / self.t.radius
            # (1 + z) / (1 + dz) for z = a + ib
            z = (1 + a + 1j * b) / (1 + da + 1j * db)
            a, b = z.real - 1, z.imag
        moved = (1 + a + 1j * b) * (d[:, 0] + 1j * d[:, 1])
        self.shift -= np.stack([moved.real, moved.imag], axis=1)
        self.growth_turn = np.stack([a, b], axis=1)
        self.gain = np.clip(self.gain + change[:, -2], 0.05, 20.0)
        self.bias = self.bias + change[:, -1]

    def _report(self, settled: NDArray[np.bool_]) -> Fit:
        """Residual statistics at the solution."""
        e, inside, values = self._residuals()
        weights = self._weights(e, inside, first=False)
        total = np.maximum(weights.sum(axis=1, dtype=np.float64), 1e-9)
        scale = 1.4826 * np.median(np.abs(np.where(inside, e, 0)), axis=1).astype(np.float64)
        weighted = self.steer * weights[:, None, :]
        matrix = np.matmul(weighted, self.model.transpose(0, 2, 1)).astype(np.float64)
        shares = self.t.slope_noise * self.t.noise**2 * total
        for i in range(matrix.shape[1] - 2):
            matrix[:, i, i] -= shares
        matrix *= self._gain_columns(matrix.shape[1]) * SLOPE_OVER_WEIGHT
        scores = weighted * e[:, None, :]
        spread = np.matmul(scores, scores.transpose(0, 2, 1)).astype(np.float64)
        ridge = np.einsum("pii->pi", matrix)
        ridge += 1e-6 * np.abs(ridge) + 1e-3
        inverse = np.linalg.inv(matrix)
        covariance = inverse @ (spread * FINE_NOISE_LOST) @ inverse.transpose(0, 2, 1)
        return Fit(
            pose=Pose(self.shift, self.growth_turn),
            covariance=covariance[:, :2, :2],
            score_white=np.einsum("pii->pi", spread)[:, :2] * FINE_NOISE_LOST,
            score_block=self._between_blocks(scores[:, :2]),
            match=_correlation(weights, values, self.t.values, total),
            inliers=np.mean(weights > 0.3, axis=1).astype(np.float64),
            scale=scale,
            gain=self.gain,
            converged=settled,
        )

    def _gain_columns(self, k: int) -> FloatArray:
        """Slopes in the picture are gain times those of the template, (P, 1, K)."""
        factors = np.ones((self.t.count, 1, k))
        factors[:, 0, : k - 2] = self.gain[:, None]
        return factors

    def _between_blocks(self, scores: Float32Array) -> FloatArray:
        """Variance of the steering sums from their scatter over coding blocks, (P, 2).

        The sums over all blocks vanish at the solution, which costs one degree of freedom in
        the number of blocks (cluster-robust variance, Liang and Zeger, Biometrika 73, 1986).
        """
        blocks = self.t.block_count
        names = self.t.blocks + blocks * np.arange(self.t.count)[:, None]
        out = np.zeros((self.t.count, 2))
        for axis in range(2):
            sums = np.bincount(
                names.ravel(), scores[:, axis].ravel(), minlength=blocks * self.t.count
            ).reshape(self.t.count, blocks)
            out[:, axis] = np.sum(sums**2, axis=1) * blocks / max(blocks - 2, 1)
        return out


def _correlation(
    weights: Float32Array, values: Float32Array, template: Float32Array, total: FloatArray
) -> FloatArray:
    """Weighted correlation coefficient of each piece with the picture, (P,)."""

    def centred(array: Float32Array) -> FloatArray:
        mean = np.einsum("pn,pn->p", weights, array, dtype=np.float64) / total
        return array - mean[:, None]

    a, b = centred(values), centred(template)
    ab = np.einsum("pn,pn,pn->p", weights, a, b)
    aa = np.einsum("pn,pn,pn->p", weights, a, a)
    bb = np.einsum("pn,pn,pn->p", weights, b, b)
    return np.asarray(ab / np.sqrt(np.maximum(aa * bb, 1e-12)), dtype=np.float64)
