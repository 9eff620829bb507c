"""What is gathered of every picture in the one pass that decodes a clip.

Cheap things of all of them (clipped ends, brightness by bands of rows, where the picture lies),
dearer ones of a dozen spread over the clip (noise between it and the next, blocks, a still).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from clipmark.clip import Clip
from clipmark.clip.picture import Picture
from clipmark.motion.shake import Shake, ShakeFollower
from clipmark.motion.still_noise import NoiseBetween, blockiness, noise_between

FloatArray = NDArray[np.float64]
SAMPLES = 12  # pictures looked at closely
BANDS = 8  # of rows, for light that flickers
ROW_STEP = 8  # as the checking pass takes rows for brightness
STILL_PX = 320  # longer side of a kept still
OVER_SHARE = 0.05  # of the codes at white and beyond that lie well beyond: white is not the end
OVER_CODES = 0.03  # of black to white: what coding alone overshoots
LIMITED_ENDS = (1, 254)  # codes that limited-range 8-bit video may use (ITU-R BT.709, 5.6)


@dataclass(frozen=True, eq=False)
class Still:
    """A picture made small: its ordinal, and luma in 8 bits, black 0 to white 255, upright."""

    ordinal: int
    luma: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Gathered:
    """What the pass gathered, by frame ordinal where there is one value each, NaN if not seen.

    Attributes
    ----------
    clipped_black, clipped_white : ndarray, shape (n,)
        Share of pixels at the ends of the codes.
    white_code : int
        The code that counts as the upper end.
    bands : ndarray, shape (n, BANDS)
        Brightness of bands of rows, as stored, 0 black to 1 white.
    histogram : ndarray, shape (codes,)
        Pixels by luma code, over the whole clip.
    shake : Shake
        Of the picture as stored.
    noise : list of NoiseBetween
        Of the pictures looked at closely.
    blocks : dict of int to float, or None
        Steps on the coding grid over those beside it, median.
    stills : list of Still
    """

    clipped_black: FloatArray
    clipped_white: FloatArray
    white_code: int
    bands: FloatArray
    histogram: NDArray[np.int64]
    shake: Shake
    noise: list[NoiseBetween]
    blocks: dict[int, float] | None
    stills: list[Still]

    def without(self, ordinals: set[int]) -> Gathered:
        """The same less what was seen in frames that turned out damaged."""
        bad = [k for k in ordinals if k < len(self.clipped_black)]
        black, white, bands = (
            values.copy() for values in (self.clipped_black, self.clipped_white, self.bands)
        )
        black[bad] = white[bad] = np.nan
        bands[bad] = np.nan
        stills = [still for still in self.stills if still.ordinal not in ordinals]
        return replace(self, clipped_black=black, clipped_white=white, bands=bands, stills=stills)


class Gatherer:
    """Observer of the pass; see `clipmark.clip.health.check`."""

    def __init__(self, clip: Clip) -> None:
        self._clip = clip
        count = clip.frame_count
        self._black, self._white = clip.black_level, clip.white_level
        self._codes = 2**clip.bit_depth
        self._at = np.zeros((count, 3))  # at black, at white or over, at the very end
        self._seen = np.zeros(count, dtype=bool)
        self._bands = np.full((count, BANDS), np.nan)
        self._histogram = np.zeros(self._codes, dtype=np.int64)
        self._shake = ShakeFollower(self._black, self._white, count)
        spread = np.linspace(0, count - 1, min(SAMPLES, count) * 2 + 1)[1::2]
        self._samples = {int(k) for k in np.rint(spread)}
        self._kept: tuple[int, NDArray[np.generic]] | None = None
        self._noise: list[NoiseBetween] = []
        self._blocks: list[dict[int, float]] = []
        self._stills: list[Still] = []

    @property
    def _end(self) -> int:
        """The last code that the clip's range allows."""
        full = self._white == self._codes - 1
        return self._white if full else LIMITED_ENDS[1] * self._codes // 256

    def observe(self, ordinal: int, picture: Picture) -> None:
        """Look at one picture."""
        luma = picture.luma
        rows = luma[::ROW_STEP]
        counts = np.bincount(rows.ravel(), minlength=self._codes)[: self._codes]
        self._histogram += counts
        white, total = self._white, max(rows.size, 1)
        self._at[ordinal] = (
            counts[: self._black + 1].sum() / total,
            counts[white:].sum() / total,
            counts[self._end :].sum() / total,
        )
        self._seen[ordinal] = True
        means = rows.mean(axis=1)
        cuts = np.array_split(means, BANDS) if len(means) >= BANDS else [means] * BANDS
        span = self._white - self._black
        self._bands[ordinal] = [(float(part.mean()) - self._black) / span for part in cuts]
        self._shake.step(ordinal, luma)
        if self._kept is not None and self._kept[0] == ordinal - 1:
            found = noise_between(self._kept[1], luma, self._black, self._white)
            if found is not None:
                self._noise.append(found)
        self._kept = None
        if ordinal in self._samples:
            self._look_closely(ordinal, luma)

    def _look_closely(self, ordinal: int, luma: NDArray[np.generic]) -> None:
        self._kept = (ordinal, luma.copy())
        blocks = blockiness(luma)
        if blocks is not None:
            self._blocks.append(blocks)
        factor = min(1.0, STILL_PX / max(luma.shape))
        size = (max(1, round(luma.shape[1] * factor)), max(1, round(luma.shape[0] * factor)))
        small = cv2.resize(np.asarray(luma), size, interpolation=cv2.INTER_AREA)
        grey = (small.astype(np.float32) - self._black) * (255.0 / (self._white - self._black))
        stored = np.asarray(np.clip(grey, 0, 255), dtype=np.uint8)
        upright = np.ascontiguousarray(self._clip.upright_transform.apply(stored))
        self._stills.append(Still(ordinal, upright))

    def result(self) -> Gathered:
        """Everything, after the pass."""
        white, span = self._white, self._white - self._black
        beyond = min(round(white + OVER_CODES * span) + 1, self._codes)
        at_white = int(self._histogram[white:].sum())
        over = int(self._histogram[beyond:].sum())
        goes_on = at_white > 0 and over > OVER_SHARE * at_white and self._end > beyond
        share = np.where(self._seen, self._at[:, 2 if goes_on else 1], np.nan)
        blocks = None
        if self._blocks:
            blocks = {
                grid: float(np.median([each[grid] for each in self._blocks]))
                for grid in self._blocks[0]
            }
        return Gathered(
            np.where(self._seen, self._at[:, 0], np.nan),
            share,
            self._end if goes_on else white,
            self._bands,
            self._histogram,
            self._shake.result(),
            self._noise,
            blocks,
            self._stills,
        )
