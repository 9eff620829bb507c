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

CROP_MARGIN_PX = 10
CONVERGED_PX = (0.002, 0.01)  # the step after is three to ten times smaller
CONVERGED_SHARE = 0.3  # of what the piece can tell at its usual residuals: finer is idle
GOOD_STEPS = 5.0  # a last step this many times longer still counts as converged
ROUGH = 1.6  # residuals this many times the usual: the guess is not yet near
SPARSE = 3  # every third residual tells their scale well enough
LATE_STEP, MOSTLY = 1, 0.7  # hidden pieces never settle: the others do not wait for them
OVER_STEP = 1.35  # plain steps fall short by 17 to 35 %; see `_Solver.run`
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
        self.starts = (np.arange(len(self.corners)) * self.height).astype(np.float32)[:, None]
        self.coefficients = spline_coefficients(picture)

    def hold(self, middles: FloatArray) -> bool:
        """Whether the pieces are still well inside the parts cut out."""
        moved = float(np.max(np.abs(middles - self.middles), initial=0.0))
        return moved < CROP_MARGIN_PX - REACH_PX - 1

    def values(
        self, x: Float32Array, y: Float32Array
    ) -> tuple[Float32Array, NDArray[np.bool_] | None]:
        """Values at picture positions (P, N), and which are inside (None when all are)."""
        local_x = x - self.corners[:, :1].astype(np.float32)
        local_y = y - self.corners[:, 1:].astype(np.float32)
        right, bottom = self.width - REACH_PX - 1, self.height - REACH_PX - 1
        inside = None
        least = min(local_x.min(), local_y.min())
        if least < REACH_PX or local_x.max() > right or local_y.max() > bottom:
            inside = (local_x >= REACH_PX) & (local_x <= right)
            inside &= (local_y >= REACH_PX) & (local_y <= bottom)
            np.clip(local_x, 1, self.width - 3, out=local_x)
            np.clip(local_y, 1, self.height - 3, out=local_y)
        local_y += self.starts
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
        self.steer, self.model = templates.columns(form)
        self.mean = templates.values.mean(axis=1, keepdims=True)
        self.gain = np.ones(templates.count)
        self.bias = np.zeros(templates.count)
        self.crops = _Crops(luma, templates, start)
        self.limit: Float32Array | None = None

    def _residuals(self) -> tuple[Float32Array, NDArray[np.bool_] | None, Float32Array]:
        """Picture less template under the present pose, which pixels count, picture values."""
        a, b = np.split(self.growth_turn.astype(np.float32), 2, axis=1)
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
        level = self.mean * (1 - gain) + self.bias[:, None].astype(np.float32)
        model = gain * self.t.values
        model += level
        return values - model, inside, values

    def _weights(
        self, e: Float32Array, inside: NDArray[np.bool_] | None, step: int
    ) -> Float32Array:
        """Huber weights where the guess is rough, Tukey weights after; their scale settles."""
        size = np.abs(e)
        if step <= 2 or self.limit is None:
            if inside is None:
                spread = 1.2533 * np.mean(size, axis=1, keepdims=True)
            else:
                count = np.maximum(inside.sum(axis=1, keepdims=True), 1)
                spread = 1.2533 * np.sum(size * inside, axis=1, keepdims=True) / count
            if step == 0 and (spread > ROUGH * self.usual).any():
                weights = np.minimum(1.0, 1.5 * spread / np.maximum(size, 1e-6))
                if inside is not None:
                    weights = weights * inside
                return np.asarray(weights, dtype=np.float32)
            limit = np.clip(spread, self.usual, 3 * self.usual) * TUKEY
            self.limit = np.asarray(limit, dtype=np.float32)
        share = e / self.limit
        share *= share
        weights = np.maximum(1 - share, 0.0)
        weights *= weights
        if inside is not None:
            weights *= inside
        return np.asarray(weights, dtype=np.float32)

    def run(self) -> Fit:
        """Iterate to convergence and report.

        A plain step falls short: its matrix has the weights in it where the exact one has the
        slope of the influence function, 0.83 times as large, and the reference is often sharper
        than later frames (a key frame). `OVER_STEP` stands between.
        """
        told = self.t.bound_px() * self.usual[:, 0] / (1.4 * self.t.noise)
        enough = np.clip(CONVERGED_SHARE * told, *CONVERGED_PX)
        for step in range(MOST_STEPS):
            e, inside, values = self._residuals()
            weights = self._weights(e, inside, step)
            weighted = self.steer * weights[:, None, :]
            matrix = self._matrix(weighted, weights)
            change = self._solve(matrix, weighted, e, weights) * (1.0 if step == 0 else OVER_STEP)
            self._apply(change)
            length = np.hypot(change[:, 0], change[:, 1])
            settled = length < enough
            if settled.all():
                break
            if step >= LATE_STEP and settled.mean() >= MOSTLY:
                break
        return self._report(
            length < GOOD_STEPS * enough, e, inside, values, weights, weighted, matrix
        )

    def _matrix(self, weighted: Float32Array, weights: Float32Array) -> FloatArray:
        """Weighted products of steering and modelling slopes, (P, K, K), the noise's share out."""
        matrix = np.matmul(weighted, self.model.transpose(0, 2, 1)).astype(np.float64)
        share = self.t.slope_noise * self.t.noise**2 * weights.sum(axis=1, dtype=np.float64)
        for i in range(matrix.shape[1] - 2):
            matrix[:, i, i] -= np.minimum(share, 0.5 * matrix[:, i, i])
        matrix[:, -2, -2] -= np.minimum(self._value_noise(weights), 0.5 * matrix[:, -2, -2])
        diagonal = np.einsum("pii->pi", matrix)
        diagonal += 1e-6 * np.abs(diagonal) + 1e-3
        return np.asarray(matrix, dtype=np.float64)

    def _value_noise(self, weights: Float32Array) -> FloatArray:
        """What noise in the template's own values adds to their weighted squares, (P,)."""
        return np.asarray(self.t.noise**2 * weights.sum(axis=1, dtype=np.float64))

    def _solve(
        self, matrix: FloatArray, weighted: Float32Array, e: Float32Array, weights: Float32Array
    ) -> FloatArray:
        """One Gauss-Newton change of all parameters, (P, K); zero where it cannot be solved.

        Noise in the template would make the contrast come out too low (errors in variables), and
        with it the shift be off where the patch is brighter on one side; its share is put back.
        """
        vector = np.matmul(weighted, e[:, :, None]).astype(np.float64)
        vector[:, -2, 0] += self.gain * self._value_noise(weights)
        k = matrix.shape[1]
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

    def _report(
        self,
        settled: NDArray[np.bool_],
        e: Float32Array,
        inside: NDArray[np.bool_] | None,
        values: Float32Array,
        weights: Float32Array,
        weighted: Float32Array,
        matrix: FloatArray,
    ) -> Fit:
        """Residual statistics, of the last step but for its own small change."""
        total = np.maximum(weights.sum(axis=1, dtype=np.float64), 1e-9)
        size = np.abs(e if inside is None else np.where(inside, e, 0))
        scale = 1.4826 * np.median(size[:, ::SPARSE], axis=1).astype(np.float64)
        scores = weighted * e[:, None, :]
        spread = np.matmul(scores, scores.transpose(0, 2, 1)).astype(np.float64)
        inverse = _inverse(matrix * self._gain_columns(matrix.shape[1]) * SLOPE_OVER_WEIGHT)
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


def _inverse(matrices: FloatArray) -> FloatArray:
    """Inverse of each matrix, zero weight where there is none."""
    try:
        return np.asarray(np.linalg.inv(matrices), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrices), dtype=np.float64)


def _correlation(
    weights: Float32Array, values: Float32Array, template: Float32Array, total: FloatArray
) -> FloatArray:
    """Weighted correlation coefficient of each piece with the picture, (P,)."""

    def centred(array: Float32Array) -> FloatArray:
        mean = np.einsum("pn,pn->p", weights, array, dtype=np.float64) / total
        return np.asarray(array - mean[:, None], dtype=np.float64)

    a, b = centred(values), centred(template)
    ab = np.einsum("pn,pn,pn->p", weights, a, b)
    aa = np.einsum("pn,pn,pn->p", weights, a, a)
    bb = np.einsum("pn,pn,pn->p", weights, b, b)
    return np.asarray(ab / np.sqrt(np.maximum(aa * bb, 1e-12)), dtype=np.float64)
