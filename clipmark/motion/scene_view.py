"""One scene seen again and again: each picture laid on a slowly learned view of it.

Pure: arrays in, arrays out. Camera shake and changes of light are taken out in one step, by
least squares with Tukey's weights between the picture and the view learned so far (B. D. Lucas
and T. Kanade, IJCAI 1981; with a gain, an offset and a slope of the light across the picture as
further unknowns: G. D. Hager and P. N. Belhumeur, IEEE PAMI 20 (1998) 1025). What moves in the
picture disagrees with the rest and gets no weight.

It works on pictures made small, which is enough to say that something moves and about where.
Nothing is measured on them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.motion.sampling import Float32Array, FloatArray

Mask = NDArray[np.bool_]
SMOOTH_PX = 0.8  # of the small picture: resampling at any fraction of a px then looks alike
TILES = (12, 7)
A_TILE = 24  # points taken from each
LEAST_STEP = 1.5  # codes a px: less than this is no edge
TUKEY = 4.685  # 95 % efficiency for Gaussian residuals
LEAST_SCALE, MOST_CUT = 0.6, 25.0  # codes
STEPS, STILL_PX = 10, 0.005
LEAST_AGREE = 0.5  # of the points: fewer, and the picture is not of this view
AGREE_CODES = 12.0
STRONG_STEP = 6.0  # edges on which the left-over displacement is read
KNOWN_AFTER_S = 5.0  # what shows for so long belongs to the view
FOLLOWS_S = 4.0  # time constant for small changes of what belongs to it
NEAR_CODES = 7.0  # change that still counts as the same
NOISE_RISES = 0.1  # codes a second that the noise of a pixel may be taken to grow
ANEW_S = 1.0  # after so long without agreement, a new view
WANDERS = 0.12  # of the picture's width: the view is then taken where the camera looks now


@dataclass(frozen=True, eq=False)
class Laid:
    """One picture, laid on the view.

    Attributes
    ----------
    picture : ndarray, shape (H, W)
        In the view's place and light, codes 0 to 255.
    valid : ndarray of bool, shape (H, W)
        Where the picture covers the view.
    other : ndarray, shape (H, W)
        Absolute difference from the view as learned, codes.
    slack : ndarray, shape (H, W)
        What edges may differ by for the displacement left over, codes.
    noise : ndarray, shape (H, W)
        Usual absolute change from sample to sample, codes.
    to_scene : ndarray, shape (2, 3)
        From the view's places to those of the clip's first view.
    move : ndarray, shape (2, 3)
        From the view's places to those of the picture.
    epoch : int
        Pictures of one epoch can be compared.
    gain : float
        Light over that of the view.
    """

    picture: Float32Array
    valid: Mask
    other: Float32Array
    slack: Float32Array
    noise: Float32Array
    to_scene: FloatArray
    move: FloatArray
    epoch: int
    gain: float


class SceneView:
    """Takes small pictures in order of time.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the small pictures.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        rows, columns = shape
        self._shape = shape
        self._middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
        self._unit = float(np.hypot(rows, columns)) / 2
        across = (np.arange(columns) - self._middle[0]) / self._unit
        down = (np.arange(rows) - self._middle[1]) / self._unit
        self._across = np.broadcast_to(across.astype(np.float32), shape)
        self._down = np.broadcast_to(down.astype(np.float32)[:, None], shape)
        self._view: Float32Array | None = None
        self._rival = np.zeros(shape, np.float32)
        self._rival_s = np.zeros(shape, np.float32)
        self._noise = np.ones(shape, np.float32)
        self._before: Float32Array | None = None
        self._steps = np.zeros(shape, np.float32)  # size of the view's gradient
        self._points: _Points | None = None
        self._fresh = 0
        self._found = np.zeros(8)
        self._to_scene: FloatArray = np.eye(2, 3)
        self._epoch = 0
        self._last_s = 0.0
        self._lost_s = 0.0

    @property
    def width(self) -> int:
        """Columns of the small pictures."""
        return self._shape[1]

    def lay(self, small: Float32Array, t_s: float) -> Laid | None:
        """Lay the next picture on the view, and learn from it; None where it does not fit."""
        picture = cv2.GaussianBlur(small, (0, 0), SMOOTH_PX).astype(np.float32, copy=False)
        passed = max(t_s - self._last_s, 0.0)
        self._last_s = t_s
        if self._view is None:
            self._begin(picture)
        fitted = self._fit(picture)
        if fitted is None:
            self._lost_s += passed
            if self._lost_s > ANEW_S:
                self._begin(picture)
                self._to_scene = np.eye(2, 3)
            return None
        self._lost_s = 0.0
        parameters, left_px = fitted
        self._found = parameters
        return self._learn(picture, parameters, left_px, passed)

    def _begin(self, picture: Float32Array) -> None:
        """Take this picture for the view."""
        self._view = picture.copy()
        self._rival_s[:] = 0.0
        self._before = None
        self._points = None
        self._found = np.zeros(8)
        self._epoch += 1
        self._lost_s = 0.0

    def _fit(self, picture: Float32Array) -> tuple[FloatArray, float] | None:
        """Move and light, and the displacement that is left over, px; None where it fits not."""
        assert self._view is not None
        if self._points is None or self._fresh <= 0:
            across, down = _slopes(self._view)
            self._steps = np.hypot(across, down)
            self._points = _points(self._view, across, down, self._middle, self._unit)
            self._fresh = 12
        self._fresh -= 1
        if len(self._points.codes) < 40:  # nothing to hold on to: taken as it lies
            return np.zeros(8), 0.0
        found = self._solved(picture, self._found)
        if found is None:
            window = cv2.createHanningWindow(self._shape[::-1], cv2.CV_32F)
            shift, _ = cv2.phaseCorrelate(self._view, picture, window)
            start = np.zeros(8)
            start[:2] = shift
            found = self._solved(picture, start)
        return found

    def _solved(self, picture: Float32Array, start: FloatArray) -> tuple[FloatArray, float] | None:
        points = self._points
        assert points is not None
        now = start.copy()
        off = np.zeros(0)
        for _ in range(STEPS):
            off = self._off(picture, now)
            scale = max(1.4826 * float(np.median(np.abs(off))), LEAST_SCALE)
            cut = min(TUKEY * scale, MOST_CUT)
            weights = np.maximum(1 - (off / cut) ** 2, 0.0) ** 2
            weighted = points.slopes * weights[:, None]
            normal = points.slopes.T @ weighted + points.ridge
            step = np.linalg.solve(normal, weighted.T @ off)
            now -= step
            if np.abs(step[:2]).max() < STILL_PX:
                break
        if np.abs(now[:2]).max() > 0.4 * min(self._shape) or abs(now[5]) > 0.8:
            return None
        off = self._off(picture, now)
        if np.mean(np.abs(off) < AGREE_CODES) < LEAST_AGREE:
            return None
        strong = points.sizes > STRONG_STEP
        left = np.abs(off[strong]) / points.sizes[strong]
        return now, float(np.median(left)) if len(left) >= 20 else 0.05

    def _off(self, picture: Float32Array, parameters: FloatArray) -> FloatArray:
        points = self._points
        assert points is not None
        x, y = points.about.T * self._unit
        sx, sy, grown, turned = parameters[:4]
        there_x = x + grown * x - turned * y + sx + self._middle[0]
        there_y = y + turned * x + grown * y + sy + self._middle[1]
        seen = cv2.remap(
            picture, there_x.astype(np.float32)[None], there_y.astype(np.float32)[None],
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
        )[0]  # fmt: skip
        light = points.light @ parameters[4:]
        return np.asarray(seen - points.codes - light, dtype=np.float64)

    def _matrix(self, parameters: FloatArray) -> FloatArray:
        sx, sy, grown, turned = parameters[:4]
        form = np.array([[1 + grown, -turned], [turned, 1 + grown]])
        shift = self._middle + np.array([sx, sy]) - form @ self._middle
        return np.column_stack([form, shift])

    def _learn(
        self, picture: Float32Array, parameters: FloatArray, left_px: float, passed: float
    ) -> Laid:
        view = self._view
        assert view is not None
        move = self._matrix(parameters)
        size = self._shape[::-1]
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        there = cv2.warpAffine(picture, move, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        cover = np.ones(self._shape, np.uint8)
        valid = cv2.warpAffine(cover, move, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
        covered: Mask = valid > 0
        level, gain, gain_x, gain_y = (float(each) for each in parameters[4:])
        lit = 1 + gain + gain_x * self._across + gain_y * self._down
        laid = ((there - level) / np.maximum(lit, 0.1)).astype(np.float32)
        other = np.abs(laid - view)
        # Of the view and of what stands before it: either may have edges where the other is plain.
        here = np.hypot(*_slopes(laid))
        slack = (np.float32(left_px) * np.maximum(self._steps, here)).astype(np.float32)
        result = Laid(
            laid, covered, other, slack, self._noise.copy(), self._to_scene, move,
            self._epoch, 1 + gain,
        )  # fmt: skip
        self._update(view, laid, other, slack, passed)
        if np.abs(parameters[:2]).max() > WANDERS * size[0]:
            self._look_there(picture, move)
        return result

    def _update(
        self,
        view: Float32Array,
        laid: Float32Array,
        other: Float32Array,
        slack: Float32Array,
        passed: float,
    ) -> None:
        if self._before is not None:
            change = np.abs(laid - self._before)
            step = np.float32(NOISE_RISES * passed)
            self._noise += np.where(change > self._noise, step, -step)
            np.clip(self._noise, 0.2, 20.0, out=self._noise)
        self._before = laid
        same = other < NEAR_CODES + 3 * self._noise + 3 * slack
        share = np.float32(min(1.0, passed / FOLLOWS_S))
        view += np.where(same, share, np.float32(0.0)) * (laid - view)
        as_rival = ~same & (np.abs(laid - self._rival) < NEAR_CODES + 3 * self._noise + 3 * slack)
        self._rival_s = np.where(as_rival, self._rival_s + np.float32(passed), np.float32(0.0))
        self._rival += np.where(as_rival, np.float32(0.2), np.float32(1.0)) * (laid - self._rival)
        taken = self._rival_s > KNOWN_AFTER_S
        view[taken] = self._rival[taken]
        self._rival_s[taken] = 0.0

    def _look_there(self, picture: Float32Array, move: FloatArray) -> None:
        """Take the view where the camera looks now; what was not seen before, from the picture."""
        assert self._view is not None
        size = self._shape[::-1]
        known = cv2.warpAffine(np.ones(self._shape, np.uint8), move, size, flags=cv2.INTER_NEAREST)
        view = cv2.warpAffine(self._view, move, size, flags=cv2.INTER_LINEAR)
        inverse = cv2.invertAffineTransform(move)
        whole = np.vstack([self._to_scene, [0, 0, 1]]) @ np.vstack([inverse, [0, 0, 1]])
        light = self._found[4:].copy()
        self._begin(picture)
        self._to_scene = np.asarray(whole[:2])
        lit = 1 + light[1] + light[2] * self._across + light[3] * self._down
        self._view = np.where(known > 0, view * lit + light[0], picture).astype(np.float32)


@dataclass(frozen=True, eq=False)
class _Points:
    """Points of the view that a picture is compared at.

    ``about`` (P, 2) in half diagonals, ``codes`` (P,), ``sizes`` of the gradient (P,), ``slopes``
    (P, 8) of the residual, ``light`` (P, 4), ``ridge`` (8, 8) keeps what nothing tells at zero.
    """

    about: FloatArray
    codes: FloatArray
    sizes: FloatArray
    slopes: FloatArray
    light: FloatArray
    ridge: FloatArray


def _slopes(view: Float32Array) -> tuple[Float32Array, Float32Array]:
    across = cv2.Sobel(view, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    down = cv2.Sobel(view, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


def _points(
    view: Float32Array,
    across: Float32Array,
    down: Float32Array,
    middle: FloatArray,
    unit: float,
) -> _Points:
    """The steepest places of every part of the view."""
    size = np.hypot(across, down)
    rows, columns = view.shape
    margin = 3
    found_y, found_x = [], []
    for part_y in np.array_split(np.arange(margin, rows - margin), TILES[1]):
        for part_x in np.array_split(np.arange(margin, columns - margin), TILES[0]):
            if not (part_y.size and part_x.size):
                continue
            tile = size[part_y[0] : part_y[-1] + 1, part_x[0] : part_x[-1] + 1].ravel()
            count = min(A_TILE, tile.size)
            best = np.argpartition(tile, tile.size - count)[-count:]
            best = best[tile[best] > LEAST_STEP]
            found_y.append(part_y[0] + best // part_x.size)
            found_x.append(part_x[0] + best % part_x.size)
    y, x = np.concatenate(found_y), np.concatenate(found_x)
    about = (np.column_stack([x, y]) - middle) / unit
    codes = view[y, x].astype(np.float64)
    gx, gy = across[y, x].astype(np.float64), down[y, x].astype(np.float64)
    here_x, here_y = about.T
    light = np.column_stack([np.ones(len(x)), codes, codes * here_x, codes * here_y])
    form = unit * np.column_stack([gx * here_x + gy * here_y, gy * here_x - gx * here_y])
    slopes = np.column_stack([gx, gy, form, -light])
    # Held by about as much as one point in a hundred would: a picture without edges stays put.
    typical = np.maximum((slopes**2).mean(axis=0), 1e-6) if len(x) else np.ones(8)
    ridge = np.diag(typical * 0.01 * max(len(x), 1) * np.array([0, 0, 1, 1, 0, 0.1, 1, 1]) + 1e-9)
    return _Points(about, codes, np.hypot(gx, gy), slopes, light, ridge)
